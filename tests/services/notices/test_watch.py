"""Coordinators hear in time that the coming night is not looked after, and why, once a look."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.builds import ClimateNight
from gardenapp.models.notices import OutgoingNotice
from gardenapp.models.people import Member
from gardenapp.services.night import forecasts
from gardenapp.services.notices import planned, telling, watch
from tests.factories import Factory

EVENING = date(2026, 11, 24)
# Sunset is at 16:00 or so: looks are at 13:00 and from 14:00.
NOON, ONE, HALF_PAST_TWO = (
    datetime(2026, 11, 24, hour, minute, tzinfo=UTC)
    for hour, minute in ((12, 0), (13, 0), (14, 30))
)


@pytest.fixture
def odile(make: Factory) -> Member:
    member = make.coordinator(language="en")
    make.planting(stage=make.stage(threshold_c=0.0))
    telling.set_hook(
        member_id=member.id,
        url="https://hook.example.org/in",
        all_plots=False,
        tells_quiet=False,
        pages_at="http://garden.test",
        now=NOON,
    )
    return member


def told() -> list[OutgoingNotice]:
    db.session.expire_all()
    return list(
        db.session.scalars(
            select(OutgoingNotice).where(OutgoingNotice.kind == "watch").order_by(OutgoingNotice.id)
        )
    )


def enter(now: datetime, low_c: float, **more: Any) -> None:
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=now, **more)


def test_a_night_without_a_forecast_is_told_at_one_and_once_more_before_dusk(odile: Member) -> None:
    looks = [watch.look(now=at) for at in (NOON, ONE, ONE + timedelta(minutes=9), HALF_PAST_TWO)]
    again = watch.look(now=HALF_PAST_TWO + timedelta(hours=3))

    assert looks == [0, 1, 0, 1]
    assert again == 0
    first, last = told()
    assert "No forecast for tonight" in first.body["subject"]
    assert "http://garden.test/forecast" in first.body["text"]
    assert last.expires_at > HALF_PAST_TWO


def test_only_coordinators_are_told_of_it(odile: Member, make: Factory) -> None:
    member = make.member("Tamsin")
    telling.set_hook(
        member_id=member.id,
        url="https://hook.example.org/other",
        all_plots=True,
        tells_quiet=True,
        pages_at="http://garden.test",
        now=NOON,
    )

    watch.look(now=ONE)

    assert [row.member_id for row in told()] == [odile.id]


def test_a_low_that_could_harm_without_a_plan_is_told_with_what_planning_answered(
    odile: Member,
) -> None:
    enter(NOON, 2.0)

    watch.look(now=ONE, plan_answer="the solver gave up")

    (row,) = told()
    assert "not planned" in row.body["subject"]
    assert "the solver gave up" in row.body["text"]


@pytest.mark.parametrize(("low_c", "number"), [(4.0, 1), (4.6, 0)])
def test_a_low_far_above_the_tenderest_plants_worries_nobody(
    odile: Member, low_c: float, number: int
) -> None:
    enter(NOON, low_c)

    assert watch.look(now=ONE) == number


def test_a_planned_night_with_a_fresh_forecast_is_good(odile: Member) -> None:
    enter(NOON, -2.0)
    planned.keep_planned(now=NOON)

    assert watch.look(now=ONE) == watch.look(now=HALF_PAST_TWO + timedelta(hours=12)) == 0


def test_a_night_planned_from_an_old_forecast_is_told(odile: Member) -> None:
    enter(NOON - timedelta(hours=13), -2.0)
    planned.keep_planned(now=NOON)

    assert watch.look(now=ONE) == 1
    assert "old" in told()[0].body["subject"]


@pytest.mark.parametrize(
    ("evening", "latitude", "on_record", "expected"),
    [
        (date(2026, 12, 30), 52.0, None, True),
        (date(2026, 7, 10), 52.0, None, False),
        (date(2026, 7, 10), -42.0, None, True),
        (date(2026, 12, 30), -42.0, None, False),
        (date(2026, 4, 20), 52.0, date(2019, 4, 3), True),
        (date(2026, 4, 20), 52.0, date(2019, 3, 30), False),
    ],
)
def test_a_month_may_freeze_by_the_record_or_by_the_heart_of_winter(
    make: Factory, evening: date, latitude: float, on_record: date | None, expected: bool
) -> None:
    garden = make.garden(latitude=latitude)
    if on_record is not None:
        db.session.add(ClimateNight(night_of=on_record, low_c=-0.5, source="a station nearby"))
        db.session.commit()

    assert watch.may_freeze(garden, evening) is expected


def test_fetches_that_fail_are_told_after_the_second_and_once_an_outage(odile: Member) -> None:
    enter(NOON, 9.0)
    answers = [
        watch.look(now=NOON + timedelta(minutes=20 * n), fetch_failures=n, fetch_answer="503")
        for n in range(5)
    ]

    assert answers == [0, 0, 1, 0, 0]
    assert "503" in told()[0].body["text"]
    enter(NOON + timedelta(hours=5), 9.0)  # something came in: the next outage is another
    assert watch.look(now=NOON + timedelta(hours=9), fetch_failures=2, fetch_answer="404") == 1


def test_nothing_that_grows_could_be_harmed(make: Factory) -> None:
    garden = make.garden()
    enter(NOON, -9.0)

    assert watch.mildest_threshold_c(EVENING) is None
    assert watch.worry_of(garden, EVENING, ONE) is None
