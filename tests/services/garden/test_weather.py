"""The garden's own days, from whatever knows them best."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast, ForecastImport
from gardenapp.models.trials import Logger, Reading
from gardenapp.models.weather import DailyWeather
from gardenapp.readers.climate import read_climate
from gardenapp.services.garden import weather
from tests.factories import Factory

TODAY = date(2026, 11, 24)
ZONE = ZoneInfo("Europe/London")
LATITUDE = 52.2


Hours = list[tuple[datetime, float]]


def forecast(night_of: date, low_c: float, hours: Hours | None = None) -> None:
    source = ForecastImport(
        came_by="file", kind="test", name="", entered_at=datetime(2026, 11, 1, tzinfo=UTC)
    )
    db.session.add(source)
    db.session.flush()
    items = [{"at": at.isoformat(), "temp_c": temp_c} for at, temp_c in hours or []]
    db.session.add(Forecast(import_id=source.id, night_of=night_of, low_c=low_c, hours=items))
    db.session.commit()


def whole_day(on: date, low_c: float, high_c: float) -> Hours:
    start = datetime(on.year, on.month, on.day, tzinfo=UTC)
    return [(start + timedelta(hours=h), low_c if h < 12 else high_c) for h in range(24)]


def logger(make: Factory, place: str) -> Logger:
    row = Logger(
        label=place, plot_id=make.plot().id, kind="outside", place=place, token_hash=place,
        made_at=make.now,
    )  # fmt: skip
    db.session.add(row)
    db.session.commit()
    return row


def readings(of: Logger, on: date, low_c: float, high_c: float, hours: int = 24) -> None:
    db.session.add_all(
        Reading(logger_id=of.id, key=f"{at.isoformat()}", at=at, temp_c=temp_c, received_at=at)
        for at, temp_c in whole_day(on, low_c, high_c)[:hours]
    )
    db.session.commit()


def kept() -> dict[date, DailyWeather]:
    return {row.on_date: row for row in db.session.scalars(select(DailyWeather))}


def test_a_forecast_with_hours_makes_a_day_and_a_low_alone_a_guess(make: Factory) -> None:
    make.garden()
    forecast(TODAY - timedelta(days=1), -1.0, whole_day(TODAY, -1.0, 7.0))
    forecast(TODAY - timedelta(days=3), 2.0)

    assert weather.keep_days(today=TODAY, latitude=LATITUDE) == 2

    days = kept()
    today, guessed = days[TODAY], days[TODAY - timedelta(days=2)]
    assert (today.source, today.min_c, today.mean_c, today.max_c) == ("forecast", -1.0, 3.0, 7.0)
    assert (guessed.source, guessed.min_c, guessed.mean_c, guessed.max_c) == ("low", 2.0, 5.0, None)
    assert weather.keep_days(today=TODAY, latitude=LATITUDE) == 0  # nothing new


def test_the_gardens_own_thermometer_comes_before_the_forecast(make: Factory) -> None:
    make.garden()
    forecast(TODAY - timedelta(days=1), -1.0, whole_day(TODAY, -1.0, 7.0))
    weather.keep_days(today=TODAY, latitude=LATITUDE)
    readings(logger(make, "plant_shaded"), TODAY, -3.0, 9.0)

    assert weather.keep_days(today=TODAY, latitude=LATITUDE) == 1
    assert (kept()[TODAY].source, kept()[TODAY].min_c) == ("readings", -3.0)

    readings(logger(make, "screen"), TODAY, -2.0, 8.0)
    weather.keep_days(today=TODAY, latitude=LATITUDE)
    assert kept()[TODAY].min_c == -2.0  # a screen's before another's


@pytest.mark.parametrize(("place", "hours"), [("ground_bare", 24), ("", 24), ("screen", 17)])
def test_readings_that_say_nothing_of_the_air_or_of_half_a_day_make_none(
    make: Factory, place: str, hours: int
) -> None:
    make.garden()
    readings(logger(make, place), TODAY, -3.0, 9.0, hours)

    assert weather.keep_days(today=TODAY, latitude=LATITUDE) == 0


def test_the_first_time_everything_of_the_last_months_is_gone_through(make: Factory) -> None:
    make.garden()
    for back in (2, 40, 140, 160):
        forecast(TODAY - timedelta(days=back), 1.0)

    assert weather.keep_days(today=TODAY, latitude=LATITUDE) == 3
    forecast(TODAY - timedelta(days=60), 1.0)
    assert weather.keep_days(today=TODAY, latitude=LATITUDE) == 0  # long past is closed


def test_a_weaker_source_never_writes_over_a_better_one(make: Factory) -> None:
    make.garden()
    db.session.add(DailyWeather(on_date=TODAY, source="record", min_c=4.0, mean_c=6.0, max_c=8.0))
    db.session.commit()
    forecast(TODAY - timedelta(days=1), -1.0, whole_day(TODAY, -1.0, 7.0))

    assert weather.keep_days(today=TODAY, latitude=LATITUDE) == 0
    assert kept()[TODAY].source == "record"


def test_a_record_brings_its_days_where_no_thermometer_knows_better(make: Factory) -> None:
    make.garden()
    db.session.add(
        DailyWeather(on_date=date(2026, 11, 2), source="readings", min_c=1.0, mean_c=2.0)
    )
    db.session.commit()
    lines = ["STATION,NAME,DATE,TMAX,TMIN"]
    lines += [f"X1,Here,2026-11-{day:02d},{10 + day},{day}" for day in range(1, 6)]
    reading = read_climate("\n".join(lines).encode(), time_zone=ZONE, unit="C")

    assert weather.keep_record(reading, zone=ZONE, newest=date(2026, 11, 4)) == 3

    days = kept()
    assert (days[date(2026, 11, 3)].min_c, days[date(2026, 11, 3)].mean_c) == (3.0, 8.0)
    assert days[date(2026, 11, 2)].source == "readings"
    assert date(2026, 11, 5) not in days  # a day that is not over at the garden


def test_a_series_has_holes_where_nobody_knows(make: Factory) -> None:
    make.garden()
    db.session.add(DailyWeather(on_date=TODAY, source="low", min_c=4.0, mean_c=6.0))
    db.session.add(
        DailyWeather(on_date=TODAY - timedelta(days=2), source="record", min_c=1.0, mean_c=3.0)
    )
    db.session.commit()

    found = weather.series(until=TODAY, days=4)

    assert (found.first, found.last) == (TODAY - timedelta(days=3), TODAY)
    assert list(np.isnan(found.min_c)) == [True, False, True, False]
    assert found.sources == ("", "record", "", "low")
    assert (found.index(TODAY), found.mean_c[3]) == (3, 6.0)


def test_days_ahead_are_kept_as_far_as_a_forecast_knows_and_made_anew(make: Factory) -> None:
    make.garden()
    tomorrow = TODAY + timedelta(days=1)
    forecast(TODAY, 1.0, whole_day(tomorrow, 1.0, 9.0))
    weather.keep_days(today=TODAY, latitude=LATITUDE)
    forecast(TODAY, -2.0, whole_day(tomorrow, -2.0, 9.0))

    assert weather.keep_days(today=TODAY, latitude=LATITUDE) == 1
    assert kept()[tomorrow].min_c == -2.0
    assert [line.day is None for line in weather.list_days(until=tomorrow, days=3)] == [
        False, True, True,
    ]  # fmt: skip
