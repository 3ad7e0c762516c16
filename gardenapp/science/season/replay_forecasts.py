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
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from statistics import fmean, median, pvariance

import numpy as np
import numpy.typing as npt

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.night.curve import fit_two_step, forecast_minimum

Array = npt.NDArray[np.float64]

PUBLISHED_HIT_SHARE = 0.865
HIT_WITHIN_K = 2.0
"""86.5 % of first-night minimum forecasts within 2 °C (UK Met Office, 36-month mean, 119 sites)."""

BLOCK_NIGHTS = 5
"""Errors are drawn in runs of so many nights, since a forecast that is wrong tends to stay wrong.
Our choice, about the life of a weather system."""
_SEASON_DAYS = 15
_SPREAD_DAYS = 45  # spreads need more nights than means
_MOST_NIGHTS_TO_SCALE = 1000
_FEWEST_RESIDUALS = 20


@dataclass(frozen=True)
class ReplayNight:
    """One night that has been, as the replay needs it.

    night_of : its evening; low_c : what came [°C]; measured_on : the evening's own date, which in
    a typical year tells which nights really followed one another; day_mean_c : of the day before.
    What is not known is None.
    """

    night_of: date
    low_c: float
    measured_on: date
    evening_c: float | None = None
    dew_point_c: float | None = None
    cloud_fraction: float | None = None
    wind_mps: float | None = None
    gust_mps: float | None = None
    day_mean_c: float | None = None


@dataclass(frozen=True)
class ErrorPool:
    """Errors of a simple forecast on a record, and the record's usual lows.

    made_by : "two steps" (evening and dew point) or "persistence"; errors : observed minus
    forecast, in the order of the nights, their mean taken out [K]; usual_c, spread_k : each
    night's usual low for the time of year and how far lows scatter about it then, from the record
    itself [°C, K].
    """

    made_by: str
    errors: tuple[float, ...]
    usual_c: tuple[float, ...]
    spread_k: tuple[float, ...]


@dataclass(frozen=True)
class SimulatedForecasts:
    """A forecast low for each night of a record, and what was done to get there.

    lows_c : in the order of the nights [°C]; scale : what the pool's errors were multiplied with;
    share_of_news : how far forecasts go from the usual low towards what was seen, 0 to 1,
    on average; hit_share : the share within 2 °C that came out in this draw.
    """

    lows_c: tuple[float, ...]
    scale: float
    share_of_news: float
    hit_share: float


def usual_lows_c(nights: Sequence[ReplayNight]) -> tuple[float, ...]:
    """The usual low of each night's time of year: the mean within 15 days, any year. [°C]"""
    return _near_in_year(nights, [night.low_c for night in nights], _SEASON_DAYS)


def _near_in_year(
    nights: Sequence[ReplayNight], values: Sequence[float], within_days: int
) -> tuple[float, ...]:
    """For each night the mean of the values within so many days of its day of the year."""
    by_day: dict[int, list[float]] = {}
    for night, value in zip(nights, values, strict=True):
        by_day.setdefault(_day_of_year(night), []).append(value)
    known: dict[int, float] = {}
    for day in by_day:
        near = [
            value
            for shift in range(-within_days, within_days + 1)
            for value in by_day.get((day + shift - 1) % 365 + 1, ())
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
            say(
                "a record needs %(fewest)s nights that followed one another, not %(number)s",
                fewest=_FEWEST_RESIDUALS,
                number=len(errors),
            )
        )
    mean = fmean(errors)
    centred = tuple(error - mean for error in errors)
    if pvariance(centred) <= 0.0:
        raise OutOfRange(
            say("every night of the record is alike: there are no errors to draw from")
        )
    squares = [(night.low_c - usual) ** 2 for night, usual in zip(nights, usual_c, strict=True)]
    spread_k = tuple(math.sqrt(s) for s in _near_in_year(nights, squares, _SPREAD_DAYS))
    return ErrorPool(made_by, centred, usual_c, spread_k)


def reading_step_k(nights: Sequence[ReplayNight]) -> float:
    """The step a record's lows were rounded to: 0.56 for whole °F, 0.1 for tenths. [K]

    The usual gap between different lows, the rarest tenths at both ends left out; at most 1.
    """
    values = sorted({round(night.low_c, 3) for night in nights})
    middle = values[len(values) // 10 : max(len(values) // 10 + 2, len(values) * 9 // 10)]
    gaps = [later - earlier for earlier, later in pairwise(middle)]
    if not gaps:
        return 0.0
    # °F turned into tenths of a °C step by 0.5 and 0.6 in turn: the mean, holes left out.
    return min(1.0, fmean(gap for gap in gaps if gap < 1.5 * median(gaps)))


def unrounded(nights: Sequence[ReplayNight], *, seed: int) -> tuple[ReplayNight, ...]:
    """The same nights, each low laid somewhere within the step it was rounded to.

    In a record of whole °F a low of 32 stands for 31.5 to 32.5: taken as it stands, half a step
    too many nights would be at or below 0 °C.
    """
    half_k = reading_step_k(nights) / 2.0
    rng = random.Random(f"rounding {seed}")  # noqa: S311 -- a simulation, not a secret
    return tuple(replace(n, low_c=n.low_c + rng.uniform(-half_k, half_k)) for n in nights)


def simulated_forecasts(
    nights: Sequence[ReplayNight], pool: ErrorPool, *, seed: int
) -> SimulatedForecasts:
    """A forecast low for each night: what came, less an error drawn from the pool in runs.

    A forecast that is only "what came plus noise" would be too extreme whenever it is extreme,
    which services correct for. So each is drawn towards the usual low of its time of year by the
    share that is best in the mean square in that season, as statistical post-processing does, and
    the errors are scaled so that what comes out has the published hit rate (86.5 % within 2 °C).
    The same seed gives the same forecasts.

    Raises OutOfRange for a pool that was not made from these nights.
    """
    if len(pool.usual_c) != len(nights):
        raise OutOfRange(say("the pool was made from other nights"))
    departures = [n.low_c - usual for n, usual in zip(nights, pool.usual_c, strict=True)]
    scale = _scale_to_published(departures, pool)
    shares = _shares_of_news(pool, scale)
    rng = random.Random(f"forecasts {seed}")  # noqa: S311 -- a simulation, not a secret
    drawn = _in_runs(pool.errors, len(nights), rng)
    lows_c = tuple(
        usual + float(share) * (departure - scale * error)
        for usual, share, departure, error in zip(
            pool.usual_c, shares, departures, drawn, strict=True
        )
    )
    hits = sum(abs(n.low_c - low) <= HIT_WITHIN_K for n, low in zip(nights, lows_c, strict=True))
    return SimulatedForecasts(lows_c, scale, float(shares.mean()), hits / len(nights))


def _shares_of_news(pool: ErrorPool, scale: float) -> Array:
    """Best shares in the mean square, night by night: lows scatter more in some seasons."""
    signal = np.square(np.array(pool.spread_k))
    noise = scale * scale * pvariance(pool.errors)
    shares: Array = signal / np.maximum(signal + noise, 1e-12)
    return shares


def _scale_to_published(departures: Sequence[float], pool: ErrorPool) -> float:
    """The factor on the errors that gives the published hit rate after drawing to the usual.

    Every night's departure (up to a thousand of them, evenly picked) meets every hundredth of
    the errors. Where the record's lows hardly leave the usual, no factor misses often enough; the
    largest tried is taken then, and the forecasts are as good as such a place's are.
    """
    step = -(-len(departures) // _MOST_NIGHTS_TO_SCALE)
    departure = np.array(departures)[::step, None]
    error = np.quantile(np.array(pool.errors), (np.arange(100) + 0.5) / 100.0)[None, :]

    def hit_share(scale: float) -> float:
        share = _shares_of_news(pool, scale)[::step, None]
        misses = departure - share * (departure - scale * error)
        return float((np.abs(misses) <= HIT_WITHIN_K).mean())

    low, high = 0.0, 10.0
    for _ in range(30):
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
