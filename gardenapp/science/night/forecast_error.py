"""How far a forecast low may be out, from published figures and then the garden's own record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gardenapp.errors import OutOfRange
from gardenapp.messages import Number, say
from gardenapp.science.estimate import Estimate

FIRST_NIGHT_SD_K = 1.338086
"""86.5 % of first-night minimum forecasts within 2 °C (UK Met Office, 36-month mean at 119
sites); the spread of a normal error with no bias that gives that. The shape is our assumption."""
_FIRST_NIGHT_LEAD_H = 24.0
_GROWTH_K_PER_DAY = 0.25
"""From memory, on the cautious side of the one table seen: a forecaster's own errors of the
minimum at Mount Pocono, Pennsylvania, grow from 2.2 to 3.1 °F between day 1 and day 5, which is
0.13 K a day, or 0.16 K of spread if they are mean absolute errors."""
_MOST_SD_K = 4.0
_LONGEST_LEAD_H = 360.0
_T_EXCESS = (1.281552**2 + 1.0) / 4.0

FIRST_NIGHT_LEAD_H = 12.0
"""The publisher's error belongs to the first night ahead; a forecast typed in has no issue time
and is taken as that of the same afternoon. Our own choice."""
MOST_LEAD_H = 24.0 * 10
"""Older forecasts are taken to be no worse than this. Our own choice."""

PRIOR_NIGHTS = 10.0
"""How many nights of the garden's own the published spread is worth. Our choice."""
KIND_NIGHTS = 20.0
"""And how many nights of one kind, clear or not, are worth the spread of all kinds. Our choice."""


def forecast_sd_k(lead_h: float) -> float:
    """Spread of the error of a forecast low, by hours ahead. [K]

    1.338 K for the first night (published hit rate), 0.25 K more for each day beyond
    (from memory, cautious), at most 4 K.

    Raises OutOfRange outside 0 to 360 h.
    """
    if not 0.0 <= lead_h <= _LONGEST_LEAD_H:
        raise OutOfRange(
            say(
                "%(name)s must be 0 to %(most)s, not %(value)s",
                name="lead_h",
                most=Number(_LONGEST_LEAD_H),
                value=lead_h,
            )
        )
    days_more = max(0.0, lead_h - _FIRST_NIGHT_LEAD_H) / 24.0
    return min(_MOST_SD_K, FIRST_NIGHT_SD_K + _GROWTH_K_PER_DAY * days_more)


@dataclass(frozen=True)
class ForecastRecord:
    """What a garden's own nights say about its forecasts.

    sd_k : spread of the error about its mean on a usual night [K]; clear_sd_k, other_sd_k : on
    wholly clear calm nights and on all others, where the record tells them apart. bias : observed
    minus forecast [K]; count : nights; weight_of_prior : 1 nothing of its own, towards 0 all its
    own.
    """

    sd_k: float
    bias: Estimate
    count: int
    weight_of_prior: float
    clear_sd_k: float | None = None
    other_sd_k: float | None = None

    def spread_on(self, share: float) -> float:
        """Spread of the error on a night that is `share` of a clear calm one, 0 to 1. [K]"""
        if self.clear_sd_k is None or self.other_sd_k is None:
            return self.sd_k
        share = min(1.0, max(0.0, share))
        return math.sqrt(share * self.clear_sd_k**2 + (1.0 - share) * self.other_sd_k**2)

    def low(self, forecast_c: float) -> Estimate:
        """The low to expect at the garden's screen from a forecast. [°C]"""
        return Estimate(forecast_c, self.sd_k).plus(self.bias)


@dataclass(frozen=True)
class Spread:
    """A spread learnt from some nights: `sd_k` for a normal with the right 80 % interval."""

    scale_k: float
    nights: float

    @property
    def sd_k(self) -> float:
        """The normal's spread whose 80 % interval is that of the t distribution meant. [K]

        Before a spread is known the next error is a t of as many degrees of freedom as nights;
        its 90 % point is 1.2816 (1 + (1.2816² + 1)/(4 ν)) to first order (Abramowitz and Stegun
        1964, 26.7.5).
        """
        return self.scale_k * (1.0 + _T_EXCESS / self.nights)


def learnt_spread(
    prior: Spread, errors: Sequence[Estimate], weights: Sequence[float] | None = None
) -> Spread:
    """The spread of a night's error from the published one and the garden's own nights.

    Parameters
    ----------
    prior : the published spread and how many nights it is worth.
    errors : each night's own error, about the standing one, with how well it is known. [K]
    weights : how much of each night counts, 0 to 1; None: all of each.

    Notes
    -----
    Scaled inverse χ² with the errors' expected squares: mean² and variance. Leaving the variance
    out makes the spread too small however many nights there are, for what a few thermometers say
    of a night is drawn towards nothing. A night that nobody could tell anything of adds its
    variance and next to no certainty. Raises OutOfRange for a prior spread or nights not above 0.
    """
    for name, value in (("scale_k", prior.scale_k), ("nights", prior.nights)):
        if not (math.isfinite(value) and value > 0.0):
            raise OutOfRange(say("%(name)s must be above 0, not %(value)s", name=name, value=value))
    counted = [1.0] * len(errors) if weights is None else weights
    squares = math.fsum(
        weight * (error.mean**2 + error.variance)
        for error, weight in zip(errors, counted, strict=True)
    )
    count = math.fsum(counted)
    variance = (prior.nights * prior.scale_k**2 + squares) / (prior.nights + count)
    told = math.fsum(
        weight * max(0.0, 1.0 - error.variance / variance)
        for error, weight in zip(errors, counted, strict=True)
    )
    return Spread(math.sqrt(variance), prior.nights + told)
