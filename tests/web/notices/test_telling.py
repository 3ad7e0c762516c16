"""The pages where people say how they are told, and the coordinator sees how it goes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from flask import Flask
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.notices import NoticeChannel, OutgoingNotice
from gardenapp.models.people import Member
from gardenapp.services.notices import mail, telling
from gardenapp.services.upkeep import scheduler
from tests.factories import Factory
from tests.pages import Pages

HOSTILE = [
    "x" * 5_000,
    "a\x00b",
    "🥶@🥶",
    "99999999999999999999",
    "nan",
    "<script>alert(1)</script>",
    "'; DROP TABLE member; --",
    "a@example.org\r\nBcc: b@example.org",
]


@pytest.fixture
def tamsin(make: Factory, pages: Pages) -> Member:
    member = make.member("Tamsin")
    pages.sign_in(member)
    return member


@pytest.fixture
def odile(make: Factory, pages: Pages) -> Member:
    member = make.coordinator()
    pages.sign_in(member)
    return member


def queued() -> Iterator[OutgoingNotice]:
    db.session.expire_all()
    return iter(db.session.scalars(select(OutgoingNotice).order_by(OutgoingNotice.id)).all())


def question() -> str:
    found = re.search(r"(/notices/confirm/\S+)", next(queued()).body["text"])
    assert found
    return found[1]


# --- a member's own ---------------------------------------------------------------------------


def test_an_address_is_asked_confirmed_by_the_button_and_then_on(
    app: Flask, tamsin: Member, pages: Pages
) -> None:
    page = pages.follow(
        pages.post(
            "/me/notices/mail",
            {"mail-address": " tam@example.org ", "mail-tells_quiet": "y"},
        )
    )
    assert "Waiting for you" in page.text
    somebody = Pages(app)  # the mail is read on another device, without signing in

    looked = somebody.get(question())
    assert "Waiting for you" in pages.get("/me/notices").text
    pressed = somebody.post(question(), status=200)

    assert "tam@example.org" in looked.text
    assert "now come to" in pressed.text
    assert "Nothing sent yet" in pages.get("/me/notices").text
    assert pages.get("/me/notices").values()["mail-tells_quiet"] == "y"


def test_a_question_that_is_too_old_says_what_to_do(
    app: Flask, tamsin: Member, pages: Pages, clock: list[object], make: Factory
) -> None:
    pages.post("/me/notices/mail", {"mail-address": "tam@example.org"})
    clock[0] = make.now + timedelta(days=8)

    page = Pages(app).get(question(), status=404)

    assert "Give the address again" in page.text


@pytest.mark.parametrize("typed", HOSTILE)
def test_a_bad_mail_address_is_shown_again_with_its_error(
    tamsin: Member, pages: Pages, typed: str
) -> None:
    page = pages.post(
        "/me/notices/mail",
        {"mail-address": typed, "mail-all_plots": "y"},
        status=422,
    )

    assert "There is a problem" in page.text
    assert page.values()["mail-all_plots"] == "y"
    if typed.isprintable() and typed.isascii():
        assert page.values()["mail-address"] == typed
    assert list(queued()) == []


@pytest.mark.parametrize("typed", [*HOSTILE, "ftp://x.example.org", "https://a:b@example.org/"])
def test_a_bad_hook_address_is_shown_again_with_its_error(
    tamsin: Member, pages: Pages, typed: str
) -> None:
    page = pages.post("/me/notices/hook", {"hook-address": typed}, status=422)

    assert "There is a problem" in page.text
    if typed.isprintable() and typed.isascii():
        assert page.values()["hook-address"] == typed


def test_a_hooks_secret_is_shown_once_and_stays_when_choices_change(
    tamsin: Member, pages: Pages
) -> None:
    first = pages.follow(
        pages.post(
            "/me/notices/hook",
            {"hook-address": "https://hook.example.org/in"},
        )
    )
    secret = db.session.scalars(select(NoticeChannel.secret)).one()
    assert secret in first.html
    assert first.response.headers["Cache-Control"] == "no-store"

    second = pages.follow(
        pages.post(
            "/me/notices/hook",
            {"hook-address": "https://hook.example.org/in", "hook-all_plots": "y"},
        )
    )

    assert secret not in second.html
    assert db.session.scalars(select(NoticeChannel.secret)).all() == [secret]


@pytest.mark.parametrize("way", ["mail", "hook"])
def test_stopping_what_was_never_begun_is_harmless(tamsin: Member, pages: Pages, way: str) -> None:
    pages.post(f"/me/notices/{way}/stop")
    pages.post(f"/me/notices/{way}/test", status=404)
    pages.post("/me/notices/pigeon/stop", status=404)


def test_two_presses_on_the_test_send_one(make: Factory, tamsin: Member, pages: Pages) -> None:
    telling.set_hook(
        member_id=tamsin.id,
        url="https://hook.example.org/in",
        all_plots=False,
        tells_quiet=False,
        pages_at="http://garden.test",
        now=make.now,
    )

    for _ in range(2):
        pages.post("/me/notices/hook/test")

    assert [row.kind for row in queued()] == ["test"]


def test_one_members_choices_are_seen_by_no_other(
    app: Flask, make: Factory, tamsin: Member, pages: Pages
) -> None:
    pages.post("/me/notices/mail", {"mail-address": "tam@example.org"})
    other = Pages(app).sign_in(make.member("Wes"))

    other.post("/me/notices/mail/stop")

    assert "tam@example.org" not in other.get("/me/notices").html
    assert "mail" in telling.list_channels(member_id=tamsin.id)


# --- the coordinator's ------------------------------------------------------------------------


def test_the_coordinator_sees_what_failed_without_the_address(
    app: Flask, make: Factory, odile: Member, pages: Pages
) -> None:
    tamsin = make.member("Tamsin")
    telling.set_mail(
        member_id=tamsin.id,
        address="tam@example.org",
        all_plots=False,
        tells_quiet=False,
        pages_at="http://garden.test",
        now=make.now,
    )
    row = next(queued())
    row.state, row.tries, row.last_error = "failed", 3, "The mail server replied 451."
    db.session.commit()

    page = pages.get("/garden/notices")

    assert "Tamsin by e-mail" in page.text
    assert "replied 451" in page.text
    assert "1 notice of the last two days" in page.text
    assert "tam@example.org" not in page.html
    pages.post(f"/garden/notices/{row.id}/again")
    assert next(queued()).state == "waiting"
    pages.post("/garden/notices/99/again", status=404)


def test_the_timetable_is_saved_and_a_bad_one_comes_back(odile: Member, pages: Pages) -> None:
    pages.post("/garden/notices/timetable", {"fetch_times": "15:00 6.30"})
    assert pages.get("/garden/notices").values()["fetch_times"] == "06:30, 15:00"

    for typed in ("noon", "25:00", *HOSTILE):
        page = pages.post("/garden/notices/timetable", {"fetch_times": typed}, status=422)
        assert "There is a problem" in page.text
    assert scheduler.get_timetable().text == "06:30, 15:00"


def test_the_mail_server_is_saved_and_its_password_never_shown(
    odile: Member, pages: Pages, app: Flask
) -> None:
    values = {
        "host": "mail.example.org",
        "port": "",
        "security": "tls",
        "user": "garden",
        "password": "right horse",
        "sender": "garden@example.org",
    }

    pages.post("/garden/mail", values)
    page = pages.get("/garden/mail")

    assert mail.get_mail_settings().port == 465
    assert page.values()["host"] == "mail.example.org"
    assert page.values()["password"] == ""
    assert "right horse" not in page.html
    assert "One is saved" in page.text
    pages.post("/garden/mail", {**values, "password": ""})
    assert mail.read_password(tmp_of(app)) == "right horse"


def tmp_of(app: Flask):  # type: ignore[no-untyped-def]
    from pathlib import Path

    return Path(app.instance_path)


@pytest.mark.parametrize("name", ["host", "user", "sender", "port", "security"])
@pytest.mark.parametrize("typed", HOSTILE)
def test_hostile_settings_are_refused_and_nothing_typed_is_lost(
    odile: Member, pages: Pages, name: str, typed: str
) -> None:
    values = {
        "host": "mail.example.org",
        "port": "587",
        "security": "starttls",
        "user": "garden",
        "sender": "garden@example.org",
    }

    page = pages.post("/garden/mail", {**values, name: typed}, status=_expected(name, typed))

    if page.status == 422:
        for other in {"host", "port", "user", "sender"} - {name}:
            assert page.values()[other] == values[other]


def _expected(name: str, typed: str) -> int:
    is_plain = typed.isprintable() and len(typed) < 200 and "\ud800" not in typed
    if name == "user" and is_plain:
        return 303  # any plain text may be somebody's user name
    if name == "host" and typed in {"99999999999999999999", "nan"}:
        return 303  # odd, and a possible host name
    return 422


def test_a_member_reaches_none_of_the_coordinators_pages(tamsin: Member, pages: Pages) -> None:
    for path in ("/garden/notices", "/garden/mail"):
        pages.get(path, status=403)
    pages.post("/garden/notices/timetable", {"fetch_times": "6:00"}, status=403)
