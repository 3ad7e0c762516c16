"""A night in the words of a message: the reader's unit, language and clock, and nobody's name."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from flask import Flask

from gardenapp.science.estimate import Estimate
from gardenapp.science.night.plan_records import PlantingStory, TreatmentName
from gardenapp.services.night.tonight import BoardJob, CoverToFetch, TonightPage
from gardenapp.services.notices import night_words
from gardenapp.words import speaking
from tests.science.night.test_plan_records import HEADER, STORY

EVENING = date(2026, 11, 24)
LONDON = ZoneInfo("Europe/London")
FIVE = datetime(2026, 11, 24, 17, 7, 30, tzinfo=UTC)
EIGHT = datetime(2026, 11, 25, 8, 59, tzinfo=UTC)


@pytest.fixture(autouse=True)
def context(app: Flask) -> Iterator[None]:
    """Words need an app to know the languages of."""
    with app.app_context():
        yield


def job(plot: str = "A1", label: str = "crate", **changes: Any) -> BoardJob:
    values: dict[str, Any] = {
        "id": 1,
        "plot_id": 1,
        "plot": plot,
        "treatment": "1",
        "name": TreatmentName((label,)),
        "units": 1,
        "covers": (CoverToFetch(1, "T1", 1, "Back shed", False),),
        "plants": {1: 3},
        "minutes": 3.0,
        "by_at": FIVE,
        "lift_by_at": EIGHT,
        "safe_from_at": None,
        "must_come_off": False,
        "state": "free",
        "claimed_by_id": 7,
        "claimed_by": "Wes Okafor",
        "on_since": None,
    }
    return BoardJob(**values | changes)


def row(status: str = "short", **data: Any) -> PlantingStory:
    values: dict[str, Any] = {"plot": "A1", "name": "beans", "count": 3, "after": 0.804}
    return replace(STORY, status=status, **{"left": 0, **values, **data})


def page(*jobs: BoardJob, rows: tuple[PlantingStory, ...] = ()) -> TonightPage:
    return TonightPage(
        night_of=EVENING,
        forecast=None,
        header=replace(HEADER, low=Estimate(-1.5, 1.0)),
        plan_id=1,
        made_at=None,
        is_stale=False,
        is_outdated=False,
        method="exact",
        gap=0.0,
        rows=rows,
        jobs=jobs,
    )


NOON = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)


def told(
    found: TonightPage, unit: str = "C", now: datetime = NOON, **more: Any
) -> night_words.NightText:
    return night_words.night_text(found, unit=unit, zone=LONDON, now=now, **more)


# --- numbers, days and times --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value_c", "unit", "english", "spanish"),
    [
        (-1.54, "C", "−1.5 °C", "−1,5 °C"),
        (-0.04, "C", "0.0 °C", "0,0 °C"),
        (0.0, "F", "32.0 °F", "32,0 °F"),
        (-40.0, "F", "−40.0 °F", "−40,0 °F"),
    ],
)
def test_a_temperature_is_in_the_readers_unit_and_writing(
    value_c: float, unit: str, english: str, spanish: str
) -> None:
    assert night_words.temperature(value_c, unit) == english
    with speaking("es"):
        assert night_words.temperature(value_c, unit) == spanish


@pytest.mark.parametrize(
    ("night_of", "english", "spanish"),
    [
        (
            EVENING,
            "Tuesday 24 to Wednesday 25 November",
            "martes 24 al miércoles 25 de noviembre",
        ),
        (
            date(2026, 11, 30),
            "Monday 30 November to Tuesday 1 December",
            "lunes 30 de noviembre al martes 1 de diciembre",
        ),
        (
            date(2026, 12, 31),
            "Thursday 31 December to Friday 1 January",
            "jueves 31 de diciembre al viernes 1 de enero",
        ),
    ],
)
def test_a_night_is_called_by_both_its_days(night_of: date, english: str, spanish: str) -> None:
    assert night_words.night_name(night_of) == english
    with speaking("es"):
        assert night_words.night_name(night_of) == spanish


@pytest.mark.parametrize(
    ("moment", "quarter"),
    [
        (FIVE, FIVE.replace(minute=0, second=0)),
        (
            FIVE.replace(minute=59, second=59, microsecond=999_999),
            FIVE.replace(minute=45, second=0),
        ),
        (FIVE.replace(minute=15, second=0), FIVE.replace(minute=15, second=0)),
        (FIVE.replace(minute=15, second=0, microsecond=1), FIVE.replace(minute=15, second=0)),
    ],
)
def test_a_time_to_be_ready_by_is_never_said_later_than_it_is(
    moment: datetime, quarter: datetime
) -> None:
    assert night_words.quarter_before(moment) == quarter


def test_the_hour_is_the_gardens_own() -> None:
    summer = datetime(2026, 6, 1, 19, 5, tzinfo=UTC)

    assert night_words.clock(summer, LONDON) == "20:05"
    assert night_words.clock(summer, ZoneInfo("Pacific/Auckland")) == "07:05"


# --- what is to be done ---------------------------------------------------------------------------


def test_a_job_says_how_many_of_what_and_where_from() -> None:
    both = (CoverToFetch(1, "T1", 1, "Back shed", False), CoverToFetch(2, "T2", None, "", False))

    assert night_words.job_line(job()) == "crate (from Back shed)"
    assert night_words.job_line(job(covers=both)) == "2 × crate (from Back shed)"
    assert night_words.job_line(job(covers=())) == "crate"
    assert night_words.job_line(job(must_come_off=True)) == "Take off: crate (from Back shed)"
    with speaking("es"):
        assert night_words.job_line(job(must_come_off=True)).startswith("Quitar: ")
        assert night_words.job_line(job()).endswith("(de Back shed)")


def test_jobs_are_gathered_by_plot_and_the_same_ones_counted() -> None:
    found = night_words.job_lines([job("B2"), job("A1", "sheet", covers=()), job("A1"), job("A1")])

    assert found == [
        "Plot A1: 2 times crate (from Back shed); sheet",
        "Plot B2: crate (from Back shed)",
    ]


def test_what_a_feed_or_a_mail_header_may_not_hold_is_left_out() -> None:
    bad = job("A1\r\nBcc: all@example.org", "crate\x00\x1b[2J\u2028", covers=())

    (line,) = night_words.job_lines([bad])

    assert line == "Plot A1Bcc: all@example.org: crate[2J"
    assert night_words.short_line(row(plot="A1\n", name="be\tans")).isprintable()


def test_what_cannot_be_saved_says_how_many_are_left_and_how_sure_it_is() -> None:
    assert night_words.short_line(row()) == "Plot A1: 3 × beans, about 80 % likely damaged"
    assert night_words.short_line(row(left=2)).startswith("Plot A1: 2 × beans")
    assert night_words.short_line(row(left=0)).startswith("Plot A1: 3 × beans")
    with speaking("es"):
        said = night_words.short_line(row())
    assert said == "Parcela A1: 3 × beans, se dañaría aproximadamente el 80 %"


def test_the_first_time_holds_and_taking_off_has_none_to_be_on_by() -> None:
    hour = timedelta(hours=1)
    late = job(by_at=FIVE + hour, lift_by_at=EIGHT - hour)
    off = job(by_at=FIVE - hour, lift_by_at=None, must_come_off=True)

    assert night_words.put_on_by([late, job(), off, job(by_at=None)]) == FIVE
    assert night_words.lift_by([job(), late, off]) == EIGHT - hour
    assert night_words.put_on_by([off]) is None
    assert night_words.lift_by([off]) is None
    assert night_words.put_on_by([]) is night_words.lift_by([]) is None


# --- the whole night ------------------------------------------------------------------------------


def test_the_title_says_the_one_thing_that_matters_most() -> None:
    off = job(must_come_off=True)
    titles = {
        "Cover up by 17:00 tonight": page(job(), off, rows=(row(),)),
        "Take covers off tonight: wind": page(off, off),
        "There is something to do tonight": page(job(by_at=None)),
        "Plants at risk tonight, and no cover free": page(rows=(row(),)),
        "Nothing to do tonight": page(rows=(row("safe"), row("watch"), row("protected"))),
    }

    assert {told(found).title: found for found in titles.values()} == titles
    assert [told(found).has_work for found in titles.values()] == [True] * 4 + [False]


def test_a_night_with_work_says_all_of_it_in_order() -> None:
    text = told(page(job(), rows=(row(),))).text

    parts = [
        "Night of Tuesday 24 to Wednesday 25 November.",
        "Low about −1.5 °C, give or take 1.0 °C.",
        "To do:\nPlot A1: crate (from Back shed)",
        "Put on by 17:00.",
        "Open or take off by about 08:45 in the morning.",
        "No cover free, or covered and still at risk:\n"
        "Plot A1: 3 × beans, about 80 % likely damaged",
        "Chances are estimates, not promises.",
        "leave a plant rather than fall for it.",
    ]
    at = [text.index(part) for part in parts]
    assert at == sorted(at)
    assert "Nothing to do" not in text
    assert "Okafor" not in text


@pytest.mark.parametrize("jobs", [(), (job(),)], ids=["quiet", "work"])
@pytest.mark.parametrize(
    ("language", "caution"),
    [("en", "In ice and dark, leave a plant"), ("es", "estimaciones")],
)
def test_the_caution_stands_in_every_message(
    language: str, caution: str, jobs: tuple[BoardJob, ...]
) -> None:
    with speaking(language):
        assert caution in told(page(*jobs)).text


def test_a_spread_is_a_difference_and_gets_no_32_added() -> None:
    text = told(page(), "F").text

    assert "Low about 29.3 °F, give or take 1.8 °F." in text


def test_a_quiet_night_is_said_to_be_one() -> None:
    assert "Nothing to do tonight." in told(page()).lines
    with speaking("es"):
        found = told(page())
    assert found.title == "Nada que hacer esta noche"
    assert "Nada que hacer esta noche." in found.lines


# --- as it stands at this moment --------------------------------------------------------------


def test_no_time_that_has_passed_is_told_as_if_it_were_to_come() -> None:
    evening = FIVE + timedelta(hours=1)

    found = told(page(job()), now=evening)

    assert found.title == "Cover up now: some of it is late"
    assert "1 is late, as of 17:07: put it on now" in found.text
    assert "Put on by" not in found.text
    early = told(page(job()), now=FIVE - timedelta(minutes=3))
    assert "by 17:07" in early.title  # the quarter before has passed, the time itself has not


def test_what_is_new_stands_first_and_what_is_on_is_not_to_do() -> None:
    on = [job(id=n, state="on") for n in range(10, 47)]
    known = [job(id=n, plot="B2", by_at=FIVE) for n in (1, 2)]
    new = [job(id=n, plot="C3", by_at=FIVE + timedelta(hours=2)) for n in (3, 4, 5)]

    found = told(page(*on, *known, *new), now=FIVE - timedelta(hours=1), new_ids={3, 4, 5})

    assert found.title == "3 more to cover by 19:00"
    text = found.text
    assert text.index("New since the last message:\nPlot C3") < text.index("Still to do:\nPlot B2")
    assert "37 covers or sets are on." in text
    assert "Plot A1" not in text


def test_when_all_is_on_there_is_nothing_to_tell() -> None:
    found = told(page(job(state="on"), job(id=2, state="struck")))

    assert not found.has_work
    assert found.title == "Covers are on"
    assert "To do" not in found.text
