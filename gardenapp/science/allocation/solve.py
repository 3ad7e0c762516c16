"""Which cover goes where tonight: the best use of the covers there are, with proof."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from gardenapp.science.allocation.fit import Prepared, prepare
from gardenapp.science.allocation.greedy import (
    Tally,
    covered_by,
    fill_best,
    fill_greedily,
    place_start,
    simple_bound,
    tidied,
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
)
from gardenapp.science.allocation.reasons import Reasons
from gardenapp.science.allocation.stopwatch import Stopwatch

__all__ = [
    "Allocation",
    "CoverPool",
    "FixedUse",
    "Id",
    "PlantingNeed",
    "PlotSite",
    "Problem",
    "Progress",
    "Reason",
    "StageInfo",
    "Treatment",
    "Use",
    "first_answer",
    "solve",
]


MOST_LISTED = 1500
"""Gardens with at most so many different contents of units go to one exact program at once."""

MOST_OPTIONS_AT_ONCE = 300
"""Treatments times beds up to which the whole garden is also solved as one program."""

MOST_ROUNDS = 30
"""Rounds of new prices; gardens stop long before by their gap, their clock or for want of plans."""

MOST_IN_VAIN = 2
"""Rounds that may bring next to nothing before groups of plots are tried. Our own choice."""

BEAM_ROUNDS = 3
"""Rounds of narrow searches at new prices before anything is bounded exactly. Our own choice."""

SHAKES = 2
"""Rounds at shaken prices between two that bound exactly. Our own choice."""

EXACT_GAP = 0.001
"""Gap of a small garden's exact program: a cover left off shows there. Our own choice."""

SHARE_FOR_PLANS = 0.75
"""Share of the time for plans by plot; the rest is for solving small groups of plots again."""

SECONDS_PER_COLUMN = 1e-5
"""Time to put one column of a program together and hand it over; what there is no time for is not
begun. Our own figure, rounded up."""


@dataclass(frozen=True)
class Progress:
    """How far the search has come: worth of the best so far, its bound, and seconds it took."""

    objective: float
    bound: float
    seconds: float

    @property
    def gap(self) -> float:
        """How far the best so far may be from the best there is, as a share of the bound."""
        return relative_gap_of(self.objective, self.bound)


def first_answer(problem: Problem, *, start: Sequence[Use] = ()) -> Allocation:
    """A plan at once: the best next cover again and again, no program solved.

    `start`: uses to begin from, such as those of the plan before; what of them can still be done
    stays, and what is free is used. The bound is a simple one, so the gap says little.

    Raises OutOfRange.
    """
    check_problem(problem)
    watch = Stopwatch(math.inf)
    prepared = prepare(problem)
    tally = _begin(prepared, start, watch)
    bound = max(simple_bound(prepared), tally.objective)
    return _answer(prepared, tally, bound, "greedy", [_stage("greedy", watch, tally, bound)])


def worth_of(problem: Problem, uses: Sequence[Use]) -> float:
    """What these uses and the fixed ones are worth together, as far as they can be done.

    In the garden's unit. Raises OutOfRange.
    """
    check_problem(problem)
    return place_start(prepare(problem), uses).objective


def solve(
    problem: Problem,
    *,
    time_limit_s: float = 20.0,
    relative_gap: float = 0.005,
    start: Sequence[Use] = (),
    tell: Callable[[Progress], None] | None = None,
) -> Allocation:
    """Find the use of covers, stacks and shelter that avoids most damage for its effort.

    Maximises the sum of worth * (bare damage - damage under) over all covered plants, less
    worth_per_minute for every minute of new work: putting on each unit, carrying each pot, and
    the way to each plot where anything new is done, once.

    A small garden is solved exactly (`contents_program`). In a larger one every kind of cover gets
    a price, so that each plot can be planned by itself with whole plants: by a narrow search, which
    gives plans, and exactly, which gives the bound. An integer program picks one plan a plot, and
    groups of plots are solved again while time is left. It returns as soon as the gap is proven,
    and never does worse than the greedy allocation, the start or the fixed uses alone.

    Parameters
    ----------
    problem : what there is tonight; fixed uses stay unless the gust is over their limit.
    time_limit_s : wall time after which the best so far is returned. [s]
    relative_gap : gap to the bound that is good enough.
    start : uses to begin from; what of them can still be done is never bettered by less.
    tell : called with how far it has come, after each step.

    Returns
    -------
    The allocation, with its own objective and a bound that holds for every allocation under the
    same rules; `least_gain` and `least_share` only lower what is found, not the bound. The same
    problem gives the same answer, except where the clock cut the search short (`method` is
    'time limit').

    Notes
    -----
    What is on and comes off in a gust is not counted in minutes, nor is what stays on.
    A fixed cover with room left under it is not filled up: it stays as it is.

    Raises OutOfRange.
    """
    watch = Stopwatch(time_limit_s)
    check_problem(problem)
    prepared = prepare(problem)
    tally = _begin(prepared, start, watch)
    simple = max(simple_bound(prepared), tally.objective)
    search = _Search(prepared, tally, simple, relative_gap, watch, tell)
    if start:
        search.take(_begin(prepared, (), watch))
    search.note("greedy")
    method = "greedy"
    try:
        if prepared.options:
            search.run()
        if search.bound < search.best.objective - 1e-6 * max(1.0, abs(search.bound)):
            # What was placed is real, so the solver's bound is not: say only what is sure.
            search.bound = simple
            search.note("bound refused")
        search.bound = max(search.bound, search.best.objective)
        method = "optimal" if search.gap <= relative_gap else "time limit"
    except SolverFailed as failure:
        search.bound = max(search.bound, search.best.objective)
        search.note("greedy kept", str(failure))
    return _answer(prepared, search.best, search.bound, method, search.stages)


def _begin(prepared: Prepared, start: Sequence[Use], watch: Stopwatch) -> Tally:
    """What of the start can still be done, with what is free used up; or greedily from nothing."""
    if not start:
        return _tidy(prepared, fill_best(prepared, watch.left), watch)
    is_short = prepared.problem.minutes_budget is not None
    begun = place_start(prepared, start)
    filled = fill_greedily(begun, by_minute=is_short, seconds_left=watch.left)
    return _tidy(prepared, filled, watch)


def _tidy(prepared: Prepared, tally: Tally, watch: Stopwatch) -> Tally:
    """Without what nobody should be sent for; what that sets free is used where it pays."""
    kept = tidied(prepared, tally.units)
    if kept == tally.units:
        return tally
    again = fill_greedily(tally_of(prepared, kept), seconds_left=watch.left)
    left = tidied(prepared, again.units)
    return again if left == again.units else tally_of(prepared, left)


def _answer(
    prepared: Prepared, tally: Tally, bound: float, method: str, stages: Sequence[StageInfo]
) -> Allocation:
    uses = uses_of(tally)
    return Allocation(
        uses=uses,
        covered=covered_by(uses),
        objective=tally.objective,
        bound=bound,
        gap=relative_gap_of(tally.objective, bound),
        minutes_used=tally.minutes,
        reasons=Reasons(prepared, tally),
        must_come_off=prepared.must_come_off,
        method=method,
        harmful_fixed=prepared.harmful_fixed,
        stages=tuple(stages),
    )


def _stage(name: str, watch: Stopwatch, tally: Tally, bound: float, words: str = "") -> StageInfo:
    return StageInfo(name, watch.seconds(), tally.objective, bound, words)


class _Search:
    """The integer programs, from a start: the best tally, a bound that holds, what was done."""

    def __init__(
        self,
        prepared: Prepared,
        start: Tally,
        bound: float,
        relative_gap: float,
        watch: Stopwatch,
        tell: Callable[[Progress], None] | None,
    ) -> None:
        self.prepared = prepared
        self.best = start
        self.bound = bound
        self.relative_gap = relative_gap
        self.watch = watch
        self.stages: list[StageInfo] = []
        self._tell = tell

    @property
    def gap(self) -> float:
        return relative_gap_of(self.best.objective, self.bound)

    @property
    def is_done(self) -> bool:
        return self.gap <= self.relative_gap or self.watch.left() <= 0

    def note(self, name: str, words: str = "") -> None:
        """Write down a step and tell whoever listens."""
        self.stages.append(_stage(name, self.watch, self.best, self.bound, words))
        if self._tell is not None:
            self._tell(Progress(self.best.objective, self.bound, self.watch.seconds()))

    def take(self, tally: Tally) -> None:
        """Keep an allocation where it is better than what there is, tidied."""
        self.best = better_of(self.best, _tidy(self.prepared, tally, self.watch))

    def run(self) -> None:
        """Raises SolverFailed where nothing could be solved; what was found so far stays."""
        prepared = self.prepared
        columns = sum(len(option.members) + 1 for option in prepared.options)
        if self.watch.left() <= columns * SECONDS_PER_COLUMN:
            return
        few = len(prepared.options) <= MOST_OPTIONS_AT_ONCE
        lists = list_contents(prepared) if few else None
        listed = 0 if lists is None else sum(len(contents) for contents in lists.values())
        if lists is not None and listed <= MOST_LISTED:
            self._exactly(lists)
            self.note("exact contents", f"{listed} contents")
            return
        self._by_plot()
        if lists is not None and not self.is_done:
            with suppress(SolverFailed):  # what the plans gave stays
                self._exactly(lists)
            self.note("exact contents", f"{listed} contents")
        if few and lists is None and not self.is_done:
            with suppress(SolverFailed):  # what the plans gave stays
                self._all_at_once()
            self.note("all plots at once")
        if not self.is_done:
            best, tries, gains = improve(
                prepared,
                self.best,
                bound=self.bound,
                relative_gap=self.relative_gap,
                seconds_left=self.watch.left,
            )
            self.take(best)
            self.note("groups of plots", f"{gains} of {tries} tries brought something")

    def _by_plot(self) -> None:
        """Prices, plans by plot at them, and the best of one plan a plot."""
        watch, gap = self.watch, self.relative_gap
        plans = PlotPlans(self.prepared, self.best, lambda: watch.left(SHARE_FOR_PLANS))
        self.bound = min(self.bound, plans.bound)
        self.note("relaxed")
        for number in range(BEAM_ROUNDS):
            fresh = plans.beam_round()
            if not fresh or watch.left(SHARE_FOR_PLANS) <= 0:
                break
            if number < BEAM_ROUNDS - 1:
                plans.new_prices()
        plans.shaken_round()
        self._choose(plans, "narrow searches", is_close=False)
        plans.prices = plans.relaxed_prices
        vain = 0
        for _round in range(MOST_ROUNDS):
            if self.is_done or watch.left(SHARE_FOR_PLANS) <= 0 or vain == MOST_IN_VAIN:
                break
            before = self.gap
            fresh = plans.exact_round(self.best.objective, 0.8 * gap)
            self.bound = min(self.bound, plans.bound)
            self._choose(plans, "plans by plot", fresh)
            for _shake in range(SHAKES):
                if self.is_done or watch.left(SHARE_FOR_PLANS) <= 0:
                    break
                fresh += plans.shaken_round()
                self._choose(plans, "shaken prices", fresh)
            if not fresh:
                break
            vain = vain + 1 if before - self.gap < 0.02 * gap else 0
            plans.new_prices()

    def _choose(
        self, plans: PlotPlans, name: str, fresh: int = 0, *, is_close: bool = True
    ) -> None:
        """The best of one plan a plot, filled up; its own plans join the others."""
        limit = min(max(3.0, 0.05 * self.watch.limit_s), self.watch.left())
        if limit <= 0:
            return
        enough = self.bound - 0.95 * self.relative_gap * abs(self.bound)
        chosen = plans.choose(
            self.best,
            seconds=limit,
            relative_gap=self.relative_gap / (5 if is_close else 2),
            enough=enough,
        )
        self.take(fill_greedily(chosen.copy(), seconds_left=self.watch.left))
        for plan in plans_of(self.prepared, self.best):
            plans.add(plan)
        self.note(name, f"{fresh} new, {len(plans.plans)} in all")

    def _exactly(self, lists: Mapping[int, Sequence[Mapping[Id, int]]]) -> None:
        """The whole garden as one program of what is under each unit."""
        answer = contents_program(
            self.prepared,
            self.prepared.options,
            lists,
            Tally(self.prepared),
            time_limit_s=max(0.05, self.watch.left()),
            relative_gap=min(self.relative_gap, EXACT_GAP),
            start=self.best.units,
        )
        self.take(tally_of(self.prepared, answer.units))
        self.bound = min(self.bound, self.prepared.fixed_objective + answer.solved.bound)

    def _all_at_once(self) -> None:
        """The whole garden as one program of counts with whole plants, for few plots."""
        prepared, watch = self.prepared, self.watch
        counts = counts_program(
            prepared,
            prepared.options,
            Tally(prepared),
            time_limit_s=watch.left() / 2,
            relative_gap=self.relative_gap / 2,
            start=self.best.units,
            has_whole_plants=True,
        )
        self.bound = min(self.bound, prepared.fixed_objective + counts.solved.bound)
        placed = place_counts(prepared, Tally(prepared), counts, watch.left)
        self.take(fill_greedily(placed, seconds_left=watch.left))
