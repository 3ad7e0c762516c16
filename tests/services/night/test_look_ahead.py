"""The nights after tonight, and the covers by day."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast, ForecastImport
from gardenapp.services.night import forecasts, plan_night, tonight
from gardenapp.services.night.look_ahead import CoverDay, LookAhead, look_ahead
from tests.factories import Factory

EVENING = date(2026, 11, 24)


def enter(make: Factory, lows_c: list[float], **more: Any) -> None:
    for number, low_c in enumerate(lows_c):
        forecasts.enter_by_hand(
            night_of=EVENING + timedelta(days=number),
            low_c=low_c,
            member_id=None,
            now=make.now,
            **more,
        )


def with_days(
    make: Factory, lows_c: list[float], *, day_c: float, cloud_fraction: float, gust_mps: float = 3
) -> None:
    """Forecasts with an hour for every hour: `day_c` from nine to three, the low at night."""
    source = ForecastImport(came_by="file", kind="hours", name="hours", entered_at=make.now)
    db.session.add(source)
    db.session.flush()
    for number, low_c in enumerate(lows_c):
        start = datetime(2026, 11, 24, 12, tzinfo=UTC) + timedelta(days=number)
        hours = []
        for step in range(37):
            at = start + timedelta(hours=step)
            hours.append(
                {
                    "at": at.isoformat(),
                    "temp_c": day_c if 9 <= at.hour <= 15 else low_c,
                    "dew_point_c": None,
                    "humidity_percent": None,
                    "cloud_fraction": cloud_fraction,
                    "wind_mps": 2.0,
                    "gust_mps": gust_mps,
                }
            )
        db.session.add(
            Forecast(
                import_id=source.id,
                night_of=EVENING + timedelta(days=number),
                low_c=low_c,
                cloud_fraction=cloud_fraction,
                wind_mps=2.0,
                gust_mps=gust_mps,
                hours=hours,
            )
        )
    db.session.commit()


def covered_garden(make: Factory, **cover: Any) -> None:
    stage = make.stage("beans", threshold_c=1.0, heat_max_c=20.0)
    make.planting(make.plot("A1"), stage, mind="dearly")
    values: dict[str, Any] = {"clear_mean_k": 5.0, "cloudy_mean_k": 5.0, "day_gain_k": 12.0}
    make.cover(make.cover_kind("glass box", **values | cover))


def plan(make: Factory) -> None:
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)
    assert tonight.tonight_page(now=make.now).jobs, "the test needs a cover in use"


def first_cover(make: Factory) -> CoverDay:
    return look_ahead(make.now).days[0].covers[0]


# --- nights -----------------------------------------------------------------------------------


def test_each_night_ahead_has_its_low_and_what_is_at_risk(make: Factory) -> None:
    make.planting(make.plot(), make.stage(threshold_c=0.0), count=4)
    make.planting(make.plot(), make.stage(threshold_c=-15.0), count=9)
    enter(make, [5.0, -3.0, 12.0])

    found = look_ahead(make.now)

    assert [night.night_of.day for night in found.nights] == [25, 26]
    assert [night.plants_at_risk for night in found.nights] == [4, 0]
    assert found.tomorrow is not None
    assert found.tomorrow.low.mean == pytest.approx(-3.0, abs=0.3)
    assert found.next_cold is found.tomorrow


def test_later_nights_are_less_sure(make: Factory) -> None:
    make.garden()
    enter(make, [0.0] * 6)

    spreads = [night.low.sd for night in look_ahead(make.now).nights]

    assert spreads == sorted(spreads)
    assert spreads[0] < spreads[-1]


@pytest.mark.parametrize(
    ("lows_c", "is_worse"),
    [
        ([2.0, -3.0], True),
        ([-3.0, 2.0], False),
        ([-3.0, -3.1], False),
        ([14.0, 11.0], False),
        ([-3.0], False),
    ],
    ids=["colder", "warmer", "as good as equal", "colder and harmless", "not known"],
)
def test_tomorrow_is_called_worse_only_where_it_matters(
    make: Factory, lows_c: list[float], is_worse: bool
) -> None:
    make.planting(make.plot(), make.stage(threshold_c=0.0))
    enter(make, lows_c)

    assert look_ahead(make.now).tomorrow_is_worse is is_worse


def test_nothing_is_said_of_nights_without_a_forecast(make: Factory) -> None:
    make.planting()

    assert look_ahead(make.now) == LookAhead(EVENING, None, (), (), None)


def test_looking_ahead_plans_nothing(make: Factory) -> None:
    covered_garden(make)
    enter(make, [-2.0, -2.0])
    before = tonight.board_version()

    look_ahead(make.now)

    assert tonight.board_version() == before
    assert tonight.tonight_page(now=make.now).plan_id is None


# --- days -------------------------------------------------------------------------------------


def test_on_a_cold_dull_day_between_two_frosts_the_cover_may_stay(make: Factory) -> None:
    covered_garden(make)
    with_days(make, [-2.0, -3.0], day_c=1.0, cloud_fraction=1.0)
    plan(make)

    cover = first_cover(make)

    assert (cover.verdict, cover.why) == ("stay", "cold")
    assert cover.lift_by_at is None


def test_on_a_clear_day_it_must_come_off_and_the_time_is_said(make: Factory) -> None:
    covered_garden(make)
    with_days(make, [-2.0, -3.0], day_c=12.0, cloud_fraction=0.0)
    plan(make)

    cover = first_cover(make)

    assert (cover.verdict, cover.why) == ("off", "heat")
    assert cover.lift_by_at is not None
    assert 7 <= cover.lift_by_at.hour <= 14


@pytest.mark.parametrize(
    ("day_gain_k", "why"), [(40.0, "heat"), (2.0, "unknown day")], ids=["strong", "weak"]
)
def test_without_hours_for_the_day_nothing_may_stay_on(
    make: Factory, day_gain_k: float, why: str
) -> None:
    covered_garden(make, day_gain_k=day_gain_k)
    enter(make, [-2.0, -3.0])
    plan(make)

    day = look_ahead(make.now).days[0]

    assert not day.is_by_hours
    assert day.cloud_fraction is None
    assert day.may_stay == ()
    assert [cover.why for cover in day.must_come_off] == [why]


def test_before_a_mild_night_it_comes_off_though_the_day_is_dull(make: Factory) -> None:
    covered_garden(make)
    with_days(make, [-2.0, 9.0], day_c=1.0, cloud_fraction=1.0)
    plan(make)

    assert first_cover(make).why == "not needed"


def test_before_a_night_without_a_forecast_it_comes_off(make: Factory) -> None:
    covered_garden(make)
    with_days(make, [-2.0], day_c=1.0, cloud_fraction=1.0)
    plan(make)

    assert first_cover(make).why == "unknown"


def test_a_gust_the_next_night_takes_a_light_cover_off(make: Factory) -> None:
    covered_garden(make, gust_limit_mps=14.0)
    with_days(make, [-2.0, -3.0], day_c=1.0, cloud_fraction=1.0)
    plan(make)
    newest = forecasts.find_forecast(EVENING + timedelta(days=1))
    assert newest is not None
    newest.gust_mps = 20.0
    db.session.commit()

    assert first_cover(make).why == "wind"


def test_a_brighter_noon_decides_over_a_dull_morning(make: Factory) -> None:
    covered_garden(make)
    with_days(make, [-2.0, -3.0], day_c=12.0, cloud_fraction=1.0)
    for row in db.session.query(Forecast):
        row.hours = [
            {**hour, "cloud_fraction": 0.0 if "T12" in hour["at"] else 1.0} for hour in row.hours
        ]
    db.session.commit()
    plan(make)

    assert first_cover(make).why == "heat"


def test_days_go_on_as_far_as_nights_are_forecast(make: Factory) -> None:
    covered_garden(make)
    with_days(make, [-2.0, -3.0, -3.0, -3.0], day_c=1.0, cloud_fraction=1.0)
    plan(make)

    days = look_ahead(make.now).days

    assert [day.day_on.day for day in days] == [25, 26, 27, 28]
    assert [day.covers[0].verdict for day in days] == ["stay", "stay", "stay", "off"]
    assert days[-1].covers[0].why == "unknown"
