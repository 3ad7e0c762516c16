"""What plants bear in their state: where harm begins, where they die, and what each costs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from gardenapp.science.estimate import Estimate
from gardenapp.science.night.damage import DamageCurve
from gardenapp.science.night.hardening import bears_c, between

HARM_COSTS = {"looks": 0.05, "harvest": 0.6, "plant": 1.0}
"""Share of a plant's worth that its first harm takes: a burnt leaf on a leek, a spoilt head of
lettuce, a dead bean. Death takes the rest. Our own choice."""


@dataclass(frozen=True)
class Bearing:
    """What plants in one state bear.

    harm : the curve of first harm of leaf or produce. death : of whole plants, None where it is not
    told apart. costs : what first harm takes, a key of `HARM_COSTS`. Temperatures of the leaf. [°C]
    """

    harm: DamageCurve
    death: DamageCurve | None = None
    costs: str = "plant"

    @property
    def bears_c(self) -> float:
        """Where first harm begins. [°C]"""
        return bears_c(self.harm)

    @property
    def costly_c(self) -> float:
        """Where a tenth of what the plants are worth is lost: burnt leaves alone are not. [°C]"""
        return _costly_c(self)

    def shares(self, temp: Estimate) -> tuple[float, float | None, float]:
        """Expected shares harmed and dead, and what is lost of their worth, 0 to 1."""
        harm = self.harm.expected_share(temp)
        death = None if self.death is None else self.death.expected_share(temp)
        return harm, death, self._lost(harm, death)

    def lost_at(self, temp_c: float) -> float:
        """Share of their worth lost at a temperature that is known, 0 to 1."""
        death = None if self.death is None else self.death.share_at(temp_c)
        return self._lost(self.harm.share_at(temp_c), death)

    def needs_c(self, share: float, *, sd_k: float) -> float:
        """What must be expected, `sd_k` sure, for `share` of the worth to be lost. [°C]

        Found by halving; `share` strictly between 0 and 1, else OutOfRange.
        """
        low_c = self.harm.needs_c(share, sd_k=sd_k)
        if self.costs == "plant":
            return low_c
        high_c = low_c
        if self.death is not None:
            high_c = max(high_c, self.death.needs_c(share, sd_k=sd_k))
        low_c = high_c - 40.0
        for _ in range(40):
            middle_c = (low_c + high_c) / 2.0
            if self.shares(Estimate(middle_c, sd_k))[2] > share:
                low_c = middle_c
            else:
                high_c = middle_c
        return high_c

    def shifted(self, by_k: float) -> Bearing:
        """The same plants, harmed and killed this much warmer. [K]"""
        if by_k == 0.0:
            return self
        death = self.death and DamageCurve(self.death.t50_c + by_k, self.death.sd_k)
        return replace(self, harm=DamageCurve(self.harm.t50_c + by_k, self.harm.sd_k), death=death)

    def _lost(self, harm: float, death: float | None) -> float:
        weight = HARM_COSTS[self.costs]
        if death is None:
            return weight * harm
        return weight * max(harm, death) + (1.0 - weight) * death


@lru_cache(maxsize=4096)
def _costly_c(bearing: Bearing) -> float:
    # Asked for every night of a record: winters are many, and plants' states few.
    return bearing.needs_c(0.10, sd_k=0.0)


@dataclass(frozen=True)
class Hardiness:
    """A crop's soft and hardened bearing; `hardens` says how the weather moves it between them.

    hardened is None, and `hardens` "no", where the weather moves nothing.
    """

    soft: Bearing
    hardened: Bearing | None = None
    hardens: str = "no"

    @property
    def is_moved(self) -> bool:
        """Whether what the crop bears depends on the weather it has had."""
        return self.hardened is not None and self.hardens != "no"

    def at(self, state: float) -> Bearing:
        """What plants bear that are `state` of the way from soft to hardened, 0 to 1."""
        return _at(self, state)


@lru_cache(maxsize=4096)
def _at(hardiness: Hardiness, state: float) -> Bearing:
    soft, hard = hardiness.soft, hardiness.hardened
    if hard is None or not hardiness.is_moved:
        return soft
    death = soft.death
    if soft.death is not None and hard.death is not None:
        death = between(soft.death, hard.death, state)
    return Bearing(between(soft.harm, hard.harm, state), death, soft.costs)
