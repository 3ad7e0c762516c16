"""What trials of a cover teach about its lift and its day gain.

The night is the sample, but nights of one trial are not strangers to each other: the same two
loggers hung in the same two places. Their shared error stays however many nights they hang, so
a second trial with other loggers says more than twice as many nights of the first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import normal_normal_robust

NIGHT_SCATTER_K = 0.8
"""How far the lifts of single nights of one kind lie about their mean. From memory."""
TRIAL_SCATTER_K = 0.4
"""What the nights of one trial share: two ordinary loggers, each within ±0.5 °C of the truth
and evenly so, differ by 0.41 K (one standard deviation); where they hang comes on top. The ±0.5 °C
is from memory."""
DAY_SCATTER_K = 2.5
"""How far the sunny days of one trial lie about their mean. From memory."""


@dataclass(frozen=True)
class NightLift:
    """One whole night of a trial. [K]

    share : how surely it was a night of the kind that is learnt about, above 0 to 1; a night of
        which nobody knows counts half for either kind.
    """

    lift_k: float
    share: float = 1.0

    def __post_init__(self) -> None:
        if not math.isfinite(self.lift_k):
            raise OutOfRange(say("every night's lift must be a finite number"))
        if not 0.0 < self.share <= 1.0:
            raise OutOfRange(
                say("%(name)s must be above 0 to 1, not %(value)s", name="share", value=self.share)
            )


@dataclass(frozen=True)
class LearntLift:
    """A belief before and after trials. [K]

    weights : for each trial, how much each of its nights counted, in the order given: 1 fully,
        less where it lies far from the rest or where its kind is not known. None is dropped.
    effective_nights : how many nights of trials of their own those nights are worth.
    weight_of_prior : 1 nothing learnt, towards 0 all of it.
    """

    prior: Estimate
    estimate: Estimate
    nights: int
    trials: int
    effective_nights: float
    weight_of_prior: float
    weights: tuple[tuple[float, ...], ...]


def learn_lift(
    prior: Estimate,
    trials: Sequence[Sequence[NightLift]],
    *,
    night_scatter_k: float = NIGHT_SCATTER_K,
    trial_scatter_k: float = TRIAL_SCATTER_K,
) -> LearntLift:
    """What to believe of a cover's lift on one kind of night after its trials.

    Parameters
    ----------
    prior : the published belief; a spread of 0 stays as it is. [K]
    trials : the nights of each trial; trials without any are passed over. [K]
    night_scatter_k : of single nights about their trial's mean, above 0. [K]
    trial_scatter_k : of trials about the kind's mean, 0 or more. [K]

    Returns
    -------
    LearntLift.

    Notes
    -----
    Normal prior, normal trials, normal nights within them, both scatters known: a trial whose
    nights weigh W in all is one observation of variance trial² + night²/W (any text on the
    normal hierarchical model). With one night a trial and no trial scatter it is
    `learning.normal_normal`. Weights of far-out nights are those of
    `learning.normal_normal_robust`. Raises OutOfRange for scatters out of range.
    """
    if not (math.isfinite(trial_scatter_k) and trial_scatter_k >= 0.0):
        raise OutOfRange(
            say(
                "%(name)s must be 0 or more, not %(value)s",
                name="trial_scatter_k",
                value=trial_scatter_k,
            )
        )
    told = [night.lift_k for trial in trials for night in trial]
    robust = normal_normal_robust(prior, told, math.hypot(night_scatter_k, trial_scatter_k))
    far_out = iter(robust.weights)
    weights = tuple(tuple(next(far_out) * night.share for night in trial) for trial in trials)
    held = sum(1 for trial in trials if trial)
    if prior.sd == 0.0 or not told:
        return LearntLift(prior, prior, len(told), held, 0.0, 1.0, weights)
    precision = prior_precision = 1.0 / prior.variance
    pulled = prior.mean * prior_precision
    for trial, of_trial in zip(trials, weights, strict=True):
        if not trial:
            continue
        total = math.fsum(of_trial)
        mean = math.fsum(w * n.lift_k for w, n in zip(of_trial, trial, strict=True)) / total
        own = 1.0 / (trial_scatter_k**2 + night_scatter_k**2 / total)
        precision += own
        pulled += own * mean
    single_night = 1.0 / (trial_scatter_k**2 + night_scatter_k**2)
    return LearntLift(
        prior=prior,
        estimate=Estimate(pulled / precision, precision**-0.5),
        nights=len(told),
        trials=held,
        effective_nights=(precision - prior_precision) / single_night,
        weight_of_prior=prior_precision / precision,
        weights=weights,
    )


def sunnier_half(gains_k: Sequence[float]) -> list[bool]:
    """Which days of a trial count as sunny: those of the median gain and above.

    A day gain is quoted for full sun, and a dull day says nothing about that. Taking dull days
    for sunny ones would make a cover seem cooler than it is, which is the dangerous side.
    """
    if not gains_k:
        return []
    middle = median(gains_k)
    return [gain >= middle for gain in gains_k]


def full_sun_gain_k(gain_k: float, *, noon_wm2: float, reference_wm2: float) -> float:
    """A sunny day's gain brought to the radiation that day gains are quoted for. [K]

    gain_k : highest inside less highest outside. noon_wm2 : clear sky at noon of that day.
    Proportional to the radiation, as in `morning.lift_off`; the factor is held to 0.4 to 2.
    A gain below 0 counts as 0. Raises OutOfRange for a noon without sun or a reference not above 0.
    """
    if not (noon_wm2 > 0.0 and reference_wm2 > 0.0):
        raise OutOfRange(say("noon_wm2 and reference_wm2 must be above 0"))
    return max(0.0, gain_k) * min(2.0, max(0.4, reference_wm2 / noon_wm2))
