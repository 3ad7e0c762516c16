"""Every page of the demo shows something real, in English and Spanish, on a phone and at a desk.

All pages that a coordinator can reach by links are opened, one of each kind. Printed: how many, and
how long the longest are.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from argon2 import PasswordHasher
from flask import Flask

import seed_demo
from gardenapp import create_app
from gardenapp.extensions import db
from gardenapp.services.garden import passwords
from tests.conftest import NOW, make_settings
from tests.system.conftest import DESK, PHONE, Server, start

pytestmark = pytest.mark.browser
FEWEST_PAGES = 80
# Sentences of pages that have nothing to show, and what stands there for a reason.
EMPTY = re.compile(
    r"No trials? yet|Nothing is saved yet|There is no forecast|No replays? yet|"
    r"Nobody has changed anything|There is no price yet|There is none yet|No plants are written|"
    r"No plots are written|has no covers yet|Only you so far|Nothing here yet|"
    r"Todavía no hay|Aún no hay ning"
)
# Honest: nobody asked the demo's invented people for a mail server.
ALLOWED = ("/garden/notices", "/me/notices", "/garden/mail")
LEFT_OUT = re.compile(
    r"/static|/language|/themes?|/sources/|\.(csv|json|xml|ics|zip|pdf|txt|webmanifest)$|/sign-out"
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    """The whole demo with its past, seeded once."""
    patch = pytest.MonkeyPatch()
    patch.setattr(passwords, "_hasher", PasswordHasher(time_cost=1, memory_cost=64))
    app = create_app(
        make_settings(tmp_path_factory.mktemp("pages")), overrides={"CLOCK": lambda: NOW}
    )
    with app.app_context():
        sign_ins = seed_demo.seed(low_c=-2.0, now=NOW)
        app.config["DEMO_SIGN_IN"] = (sign_ins[0].name, sign_ins[0].password)
        db.session.remove()
    yield app
    with app.app_context():
        db.engine.dispose()
    patch.undo()


@pytest.fixture
def server(demo: Flask) -> Iterator[Server]:
    url, stop = start(demo)
    yield Server(url)
    stop()


def kind_of(path: str) -> str:
    """Pages of one kind: their addresses without numbers, days and secrets."""
    plain = re.sub(r"\d+", "N", path.partition("?")[0].partition("#")[0])
    return re.sub(r"/[A-Za-z0-9_-]{20,}", "/T", plain)


@pytest.mark.parametrize("locale", ["en-GB", "es-ES"])
def test_every_page_has_something_to_show(
    demo: Flask, open_page: Callable[..., Any], locale: str
) -> None:
    name, password = demo.config["DEMO_SIGN_IN"]
    page = open_page(**PHONE, locale=locale)
    page.goto("/sign-in")
    page.fill("[name=name]", name)
    page.fill("[name=password]", password)
    page.locator("main button[type=submit]").first.click()
    page.wait_for_load_state()
    height = PHONE["viewport"]["height"]
    waiting, seen, wrong, lengths = ["/tonight"], set[str](), [], {}
    while waiting:
        path = waiting.pop(0)
        kind = kind_of(path)
        if kind in seen or not path.startswith("/") or LEFT_OUT.search(path.partition("?")[0]):
            continue
        seen.add(kind)
        page.set_viewport_size(PHONE["viewport"])
        answer = page.goto(path)
        wide, tall, words = page.evaluate(
            "[document.documentElement.scrollWidth, document.documentElement.scrollHeight,"
            " (document.querySelector('main') || document.body).innerText]"
        )
        lengths[kind] = tall / height
        page.set_viewport_size(DESK["viewport"])
        at_the_desk = page.evaluate("document.documentElement.scrollWidth")
        if answer is None or answer.status != 200:
            wrong.append(f"{path}: {answer.status if answer else 'no answer'}")
        elif wide > PHONE["viewport"]["width"] or at_the_desk > DESK["viewport"]["width"]:
            wrong.append(f"{path}: {wide} and {at_the_desk} px wide")
        elif len(words.split()) < 8:
            wrong.append(f"{path}: {words!r}")
        elif EMPTY.search(words) and not path.startswith(ALLOWED):
            wrong.append(f"{path}: {EMPTY.search(words)[0]}")  # type: ignore[index]
        waiting += page.eval_on_selector_all(
            "a[href]", "links => links.map(link => link.getAttribute('href'))"
        )
    longest = sorted(lengths.items(), key=lambda item: -item[1])[:5]
    print(
        f"\n{locale}: {len(seen)} kinds of page, the longest "
        + ", ".join(f"{kind} {screens:.1f} screens" for kind, screens in longest)
    )
    assert wrong == []
    assert len(seen) >= FEWEST_PAGES
