"""What lows read at the plots say about the plots and about the forecast, together.

A reading at one plot is the forecast, plus what the forecast got wrong that night, plus how
the plot differs from the screen, plus the thermometer's own error. One plot alone cannot tell
these apart; several plots and nights together can. All four are taken as normal, so the
answer is exact: one set of linear equations.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate

# How far a low read at a plot may be off what the plot's air really reached: the thermometer,
# where it hangs, and what changes from night to night. From memory.
READING_SD_K = 0.6
# What the forecast may get wrong every night in the same direction, before any night is seen.
BIAS_PRIOR_K = Estimate(0.0, 0.5)


@dataclass(frozen=True)
class LowReading:
    """A low read on one night, as observed minus forecast. [K]

    `plot` is None for a reading in the garden's own screen.
    """

    night: Hashable
    plot: Hashable | None
    residual_k: float


@dataclass(frozen=True)
class Learnt:
    """A belief after some nights: what it is now, from how many, and how much is still prior."""

    estimate: Estimate
    nights: int
    weight_of_prior: float


@dataclass(frozen=True)
class SiteLearning:
    """The forecast's standing error, the plots' offsets, and each night's own error. [K]"""

    bias: Learnt
    offsets: Mapping[Hashable, Learnt]
    night_errors: Mapping[Hashable, Estimate]


def learn_site(
    readings: Sequence[LowReading],
    *,
    offset_priors: Mapping[Any, Estimate],
    forecast_sd_k: float,
    reading_sd_k: float = READING_SD_K,
    bias_prior: Estimate = BIAS_PRIOR_K,
) -> SiteLearning:
    """Split what was read into forecast error and plot offset.

    Parameters
    ----------
    readings : observed minus forecast lows, any number a night and a plot. [K]
    offset_priors : declared offset of each plot with its spread; a plot that was never read
        keeps its own. [K]
    forecast_sd_k : spread of the forecast's error from night to night, above 0. [K]
    reading_sd_k : spread of a reading about the plot's true low, above 0. [K]

    Returns
    -------
    SiteLearning. `weight_of_prior` is the share of the prior's precision in the posterior's,
    1 where nothing was learnt.

    Notes
    -----
    Linear model with normal priors; the posterior is the solution of its normal equations
    (any text on Bayesian linear regression). Raises OutOfRange for a spread not above 0, a
    residual that is not a number, or a plot without a prior.
    """
    for name, value in (("forecast_sd_k", forecast_sd_k), ("reading_sd_k", reading_sd_k)):
        if not value > 0:
            raise OutOfRange(say("%(name)s must be above 0, not %(value)s", name=name, value=value))
    if not bias_prior.sd > 0 or any(not prior.sd > 0 for prior in offset_priors.values()):
        raise OutOfRange(say("every prior needs a spread above 0"))
    nights = list(dict.fromkeys(reading.night for reading in readings))
    plots = list(offset_priors)
    night_at = {night: 1 + i for i, night in enumerate(nights)}
    plot_at = {plot: 1 + len(nights) + i for i, plot in enumerate(plots)}
    size = 1 + len(nights) + len(plots)
    prior_mean = np.zeros(size)
    prior_precision = np.empty(size)
    prior_mean[0], prior_precision[0] = bias_prior.mean, bias_prior.sd**-2
    prior_precision[1 : 1 + len(nights)] = forecast_sd_k**-2
    for plot, prior in offset_priors.items():
        prior_mean[plot_at[plot]] = prior.mean
        prior_precision[plot_at[plot]] = prior.sd**-2
    precision = np.diag(prior_precision)
    pulled = prior_precision * prior_mean
    weight = reading_sd_k**-2
    seen: dict[Hashable, set[Hashable]] = {}
    for reading in readings:
        if not np.isfinite(reading.residual_k):
            raise OutOfRange(say("every residual must be a finite number"))
        places = [0, night_at[reading.night]]
        if reading.plot is not None:
            if reading.plot not in plot_at:
                raise OutOfRange(say("plot %(plot)s has no prior offset", plot=repr(reading.plot)))
            places.append(plot_at[reading.plot])
            seen.setdefault(reading.plot, set()).add(reading.night)
        index = np.ix_(places, places)
        precision[index] += weight
        pulled[places] += weight * reading.residual_k
    covariance = np.linalg.inv(precision)
    mean = covariance @ pulled
    spread = np.sqrt(np.diag(covariance))

    def learnt(place: int, count: int) -> Learnt:
        return Learnt(
            Estimate(float(mean[place]), float(spread[place])),
            count,
            min(1.0, float(prior_precision[place] * spread[place] ** 2)),
        )

    return SiteLearning(
        bias=learnt(0, len(nights)),
        offsets={plot: learnt(plot_at[plot], len(seen.get(plot, ()))) for plot in plots},
        night_errors={
            night: Estimate(
                float(mean[0] + mean[night_at[night]]),
                float(
                    np.sqrt(
                        covariance[0, 0]
                        + covariance[night_at[night], night_at[night]]
                        + 2 * covariance[0, night_at[night]]
                    )
                ),
            )
            for night in nights
        },
    )
