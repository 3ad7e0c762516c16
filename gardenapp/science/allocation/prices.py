"""Prices for covers, so that each plot can be solved by itself: the bound and most of the answer.

Only covers, shelter spaces and helpers' minutes tie plots together. Give each a price: then a
plot's best plan at those prices is a small program of its own, and

    sum of what the plots' best plans are worth at these prices + price of everything there is

is at least the worth of any allocation (Lagrangian bound), whatever the prices. It keeps units
and plants whole within a plot, so it is closer than the relaxation of the whole garden. Prices
start from that relaxation and are then set by a master program that mixes the plans found so
far (Dantzig-Wolfe decomposition). At the end the same master, with one whole plan a plot, picks
the allocation. Every plan in it is placed, plant by plant, so what the master adds up is real.

References
----------
G. B. Dantzig, P. Wolfe (1960), Decomposition principle for linear programs, Operations Research
8(1), 101-111 (from memory).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from gardenapp.science.allocation.beam import PlotBeam
from gardenapp.science.allocation.fit import Option, Prepared, options_by_plot
from gardenapp.science.allocation.greedy import SLACK, Tally, Unit, tidied
from gardenapp.science.allocation.improve import place_counts, tally_of
from gardenapp.science.allocation.problem import Id, relative_gap_of
from gardenapp.science.allocation.program import (
    Model,
    Prices,
    Solved,
    SolverFailed,
    counts_program,
    run,
)

FEW_BRANCHES, MANY_BRANCHES = 200, 2000
"""Branches a plot's program may look at, at first and where most is open. On three gardens of 60
plots 200 took a third longer than 20 and brought the bound down by 0.1 %."""

MASTER_BRANCHES = 100
"""Branches of the program that picks one plan a plot: new plans bring more than a longer search."""

SHAKE = 0.25
"""Prices are shaken by up to this share. On gardens of 60 plots 0.1 and 0.5 brought less."""

SHARE_OPEN = 0.5
"""Share of the gap asked that may lie between the plots' best plans and their bounds: the rest is
for plans that do not go together. Our own choice."""

STEADY = 0.25
"""Share of the master's new prices in the next ones; the rest are those of the best bound."""


@dataclass(frozen=True)
class Plan:
    """One plot's units and what they are worth there, the way to it paid."""

    plot_id: Id
    units: tuple[Unit, ...]
    worth: float
    minutes: float
    spaces: int
    covers: tuple[tuple[Id, int], ...]

    @property
    def key(self) -> tuple[object, ...]:
        """What makes two plans the same to the garden."""
        return self.plot_id, self.covers, self.spaces, round(self.worth, 6)


def plan_of(prepared: Prepared, plot_id: Id, units: Iterable[Unit]) -> Plan:
    """A plan from units that are all in one plot; what nobody should be sent for is left out."""
    listed = tuple(tidied(prepared, units))
    if not listed:
        return Plan(plot_id, (), 0.0, 0.0, 0, ())
    worth, minutes, spaces = 0.0, prepared.plots[plot_id].minutes_away, 0
    covers: dict[Id, int] = {}
    for unit in listed:
        option = prepared.options[unit.option_index]
        worth += option.saved_by(unit.contents)
        pots = sum(unit.contents.values()) if option.is_shelter else 1
        minutes += option.minutes * pots
        spaces += pots if option.is_shelter else 0
        for pool_id, each in option.needs:
            covers[pool_id] = covers.get(pool_id, 0) + each
    worth -= prepared.problem.worth_per_minute * minutes
    return Plan(plot_id, listed, worth, minutes, spaces, tuple(sorted(covers.items(), key=str)))


def plans_of(prepared: Prepared, tally: Tally) -> list[Plan]:
    """An allocation taken apart by plots."""
    by_plot: dict[Id, list[Unit]] = {}
    for unit in tally.units:
        by_plot.setdefault(prepared.options[unit.option_index].plot_id, []).append(unit)
    return [plan_of(prepared, plot_id, units) for plot_id, units in by_plot.items()]


@dataclass(frozen=True)
class _Bounded:
    """What one plot can be worth at some prices at the most, and the best plan of it known."""

    paying: Sequence[Option]
    bound: float
    worth: float
    is_proven: bool

    @property
    def slack(self) -> float:
        return self.bound - self.worth


class PlotPlans:
    """All plans known, the best bound so far and the prices it came from."""

    def __init__(self, prepared: Prepared, start: Tally, seconds_left: Callable[[], float]) -> None:
        """Raises SolverFailed where the relaxed program has no answer in time."""
        self.prepared = prepared
        self.by_plot = options_by_plot(prepared.options)
        self.seconds_left = seconds_left
        self.plans: list[Plan] = []
        self._known: set[tuple[object, ...]] = set()
        relaxed = counts_program(
            prepared,
            prepared.options,
            Tally(prepared),
            time_limit_s=max(0.05, seconds_left()),
            relative_gap=0.0,
            is_relaxed=True,
        )
        if not math.isfinite(relaxed.solved.bound):
            raise SolverFailed("the relaxed program took too long")
        self.bound = prepared.fixed_objective + relaxed.solved.bound
        self.prices = self.relaxed_prices = relaxed.prices or Prices()
        self._values = relaxed.values
        self._bound_at_prices = self.bound
        self._best_prices = self.prices
        self._beams: dict[Id, PlotBeam] = {}
        # The best plan of each plot that was searched last, and at which prices.
        self._latest: dict[Id, tuple[Prices, list[tuple[float, tuple[Unit, ...]]]]] = {}
        self._rng = random.Random(1)  # noqa: S311 - must be the same each time
        for plan in plans_of(prepared, start):
            self.add(plan)

    def add(self, plan: Plan) -> bool:
        """Keep a plan unless it is known or worth nothing."""
        if plan.worth <= SLACK or plan.key in self._known:
            return False
        self._known.add(plan.key)
        self.plans.append(plan)
        return True

    def beam_round(self) -> int:
        """Search every plot at the present prices, narrowly; returns the number of new plans."""
        fresh = 0
        for plot_id in self.by_plot:
            if self.seconds_left() <= 0:
                break
            found = self._beam(plot_id).plans(self.prices, self._values)
            self._latest[plot_id] = (self.prices, found[:1])
            for _worth, units in found:
                fresh += self.add(plan_of(self.prepared, plot_id, units))
        return fresh

    def _beam(self, plot_id: Id) -> PlotBeam:
        if plot_id not in self._beams:
            self._beams[plot_id] = PlotBeam(self.prepared, plot_id, self.by_plot[plot_id])
        return self._beams[plot_id]

    def exact_round(self, objective: float, relative_gap: float) -> int:
        """Bound what every plot can be worth at the present prices; gives the number of new plans.

        First with few branches a plot, then with more where most is open, until the bound is
        within `relative_gap` of `objective`. Improves the bound if every plot was reached in time.
        """
        prices = self.prices
        base = self.prepared.fixed_objective + self._worth_of_everything(prices)
        plots: dict[Id, _Bounded] = {}
        fresh = 0
        for plot_id, options in self.by_plot.items():
            if self.seconds_left() <= 0:
                return fresh
            paying = [option for option in options if _pays(self.prepared, option, prices)]
            if paying:
                plots[plot_id], new = self._bounded(plot_id, paying, FEW_BRANCHES)
                fresh += new
        self._keep_bound(base + sum(one.bound for one in plots.values()), prices)
        for plot_id, one in sorted(plots.items(), key=lambda item: -item[1].slack):
            bound = base + sum(other.bound for other in plots.values())
            open_ = sum(other.slack for other in plots.values())
            is_near = relative_gap_of(objective, bound) <= relative_gap
            if is_near or open_ <= SHARE_OPEN * relative_gap * abs(bound):
                break
            if self.seconds_left() <= 0 or one.is_proven:
                continue
            again, new = self._bounded(plot_id, one.paying, MANY_BRANCHES)
            fresh += new
            plots[plot_id] = replace(again, bound=min(again.bound, one.bound))
        self._keep_bound(base + sum(one.bound for one in plots.values()), prices)
        return fresh

    def _keep_bound(self, bound: float, prices: Prices) -> None:
        if bound < self._bound_at_prices:
            self._bound_at_prices, self._best_prices = bound, prices
            self.bound = min(self.bound, bound)

    def _bounded(
        self, plot_id: Id, paying: Sequence[Option], branches: int
    ) -> tuple[_Bounded, int]:
        """The most a plot can be worth at the prices, and how many new plans were met."""
        prepared, prices = self.prepared, self.prices
        priced, found = self._latest.get(plot_id, (None, []))
        if priced is not prices:
            found = self._beam(plot_id).plans(prices, self._values, most=1)
        worth, units = found[0] if found else (0.0, ())
        allowed = {option.index for option in paying}
        start = [unit for unit in units if unit.option_index in allowed]
        fresh = int(bool(units) and self.add(plan_of(prepared, plot_id, units)))
        free = Tally(prepared)
        try:
            counts = counts_program(
                prepared,
                paying,
                free,
                time_limit_s=min(2.0, max(0.05, self.seconds_left())),
                relative_gap=1e-3,
                has_whole_plants=True,
                prices=prices,
                start=start,
                is_small=True,
                most_nodes=branches,
            )
            if counts.solved.objective > worth * (1 + 1e-3) + SLACK:
                placed = place_counts(prepared, free, counts, self.seconds_left)
                plan = plan_of(prepared, plot_id, placed.units)
                worth = max(worth, self._worth_at(plan, prices))
                fresh += self.add(plan)
        except SolverFailed:
            # One plot without an answer: it may be worth all that it could be, no less.
            return _Bounded(paying, self._most_of(paying), worth, is_proven=True), fresh
        bound = max(0.0, counts.solved.bound)
        return _Bounded(paying, bound, worth, is_proven=counts.solved.is_proven), fresh

    def _worth_at(self, plan: Plan, prices: Prices) -> float:
        paid = sum(prices.covers.get(pool_id, 0.0) * each for pool_id, each in plan.covers)
        return plan.worth - paid - prices.space * plan.spaces - prices.minute * plan.minutes

    def new_prices(self) -> None:
        """Let the master mix the plans and say what covers are worth; move part of the way."""
        try:
            solved, pool_rows, space_row, minute_row = self._master(
                is_whole=False, seconds=min(5.0, max(0.1, self.seconds_left()))
            )
        except SolverFailed:
            return
        rows = solved.row_prices
        if rows is None:
            return
        row_prices, old = rows, self._best_prices

        def between(before: float, row: int | None) -> float:
            found = 0.0 if row is None else float(row_prices[row])
            return STEADY * found + (1 - STEADY) * before

        self.prices = Prices(
            covers={
                pool_id: between(old.covers.get(pool_id, 0.0), pool_rows.get(pool_id))
                for pool_id in self.prepared.free_covers
            },
            space=between(old.space, space_row),
            minute=between(old.minute, minute_row),
        )

    def shaken_round(self) -> int:
        """Search every plot at prices shaken about the best known; gives the number of new plans.

        Where few covers of a kind are left over, an answer wants plans that are not quite the best
        at anybody's prices. The shaking is the same each time.
        """
        best = self._best_prices

        def shaken(price: float) -> float:
            return price * self._rng.uniform(1 - SHAKE, 1 + SHAKE)

        self.prices = Prices(
            covers={pool_id: shaken(price) for pool_id, price in best.covers.items()},
            space=shaken(best.space),
            minute=shaken(best.minute),
        )
        return self.beam_round()

    def choose(
        self, now: Tally, *, seconds: float, relative_gap: float, enough: float | None = None
    ) -> Tally:
        """The best allocation of one plan a plot, or `now` where that is better.

        enough : an objective from which on nothing better is looked for.
        """
        in_use = {plan.key for plan in plans_of(self.prepared, now)}
        taken: set[Id] = set()
        start = [0.0] * len(self.plans)
        for number, plan in enumerate(self.plans):
            if plan.key in in_use and plan.plot_id not in taken:
                start[number] = 1.0
                taken.add(plan.plot_id)
        try:
            solved, *_ = self._master(
                is_whole=True,
                seconds=seconds,
                start=start,
                relative_gap=relative_gap,
                most_nodes=MASTER_BRANCHES,
                enough=None if enough is None else enough - self.prepared.fixed_objective,
            )
        except SolverFailed:
            return now
        if solved.values is None:
            return now
        units = [
            unit
            for plan, value in zip(self.plans, solved.values, strict=True)
            if value > 0.5
            for unit in plan.units
        ]
        chosen = tally_of(self.prepared, units)
        return chosen if chosen.objective > now.objective + SLACK else now

    def _most_of(self, options: Sequence[Option]) -> float:
        """All plants of a plot at the best that any option does for them."""
        best: dict[Id, float] = {}
        for option in options:
            for member in option.members:
                best[member.planting_id] = max(best.get(member.planting_id, 0.0), member.gain)
        return sum(gain * self.prepared.bare_plants[pid] for pid, gain in best.items())

    def _worth_of_everything(self, prices: Prices) -> float:
        prepared = self.prepared
        worth = sum(
            prices.covers.get(pool_id, 0.0) * free for pool_id, free in prepared.free_covers.items()
        )
        worth += prices.space * prepared.free_spaces
        if prepared.problem.minutes_budget is not None:
            worth += prices.minute * prepared.problem.minutes_budget
        return worth

    def _master(
        self,
        *,
        is_whole: bool,
        seconds: float,
        start: Sequence[float] | None = None,
        relative_gap: float = 0.0,
        most_nodes: int | None = None,
        enough: float | None = None,
    ) -> tuple[Solved, dict[Id, int], int | None, int | None]:
        """At most one plan a plot, or shares of plans that add up to one.

        Gives the answer, and the rows of the pools, the spaces and the minutes.
        """
        model = Model()
        of_plot: dict[Id, list[tuple[int, float]]] = {}
        of_pool: dict[Id, list[tuple[int, float]]] = {}
        spaces: list[tuple[int, float]] = []
        minutes: list[tuple[int, float]] = []
        for plan in self.plans:
            column = model.column(plan.worth, 1.0, is_whole=is_whole)
            of_plot.setdefault(plan.plot_id, []).append((column, 1.0))
            for pool_id, number in plan.covers:
                of_pool.setdefault(pool_id, []).append((column, float(number)))
            if plan.spaces:
                spaces.append((column, float(plan.spaces)))
            if plan.minutes:
                minutes.append((column, plan.minutes))
        for entries in of_plot.values():
            model.row(entries, 1.0)
        pool_rows: dict[Id, int] = {}
        for pool_id, entries in of_pool.items():
            pool_rows[pool_id] = len(model.row_most)
            model.row(entries, float(self.prepared.free_covers[pool_id]))
        space_row = minute_row = None
        if spaces:
            space_row = len(model.row_most)
            model.row(spaces, float(self.prepared.free_spaces))
        budget = self.prepared.problem.minutes_budget
        if budget is not None and minutes:
            minute_row = len(model.row_most)
            model.row(minutes, budget)
        solved = run(
            model,
            time_limit_s=seconds,
            relative_gap=relative_gap,
            start=start,
            most_nodes=most_nodes,
            is_small=is_whole,
            enough=enough,
        )
        return solved, pool_rows, space_row, minute_row


def _pays(prepared: Prepared, option: Option, prices: Prices) -> bool:
    """Whether even the best filled single unit is worth its price; if not, no plan needs it."""
    if option.is_shelter:
        each = prices.space + prices.of_minutes(prepared, option.minutes)
        return any(member.gain > each for member in option.members)
    room, worth = 1.0, 0.0
    for member in sorted(option.members, key=lambda m: -m.gain * m.capacity):
        plants = min(room * member.capacity, prepared.bare_plants[member.planting_id])
        worth += plants * member.gain
        room -= plants / member.capacity
        if room <= 1e-12:
            break
    return worth > prices.of_unit(prepared, option)
