"""The garden that a record of nights is replayed through."""

from __future__ import annotations

from dataclasses import dataclass

from gardenapp.science.allocation.problem import CoverPool, PlantingNeed, PlotSite, Treatment
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing import Bearing, Hardiness


@dataclass(frozen=True)
class ReplayPlanting:
    """A planting with what it bears and its plot's offset. [°C, K]

    `need.bare_damage` is not used: every night gives its own. `bearing` is what it bears where
    nothing moves it; on a record, `hardiness` and the weather say (`season/hardened.py`).
    """

    need: PlantingNeed
    hardiness: Hardiness
    bearing: Bearing
    offset: Estimate

    @property
    def threshold_c(self) -> float:
        """Where its first harm begins. [°C]"""
        return self.bearing.bears_c


@dataclass(frozen=True)
class ReplayTreatment:
    """A treatment with what it is believed to add, and whether it lies on the leaves.

    `over` : what stands over its innermost cover, in a stack.
    """

    treatment: Treatment
    lift: LiftPrior
    is_draped: bool = False
    over: LiftPrior | None = None


@dataclass(frozen=True)
class ReplayGarden:
    """Everything of a garden that decides a night."""

    plots: tuple[PlotSite, ...]
    plantings: tuple[ReplayPlanting, ...]
    pools: tuple[CoverPool, ...]
    treatments: tuple[ReplayTreatment, ...]
    shelter_spaces: int = 0
    shelter_minutes_per_pot: float = 0.0
    minutes_budget: float | None = None
    worth_per_minute: float = 0.0
