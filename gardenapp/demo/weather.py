"""A real record of weather, moved in time so that its last winters lie just behind today."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from importlib import resources

CREDIT = "Data: Deutscher Wetterdienst, station 282, CC BY 4.0, years moved"
LAST_WINTER_BEGAN = 2017
EARLIER_AUTUMN = 2011


@dataclass(frozen=True)
class RealDay:
    """A day of the record. [°C, eighths, m/s] The low is that of its morning."""

    on: date
    low_c: float
    high_c: float
    cloud_eighths: float | None
    wind_mps: float | None
    gust_mps: float | None


@cache
def record() -> tuple[RealDay, ...]:
    """Every day of the record, at its own date."""
    text = (resources.files(__package__) / "weather.csv").read_text(encoding="utf-8")
    return tuple(
        RealDay(
            date.fromisoformat(row["date"]),
            float(row["low_c"]),
            float(row["high_c"]),
            *(float(row[name]) if row[name] else None for name in _OTHERS),
        )
        for row in csv.DictReader(text.splitlines())
        if row["low_c"] and row["high_c"]
    )


def moved(today: date) -> tuple[RealDay, ...]:
    """The record with its years moved, so that its last winter is the one before this season.

    A season begins in July; the 29th of February falls away where there is none.
    """
    season = today.year if today.month >= 7 else today.year - 1
    years = season - 1 - LAST_WINTER_BEGAN
    found = []
    for day in record():
        try:
            on = day.on.replace(year=day.on.year + years)
        except ValueError:
            continue
        if on < today - timedelta(days=60):
            found.append(RealDay(on, *_figures(day)))
    return tuple(found)


def cold_evenings(today: date, *, winters: int, each: int, below_c: float) -> tuple[RealDay, ...]:
    """Days whose morning was cold, `each` of every one of the last winters, spread over it."""
    season = today.year if today.month >= 7 else today.year - 1
    found: list[RealDay] = []
    for began in range(season - winters, season):
        first, last = date(began, 10, 1), date(began + 1, 4, 30)
        cold = [d for d in moved(today) if first <= d.on <= last and d.low_c <= below_c]
        step = max(1.0, len(cold) / each)
        found += [cold[int(n * step)] for n in range(min(each, len(cold)))]
    return tuple(found)


def recent_evenings(today: date, *, most: int, below_c: float) -> tuple[RealDay, ...]:
    """Days of this very season whose morning was cold, out of an earlier autumn of the record."""
    found = []
    for day in record():
        if day.on.year not in (EARLIER_AUTUMN, EARLIER_AUTUMN + 1):
            continue
        for year in (today.year - 1, today.year):
            try:
                on = day.on.replace(year=year)
            except ValueError:
                continue
            is_recent = today - timedelta(days=40) <= on <= today - timedelta(days=2)
            if is_recent and (day.on.month >= 7) == (day.on.year == EARLIER_AUTUMN):
                found.append(RealDay(on, *_figures(day)))
    cold = sorted((d for d in found if d.low_c <= below_c), key=lambda d: d.on)
    return tuple(cold[-most:])


_OTHERS = ("cloud_eighths", "wind_mps", "gust_mps")


def _figures(day: RealDay) -> tuple[float, float, float | None, float | None, float | None]:
    return day.low_c, day.high_c, day.cloud_eighths, day.wind_mps, day.gust_mps
