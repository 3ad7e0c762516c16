"""How far plants are hardened, moved day by day by the weather they have had.

A planting stands somewhere between soft (0) and as hard as in midwinter (1). Cool days carry it
towards what the last week's nights allow, warm ones take it back, and faster. The state is a share,
so it holds for whatever a crop's soft and hardened values mean: first harm or death.

Published: the limits of 10 °C, the mean of seven minima and its knee at 2 °C, the days it takes and
what a warm day costs. Ours: the exponential form, full hardness at −3 °C (the coldest step used on
cabbage), 0.4 and 0.9 a day, 0.6 for quick crops. No paper fits this very model to garden
vegetables. Winter cereals are 4 to 9 times slower and are not meant by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.night.damage import DamageCurve

Floats = NDArray[np.float64]

NO_MORE_ABOVE_C = 10.0
"""Nights at or above it harden nothing, and days at or below it cost nothing. [°C] Ryegrass kept
its hardiness at 10 °C (Gay and Eagles 1991), winter cereals begin to harden below it."""

KNEE_C, FULL_C = 2.0, -3.0
"""Weekly mean of the minima at which a crop has all that cold above freezing gives, and all. [°C]
Below 2 °C spinach and komatsuna gained considerably more (Tamura 2002); −3 °C is ours."""

ABOVE_FREEZING = {"leafy": 0.35, "quick": 0.6, "moved": 0.35}
"""Share of its hardening that a kind of crop reaches at the knee. 0.35: cabbage kept at +3 °C
reached a third of what it reached when stepped down to −3 °C (Kohn and Levitt 1965); 0.6 for
spinach and its like is ours, so that it gains and loses what is published of it."""

GAIN_PER_DAY, LOSS_PER_DAY, LOSS_FULL_K = 0.4, 0.9, 3.0
"""Rates towards the target, a day; the loss is at full speed this far above the limit. [1/d, K]
Rape is full in six to nine days at 5 °C, canola almost soft after two at 13 °C."""

DAYS_OF_WEEK = 7
SETTLED_DAYS = 14
"""After so many days of known weather a wrong start has left no trace worth naming."""

_NEVER = np.iinfo(np.int64).max
_MOST_SEASONAL = 0.15
_SEASON_FROM, _SEASON_FULL, _SEASON_FADES, _SEASON_TO = 275, 325, 415, 456
_LEAST_LATITUDE = 30.0


@dataclass(frozen=True)
class Kinds:
    """Plantings side by side, arrays of one length n.

    above_freezing : share reached at the knee. gains_until : index of the day from which stems or
    buds have moved; from then on such plants only soften.
    """

    above_freezing: Floats
    gains_until: NDArray[np.int64]

    @classmethod
    def of(cls, hardens: Sequence[str], *, moved_on: Sequence[int] | None = None) -> Kinds:
        """From the words of the crop table: leafy, quick or moved.

        moved_on : the day each `moved` one moved, by its index; without it, before the first.
        """
        days = [0] * len(hardens) if moved_on is None else moved_on
        return cls(
            np.array([ABOVE_FREEZING[word] for word in hardens], dtype=np.float64),
            np.array(
                [
                    day if word == "moved" else _NEVER
                    for word, day in zip(hardens, days, strict=True)
                ],
                dtype=np.int64,
            ),
        )


def reachable(weekly_low_c: Floats, above_freezing: Floats) -> Floats:
    """Share of full hardness that a week of such nights allows, 0 to 1."""
    above = above_freezing * (NO_MORE_ABOVE_C - weekly_low_c) / (NO_MORE_ABOVE_C - KNEE_C)
    below = above_freezing + (1.0 - above_freezing) * (KNEE_C - weekly_low_c) / (KNEE_C - FULL_C)
    return np.clip(np.where(weekly_low_c > KNEE_C, above, below), 0.0, 1.0)


def next_share(
    share: Floats,
    weekly_low_c: Floats,
    mean_c: Floats,
    above_freezing: Floats,
    may_gain: NDArray[np.bool_],
) -> Floats:
    """The share at the end of a day with this mean, after a week with these minima. [°C]"""
    target = reachable(weekly_low_c, above_freezing)
    gains = (share < target) & (mean_c < NO_MORE_ABOVE_C) & may_gain
    loses = (share > target) & (mean_c > NO_MORE_ABOVE_C)
    speed = np.clip((mean_c - NO_MORE_ABOVE_C) / LOSS_FULL_K, 0.0, 1.0)
    rate = np.where(gains, GAIN_PER_DAY, np.where(loses, LOSS_PER_DAY * speed, 0.0))
    return np.asarray(share + (target - share) * -np.expm1(-rate))


def course(
    *,
    min_c: Floats,
    mean_c: Floats,
    kinds: Kinds,
    start: Floats,
    begins: NDArray[np.int64],
    usual: Floats,
    is_said: NDArray[np.bool_],
) -> Floats:
    """The share of n plantings at the end of each of d days; shape (d, n).

    min_c, mean_c : weather at the plants, shape (d, n) or (d, 1); NaN where nobody knows it.
    start : share before the day of index `begins`, from which the weather moves it; earlier
        days hold the start. usual : cautious share of each day, shape (d,): what a day without
        weather leaves, or less where the start `is_said` by somebody or stems have moved.
    """
    days, n = len(min_c), len(start)
    shares = np.empty((days, n))
    share = start.astype(np.float64)
    known = ~(np.isnan(min_c) | np.isnan(mean_c))
    lows = np.where(known, min_c, 0.0)
    for day in range(days):
        week = slice(max(0, day - DAYS_OF_WEEK + 1), day + 1)
        many = known[week].sum(axis=0)
        weekly_low_c = lows[week].sum(axis=0) / np.maximum(many, 1)
        mean = np.where(known[day], mean_c[day], NO_MORE_ABOVE_C)
        may_gain = day < kinds.gains_until
        moved = next_share(share, weekly_low_c, mean, kinds.above_freezing, may_gain)
        without = np.where(is_said | ~may_gain, np.minimum(share, usual[day]), usual[day])
        moved = np.where(known[day], moved, without)
        share = np.where(day >= begins, moved, share)
        shares[day] = share
    return shares


def seasonal_share(on: date, latitude: float) -> float:
    """What may be counted on where nobody knows the weather, 0 to 1.

    Ours, cautious: 0.15 in the heart of winter, rising from the first days of October and gone by
    April (half a year later in the south), nothing within 30 degrees of the equator. On the daily
    records of Seattle and Bamberg nine days in ten were harder by the model (the tests say).
    """
    if abs(latitude) < _LEAST_LATITUDE:
        return 0.0
    day = on.timetuple().tm_yday + (0.0 if latitude >= 0.0 else 182.6)
    day = (day - 1.0) % 365.25 + 1.0
    if day < _SEASON_FROM - 60:
        day += 365.25
    rises = (day - _SEASON_FROM) / (_SEASON_FULL - _SEASON_FROM)
    fades = (_SEASON_TO - day) / (_SEASON_TO - _SEASON_FADES)
    return _MOST_SEASONAL * min(1.0, max(0.0, min(rises, fades)))


def usual_half_range_k(on: date, latitude: float) -> float:
    """How far a day's mean lies above its low where only the low is known. [K]

    3 K in the heart of winter to 6 K in summer; from memory.
    """
    months = on.month if latitude >= 0 else (on.month + 5) % 12 + 1
    return {11: 3.0, 12: 3.0, 1: 3.0, 2: 3.5, 3: 4.5, 10: 4.5}.get(months, 5.5)


def between(soft: DamageCurve, hard: DamageCurve, share: float) -> DamageCurve:
    """The curve of plants that are `share` of the way from soft to hardened.

    Raises OutOfRange for a share outside 0 to 1.
    """
    if not 0.0 <= share <= 1.0:
        raise OutOfRange(say("%(name)s must be 0 to 1, not %(value)s", name="share", value=share))
    return DamageCurve(
        soft.t50_c + share * (hard.t50_c - soft.t50_c), soft.sd_k + share * (hard.sd_k - soft.sd_k)
    )


FIRST_HARM = 0.10
"""Share hurt at which harm is said to begin, as for published onsets."""


def bears_c(curve: DamageCurve) -> float:
    """The temperature at which harm begins: a tenth hurt, whatever the curve was made from. [°C]"""
    return curve.temperature_for(FIRST_HARM)


MOST_TRUSTED, MOST_FILLED = 3, 10
"""Days of a hole that are filled with straight lines: silently, and told to be uncertain."""


@dataclass(frozen=True)
class Filled:
    """A daily series without short holes, and where it cannot be trusted.

    min_c, mean_c : shape (d,), NaN in holes of more than `MOST_FILLED` days, before the first day
        known and from more than `MOST_TRUSTED` days after the last.
    is_uncertain : shape (d,), True within two weeks of the beginning or of a hole of more than
        `MOST_TRUSTED` days.
    """

    min_c: Floats
    mean_c: Floats
    is_uncertain: NDArray[np.bool_]


def filled(min_c: Floats, mean_c: Floats) -> Filled:
    """Fill what may be filled of a series with NaN for unknown days. Raises OutOfRange for two
    lengths.
    """
    if len(min_c) != len(mean_c):
        raise OutOfRange(say("the minima and the means must be equally many"))
    known = ~(np.isnan(min_c) | np.isnan(mean_c))
    low, mean = min_c.astype(np.float64), mean_c.astype(np.float64)
    low[~known], mean[~known] = np.nan, np.nan
    trusted = known.copy()
    for start, end in _holes(known):
        is_open = end == len(known)  # what is not known yet is as the last day known was
        if start == 0 or end - start > (MOST_TRUSTED if is_open else MOST_FILLED):
            continue
        hole = np.arange(start, end)
        ends = [start - 1, start - 1 if is_open else end]
        for values in (low, mean):
            values[hole] = np.interp(hole, [start - 1, end], values[ends])
        trusted[hole] = end - start <= MOST_TRUSTED
    is_uncertain = np.zeros(len(known), dtype=np.bool_)
    settled = 0
    for day in range(len(known)):
        settled = settled + 1 if trusted[day] else 0
        is_uncertain[day] = settled < SETTLED_DAYS
    return Filled(low, mean, is_uncertain)


def _holes(known: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one past the last index of each run that is not known."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (~known).astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
