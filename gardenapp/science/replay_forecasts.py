"""Forecasts that could have been made of nights that are past, with errors like real ones.

Nobody kept the forecasts of an old record. What can be had from the record itself is how wrong a
simple published kind of forecast would have been, night by night: those errors have the shape,
the lopsidedness and the runs of real ones, and they do not come from the planner's own bell
curve. They are scaled to the hit rate that a weather service publishes.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import fmean, pvariance

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.science.night import fit_two_step, forecast_minimum

PUBLISHED_HIT_SHARE = 0.865
HIT_WITHIN_K = 2.0
"""86.5 % of first-night minimum forecasts within 2 °C (UK Met Office, 36-month mean, 119 sites)."""

BLOCK_NIGHTS = 5
"""Errors are drawn in runs of so many nights, since a forecast that is wrong tends to stay wrong.
Our choice, about the life of a weather system."""
_SEASON_DAYS = 15
_FEWEST_RESIDUALS = 20


@dataclass(frozen=True)
class ReplayNight:
    """One night that has been, as the replay needs it.

    night_of : its evening; low_c : what came [°C]; measured_on : the evening's own date, which in
    a typical year tells which nights really followed one another. What is not known is None.
    """

    night_of: date
    low_c: float
    measured_on: date
    evening_c: float | None = None
    dew_point_c: float | None = None
    cloud_fraction: float | None = None
    wind_mps: float | None = None
    gust_mps: float | None = None


@dataclass(frozen=True)
class ErrorPool:
    """Errors of a simple forecast on a record, and the record's usual lows.

    made_by : "two steps" (evening and dew point) or "persistence"; errors : observed minus
    forecast, in the order of the nights, their mean taken out [K]; usual_c : each night's usual
    low for the time of year, from the record itself [°C].
    """

    made_by: str
    errors: tuple[float, ...]
    usual_c: tuple[float, ...]


@dataclass(frozen=True)
class SimulatedForecasts:
    """A forecast low for each night of a record, and what was done to get there.

    lows_c : in the order of the nights [°C]; scale : what the pool's errors were multiplied with;
    share_of_news : how far forecasts go from the usual low towards what was seen, 0 to 1;
    hit_share : the share within 2 °C that came out in this draw.
    """

    lows_c: tuple[float, ...]
    scale: float
    share_of_news: float
    hit_share: float


def usual_lows_c(nights: Sequence[ReplayNight]) -> tuple[float, ...]:
    """The usual low of each night's time of year: the mean within 15 days, any year. [°C]"""
    by_day: dict[int, list[float]] = {}
    for night in nights:
        by_day.setdefault(_day_of_year(night), []).append(night.low_c)
    known: dict[int, float] = {}
    for day in by_day:
        near = [
            low_c
            for shift in range(-_SEASON_DAYS, _SEASON_DAYS + 1)
            for low_c in by_day.get((day + shift - 1) % 365 + 1, ())
        ]
        known[day] = fmean(near)
    return tuple(known[_day_of_year(night)] for night in nights)


def _day_of_year(night: ReplayNight) -> int:
    return min(365, night.night_of.timetuple().tm_yday)


def error_pool(nights: Sequence[ReplayNight]) -> ErrorPool:
    """How wrong a simple forecast would have been on each night of a record.

    Where evenings and dew points are known, the two-step fit of the frost handbook is made to all
    nights. Otherwise tonight's departure from the usual is taken as a share of last night's, as
    persistence forecasts are, on nights that really followed one another.

    Raises OutOfRange where fewer than 20 errors can be had.
    """
    usual_c = usual_lows_c(nights)
    complete = [
        (night.evening_c, night.dew_point_c, night.low_c)
        for night in nights
        if night.evening_c is not None and night.dew_point_c is not None
    ]
    if len(complete) >= max(_FEWEST_RESIDUALS, 0.8 * len(nights)):
        fit = fit_two_step(*map(list, zip(*complete, strict=True)))
        errors = [
            low_c - forecast_minimum(fit, evening_c=evening_c, dew_point_c=dew_point_c)
            for evening_c, dew_point_c, low_c in complete
        ]
        made_by = "two steps"
    else:
        pairs = [
            (nights[i - 1].low_c - usual_c[i - 1], nights[i].low_c - usual_c[i])
            for i in range(1, len(nights))
            if nights[i].measured_on - nights[i - 1].measured_on == timedelta(days=1)
        ]
        before = math.fsum(x * x for x, _ in pairs)
        kept = math.fsum(x * y for x, y in pairs) / before if before > 0.0 else 0.0
        errors = [y - kept * x for x, y in pairs]
        made_by = "persistence"
    if len(errors) < _FEWEST_RESIDUALS:
        raise OutOfRange(
            f"a record needs {_FEWEST_RESIDUALS} nights that followed one another, not "
            f"{len(errors)}"
        )
    mean = fmean(errors)
    centred = tuple(error - mean for error in errors)
    if pvariance(centred) <= 0.0:
        raise OutOfRange("every night of the record is alike: there are no errors to draw from")
    return ErrorPool(made_by, centred, usual_c)


def simulated_forecasts(
    nights: Sequence[ReplayNight], pool: ErrorPool, *, seed: int
) -> SimulatedForecasts:
    """A forecast low for each night: what came, less an error drawn from the pool in runs.

    A forecast that is only "what came plus noise" would be too extreme whenever it is extreme,
    which services correct for. So each is drawn towards the usual low of its time of year by the
    share that is best in the mean square, as statistical post-processing does, and the errors are
    scaled so that what comes out has the published hit rate (86.5 % within 2 °C). The same seed
    gives the same forecasts.

    Raises OutOfRange for a pool that was not made from these nights.
    """
    if len(pool.usual_c) != len(nights):
        raise OutOfRange("the pool was made from other nights")
    departures = [n.low_c - usual for n, usual in zip(nights, pool.usual_c, strict=True)]
    scale = _scale_to_published(departures, pool.errors)
    share = _share_of_news(departures, pool.errors, scale)
    rng = random.Random(f"forecasts {seed}")  # noqa: S311 -- a simulation, not a secret
    drawn = _in_runs(pool.errors, len(nights), rng)
    lows_c = tuple(
        usual + share * (departure - scale * error)
        for usual, departure, error in zip(pool.usual_c, departures, drawn, strict=True)
    )
    hits = sum(abs(n.low_c - low) <= HIT_WITHIN_K for n, low in zip(nights, lows_c, strict=True))
    return SimulatedForecasts(lows_c, scale, share, hits / len(nights))


def _share_of_news(departures: Sequence[float], errors: Sequence[float], scale: float) -> float:
    signal, noise = pvariance(departures), scale * scale * pvariance(errors)
    return signal / (signal + noise) if signal > 0.0 else 0.0


def _scale_to_published(departures: Sequence[float], errors: Sequence[float]) -> float:
    """The factor on the errors that gives the published hit rate after drawing to the usual.

    Every hundredth of the nights' departures meets every hundredth of the errors. Where the
    record's lows hardly leave the usual, no factor misses often enough; the largest tried is
    taken then, and the forecasts are as good as such a place's are.
    """
    hundredths = (np.arange(100) + 0.5) / 100.0
    departure = np.quantile(np.array(departures), hundredths)[:, None]
    error = np.quantile(np.array(errors), hundredths)[None, :]

    def hit_share(scale: float) -> float:
        share = _share_of_news(departures, errors, scale)
        misses = departure - share * (departure - scale * error)
        return float((np.abs(misses) <= HIT_WITHIN_K).mean())

    low, high = 0.0, 10.0
    for _ in range(40):
        middle = (low + high) / 2.0
        if hit_share(middle) > PUBLISHED_HIT_SHARE:
            low = middle
        else:
            high = middle
    return high


def _in_runs(errors: Sequence[float], count: int, rng: random.Random) -> list[float]:
    drawn: list[float] = []
    length = min(BLOCK_NIGHTS, len(errors))
    while len(drawn) < count:
        start = rng.randrange(len(errors) - length + 1)
        drawn.extend(errors[start : start + length])
    return drawn[:count]
