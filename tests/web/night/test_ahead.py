"""The page of the nights ahead."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from flask import Flask

from gardenapp.extensions import db
from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.night.look_ahead import LookAhead, look_ahead
from gardenapp.web.night import ahead
from tests.factories import Factory
from tests.pages import Pages
from tests.phones import Phone

EVENING = date(2026, 11, 24)


def enter(make: Factory, lows_c: list[float]) -> None:
    for number, low_c in enumerate(lows_c):
        forecasts.enter_by_hand(
            night_of=EVENING + timedelta(days=number),
            low_c=low_c,
            gust_mps=6.0,
            member_id=None,
            now=make.now,
        )


def test_an_empty_page_says_the_next_step(make: Factory, pages: Pages) -> None:
    make.garden()

    visitor = pages.get("/ahead")
    coordinator = pages.sign_in(make.coordinator()).get("/ahead")

    assert "There is no forecast past tonight" in visitor.text
    assert "Get a forecast" in coordinator.text


def test_nights_and_days_are_shown_with_words_and_spread(make: Factory, pages: Pages) -> None:
    make.planting(make.plot("A1"), make.stage(threshold_c=1.0), name="beans")
    make.cover(make.cover_kind("glass box", clear_mean_k=5.0, cloudy_mean_k=5.0, day_gain_k=40.0))
    enter(make, [-1.0, -4.0, 9.0])
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)

    page = pages.get("/ahead")

    assert "Tomorrow night looks worse than tonight" in page.text
    assert "Wed 25 Nov" in page.text
    assert "±" in page.text
    assert "plot A1: glass box, the inside would get too warm" in page.text
    assert "not promises" in page.text


@pytest.mark.parametrize("is_open", [True, False])
def test_it_is_for_whoever_may_read_the_board(make: Factory, pages: Pages, is_open: bool) -> None:
    make.garden(board_is_open=is_open)

    pages.get("/ahead", status=200 if is_open else 303)


def test_temperatures_are_in_the_readers_unit(make: Factory, pages: Pages) -> None:
    make.garden(temperature_unit="F", length_unit="inch")
    enter(make, [0.0, -10.0])

    page = pages.get("/ahead")

    assert "14.0 °F" in page.text
    assert "°C" not in page.text
    assert "mph" in page.text.replace("\u202f", " ")


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[datetime]:
    """Grows by one each time the nights ahead are worked out."""
    found: list[datetime] = []

    def counted(now: datetime) -> LookAhead:
        found.append(now)
        return look_ahead(now)

    monkeypatch.setattr(ahead, "look_ahead", counted)
    return found


def test_it_is_worked_out_once_for_all_readers_until_the_garden_changes(
    app: Flask, make: Factory, worked_out: list[datetime]
) -> None:
    make.garden()
    enter(make, [0.0, -1.0])
    pages = Phone(app)

    first = pages.get("/ahead")
    again = pages.get("/ahead")
    member = Phone(app).sign_in(make.member("Ines")).get("/ahead")
    assert len(worked_out) == 1
    unchanged = pages.client.get("/ahead", headers={"If-None-Match": tag_of(pages)})
    enter(make, [0.0, -10.0])
    changed = pages.get("/ahead")

    assert len(worked_out) == 2
    assert first.html == again.html
    assert "Ines" in member.html and "Ines" not in again.html
    assert (unchanged.status_code, unchanged.data) == (304, b"")
    assert "10.0" in changed.text and "10.0" not in again.text


def tag_of(pages: Pages) -> str:
    return str(pages.client.get("/ahead").headers["ETag"])


def test_it_is_made_anew_the_next_day(
    make: Factory, pages: Pages, worked_out: list[datetime], clock: list[datetime]
) -> None:
    make.garden()
    enter(make, [0.0, -1.0, -3.0])
    before = pages.get("/ahead")
    clock[0] += timedelta(days=1)

    after = pages.get("/ahead")

    assert len(worked_out) == 2
    assert before.html != after.html


def test_no_reader_gets_a_page_kept_for_another(app: Flask, make: Factory) -> None:
    make.garden()
    enter(make, [0.0, -10.0])
    ines, odile = make.member("Ines", temperature_unit="F"), make.coordinator("Odile")

    pages = {
        "stranger": Phone(app).get("/ahead"),
        "Ines": Phone(app).sign_in(ines).get("/ahead"),
        "Odile": Phone(app).sign_in(odile).get("/ahead"),
    }
    spanish = Phone(app)
    spanish.client.set_cookie("language", "es")
    dark = Phone(app)
    dark.client.set_cookie("theme", "dark")

    for name, page in pages.items():
        assert [n for n in ("Ines", "Odile") if n in page.html] == [name] * (name != "stranger")
    assert "14.0" in pages["Ines"].text and "14.0" not in pages["stranger"].text
    assert "/garden" in pages["Odile"].html and 'href="/garden"' not in pages["Ines"].html
    assert spanish.get("/ahead").root.get("lang") == "es"
    assert dark.get("/ahead").root.get("data-theme") == "dark"
    tags = {page.response.headers["ETag"] for page in pages.values()}
    assert len(tags) == 3


def test_a_message_stands_on_a_kept_page_once(app: Flask, make: Factory) -> None:
    make.garden()
    phone = Phone(app)
    phone.get("/ahead")
    with phone.client.session_transaction() as session:
        session["_flashes"] = [("message", "It is noted.")]

    with_message, after = phone.get("/ahead"), phone.get("/ahead")

    assert with_message.text.count("It is noted.") == 1
    assert "It is noted." not in after.text
    assert "ETag" not in with_message.response.headers


def test_a_closed_board_shuts_out_whoever_read_the_page_while_it_was_open(
    app: Flask, make: Factory
) -> None:
    garden = make.garden()
    phone = Phone(app)
    tag = phone.get("/ahead").response.headers["ETag"]
    garden.board_is_open = False
    db.session.commit()

    phone.get("/ahead", status=303)
    answer = phone.client.get("/ahead", headers={"If-None-Match": tag})

    assert answer.status_code == 303
