"""Learning from what happened: offsets, lifts, and whether the odds were honest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate


@dataclass(frozen=True)
class Posterior:
    """A belief after observations.

    estimate : what is believed now; count : observations; weight_of_prior : 1 none of it
    learnt, towards 0 all of it; weights : how much each observation counted, 1 fully, in
    the order given, so that a doubted one can be shown instead of lost.
    """

    estimate: Estimate
    count: int
    weight_of_prior: float
    weights: tuple[float, ...] = ()


def _weighted(
    prior: Estimate,
    observations: Sequence[float],
    observation_sd: float,
    weights: Sequence[float],
) -> Posterior:
    prior_precision = 1.0 / prior.variance
    data_precision = math.fsum(weights) / observation_sd**2
    total = prior_precision + data_precision
    pulled = math.fsum(w * x for w, x in zip(weights, observations, strict=True))
    mean = (prior_precision * prior.mean + pulled / observation_sd**2) / total
    return Posterior(
        Estimate(mean, total**-0.5),
        len(observations),
        prior_precision / total,
        tuple(weights),
    )


def _check(observations: Sequence[float], observation_sd: float) -> None:
    if not (math.isfinite(observation_sd) and observation_sd > 0.0):
        raise OutOfRange(
            say(
                "%(name)s must be above 0, not %(value)s",
                name="observation_sd",
                value=observation_sd,
            )
        )
    if not all(math.isfinite(x) for x in observations):
        raise OutOfRange(say("every observation must be a finite number"))


def normal_normal(
    prior: Estimate, observations: Sequence[float], observation_sd: float
) -> Posterior:
    """What to believe of a mean after seeing some nights.

    Parameters
    ----------
    prior : belief before; its unit is the observations'.
    observations : one a night: the night is the sample, not the logger's reading.
    observation_sd : scatter of single nights about the mean, above 0.

    Returns
    -------
    The normal–normal posterior. A prior without spread stays as it is.

    Raises OutOfRange for a scatter not above 0 or an observation that is not a number.
    """
    _check(observations, observation_sd)
    if prior.sd == 0.0:
        return Posterior(prior, len(observations), 1.0, (1.0,) * len(observations))
    return _weighted(prior, observations, observation_sd, [1.0] * len(observations))


HUBER_K = 1.345
"""Observations farther out than this many scatters lose weight; 95 % efficient for a normal
(Huber's usual constant, from memory)."""


def normal_normal_robust(
    prior: Estimate,
    observations: Sequence[float],
    observation_sd: float,
    *,
    huber_k: float = HUBER_K,
) -> Posterior:
    """As `normal_normal`, but a night far from the rest counts for less.

    A logger in the sun, a cover that blew off: such nights are weighted by how far
    out they lie (Huber's weights), never dropped; `weights` says how much each counted.
    The start is the median, so one wild night cannot vouch for itself.
    """
    _check(observations, observation_sd)
    if not huber_k > 0.0:
        raise OutOfRange(
            say("%(name)s must be above 0, not %(value)s", name="huber_k", value=huber_k)
        )
    plain = normal_normal(prior, observations, observation_sd)
    if prior.sd == 0.0 or not observations:
        return plain
    ordered = sorted([prior.mean, *observations])
    middle = len(ordered) // 2
    centre = (ordered[middle] + ordered[~middle]) / 2.0
    answer = plain
    for _ in range(50):
        weights = [
            min(1.0, huber_k * observation_sd / abs(x - centre)) if x != centre else 1.0
            for x in observations
        ]
        answer = _weighted(prior, observations, observation_sd, weights)
        if abs(answer.estimate.mean - centre) < 1e-9:
            break
        centre = answer.estimate.mean
    return answer


def _check_forecasts(probabilities: Sequence[float], happened: Sequence[bool]) -> None:
    if len(probabilities) != len(happened):
        raise OutOfRange(say("probabilities and happened must be equally many"))
    if not probabilities:
        raise OutOfRange(say("there must be at least one forecast to score"))
    for p in probabilities:
        if not 0.0 <= p <= 1.0:
            raise OutOfRange(say("a probability must be 0 to 1, not %(p)s", p=p))


def brier_score(probabilities: Sequence[float], happened: Sequence[bool]) -> float:
    """Mean square of probability minus what came, 0 perfect to 1 (Brier 1950).

    Always saying ½ scores 0.25. Raises OutOfRange for no forecasts, unequal lengths or
    a probability outside 0 to 1.
    """
    _check_forecasts(probabilities, happened)
    return math.fsum(
        (p - float(came)) ** 2 for p, came in zip(probabilities, happened, strict=True)
    ) / len(probabilities)


@dataclass(frozen=True)
class ReliabilityRow:
    """One band of stated odds and how often the thing came.

    from_probability, to_probability : the band; count : forecasts in it;
    mean_probability : what was said; observed_fraction : what came.
    """

    from_probability: float
    to_probability: float
    count: int
    mean_probability: float
    observed_fraction: float


def reliability_table(
    probabilities: Sequence[float], happened: Sequence[bool], *, bands: int = 5
) -> list[ReliabilityRow]:
    """Whether things said to come with 30 % come three times in ten.

    Equal bands of probability, empty ones left out; a probability on a limit belongs to
    the band above. Raises as `brier_score`, and for fewer than one band.
    """
    _check_forecasts(probabilities, happened)
    if bands < 1:
        raise OutOfRange(
            say("%(name)s must be 1 or more, not %(value)s", name="bands", value=bands)
        )
    members: list[list[tuple[float, bool]]] = [[] for _ in range(bands)]
    for p, came in zip(probabilities, happened, strict=True):
        members[min(bands - 1, int(p * bands))].append((p, bool(came)))
    return [
        ReliabilityRow(
            from_probability=index / bands,
            to_probability=(index + 1) / bands,
            count=len(band),
            mean_probability=math.fsum(p for p, _ in band) / len(band),
            observed_fraction=sum(came for _, came in band) / len(band),
        )
        for index, band in enumerate(members)
        if band
    ]
