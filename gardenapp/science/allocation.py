"""Which cover goes where tonight: the best use of the covers there are, with proof."""

from __future__ import annotations

import time

from gardenapp.science.allocation_fit import prepare
from gardenapp.science.allocation_greedy import (
    Tally,
    covered_by,
    fill_greedily,
    simple_bound,
    uses_of,
)
from gardenapp.science.allocation_problem import (
    Allocation,
    CoverPool,
    FixedUse,
    Id,
    PlantingNeed,
    PlotSite,
    Problem,
    Reason,
    StageInfo,
    Treatment,
    Use,
    check_problem,
    relative_gap_of,
)
from gardenapp.science.allocation_reasons import reasons_for, words

__all__ = [
    "Allocation",
    "CoverPool",
    "FixedUse",
    "Id",
    "PlantingNeed",
    "PlotSite",
    "Problem",
    "Reason",
    "StageInfo",
    "Treatment",
    "Use",
    "solve",
    "words",
]


def solve(
    problem: Problem, *, time_limit_s: float = 20.0, relative_gap: float = 0.001
) -> Allocation:
    """Find the use of covers, stacks and shelter that avoids most damage for its effort.

    Greedy only for now; the bound is a simple relaxation.

    Raises OutOfRange.
    """
    check_problem(problem)
    started = time.perf_counter()
    prepared = prepare(problem)
    tally = fill_greedily(Tally(prepared))
    bound = max(simple_bound(prepared), tally.objective)
    uses = uses_of(tally)
    return Allocation(
        uses=uses,
        covered=covered_by(uses),
        objective=tally.objective,
        bound=bound,
        gap=relative_gap_of(tally.objective, bound),
        minutes_used=tally.minutes,
        reasons=reasons_for(prepared, tally),
        must_come_off=prepared.must_come_off,
        method="greedy",
        harmful_fixed=prepared.harmful_fixed,
        stages=(StageInfo("greedy", time.perf_counter() - started, tally.objective, bound),),
    )
