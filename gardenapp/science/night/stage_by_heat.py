"""Which stage a fruit tree's buds have come to, by the warmth since a stage was seen.

Heat is counted in degree-days over a base, by the day's lowest and highest temperature, each kept
between the base and an upper limit. Published ladders count it from the end of winter's rest; the
count here begins on 1 January (1 July in the south), as two of the sources do, or on the day on
which somebody saw a stage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from gardenapp.errors import OutOfRange
from gardenapp.messages import say


@dataclass(frozen=True)
class Rung:
    """A stage and the heat at which it is reached. [K day]"""

    stage: str
    heat_k_days: float


@dataclass(frozen=True)
class Ladder:
    """The stages of a crop in their order, with base and upper limit of the count. [°C]

    Raises OutOfRange unless the rungs rise.
    """

    rungs: tuple[Rung, ...]
    base_c: float
    upper_c: float

    def __post_init__(self) -> None:
        heats = [rung.heat_k_days for rung in self.rungs]
        if not heats or heats != sorted(set(heats)) or not self.base_c < self.upper_c:
            raise OutOfRange(say("the stages of a ladder must follow each other"))

    def heat_of(self, stage: str) -> float | None:
        """The heat at which a stage is reached; None for a stage that is not on the ladder."""
        return next((r.heat_k_days for r in self.rungs if r.stage == stage), None)

    def stage_at(self, heat_k_days: float) -> str:
        """The stage reached; before the first it is the first, which bears least then."""
        reached = [rung.stage for rung in self.rungs if rung.heat_k_days <= heat_k_days]
        return reached[-1] if reached else self.rungs[0].stage

    def degree_days(self, low_c: float, high_c: float) -> float:
        """The heat of one day: the middle of its lowest and highest, over the base. [K day]"""
        low, high = (min(max(value, self.base_c), self.upper_c) for value in (low_c, high_c))
        return (low + high) / 2.0 - self.base_c


def season_start(on: date, *, is_northern: bool) -> date | None:
    """The day from which this blossom's warmth counts: 1 January, or 1 July in the south.

    None where the leaves are falling and nothing is counted yet, from September (March) on.
    """
    months_on = (on.month - (1 if is_northern else 7)) % 12
    if months_on >= 8:
        return None
    return date(
        on.year if is_northern or on.month >= 7 else on.year - 1, 1 if is_northern else 7, 1
    )


def heat_since(ladder: Ladder, days: Sequence[tuple[float, float] | None]) -> tuple[float, int]:
    """Heat of the days given as lowest and highest, and how many of them nobody knows.

    A day that is not known counts as the mean of those that are. [K day]
    """
    known = [ladder.degree_days(*day) for day in days if day is not None]
    missing = len(days) - len(known)
    total = sum(known)
    if known:
        total += missing * total / len(known)
    return total, missing
