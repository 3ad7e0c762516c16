"""Which cover goes where tonight: the best use of the covers there are, with proof."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress

from gardenapp.science.allocation.fit import Prepared, prepare
from gardenapp.science.allocation.greedy import (
    Tally,
    covered_by,
    fill_greedily,
    simple_bound,
    uses_of,
)
from gardenapp.science.allocation.improve import better_of, improve, place_counts, tally_of
from gardenapp.science.allocation.prices import PlotPlans, plans_of
from gardenapp.science.allocation.problem import (
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
from gardenapp.science.allocation.program import (
    SolverFailed,
    contents_program,
    counts_program,
    list_contents,
    most_units_of,
    units_program,
)
from gardenapp.science.allocation.reasons import reasons_for
from gardenapp.science.allocation.stopwatch import Stopwatch

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
]


MOST_LISTED = 1500
"""Gardens with at most so many different contents of units go to one exact program at once."""

MOST_OPTIONS_AT_ONCE = 300
"""Treatments times plots up to which the whole garden is also solved as one program of counts."""

MOST_COLUMNS_BY_UNIT = 6000
"""Plantings times units up to which every unit is told apart in one program."""

MOST_ROUNDS = 30
"""Rounds of new prices; gardens stop long before by their gap, their clock or for want of plans."""

SHARE_FOR_COUNTS = 0.5
"""Share of the limit that the first counts may take: cut short they are far worse than later."""

MOST_PLOTS_COUNTED = 150
"""Above this the counts of the whole garden are not tried. Our own choice between two sizes: they
came out at 60 plots in 5 s of CPU, and at 600 brought nothing in 25 s of wall time on a busy
machine. Where between the two they stop being worth it has not been measured."""

COUNTS_GAP = 0.005
"""Gap of the counts. In one garden of 60 plots 0.2 % took 8.1 s of CPU and 0.5 % took 4.7 s."""

EXACT_GAP = 0.001
"""Gap of a small garden's exact program: a cover left off shows there. Our own choice."""

SHARE_FOR_PLANS = 0.75
"""Share of the time for plans by plot; the rest is for solving small groups of plots again."""


def solve(
    problem: Problem, *, time_limit_s: float = 20.0, relative_gap: float = 0.005
) -> Allocation:
    """Find the use of covers, stacks and shelter that avoids most damage for its effort.

    Maximises the sum of worth * (bare damage - damage under) over all covered plants, less
    worth_per_minute for every minute of new work: putting on each unit, carrying each pot, and
    the way to each plot where anything new is done, once.

    A small garden is solved exactly (`contents_program`). In a larger one whole covers are
    counted out with plants relaxed, then plants are placed plot by plot. If the gap asked is not
    proven by then, every kind of cover gets a price, so that each plot can be planned by itself
    with whole plants; an integer program picks one plan a plot, and groups of plots are solved
    again while time is left. It returns as soon as the gap is proven, and never does worse than
    the greedy allocation or the fixed uses alone.

    Parameters
    ----------
    problem : what there is tonight; fixed uses stay unless the gust is over their limit.
    time_limit_s : wall time after which the best so far is returned. [s]
    relative_gap : gap to the bound that is good enough.

    Returns
    -------
    The allocation, with its own objective and a bound that holds for every allocation under the
    same rules. The same problem gives the same answer, except where the clock cut the search
    short (`method` is 'time limit').

    Notes
    -----
    What is on and comes off in a gust is not counted in minutes, nor is what stays on.
    A fixed cover with room left under it is not filled up: it stays as it is.

    Raises OutOfRange.
    """
    check_problem(problem)
    watch = Stopwatch(time_limit_s)
    prepared = prepare(problem)
    tally = fill_greedily(Tally(prepared))
    simple = bound = max(simple_bound(prepared), tally.objective)
    stages = [StageInfo("greedy", watch.seconds(), tally.objective, bound)]
    method = "greedy"
    try:
        if prepared.options:
            tally, bound, stages = _programs(prepared, tally, bound, relative_gap, watch, stages)
        if bound < tally.objective - 1e-6 * max(1.0, abs(bound)):
            # What was placed is real, so the solver's bound is not: say only what is sure.
            bound = simple
            stages.append(StageInfo("bound refused", 0.0, tally.objective, bound))
        bound = max(bound, tally.objective)
        method = (
            "optimal" if relative_gap_of(tally.objective, bound) <= relative_gap else "time limit"
        )
    except SolverFailed as failure:
        stages.append(StageInfo("greedy kept", watch.seconds(), note=str(failure)))
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
        method=method,
        harmful_fixed=prepared.harmful_fixed,
        stages=tuple(stages),
    )


def _programs(
    prepared: Prepared,
    start: Tally,
    simple: float,
    relative_gap: float,
    watch: Stopwatch,
    stages: Sequence[StageInfo],
) -> tuple[Tally, float, list[StageInfo]]:
    """The integer programs, from a greedy start: the best tally, a bound and what was done."""
    done = list(stages)

    def note(name: str, objective: float, bound: float, words: str = "") -> None:
        done.append(StageInfo(name, watch.seconds(), objective, bound, words))

    def exactly(
        start: Tally, lists: Mapping[int, Sequence[Mapping[Id, int]]]
    ) -> tuple[Tally, float]:
        answer = contents_program(
            prepared,
            prepared.options,
            lists,
            Tally(prepared),
            time_limit_s=max(0.1, watch.left()),
            relative_gap=min(relative_gap, EXACT_GAP),
            start=start.units,
        )
        best = better_of(start, tally_of(prepared, answer.units))
        return best, prepared.fixed_objective + answer.solved.bound

    lists = list_contents(prepared) if len(prepared.options) <= MOST_OPTIONS_AT_ONCE else None
    listed = 0 if lists is None else sum(len(contents) for contents in lists.values())
    if lists is not None and listed <= MOST_LISTED:
        best, bound = exactly(start, lists)
        bound = min(bound, simple)
        note("exact contents", best.objective, bound, f"{listed} contents")
        return best, bound, done

    placed = best = start
    counts_bound = simple
    if len(prepared.plots) <= MOST_PLOTS_COUNTED:
        # Whole counts with plants relaxed: a fair answer soon, and plans to begin from.
        counts = counts_program(
            prepared,
            prepared.options,
            Tally(prepared),
            time_limit_s=watch.left(SHARE_FOR_COUNTS),
            relative_gap=max(relative_gap, COUNTS_GAP),
            start=start.units,
        )
        counts_bound = min(simple, prepared.fixed_objective + counts.solved.bound)
        note("counts", prepared.fixed_objective + counts.solved.objective, counts_bound, "relaxed")
        placed = fill_greedily(place_counts(prepared, Tally(prepared), counts, watch.left))
        best = better_of(start, placed)
        note("placed", best.objective, counts_bound)
        if relative_gap_of(best.objective, counts_bound) <= relative_gap:
            return best, counts_bound, done

    plans = PlotPlans(prepared, start, lambda: watch.left(SHARE_FOR_PLANS))
    plans.bound = min(plans.bound, counts_bound)
    for plan in plans_of(prepared, placed):
        plans.add(plan)
    note("relaxed", best.objective, plans.bound)
    rounds = 0
    while (
        watch.left(SHARE_FOR_PLANS) > 0
        and rounds < MOST_ROUNDS
        and relative_gap_of(best.objective, plans.bound) > relative_gap
    ):
        fresh = plans.price_round()
        rounds += 1
        best = plans.choose(
            best,
            seconds=max(0.1, min(max(3.0, 0.05 * watch.limit_s), watch.left())),
            relative_gap=relative_gap / 2,
        )
        best = fill_greedily(tally_of(prepared, best.units))
        for plan in plans_of(prepared, best):
            plans.add(plan)
        note(
            "plans by plot", best.objective, plans.bound, f"{fresh} new, {len(plans.plans)} in all"
        )
        if not fresh:
            break
        plans.new_prices()
    bound = min(plans.bound, simple)
    if lists is not None and relative_gap_of(best.objective, bound) > relative_gap:
        with suppress(SolverFailed):  # what the plans gave stays
            best, exact_bound = exactly(best, lists)
            bound = min(bound, exact_bound)
        note("exact contents", best.objective, bound, f"{listed} contents")
    if lists is None and len(prepared.options) <= MOST_OPTIONS_AT_ONCE:
        # With few plots prices alone leave a gap: look at all plots at once, in half the time.
        with suppress(SolverFailed):  # what the plans gave stays
            best, whole_bound = _all_at_once(prepared, best, bound, relative_gap, watch)
            bound = min(bound, whole_bound)
        note("all plots at once", best.objective, bound)
    best, tries, gains = improve(
        prepared, best, bound=bound, relative_gap=relative_gap, seconds_left=watch.left
    )
    note("groups of plots", best.objective, bound, f"{gains} of {tries} tries brought something")
    return best, bound, done


def _all_at_once(
    prepared: Prepared,
    best: Tally,
    bound: float,
    relative_gap: float,
    watch: Stopwatch,
) -> tuple[Tally, float]:
    """The whole garden as one program, for few plots: the better tally and a bound.

    First counts with whole plants; while a gap is left and it is small enough, every unit told
    apart.
    """
    empty = Tally(prepared)
    seconds = watch.left() / 2
    if seconds > 0 and relative_gap_of(best.objective, bound) > relative_gap:
        counts = counts_program(
            prepared,
            prepared.options,
            empty,
            time_limit_s=seconds,
            relative_gap=relative_gap / 2,
            start=best.units,
            has_whole_plants=True,
        )
        bound = min(bound, prepared.fixed_objective + counts.solved.bound)
        best = better_of(
            best, fill_greedily(place_counts(prepared, Tally(prepared), counts, watch.left))
        )
    columns = sum(
        len(option.members) * most_units_of(option, empty.bare)
        for option in prepared.options
        if not option.is_shelter
    )
    seconds = watch.left() / 2
    if (
        columns <= MOST_COLUMNS_BY_UNIT
        and seconds > 0
        and relative_gap_of(best.objective, bound) > relative_gap
    ):
        units, solved = units_program(
            prepared,
            prepared.options,
            empty,
            time_limit_s=seconds,
            relative_gap=relative_gap / 2,
            start=best.units,
        )
        bound = min(bound, prepared.fixed_objective + solved.bound)
        best = better_of(best, fill_greedily(tally_of(prepared, units)))
    return best, bound
