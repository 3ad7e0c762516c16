"""What lows read at the plots say about the plots, the ground and the forecast, together.

A reading at one plot is the forecast, plus what the forecast got wrong that night, plus how
the plot differs from the screen on such a night, plus what the layer near the ground takes at
the height it was read at, plus the thermometer's own error. One plot alone cannot tell these
apart; several plots, heights and nights together can. All are taken as normal, so the answer is
exact for a given spread of the forecast's error: one set of linear equations.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.forecast_error import (
    KIND_NIGHTS,
    PRIOR_NIGHTS,
    ForecastRecord,
    Spread,
    learnt_spread,
)

# How far a low read at a plot may be off what the plot's air really reached: the thermometer,
# where it hangs, and what changes from night to night. From memory.
READING_SD_K = 0.6
# What the forecast may get wrong every night in the same direction, before any night is seen.
BIAS_PRIOR_K = Estimate(0.0, 0.5)


LAYER_PRIOR_K = Estimate(0.0, 0.6)
# How far a garden's own layer near the ground may be off the rule for it on clear calm nights,
# night after night: stations of the record differ by so much.


@dataclass(frozen=True)
class LowReading:
    """A low read on one night, as observed minus what was expected with no offset. [K]

    `plot` is None for a reading in the garden's own screen. `share` : how much of a clear calm
    night it was, which is how much of a plot's offset shows. `layer` : how much of the garden's
    own departure from the rule for the ground shows: that share, times 1 at the ground and 0 in a
    screen. `sd_k` : spread of the reading about the true low there; None the usual one.
    """

    night: Hashable
    plot: Hashable | None
    residual_k: float
    share: float = 1.0
    layer: float = 0.0
    sd_k: float | None = None


@dataclass(frozen=True)
class Learnt:
    """A belief after some nights: what it is now, from how many, and how much is still prior."""

    estimate: Estimate
    nights: int
    weight_of_prior: float


@dataclass(frozen=True)
class SiteLearning:
    """The forecast's standing error, the plots' offsets on clear calm nights, how far the ground
    falls beyond the rule, each night's error, and its own part, the standing one left out. [K]
    """

    bias: Learnt
    offsets: Mapping[Hashable, Learnt]
    night_errors: Mapping[Hashable, Estimate]
    own_errors: Mapping[Hashable, Estimate]
    layer: Learnt


def learn_site(
    readings: Sequence[LowReading],
    *,
    offset_priors: Mapping[Any, Estimate],
    forecast_sd_k: float,
    reading_sd_k: float = READING_SD_K,
    bias_prior: Estimate = BIAS_PRIOR_K,
    layer_prior: Estimate = LAYER_PRIOR_K,
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
    if not (bias_prior.sd > 0 and layer_prior.sd > 0) or any(
        not prior.sd > 0 for prior in offset_priors.values()
    ):
        raise OutOfRange(say("every prior needs a spread above 0"))
    if any(reading.sd_k is not None and not reading.sd_k > 0 for reading in readings):
        raise OutOfRange(say("every reading needs a spread above 0"))
    nights = list(dict.fromkeys(reading.night for reading in readings))
    plots = list(offset_priors)
    night_at = {night: 1 + i for i, night in enumerate(nights)}
    plot_at = {plot: 1 + len(nights) + i for i, plot in enumerate(plots)}
    layer_at = 1 + len(nights) + len(plots)
    size = layer_at + 1
    prior_mean = np.zeros(size)
    prior_precision = np.empty(size)
    prior_mean[0], prior_precision[0] = bias_prior.mean, bias_prior.sd**-2
    prior_precision[1 : 1 + len(nights)] = forecast_sd_k**-2
    for plot, prior in offset_priors.items():
        prior_mean[plot_at[plot]] = prior.mean
        prior_precision[plot_at[plot]] = prior.sd**-2
    prior_mean[layer_at], prior_precision[layer_at] = layer_prior.mean, layer_prior.sd**-2
    precision = np.diag(prior_precision)
    pulled = prior_precision * prior_mean
    seen: dict[Hashable, set[Hashable]] = {}
    layered: set[Hashable] = set()
    for reading in readings:
        if not np.isfinite(reading.residual_k):
            raise OutOfRange(say("every residual must be a finite number"))
        places, shows = [0, night_at[reading.night], layer_at], [1.0, 1.0, reading.layer]
        if reading.plot is not None:
            if reading.plot not in plot_at:
                raise OutOfRange(say("plot %(plot)s has no prior offset", plot=repr(reading.plot)))
            places.append(plot_at[reading.plot])
            shows.append(reading.share)
            seen.setdefault(reading.plot, set()).add(reading.night)
        if reading.layer:
            layered.add(reading.night)
        weight = (reading_sd_k if reading.sd_k is None else reading.sd_k) ** -2
        row = np.array(shows)
        precision[np.ix_(places, places)] += weight * np.outer(row, row)
        pulled[places] += weight * reading.residual_k * row
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
        own_errors={
            night: Estimate(float(mean[night_at[night]]), float(spread[night_at[night]]))
            for night in nights
        },
        layer=learnt(layer_at, len(layered)),
    )


_ROUNDS = 6
_ENOUGH_OF_A_KIND = 5.0


@dataclass(frozen=True)
class GardenLearning:
    """The joint fit at the spread that the garden's own nights show, and that record."""

    site: SiteLearning
    record: ForecastRecord


def learn_garden(
    readings: Sequence[LowReading],
    *,
    offset_priors: Mapping[Any, Estimate],
    forecast_sd_k: float,
    clear_shares: Mapping[Any, float],
    prior_nights: float = PRIOR_NIGHTS,
) -> GardenLearning:
    """`learn_site`, and how far the forecast is out from night to night.

    Parameters
    ----------
    forecast_sd_k : the published spread of the error from night to night, worth `prior_nights`. [K]
    clear_shares : of each night, how much of a clear calm one it was, 0 to 1.

    Notes
    -----
    The fit needs the spread and the spread the fit: they are worked out in turn until they agree
    (expectation and maximisation). Where both kinds of night are there, the spread of each is
    learnt about that of all, which counts for twenty nights of a kind; so a garden without a
    record has one spread, and one whose clear nights are worse forecast shows it. Raises what
    `learn_site` raises.
    """
    prior = Spread(forecast_sd_k, prior_nights)
    learnt, site = prior, learn_site([], offset_priors={}, forecast_sd_k=forecast_sd_k)
    for _ in range(_ROUNDS):
        site = learn_site(readings, offset_priors=offset_priors, forecast_sd_k=learnt.scale_k)
        learnt = learnt_spread(prior, list(site.own_errors.values()))
    nights = list(site.own_errors)
    shares = [min(1.0, max(0.0, clear_shares.get(night, 0.5))) for night in nights]
    kinds = [shares, [1.0 - share for share in shares]]
    clear = other = None
    if min(math.fsum(weights) for weights in kinds) >= _ENOUGH_OF_A_KIND:
        usual = Spread(learnt.scale_k, KIND_NIGHTS)
        clear, other = (
            learnt_spread(usual, list(site.own_errors.values()), weights).sd_k for weights in kinds
        )
    return GardenLearning(
        site,
        ForecastRecord(
            sd_k=learnt.sd_k if nights else forecast_sd_k,
            bias=site.bias.estimate,
            count=len(nights),
            weight_of_prior=prior_nights / (prior_nights + len(nights)),
            clear_sd_k=clear,
            other_sd_k=other,
        ),
    )
