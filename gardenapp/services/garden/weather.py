"""The garden's own days, kept: what each was like, from the best source that knows it.

The garden's thermometers in the open come first, then an imported record, then the forecast in
force for the day, and last a forecast's low with nothing else. Days nobody knows stay out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from statistics import fmean
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import delete, func, select
from sqlalchemy.orm import joinedload

from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast
from gardenapp.models.trials import Logger, Reading
from gardenapp.models.weather import WEATHER_SOURCES, DailyWeather
from gardenapp.readers.climate import ClimateReading
from gardenapp.science.night.hardening import Floats, usual_half_range_k
from gardenapp.services.clockwork import garden_zone
from gardenapp.services.transaction import write_transaction

DAYS_BACK = 150
# What comes in later may still better so many days.
DAYS_OPEN = 10
DAYS_AHEAD = 8
ENOUGH_HOURS = 18
IN_THE_OPEN = ("screen", "plant_shaded")

_DAY = timedelta(days=1)
_RANK = {source: rank for rank, source in enumerate(WEATHER_SOURCES)}


@dataclass(frozen=True)
class Day:
    """One day as a source has it. [°C]"""

    source: str
    min_c: float
    mean_c: float
    max_c: float | None


@dataclass(frozen=True)
class Series:
    """The days from `first` on, arrays of one length; NaN where nobody knows. [°C]

    sources : of each day, empty where it is not known.
    """

    first: date
    min_c: Floats
    mean_c: Floats
    sources: tuple[str, ...]

    @property
    def last(self) -> date:
        return self.first + timedelta(days=len(self.sources) - 1)

    def index(self, on: date) -> int:
        """The place of a day in the arrays; outside them where it is not among the days."""
        return (on - self.first).days


def series(*, until: date, days: int = DAYS_BACK) -> Series:
    """The kept days up to and including `until`."""
    first = until - timedelta(days=days - 1)
    min_c, mean_c = np.full(days, np.nan), np.full(days, np.nan)
    sources = [""] * days
    for row in db.session.scalars(
        select(DailyWeather).where(DailyWeather.on_date.between(first, until))
    ):
        index = (row.on_date - first).days
        min_c[index], mean_c[index], sources[index] = row.min_c, row.mean_c, row.source
    return Series(first, min_c, mean_c, tuple(sources))


def keep_days(*, today: date, latitude: float) -> int:
    """Write the days up to `today`, and those ahead that a forecast knows; how many were written.

    Days that are missing, or known better by now. The first time, everything there is of the last
    months is gone through.
    """
    is_first = db.session.scalar(select(func.count()).select_from(DailyWeather)) == 0
    first = today - timedelta(days=(DAYS_BACK if is_first else DAYS_OPEN) - 1)
    until = today + timedelta(days=DAYS_AHEAD)
    held = {
        row.on_date: row
        for row in db.session.scalars(
            select(DailyWeather).where(DailyWeather.on_date.between(first, until))
        )
    }
    found = _found(first, until, latitude)
    better = {
        on: day
        for on, day in found.items()
        if on not in held or (_is_as_good(day, held[on]) and not _is_alike(day, held[on]))
    }
    if not better:
        return 0
    _write(better)
    return len(better)


def days_of_record(reading: ClimateReading, zone: ZoneInfo) -> dict[date, Day]:
    """The days that a record really holds; none of a typical year, whose days never were."""
    found = {
        day.on_date: Day("record", day.min_c, (day.min_c + day.max_c) / 2.0, day.max_c)
        for day in reading.days
    }
    hours = [
        (hour.at.astimezone(zone), hour.temp_c)
        for night in reading.nights
        if night.night_of == night.measured_on
        for hour in night.hours
    ]
    return found | _days_of_hours(hours, "record")


def keep_record(reading: ClimateReading, *, zone: ZoneInfo, newest: date) -> int:
    """Write the days of an imported record where no thermometer of the garden knows better."""
    found = days_of_record(reading, zone)
    found = {on: day for on, day in found.items() if on <= newest}
    if not found:
        return 0
    own = set(
        db.session.scalars(select(DailyWeather.on_date).where(DailyWeather.source == "readings"))
    )
    better = {on: day for on, day in found.items() if on not in own}
    _write(better)
    return len(better)


def _write(days: Mapping[date, Day]) -> None:
    dates = sorted(days)
    with write_transaction(changes_board=False) as session:
        for start in range(0, len(dates), 500):
            some = dates[start : start + 500]
            session.execute(delete(DailyWeather).where(DailyWeather.on_date.in_(some)))
        session.add_all(
            DailyWeather(
                on_date=on,
                source=days[on].source,
                min_c=days[on].min_c,
                mean_c=days[on].mean_c,
                max_c=days[on].max_c,
            )
            for on in dates
        )


def _is_as_good(day: Day, held: DailyWeather) -> bool:
    return _RANK[day.source] <= _RANK[held.source]


def _is_alike(day: Day, held: DailyWeather) -> bool:
    return (
        day.source == held.source
        and max(abs(day.min_c - held.min_c), abs(day.mean_c - held.mean_c)) < 0.05
    )


def _found(first: date, last: date, latitude: float) -> dict[date, Day]:
    """Every day that readings or forecasts know, the best of each."""
    zone = garden_zone()
    found = _of_lows_and_hours(first, last, zone, latitude)
    found |= _of_readings(first, last, zone)
    return found


def _of_lows_and_hours(first: date, last: date, zone: ZoneInfo, latitude: float) -> dict[date, Day]:
    in_force: dict[date, Forecast] = {}
    for forecast in db.session.scalars(
        select(Forecast).where(Forecast.night_of.between(first - _DAY, last)).order_by(Forecast.id)
    ):
        in_force[forecast.night_of] = forecast
    found: dict[date, Day] = {}
    temps: dict[datetime, float] = {}
    for night_of, forecast in sorted(in_force.items()):
        morning = night_of + _DAY
        if morning <= last:
            mean_c = forecast.low_c + usual_half_range_k(morning, latitude)
            found[morning] = Day("low", forecast.low_c, mean_c, None)
        for hour in forecast.hours:
            temps[datetime.fromisoformat(hour["at"]).astimezone(zone)] = hour["temp_c"]
    by_hours = _days_of_hours(temps.items(), "forecast")
    return found | {on: day for on, day in by_hours.items() if first <= on <= last}


def _of_readings(first: date, last: date, zone: ZoneInfo) -> dict[date, Day]:
    """Days of the garden's own thermometers in the open, a screen's before another's."""
    start = datetime.combine(first, time(0), zone).astimezone(UTC)
    end = datetime.combine(last + _DAY, time(0), zone).astimezone(UTC)
    found: dict[date, Day] = {}
    loggers = db.session.scalars(
        select(Logger)
        .where(Logger.kind == "outside", Logger.place.in_(IN_THE_OPEN))
        .options(joinedload(Logger.plot))
        .order_by(Logger.id)
    ).all()
    for logger in sorted(loggers, key=lambda one: -IN_THE_OPEN.index(one.place)):
        rows = db.session.execute(
            select(Reading.at, Reading.temp_c).where(
                Reading.logger_id == logger.id, Reading.at >= start, Reading.at < end
            )
        )
        found |= _days_of_hours(((at.astimezone(zone), temp) for at, temp in rows), "readings")
    return found


def _days_of_hours(hours: Iterable[tuple[datetime, float]], source: str) -> dict[date, Day]:
    """Days of which at least 18 hours are known; local moments. [°C]"""
    by_day: dict[date, dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    for at, temp_c in hours:
        by_day[at.date()][at.hour].append(temp_c)
    return {
        on: Day(
            source,
            min(min(temps) for temps in day.values()),
            fmean(fmean(temps) for temps in day.values()),
            max(max(temps) for temps in day.values()),
        )
        for on, day in by_day.items()
        if len(day) >= ENOUGH_HOURS
    }


@dataclass(frozen=True)
class DayLine:
    """One day as a page tells it; `day` is None where nobody knows it."""

    on_date: date
    day: Day | None


def list_days(*, until: date, days: int) -> tuple[DayLine, ...]:
    """The kept days up to `until`, the newest first, those nobody knows among them."""
    first = until - timedelta(days=days - 1)
    held = {
        row.on_date: Day(row.source, row.min_c, row.mean_c, row.max_c)
        for row in db.session.scalars(
            select(DailyWeather).where(DailyWeather.on_date.between(first, until))
        )
    }
    return tuple(
        DayLine(on, held.get(on)) for on in (until - timedelta(days=n) for n in range(days))
    )
