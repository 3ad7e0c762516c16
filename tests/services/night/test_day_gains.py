"""One rule by day: what the page of a kind says is what the plan reckons with."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.readers.records import HourForecast
from gardenapp.science.covers.lift_learning import LearntLift
from gardenapp.science.night.morning import (
    day_gain,
    gain_in_full_sun,
    lift_off,
    strongest_sun_wm2,
    warm_end_k,
)
from gardenapp.services.clockwork import get_garden
from gardenapp.services.night import day_gains, forecasts, jobs, plan_night
from tests.factories import Factory


def table(now: datetime, cloud_percent: int, hours: int = 48) -> bytes:
    begin = now.replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=1)
    lines = ["Time,Air temperature (°C),Cloud (%)"]
    lines += [
        f"{begin + timedelta(hours=n):%Y-%m-%dT%H:%MZ},4.0,{cloud_percent}" for n in range(hours)
    ]
    return ("\n".join(lines) + "\n").encode()


def strongest(now: datetime) -> float:
    garden = get_garden()
    zone = ZoneInfo(garden.time_zone)
    return strongest_sun_wm2(
        now.astimezone(zone).date(),
        garden.latitude, garden.longitude, garden.height_m, zone,
    )  # fmt: skip


def test_without_a_forecast_today_counts_as_clear(make: Factory) -> None:
    make.garden()
    kind = make.cover_kind(day_gain_k=10.0, day_gain_source_id="UMDHEAT")

    found = day_gains.kind_by_day(kind_id=kind.id, now=make.now)

    assert not found.is_by_forecast
    assert found.today == day_gain(gain_in_full_sun(10.0), strongest(make.now))
    assert found.clear_day.high_k >= found.today.high_k > found.today.low_k > 0.0
    assert (found.basis, found.source_id) == ("published", "UMDHEAT")


def test_cloud_of_the_forecast_is_taken_off_today_and_not_off_a_clear_day(make: Factory) -> None:
    make.garden()
    kind = make.cover_kind(day_gain_k=5.0)
    bare = day_gains.kind_by_day(kind_id=kind.id, now=make.now)

    forecasts.import_file(
        data=table(make.now, 100), filename="f.csv", member_id=None,
        now=make.now - timedelta(days=1),
    )  # fmt: skip
    found = day_gains.kind_by_day(kind_id=kind.id, now=make.now)

    assert found.is_by_forecast
    assert found.today.high_k == pytest.approx(0.33 * bare.today.high_k)
    assert found.clear_day == bare.clear_day


def test_the_clearest_hour_decides_and_few_hours_tell_nothing() -> None:
    at = datetime(2026, 4, 1, 12, tzinfo=UTC)
    hours = [
        HourForecast(at=at + timedelta(hours=n), temp_c=5.0, cloud_fraction=cloud)
        for n, cloud in enumerate((1.0, 0.9, 0.2, 1.0))
    ]

    assert day_gains.clearest_cloud(hours) == 0.2
    assert day_gains.clearest_cloud(hours[:3]) is None


def test_a_kind_of_unknown_make_counts_as_clear_and_closed(make: Factory) -> None:
    make.garden()
    kind = make.cover_kind(day_gain_k=None)

    found = day_gains.kind_by_day(kind_id=kind.id, now=make.now)

    assert found.basis == "unknown"
    assert day_gains.reckoned_gain_k([kind], {}) == warm_end_k(gain_in_full_sun(None))
    assert day_gains.reckoned_gain_k([], {}) == day_gains.reckoned_gain_k([kind], {})


def test_of_covers_over_one_another_the_warmest_counts(make: Factory) -> None:
    cool, warm = make.cover_kind(day_gain_k=4.0), make.cover_kind(day_gain_k=9.0)

    assert day_gains.reckoned_gain_k([cool, warm], {}) == warm_end_k(gain_in_full_sun(9.0))


def test_what_was_learnt_here_is_shown_and_reckoned_with(
    make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.garden()
    kind = make.cover_kind(day_gain_k=10.0)
    prior = gain_in_full_sun(10.0)
    learnt = LearntLift(prior, prior.shifted(4.0), 5, 1, 5.0, 0.5, ())
    monkeypatch.setattr(day_gains, "believed_gains", lambda: {kind.id: learnt})

    found = day_gains.kind_by_day(kind_id=kind.id, now=make.now)

    assert found.basis == "tried"
    assert found.today == day_gain(prior.shifted(4.0), strongest(make.now))
    assert day_gains.reckoned_gain_k([kind], {kind.id: learnt}) == warm_end_k(prior.shifted(4.0))


def test_the_plan_lifts_by_the_warm_end_of_what_the_page_says(
    make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.garden()
    make.planting(stage=make.stage("salad", heat_max_c=20.0))
    kind = make.cover_kind(day_gain_k=10.0)
    make.cover(kind)
    evening = make.now.date()
    forecasts.enter_by_hand(night_of=evening, low_c=-2.0, member_id=None, now=make.now)
    asked: list[float] = []

    def watched(**values: Any) -> Any:
        asked.append(values["day_gain_k"])
        return lift_off(**values)

    monkeypatch.setattr(jobs, "lift_off", watched)

    plan_night.plan_night(night_of=evening, member_id=None, now=make.now)

    assert set(asked) == {day_gains.reckoned_gain_k([kind], {})}
    shown = day_gains.kind_by_day(kind_id=kind.id, now=make.now).today.high_k
    assert shown == day_gain(gain_in_full_sun(10.0), strongest(make.now)).high_k


def test_a_kind_that_is_not_there_is_said(make: Factory) -> None:
    make.garden()
    db.session.commit()

    with pytest.raises(NotFound):
        day_gains.kind_by_day(kind_id=99, now=make.now)
