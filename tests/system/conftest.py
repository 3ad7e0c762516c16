"""A real server on a real database file, and real browsers in front of it."""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import requests
from flask import Flask

from gardenapp.cli.server import doors_of
from gardenapp.models.people import Member
from gardenapp.services.garden import people
from tests.factories import Factory

# Taken out of the environment at once: to the app it would be a setting it does not know.
IS_REQUIRED = os.environ.pop("GARDEN_REQUIRE_BROWSER", "") == "1"
CHROMIUM = "/usr/bin/chromium"
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "is_mobile": True,
    "has_touch": True,
}
DESK: dict[str, Any] = {"viewport": {"width": 1280, "height": 800}}
SECONDS = 1000  # playwright counts milliseconds
SLOWEST = 30 * SECONDS


def press(what: Any) -> None:
    """Press a button or link and wait for what it leads to: a new page, or a new card.

    A click by itself waits for neither. With script the board swaps the card that was pressed;
    without it, and everywhere else, the browser loads a page. Either way what was there goes.
    """
    page = what.page
    what.evaluate(
        """e => (e.closest('article.job') || document.querySelector('main'))
          .setAttribute('data-before', '')"""
    )
    what.click()
    page.locator("[data-before]").first.wait_for(state="detached")
    page.wait_for_load_state()


@dataclass(frozen=True)
class Server:
    """The address of a running server."""

    url: str


def start(app: Flask) -> tuple[str, Callable[[], None]]:
    """Serve `app` as the command does, on a free port; gives the address and how to stop."""
    house = doors_of(app, "127.0.0.1", port=0, threads=8)
    thread = threading.Thread(target=house.run, name="server", daemon=True)
    thread.start()

    def stop() -> None:
        house.close()
        thread.join(10)
        assert not thread.is_alive()

    return f"http://127.0.0.1:{house.port}", stop


@pytest.fixture
def server(app: Flask) -> Iterator[Server]:
    """The app of this test, served."""
    url, stop = start(app)
    yield Server(url)
    stop()


# --- visitors without a browser ----------------------------------------------------------------


def token_in(html: str) -> str:
    """The form token of a page."""
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', html)
    assert found, html[:500]
    return found[1]


class Visitor:
    """Somebody who speaks HTTP: keeps cookies, follows nothing by itself."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.http = requests.Session()
        self.http.trust_env = False

    def get(self, path: str, **kwargs: Any) -> requests.Response:
        return self.http.get(self.url + path, allow_redirects=False, timeout=60, **kwargs)

    def post(
        self, path: str, data: dict[str, Any] | None = None, *, token: str, **kwargs: Any
    ) -> requests.Response:
        values = {**(data or {}), "csrf_token": token}
        return self.http.post(
            self.url + path, data=values, allow_redirects=False, timeout=120, **kwargs
        )

    def token(self, path: str) -> str:
        """The form token on a page of theirs."""
        answer = self.get(path)
        assert answer.status_code == 200, (path, answer.status_code)
        return token_in(answer.text)

    def join(self, link: str) -> None:
        """Come in by a personal link."""
        answer = self.post(link, token=self.token(link))
        assert answer.status_code == 303, answer.text[:500]


def link_for(member: Member, make: Factory) -> str:
    """The path of a fresh personal link."""
    return f"/join/{people.make_invite(member_id=member.id, by_id=None, now=make.now)}"


@pytest.fixture
def visitor(server: Server, make: Factory) -> Iterator[Callable[..., Visitor]]:
    """Makes visitors; `visitor(member)` has come in by that member's link."""
    made: list[Visitor] = []

    def visit(member: Member | None = None) -> Visitor:
        one = Visitor(server.url)
        made.append(one)
        if member is not None:
            one.join(link_for(member, make))
        return one

    yield visit
    for one in made:
        one.http.close()


# --- browsers ----------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def driver() -> Iterator[Any]:
    """What starts browsers; a process can have but one."""

    def without(what: str) -> None:
        if IS_REQUIRED:
            pytest.fail(f"browser tests are required and {what}")
        pytest.skip(what)

    if not Path(CHROMIUM).exists():
        without(f"there is no {CHROMIUM}; install Debian’s package chromium")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        without("playwright is not installed; it is part of the test extra")
    with sync_playwright() as playwright:
        yield playwright


@pytest.fixture(scope="session")
def chromium(driver: Any) -> Iterator[Any]:
    """One browser for the whole run; a test opens its own contexts, which share nothing."""
    browser = driver.chromium.launch(executable_path=CHROMIUM)
    yield browser
    browser.close()


@pytest.fixture
def open_page(chromium: Any, server: Server) -> Iterator[Callable[..., Any]]:
    """Opens a page in a context of its own: `open_page()` is a phone, options change it.

    At the end of the test no page may have met a script error or a server error.
    """
    contexts: list[Any] = []
    faults: list[str] = []

    def fresh(**options: Any) -> Any:
        context = chromium.new_context(base_url=server.url, **{**PHONE, **options})
        context.set_default_timeout(SLOWEST)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(f"script: {error}"))
        page.on(
            "response",
            lambda r: faults.append(f"{r.status} {r.url}") if r.status >= 500 else None,
        )
        page.on(
            "console",
            lambda message: (
                faults.append(message.text) if "Content Security Policy" in message.text else None
            ),
        )
        return page

    yield fresh
    for context in contexts:
        context.close()
    assert faults == []
