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

FIRST_NIGHT_LEAD_H = 12.0
"""The publisher's error belongs to the first night ahead; a forecast typed in has no issue time
and is taken as that of the same afternoon. Our own choice."""
MOST_LEAD_H = 24.0 * 10
"""Older forecasts are taken to be no worse than this. Our own choice."""

BIAS_PRIOR = Estimate(0.0, 0.5)
"""A service's mean error at one garden, before its record speaks. From memory."""
PRIOR_NIGHTS = 10.0
"""How many nights of the garden's own the published spread is worth. Our choice."""


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

    sd_k : spread of the error about its mean [K]; bias : observed minus forecast [K];
    count : nights; weight_of_prior : 1 nothing of its own, towards 0 all its own.
    """

    sd_k: float
    bias: Estimate
    count: int
    weight_of_prior: float

    def low(self, forecast_c: float) -> Estimate:
        """The low to expect at the garden's screen from a forecast. [°C]"""
        return Estimate(forecast_c, self.sd_k).plus(self.bias)


def shrunk(
    prior_sd: float, own_errors: Sequence[float], *, prior_nights: float = PRIOR_NIGHTS
) -> ForecastRecord:
    """Spread and bias of the forecast, from the published one and the garden's own errors.

    Parameters
    ----------
    prior_sd : from `forecast_sd_k`. [K]
    own_errors : observed minus forecast low, one a night. [K]
    prior_nights : how many nights the published spread is worth.

    Notes
    -----
    Bias: normal prior (0 ± 0.5 K), normal errors. Variance: the prior's and the squared
    errors about that bias, weighted by nights, which is the mean of an inverse gamma with
    `prior_nights` degrees of freedom in its usual plug-in form. A handful of nights moves
    them a little, a winter much. Raises OutOfRange for a spread or nights not above 0 or an
    error that is not a number.
    """
    if not (math.isfinite(prior_sd) and prior_sd > 0.0):
        raise OutOfRange(
            say("%(name)s must be above 0, not %(value)s", name="prior_sd", value=prior_sd)
        )
    if not (math.isfinite(prior_nights) and prior_nights > 0.0):
        raise OutOfRange(
            say("%(name)s must be above 0, not %(value)s", name="prior_nights", value=prior_nights)
        )
    if not all(math.isfinite(error) for error in own_errors):
        raise OutOfRange(say("every own error must be a finite number"))
    count = len(own_errors)
    precision = 1.0 / BIAS_PRIOR.variance + count / prior_sd**2
    bias = Estimate(math.fsum(own_errors) / prior_sd**2 / precision, precision**-0.5)
    squares = math.fsum((error - bias.mean) ** 2 for error in own_errors)
    variance = (prior_nights * prior_sd**2 + squares) / (prior_nights + count)
    return ForecastRecord(
        sd_k=math.sqrt(variance),
        bias=bias,
        count=count,
        weight_of_prior=prior_nights / (prior_nights + count),
    )
