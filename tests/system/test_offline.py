"""No signal: a real browser, HTTPS as the command serves it, and the last board."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from gardenapp import create_app, doors
from gardenapp.cli import certificate as certificates
from gardenapp.cli import server as cli_server
from gardenapp.config import Settings
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.services.night import forecasts, plan_night
from tests.factories import Factory
from tests.system.conftest import CHROMIUM, PHONE, SLOWEST, link_for
from tests.system.garden import small_garden

pytestmark = pytest.mark.browser
EVENING = date(2026, 11, 24)


@dataclass
class Secure:
    """The pages over HTTPS, and how to pull the plug."""

    url: str
    app: Flask
    stop: Callable[[], None]


def serve(app: Flask, folder: Path, port: int) -> Callable[[], None]:
    tls = cli_server.tls_context(folder / certificates.CERTIFICATE, folder / certificates.KEY)
    server = doors.Doors(
        app,
        host="127.0.0.1",
        port=port,
        threads=6,
        largest=1_000_000,
        door=doors.Door(may_send_much=cli_server.signed_in_or_machine(app), tls=tls),
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()

    def stop() -> None:
        server.close()
        thread.join(15)

    return stop


@pytest.fixture
def secure(
    settings: Settings, clock: list[datetime], tmp_path: Path, make: Factory
) -> Iterator[Secure]:
    certificates.make_certificate(tmp_path, names=(), ips=("127.0.0.1",), at=datetime.now(UTC))
    app = create_app(
        replace(settings, is_https=True), overrides={"TESTING": True, "CLOCK": lambda: clock[0]}
    )
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    stop = serve(app, tmp_path, port)
    found = Secure(f"https://127.0.0.1:{port}", app, stop)
    yield found
    found.stop()
    with app.app_context():
        db.session.remove()
        db.engine.dispose()


@pytest.fixture
def phone(secure: Secure, driver: Any) -> Iterator[Any]:
    """A browser of its own: a worker needs a certificate the whole browser accepts."""
    browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--ignore-certificate-errors"])
    context = browser.new_context(base_url=secure.url, ignore_https_errors=True, **PHONE)
    context.set_default_timeout(SLOWEST)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on(
        "console",
        lambda message: faults.append(message.text) if "Content Security" in message.text else None,
    )
    yield page
    browser.close()
    assert faults == []


def plan(make: Factory, low_c: float = 2.0) -> Member:
    small = small_garden(make)
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=make.now)
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)
    return small.member


def come_in(page: Any, make: Factory, member: Member) -> None:
    page.goto(link_for(member, make))
    page.get_by_role("button").first.click()
    page.wait_for_url(re.compile(r"/(tonight|plots/\d+)"))  # home is the plot one holds


def kept(page: Any) -> list[str]:
    """The addresses of kept pages."""
    found: list[str] = page.evaluate(
        """async () => {
          const all = [];
          for (const name of await caches.keys()) {
            if (!name.startsWith("garden-copies-")) continue;
            for (const request of await (await caches.open(name)).keys()) {
              all.push(new URL(request.url).pathname);
            }
          }
          return all;
        }"""
    )
    return found


def settle(page: Any) -> None:
    """Wait until the worker has taken the page over, then open the board through it."""
    page.goto("/tonight")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.wait_for_function("navigator.serviceWorker.controller !== null")
    page.goto("/tonight")
    page.wait_for_function(
        """async () => {
          for (const name of await caches.keys()) {
            if (name.startsWith("garden-copies-") &&
                (await (await caches.open(name)).keys()).length) return true;
          }
          return false;
        }"""
    )


def test_with_the_server_gone_the_last_board_opens_and_says_when_it_was_read(
    make: Factory, secure: Secure, phone: Any
) -> None:
    plan(make)
    settle(phone)
    before = phone.locator("h1").inner_text()
    secure.stop()

    phone.goto("/tonight")

    assert phone.locator("h1").inner_text() == before
    note = phone.locator("main p.note[role=status]").first
    assert "No signal. This is the board as of" in note.inner_text()
    assert note.locator("time").get_attribute("datetime")
    # It is dressed as always: the style sheet was kept too.
    assert phone.evaluate("getComputedStyle(document.querySelector('main')).maxWidth") != "none"
    phone.goto("/plots")
    assert phone.locator("h1").inner_text() == "No signal"


def test_with_signal_the_newest_board_is_shown_and_not_the_kept_one(
    make: Factory, secure: Secure, phone: Any
) -> None:
    plan(make)
    settle(phone)
    forecasts.enter_by_hand(night_of=EVENING, low_c=-6.0, member_id=None, now=make.now)
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)

    phone.goto("/tonight")

    assert "6.0" in phone.locator("main").inner_text()
    assert phone.locator("main p.note[role=status]", has_text="No signal").count() == 0


def test_signing_out_takes_the_kept_boards_along(make: Factory, secure: Secure, phone: Any) -> None:
    member = plan(make)
    come_in(phone, make, member)
    settle(phone)
    assert kept(phone) == ["/tonight"]
    phone.goto("/me")

    phone.get_by_role("button", name="Sign out on this phone").click()
    phone.wait_for_url("**/sign-in")

    assert kept(phone) == []
    secure.stop()
    phone.goto("/tonight")
    assert "Bertil" not in phone.content()


def test_only_the_board_is_kept_and_never_a_members_own_pages(
    make: Factory, secure: Secure, phone: Any
) -> None:
    member = plan(make)
    come_in(phone, make, member)
    settle(phone)

    for path in ("/me", "/me/notices", "/covers", "/plots", "/ahead"):
        phone.goto(path)

    assert sorted(set(kept(phone))) == ["/ahead", "/tonight"]


def test_the_switch_takes_worker_and_copies_away(make: Factory, secure: Secure, phone: Any) -> None:
    plan(make)
    settle(phone)
    secure.app.config["HAS_OFFLINE_COPY"] = False
    # The real switch comes with a restart, which makes every page anew; here a change does.
    forecasts.enter_by_hand(night_of=EVENING, low_c=1.0, member_id=None, now=make.now)

    phone.goto("/tonight")
    phone.evaluate(
        "navigator.serviceWorker.getRegistration().then((found) => found && found.update())"
    )
    phone.wait_for_function(
        """async () => {
          const found = await navigator.serviceWorker.getRegistration();
          const names = await caches.keys();
          return found === undefined && names.length === 0;
        }"""
    )

    phone.goto("/tonight")

    assert phone.evaluate("caches.keys()") == []
    assert not phone.evaluate("navigator.serviceWorker.getRegistration().then((found) => !!found)")
