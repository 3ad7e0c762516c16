"""Two loggers' records made up for a known answer."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from gardenapp.science.night.sun import Night
from gardenapp.science.trials.analysis import Series, nights_between
from gardenapp.science.trials.records import Floats, Integers

ZONE = ZoneInfo("Europe/London")
LATITUDE, LONGITUDE = 52.0, 0.0
START = int(datetime(2026, 4, 10, 12, tzinfo=UTC).timestamp())


def moments(days: float, step_s: int = 300, start: int = START) -> Integers:
    return start + step_s * np.arange(round(days * 86_400 / step_s) + 1, dtype=np.int64)


def outside_c(at_s: Integers, *, mean_c: float = 7.0, swing_k: float = 6.0) -> Floats:
    """A plain wave, coldest at 04:00 UTC and warmest at 16:00."""
    values: Floats = mean_c - swing_k * np.cos((at_s / 3600.0 - 4.0) / 24.0 * 2.0 * np.pi)
    return values


def weather_k(at_s: Integers, *, seed: int = 3, size_k: float = 0.5) -> Floats:
    """Quick changes that reach both loggers at once; the same for the same moments."""
    rng = np.random.default_rng(seed)
    first = int(at_s[0]) // 60 - 600
    noise = rng.normal(0.0, 1.0, int(at_s[-1]) // 60 - first + 1200)
    kernel = np.exp(-np.arange(60) / 12.0)
    minutes = np.convolve(noise, kernel / np.sqrt((kernel**2).sum()), "same") * size_k
    values: Floats = minutes[at_s // 60 - first]
    return values


def is_day(at_s: Integers, nights: list[Night]) -> np.ndarray:
    day = np.ones(len(at_s), dtype=bool)
    for night in nights:
        day &= ~((at_s >= night.sunset_at.timestamp()) & (at_s <= night.sunrise_at.timestamp()))
    return day


def nights_of(at_s: Integers) -> list[Night]:
    return nights_between(
        int(at_s[0]), int(at_s[-1]), latitude=LATITUDE, longitude=LONGITUDE, time_zone=ZONE
    )


def covered(
    at_s: Integers, nights: list[Night], *, lift_k: float, gain_k: float, mean_c: float = 7.0
) -> tuple[Series, Series]:
    """Inside is `lift_k` above outside by night and `gain_k` by day, humidity left out."""
    out_c = outside_c(at_s, mean_c=mean_c)
    in_c = out_c + np.where(is_day(at_s, nights), gain_k, lift_k)
    return Series(at_s, in_c, label="inside"), Series(at_s, out_c, label="outside")
