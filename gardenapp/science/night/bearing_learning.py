"""What a garden's own mornings say of where a crop is harmed, beside what is published."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.damage import DamageCurve

_STANDARD = NormalDist()
_STEPS = 81

WORD_ENDS = {
    "none": (0.0, 0.125),
    "some": (0.125, 0.45),
    "much": (0.45, 0.825),
    "dead": (0.825, 1.0),
}
"""Shares harmed that each word stands for: half-way between the shares that the words count as."""

WORD_SD_K = 1.0
"""What a word and one plant's place add to the spread of a night. From memory."""

PRIOR_SHARE = 0.5
"""How far a garden's plants may be off what is published, as a share of the crop's own spread:
small, so that one morning moves little. Our own."""


@dataclass(frozen=True)
class Seen:
    """One planting on one morning.

    damage : a key of `WORD_ENDS`. temp : the leaf under what stood over it [°C]. curve : what had
    been taken of it, without anything learnt.
    """

    damage: str
    temp: Estimate
    curve: DamageCurve


def learnt_shift(seen: Sequence[Seen]) -> Estimate:
    """How much warmer a crop is harmed here than is published. [K]

    Worked out on a grid that ends where the published spread ends, so that nothing is learnt past
    it; nothing seen gives the prior. Raises OutOfRange for a word that is not known.
    """
    spread_k = max((one.curve.sd_k for one in seen), default=1.0)
    grid = np.linspace(-spread_k, spread_k, _STEPS)
    prior_sd = PRIOR_SHARE * spread_k
    log_odds = -0.5 * (grid / prior_sd) ** 2
    for one in seen:
        if one.damage not in WORD_ENDS:
            raise OutOfRange(
                say("%(name)s must be known, not %(value)s", name="damage", value=one.damage)
            )
        least, most = WORD_ENDS[one.damage]
        sd = math.hypot(one.temp.sd, WORD_SD_K)
        warm = math.inf if least == 0.0 else one.curve.temperature_for(least)
        cold = -math.inf if most == 1.0 else one.curve.temperature_for(most)
        # A crop that is harmed a kelvin warmer is harmed as much a kelvin warmer.
        chance = [
            _below((warm + shift - one.temp.mean) / sd)
            - _below((cold + shift - one.temp.mean) / sd)
            for shift in grid
        ]
        log_odds += np.log(np.maximum(chance, 1e-9))
    weights = np.exp(log_odds - log_odds.max())
    weights /= weights.sum()
    mean = float(weights @ grid)
    return Estimate(mean, math.sqrt(max(1e-6, float(weights @ (grid - mean) ** 2))))


def _below(z: float) -> float:
    if math.isinf(z):
        return 1.0 if z > 0.0 else 0.0
    return _STANDARD.cdf(z)
