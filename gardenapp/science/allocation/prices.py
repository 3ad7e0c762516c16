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

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from gardenapp.science.allocation.fit import Option, Prepared
from gardenapp.science.allocation.greedy import SLACK, Tally, Unit
from gardenapp.science.allocation.improve import options_by_plot, place_counts, tally_of
from gardenapp.science.allocation.problem import Id
from gardenapp.science.allocation.program import (
    Model,
    Prices,
    Solved,
    SolverFailed,
    counts_program,
    run,
)

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


def plan_of(prepared: Prepared, plot_id: Id, units: Iterable[Unit]) -> Plan:
    """A plan from units that are all in one plot."""
    listed = tuple(units)
    tally = tally_of(prepared, listed)
    covers = tuple(
        (pool_id, prepared.free_covers[pool_id] - left)
        for pool_id, left in tally.covers.items()
        if left != prepared.free_covers[pool_id]
    )
    return Plan(
        plot_id=plot_id,
        units=listed,
        worth=tally.objective - prepared.fixed_objective,
        minutes=tally.minutes,
        spaces=prepared.free_spaces - tally.spaces,
        covers=covers,
    )


def plans_of(prepared: Prepared, tally: Tally) -> list[Plan]:
    """An allocation taken apart by plots."""
    by_plot: dict[Id, list[Unit]] = {}
    for unit in tally.units:
        by_plot.setdefault(prepared.options[unit.option_index].plot_id, []).append(unit)
    return [plan_of(prepared, plot_id, units) for plot_id, units in by_plot.items()]


class PlotPlans:
    """All plans known, the best bound so far and the prices it came from."""

    def __init__(self, prepared: Prepared, start: Tally, seconds_left: Callable[[], float]) -> None:
        self.prepared = prepared
        self.by_plot = options_by_plot(prepared.options)
        self.seconds_left = seconds_left
        self.plans: list[Plan] = []
        self._known: set[tuple[object, ...]] = set()
        relaxed = counts_program(
            prepared,
            prepared.options,
            Tally(prepared),
            time_limit_s=max(0.1, seconds_left()),
            relative_gap=0.0,
            is_relaxed=True,
        )
        self.bound = prepared.fixed_objective + relaxed.solved.bound
        self.prices = relaxed.prices or Prices()
        self._bound_at_prices = self.bound
        self._best_prices = self.prices
        for plan in plans_of(prepared, start):
            self.add(plan)

    def add(self, plan: Plan) -> bool:
        """Keep a plan unless it is known or worth nothing."""
        key = (plan.plot_id, plan.covers, plan.spaces, round(plan.worth, 6))
        if plan.worth <= SLACK or key in self._known:
            return False
        self._known.add(key)
        self.plans.append(plan)
        return True

    def price_round(self) -> int:
        """Solve every plot at the present prices; returns the number of new plans.

        Improves the bound where every plot was reached in time.
        """
        prepared, prices = self.prepared, self.prices
        bound = prepared.fixed_objective + self._worth_of_everything(prices)
        fresh = 0
        for plot_id, options in self.by_plot.items():
            if self.seconds_left() <= 0:
                return fresh
            paying = [option for option in options if _pays(prepared, option, prices)]
            if not paying:
                continue
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
                    is_small=True,
                )
                placed = place_counts(prepared, free, counts, self.seconds_left)
            except SolverFailed:
                # One plot without an answer: it may be worth all that it could be, no less.
                bound += self._most_of(options)
                continue
            bound += max(0.0, counts.solved.bound)
            fresh += self.add(plan_of(prepared, plot_id, placed.units))
        if bound < self._bound_at_prices:
            self._bound_at_prices, self._best_prices = bound, prices
            self.bound = min(self.bound, bound)
        return fresh

    def new_prices(self) -> None:
        """Let the master mix the plans and say what covers are worth; move part of the way."""
        try:
            solved, pool_rows, space_row, minute_row = self._master(
                is_whole=False, seconds=min(5.0, max(0.1, self.seconds_left()))
            )
        except SolverFailed:
            return
        if solved.row_prices is None:
            return
        row_prices = solved.row_prices
        old = self._best_prices

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

    def choose(self, now: Tally, *, seconds: float, relative_gap: float) -> Tally:
        """The best allocation of one plan a plot, or `now` where that is better."""
        in_use = {
            (plan.plot_id, plan.covers, plan.spaces, round(plan.worth, 6))
            for plan in plans_of(self.prepared, now)
        }
        taken: set[Id] = set()
        start = [0.0] * len(self.plans)
        for number, plan in enumerate(self.plans):
            key = (plan.plot_id, plan.covers, plan.spaces, round(plan.worth, 6))
            if key in in_use and plan.plot_id not in taken:
                start[number] = 1.0
                taken.add(plan.plot_id)
        try:
            solved, *_ = self._master(
                is_whole=True, seconds=seconds, start=start, relative_gap=relative_gap
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
    ) -> tuple[Solved, dict[Id, int], int | None, int | None]:
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
        solved = run(model, time_limit_s=seconds, relative_gap=relative_gap, start=start)
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
