"""The morning and the calibration in a browser's terms."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import ObservedLow
from gardenapp.models.people import Member
from gardenapp.models.trials import Outcome
from gardenapp.services.night import forecasts, plan_night, tonight
from tests.factories import Factory
from tests.pages import Pages

EVENING = date(2026, 11, 24)
SCREEN = {"place": "screen"}


@pytest.fixture
def ines(make: Factory, pages: Pages, clock: list[datetime]) -> Member:
    """A member whose beans stood under a tote in a cold night; it is the morning after."""
    member = make.member("Ines")
    plot = make.plot("North 3", holders=(member,))
    make.planting(plot, name="runner beans")
    make.planting(plot, make.stage("leek", threshold_c=-15.0), name="leeks")
    make.plot("Far 9")
    make.cover(make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0), label="T7")
    forecasts.enter_by_hand(night_of=EVENING, low_c=-2.0, member_id=None, now=make.now)
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)
    (job,) = tonight.tonight_page(now=make.now).jobs
    tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)
    clock[0] = make.now + timedelta(hours=17)
    pages.sign_in(member)
    return member


def plot_path(pages: Pages) -> str:
    links = [a.get("href", "") for a in pages.get("/morning").all("a")]
    return next(link for link in links if link.startswith("/morning/plots/")).split("?")[0]


def test_the_morning_says_what_must_come_off_and_what_to_read(pages: Pages, ines: Member) -> None:
    page = pages.get("/morning")

    assert "Night of Tuesday 24 to Wednesday 25 November" in page.text
    assert "Plot North 3" in page.text
    assert "T7" in page.text
    assert "low not read" in page.text
    assert "Far 9" not in page.text


def test_off_and_back_takes_one_press(pages: Pages, ines: Member) -> None:
    form = next(f.get("action", "") for f in pages.get("/morning").all("form"))

    page = pages.follow(pages.post(form))

    assert "Marked as off" in page.text
    assert "Nothing is marked as on" in page.text


def test_a_broken_cover_is_noted_on_its_return(pages: Pages, ines: Member) -> None:
    links = [a.get("href", "") for a in pages.get("/morning").all("a")]
    path = next(link for link in links if link.endswith("/condition"))
    page = pages.get(path)
    name = next(e.get("name", "") for e in page.all("input") if e.get("type") == "radio")

    pages.post(path.replace("condition", "off"), {name: "broken"})

    assert db.session.scalars(select(Cover.condition)).all() == ["broken"]


@pytest.mark.parametrize(
    ("data", "status"),
    [
        ({"cover-1": "exploded"}, 409),
        # Neither is the number of a cover, so nothing is said of any.
        ({"cover-" + "9" * 20: "broken"}, 303),
        ({"cover-999": "broken"}, 404),
        ({"cover-٣": "broken"}, 303),
    ],
    ids=["word", "long number", "foreign cover", "other digits"],
)
def test_a_hostile_condition_changes_no_cover(
    pages: Pages, ines: Member, data: dict[str, str], status: int
) -> None:
    form = next(f.get("action", "") for f in pages.get("/morning").all("form"))
    data["csrf_token"] = pages._token()

    response = pages._ask("post", form, data=data)

    assert response.status_code == status
    assert db.session.scalars(select(Cover.condition)).all() == ["sound"]


def test_low_and_damage_are_written_down_together(pages: Pages, ines: Member) -> None:
    path = plot_path(pages)
    page = pages.get(path)
    risky = next(e.get("name", "") for e in page.all("input") if e.get("type") == "radio")

    done = pages.follow(pages.post(path, {**page.values(), "low": "−1,5", **SCREEN, risky: "some"}))

    assert "low −1.5 °C; 1 planting looked at" in done.text
    assert db.session.scalars(select(ObservedLow.low_c)).all() == [-1.5]
    assert db.session.scalars(select(Outcome.damage)).all() == ["some"]


def test_a_low_in_fahrenheit_is_kept_in_celsius(make: Factory, pages: Pages, ines: Member) -> None:
    row = db.session.get(Member, ines.id)
    assert row is not None
    row.temperature_unit = "F"
    db.session.commit()
    path = plot_path(pages)

    pages.post(path, {**pages.get(path).values(), "low": "23", **SCREEN})

    assert db.session.scalars(select(ObservedLow.low_c)).all() == [pytest.approx(-5.0)]


def test_a_wrong_low_keeps_what_was_ticked(pages: Pages, ines: Member) -> None:
    path = plot_path(pages)
    page = pages.get(path)
    risky = next(e.get("name", "") for e in page.all("input") if e.get("type") == "radio")

    again = pages.post(path, {**page.values(), "low": "cold", risky: "much"}, status=422)

    assert again.values()["low"] == "cold"
    assert again.values()[risky] == "much"
    assert db.session.scalars(select(Outcome)).all() == []


def test_the_plantings_at_risk_come_first(pages: Pages, ines: Member) -> None:
    text = pages.get(plot_path(pages)).text

    assert text.index("runner beans") < text.index("that was not at risk") < text.index("leeks")


def test_another_members_plot_cannot_be_written(make: Factory, pages: Pages, ines: Member) -> None:
    path = plot_path(pages)
    other = Pages(pages.app).sign_in(make.member("Wes"))

    other.get(path, status=403)
    other.post(path, {"low": "-9"}, status=403)


def test_the_screens_low_is_the_coordinators(make: Factory, pages: Pages, ines: Member) -> None:
    pages.post("/morning/screen", {"low": "-1"}, status=403)
    coordinator = Pages(pages.app).sign_in(make.coordinator())

    wrong = coordinator.post("/morning/screen", {"low": "x"}, status=422)
    coordinator.post("/morning/screen", {"low": "-1"})

    assert wrong.values()["low"] == "x"
    assert db.session.scalars(select(ObservedLow.plot_id)).all() == [None]


@pytest.mark.parametrize("night", ["2026-11-30", "1999-01-01", "tonight", "9" * 30, "\u202e"])
def test_a_night_that_cannot_be_is_not_found(pages: Pages, ines: Member, night: str) -> None:
    pages.get(f"/morning?night={night}", status=404)


def test_an_empty_garden_says_the_next_step(make: Factory, pages: Pages) -> None:
    make.garden()
    pages.sign_in(make.member())

    assert "You hold no plot" in pages.get("/morning").text
    assert "Nobody has read a low yet" in pages.get("/calibration").text
    assert "Nobody has saved yet" in pages.get("/calibration").text


def test_calibration_shows_lows_offsets_and_damage(pages: Pages, ines: Member) -> None:
    path = plot_path(pages)
    page = pages.get(path)
    risky = next(e.get("name", "") for e in page.all("input") if e.get("type") == "radio")
    pages.post(path, {**page.values(), "low": "-4", **SCREEN, risky: "none"})

    found = pages.get("/calibration")

    assert "From 1 reading: on average 2.0 °C colder than predicted" in found.text
    assert "Brier score" in found.text
    assert "“dead” as all: our own scale" in found.text
    assert "plot North 3" in found.text


def test_a_low_is_asked_where_it_was_read_and_keeps_what_was_typed(
    pages: Pages, ines: Member
) -> None:
    path = plot_path(pages)

    page = pages.post(path, {**pages.get(path).values(), "low": "-1.5"}, status=422)

    assert "several degrees colder than the official" in page.text
    assert page.values()["low"] == "-1.5"
    assert db.session.scalars(select(ObservedLow.low_c)).all() == []


@pytest.mark.parametrize(("place", "kept"), [("ground_bare", "ground_bare"), ("unknown", "")])
def test_the_place_is_kept_and_offered_the_next_time(
    pages: Pages, ines: Member, place: str, kept: str
) -> None:
    path = plot_path(pages)

    pages.post(path, {**pages.get(path).values(), "low": "-1.5", "place": place})

    assert db.session.scalars(select(ObservedLow.place)).all() == [kept]
    assert pages.get(path).values()["place"] == kept


def test_a_low_that_cannot_be_meant_is_doubted_in_words(pages: Pages, ines: Member) -> None:
    path = plot_path(pages)

    done = pages.follow(
        pages.post(path, {**pages.get(path).values(), "low": "-25", "place": "screen"})
    )

    assert "far from the forecast" in done.text


def test_a_past_night_is_shown_as_a_picture_with_its_words(pages: Pages, ines: Member) -> None:
    path = plot_path(pages)
    page = pages.get(path)
    risky = next(e.get("name", "") for e in page.all("input") if e.get("type") == "radio")
    pages.post(path, {**page.values(), "low": "-2.5", **SCREEN, risky: "much"})

    links = [a.get("href", "") for a in pages.get("/morning").all("a")]
    shown = pages.get(next(link for link in links if link.startswith("/calibration/nights/")))

    assert "Night of Tuesday 24 to Wednesday 25 November" in shown.text
    assert "−2.5 °C read" in shown.text
    assert "1 of 1 damaged" in shown.text
    assert "runner beans" in shown.text
    for bad in ("2026-11-20", "2026-13-40", "x", "2026-11-25", "0001-01-01", "9999-12-31"):
        pages.get(f"/calibration/nights/{bad}", status=404)
