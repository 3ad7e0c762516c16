"""The integer programs behind a cut plan: column generation, then whole numbers, then proof.

A column is one way to fill one sound span of one kind of board. The linear program over all
columns is solved by pricing: a knapsack by dynamic programming finds the column that would
help most, for every span at once, until none would. Its value is a bound for any plan, and it
is rounded up to what the goal can reach at all (sums of the lengths on sale). Whole numbers of
the columns found so far usually meet it. Where they do not, every column that a better plan
could use (its reduced cost fits in the gap) is listed and the program is solved again: then
the answer is the best there is. Gilmore and Gomory 1961 for the method, from memory.

Goals are met one after another: a reached goal becomes a row for the next.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from gardenapp.science.solver import new_solver
from gardenapp.science.timber_spans import Filled, Layout, Source, Task, first_fit, goals

MOST_LISTED = 1_200
_MOST_STEPS = 30_000  # of the listing; about a quarter of a second
_MOST_ROUNDS = 400
_MOST_TURNS = 100
_FILLINGS_A_TURN = 4
_MOST_STATES_TO_FILL = 40_000
_EPSILON = 1e-7

MISSING, BOUGHT, OPENED, SCRAP = range(4)


class SolverFailed(RuntimeError):
    """The solver is missing or contradicts itself; the first-fit plan stands."""


@dataclass(frozen=True)
class Column:
    """A way to fill span `span` of source number `source`: how many of each length."""

    source: int
    span: int
    counts: tuple[int, ...]


@dataclass(frozen=True)
class Reached:
    """One goal after its program: what was got, the bound, and whether they meet."""

    value: int
    bound: float
    is_proven: bool


@dataclass
class Search:
    """The state of a search: the columns so far, the best plan, the goals already reached."""

    task: Task
    best: Layout
    remaining_s: Callable[[], float]
    limit_s: float
    columns: dict[Column, None] = field(default_factory=dict)
    fixed: list[tuple[int, int]] = field(default_factory=list)
    # Sound spans of boards that a dive has opened already, still empty.
    spare: dict[tuple[int, int], int] = field(default_factory=dict)

    def add_layout(self, layout: Layout) -> None:
        """The columns of a plan, so that a program can find it again."""
        width = len(self.task.lengths)
        for board in layout.boards:
            for j, content in enumerate(board.contents):
                if content:
                    counts = tuple(content.get(i, 0) for i in range(width))
                    self.columns[Column(self._position(board.source), j, counts)] = None

    def _position(self, source: Source) -> int:
        return next(number for number, s in enumerate(self.task.sources) if s.index == source.index)


def improve(search: Search, goal: int) -> Reached:
    """Bring one goal as low as it goes with the earlier ones held; raises SolverFailed."""
    task = search.task
    value = goals(task, search.best)[goal]
    if value == 0:
        search.fixed.append((goal, 0))
        return Reached(0, 0.0, True)
    search.add_layout(search.best)
    unit = _unit_of(task, goal)
    relaxed = _generate(search, goal, unit)
    bound = _reachable(task, goal, _material_bound(search, goal), unit)
    if relaxed is not None:
        bound = max(bound, _reachable(task, goal, relaxed.value * unit, unit))
    if value > bound:
        # A short try; what it does not find, diving does, and sooner.
        share = {BOUGHT: 0.07, SCRAP: 0.25}.get(goal, 0.5)
        _whole(search, goal, unit, share=share)
        value = goals(task, search.best)[goal]
    if value > bound and goal == BOUGHT:
        _search_by_turns(search, unit, bound, relaxed, until=0.6)
        value = goals(task, search.best)[goal]
    # Nothing below value − unit is worth finding, so only what fits in this gap matters.
    if value > bound and relaxed is not None and goal != SCRAP:
        gap = (value - unit) / unit - relaxed.value
        before = dict(search.columns)
        complete = _list_columns(search, relaxed, gap + 1e-6)
        if complete or goal != BOUGHT:
            proof = _whole(search, goal, unit)
            value = goals(task, search.best)[goal]
            if complete and proof is not None:
                bound = max(bound, min(value, _reachable(task, goal, proof * unit, unit)))
        else:
            search.columns = before  # so many would only slow the dives
            _search_by_turns(search, unit, bound, relaxed, until=0.05, seed=1)
            value = goals(task, search.best)[goal]
    search.fixed.append((goal, value))
    return Reached(value, min(bound, value), value <= bound + _EPSILON)


def _search_by_turns(
    search: Search,
    unit: int,
    bound: float,
    relaxed: _Relaxed | None,
    *,
    until: float,
    seed: int = 0,
) -> None:
    """Dive and fill in turn until the bound is met or only `until` of the time is left."""
    rng = np.random.default_rng(seed)
    for turn in range(_MOST_TURNS):
        _fill_exactly(search, unit, bound, rng)
        if relaxed is not None and goals(search.task, search.best)[BOUGHT] > bound:
            _dive(search, unit, bound, turn + seed * _MOST_TURNS)
        if goals(search.task, search.best)[BOUGHT] <= bound:
            return
        if search.remaining_s() < until * search.limit_s:
            return


def _unit_of(task: Task, goal: int) -> int:
    """Every value of the goal is a multiple of this."""
    if goal == MISSING:
        return math.gcd(*task.lengths)
    if goal == BOUGHT:
        return math.gcd(*(s.length for s in task.sources if s.is_bought)) or 1
    if goal == OPENED:
        whole = (s.length for s in task.sources if not s.is_bought and not s.is_offcut)
        return math.gcd(*whole) or 1
    numbers = [task.keep, *task.lengths, *(length + task.kerf for length in task.lengths)]
    numbers += [to - at for s in task.sources for at, to in s.spans]
    return math.gcd(*numbers) or 1


def _reachable(task: Task, goal: int, bound: float, unit: int) -> float:
    """The least value of the goal at or above a bound that sums can make."""
    steps = max(0, math.ceil(bound / unit - 1e-6))
    sizes = sorted({s.length // unit for s in task.sources if s.is_bought})
    if goal != BOUGHT or not sizes:
        return float(steps * unit)
    can = _sums(sizes, steps + sizes[-1])
    above = np.flatnonzero(can[steps:]) if can is not None else np.zeros(0)
    return float((steps + int(above[0])) * unit) if len(above) else float(steps * unit)


def _sums(sizes: Sequence[int], top: int) -> np.ndarray | None:
    """Which numbers up to `top` are sums of these sizes; None where that is too much work."""
    if top > 200_000:
        return None
    can = np.zeros(top + 1, dtype=bool)
    can[0] = True
    for size in sizes:
        rows = -(-(top + 1) // size)
        table = np.zeros(rows * size, dtype=bool)
        table[: top + 1] = can
        can = np.logical_or.accumulate(table.reshape(rows, size), axis=0).ravel()[: top + 1]
    return can


def _material_bound(search: Search, goal: int) -> float:
    """What must be bought because the pieces and their cuts are longer than all there is.

    Weaker than the linear program, and there when that is not solved in time.
    """
    task = search.task
    bought = [source for source in task.sources if source.is_bought]
    missing = goals(task, search.best)[MISSING]
    if goal != BOUGHT or not bought or missing:
        return 0.0
    need = sum((n * (i + task.kerf) for n, i in zip(task.wanted, task.lengths, strict=True)), 0)
    have = sum(
        source.most * sum(to - at + task.kerf for at, to in source.spans)
        for source in task.sources
        if not source.is_bought
    )
    yields = max(sum(to - at + task.kerf for at, to in s.spans) / s.length for s in bought)
    return max(0.0, (need - have) / yields)


# --- costs ------------------------------------------------------------------------------------


def _empty_scrap(task: Task, source: Source) -> int:
    return sum(task.scrap(to - at, 0, 0) for at, to in source.spans)


def _board_cost(task: Task, source: Source, goal: int) -> int:
    if goal == BOUGHT:
        return source.length if source.is_bought else 0
    if goal == OPENED:
        return 0 if source.is_bought or source.is_offcut else source.length
    if goal == SCRAP:
        return _empty_scrap(task, source)
    return 0


def _column_cost(task: Task, column: Column, goal: int) -> int:
    if goal != SCRAP:
        return 0
    at, to = task.sources[column.source].spans[column.span]
    used = sum(
        n * (length + task.kerf) for n, length in zip(column.counts, task.lengths, strict=True)
    )
    return task.scrap(to - at, used, sum(column.counts)) - task.scrap(to - at, 0, 0)


# --- the linear program by columns ------------------------------------------------------------


@dataclass(frozen=True)
class _Relaxed:
    value: float  # in units of the goal
    piece_prices: np.ndarray
    span_prices: dict[tuple[int, int], float]
    missing: np.ndarray  # of each length
    uses: dict[Column, float]  # how often each column is used, where it is


@dataclass
class _Rows:
    """Row numbers of a program: one a length, one a span, one a goal already reached."""

    demand: int
    span: dict[tuple[int, int], int]
    fixed: list[int]
    count: int


def _rows_of(task: Task, fixed: Sequence[tuple[int, int]]) -> _Rows:
    number = len(task.lengths)
    span: dict[tuple[int, int], int] = {}
    for s, source in enumerate(task.sources):
        for j in range(len(source.spans)):
            span[s, j] = number
            number += 1
    kept = list(range(number, number + len(fixed)))
    return _Rows(len(task.lengths), span, kept, number + len(fixed))


def _solver(time_limit_s: float) -> Any:
    try:
        solver = new_solver()
    except ImportError as error:
        raise SolverFailed("highspy cannot be imported") from error
    solver.setOptionValue("time_limit", max(0.05, time_limit_s))
    return solver


def _build(solver: Any, search: Search, goal: int, unit: int, *, is_whole: bool) -> list[Column]:
    """Fill a solver with all columns so far: boards, pieces missing, contents in that order."""
    import highspy

    task = search.task
    rows = _rows_of(task, search.fixed)
    infinity = highspy.kHighsInf
    no_index, no_value = np.array([], dtype=np.int32), np.array([])
    for wanted in task.wanted:
        # Scrap counts what is not cut, so there a piece too many would hide it.
        most = float(wanted) if goal == SCRAP else infinity
        solver.addRow(float(wanted), most, 0, no_index, no_value)
    for key in rows.span:
        solver.addRow(-infinity, float(search.spare.get(key, 0)), 0, no_index, no_value)
    for which, value in search.fixed:
        solver.addRow(-infinity, value / _unit_of(task, which), 0, no_index, no_value)

    def column(cost: float, most: float, entries: list[tuple[int, float]]) -> None:
        index = np.array([row for row, _ in entries], dtype=np.int32)
        values = np.array([value for _, value in entries], dtype=float)
        solver.addCol(cost, 0.0, most, len(entries), index, values)

    for s, source in enumerate(task.sources):
        entries = [(rows.span[s, j], -1.0) for j in range(len(source.spans))]
        for row, (which, _) in zip(rows.fixed, search.fixed, strict=True):
            cost = _board_cost(task, source, which)
            if cost:
                entries.append((row, cost / _unit_of(task, which)))
        column(_board_cost(task, source, goal) / unit, float(source.most), entries)
    for i, (length, wanted) in enumerate(zip(task.lengths, task.wanted, strict=True)):
        entries = [(i, 1.0)]
        for row, (which, _) in zip(rows.fixed, search.fixed, strict=True):
            if which == MISSING:
                entries.append((row, length / _unit_of(task, MISSING)))
        is_open = goal == MISSING or any(which == MISSING for which, _ in search.fixed)
        most = float(wanted) if is_open else 0.0
        column(length / unit if goal == MISSING else 0.0, most, entries)
    columns = list(search.columns)
    for content in columns:
        column(*_column_of(search, rows, content, goal, unit))
    if is_whole:
        total = solver.getNumCol()
        kinds = np.full(total, int(highspy.HighsVarType.kInteger), dtype=np.uint8)
        solver.changeColsIntegrality(total, np.arange(total, dtype=np.int32), kinds)
    return columns


def _column_of(
    search: Search, rows: _Rows, column: Column, goal: int, unit: int
) -> tuple[float, float, list[tuple[int, float]]]:
    import highspy

    entries = [(i, float(n)) for i, n in enumerate(column.counts) if n]
    entries.append((rows.span[column.source, column.span], 1.0))
    cost = _column_cost(search.task, column, goal) / unit
    return cost, highspy.kHighsInf, entries


def _generate(search: Search, goal: int, unit: int) -> _Relaxed | None:
    """Solve the linear program over all columns; None where the time ran out before the end."""
    solver, task = _solver(search.remaining_s()), search.task
    import highspy

    _build(solver, search, goal, unit, is_whole=False)
    rows = _rows_of(task, search.fixed)
    knapsack = _Knapsack(task)
    for _ in range(_MOST_ROUNDS):
        left_s = search.remaining_s()
        if left_s <= 0:
            return None
        solver.setOptionValue("time_limit", solver.getRunTime() + max(0.05, left_s))
        solver.run()
        if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        solution: Any = solver.getSolution()
        duals = np.array(solution.row_dual)
        values = np.array(solution.col_value)
        before = len(task.sources) + rows.demand
        relaxed = _Relaxed(
            value=float(solver.getInfo().objective_function_value),
            piece_prices=duals[: rows.demand],
            span_prices={key: float(duals[row]) for key, row in rows.span.items()},
            missing=values[len(task.sources) : before],
            uses={
                column: float(value)
                for column, value in zip(search.columns, values[before:], strict=True)
                if value > _EPSILON
            },
        )
        found = knapsack.best(relaxed, goal, unit)
        fresh = [column for column in found if column not in search.columns]
        if not fresh:
            return relaxed if knapsack.is_exact else None
        for column in fresh:
            search.columns[column] = None
            cost, most, entries = _column_of(search, rows, column, goal, unit)
            index = np.array([row for row, _ in entries], dtype=np.int32)
            values = np.array([value for _, value in entries], dtype=float)
            solver.addCol(cost, 0.0, most, len(entries), index, values)
    return None


class _Knapsack:
    """The best filling of every span at once, by dynamic programming over length."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.step, self.is_exact = task.grain()
        # Pieces up and spans down: what fits here fits at the saw.
        self.weights = [-(-(length + task.kerf) // self.step) for length in task.lengths]
        self.capacity: dict[tuple[int, int], int] = {
            (s, j): (to - at + task.kerf) // self.step
            for s, source in enumerate(task.sources)
            for j, (at, to) in enumerate(source.spans)
        }
        self.states = max(self.capacity.values(), default=0) + 1
        # Counts as 1, 2, 4, … pieces at a time.
        self.lots: list[tuple[int, int]] = []
        for i, wanted in enumerate(task.wanted):
            fits = (self.states - 1) // self.weights[i]
            left, lot = min(wanted, fits), 1
            while left > 0:
                lot = min(lot, left)
                self.lots.append((i, lot))
                left -= lot
                lot *= 2

    def best(self, relaxed: _Relaxed, goal: int, unit: int) -> list[Column]:
        """For each span the column that helps most, where it helps at all."""
        value = np.full(self.states, -np.inf)
        value[0] = 0.0
        taken: list[np.ndarray] = []
        for i, lot in self.lots:
            weight = self.weights[i] * lot
            worth = float(relaxed.piece_prices[i]) * lot
            other = np.full(self.states, -np.inf)
            if weight < self.states:
                other[weight:] = value[:-weight] + worth
            better = other > value + 1e-12
            taken.append(better)
            value = np.where(better, other, value)
        columns = []
        done: dict[tuple[int, int], tuple[int, ...]] = {}
        for (s, j), capacity in self.capacity.items():
            at, to = self.task.sources[s].spans[j]
            gain = value[: capacity + 1].copy()
            if goal == SCRAP:
                used = np.arange(capacity + 1, dtype=float) * self.step
                rest = np.maximum(0.0, to - at - used)
                scrap = np.where(rest < self.task.keep, rest, 0.0)
                gain -= (scrap - self.task.scrap(to - at, 0, 0)) / unit
            state = int(np.argmax(gain))
            if gain[state] + relaxed.span_prices[s, j] <= 1e-6 or state == 0:
                continue
            key = (state, 0)
            if key not in done:
                done[key] = self._trace(taken, state)
            columns.append(Column(s, j, done[key]))
        return columns

    def fullest(
        self, wanted: Sequence[int], capacity: int, worth: Sequence[float]
    ) -> dict[int, int]:
        """The content that leaves least of a span; among equals, that of most worth."""
        total = sum(n * weight for n, weight in zip(wanted, self.weights, strict=True))
        if total <= capacity:
            return {i: n for i, n in enumerate(wanted) if n}
        value = np.full(capacity + 1, -np.inf)
        value[0] = 0.0
        lots: list[tuple[int, int]] = []
        taken: list[np.ndarray] = []
        reach = 0
        for i, most in enumerate(wanted):
            left, lot = min(most, capacity // self.weights[i]), 1
            while left > 0:
                lot = min(lot, left)
                weight = self.weights[i] * lot
                reach = min(capacity, reach + weight)
                here = value[weight : reach + 1]
                other = value[: reach + 1 - weight] + worth[i] * lot
                better = other > here
                mark = np.zeros(capacity + 1, dtype=bool)
                mark[weight : reach + 1] = better
                value[weight : reach + 1] = np.where(better, other, here)
                lots.append((i, lot))
                taken.append(mark)
                left -= lot
                lot *= 2
        state = int(np.flatnonzero(value > -np.inf)[-1])
        content: dict[int, int] = {}
        for number in reversed(range(len(lots))):
            if taken[number][state]:
                i, lot = lots[number]
                content[i] = content.get(i, 0) + lot
                state -= self.weights[i] * lot
        return content

    def _trace(self, taken: Sequence[np.ndarray], state: int) -> tuple[int, ...]:
        counts = [0] * len(self.task.lengths)
        for number in reversed(range(len(self.lots))):
            if taken[number][state]:
                i, lot = self.lots[number]
                counts[i] += lot
                state -= self.weights[i] * lot
        return tuple(counts)


# --- whole numbers ----------------------------------------------------------------------------


def _fill_exactly(search: Search, unit: int, bound: float, rng: np.random.Generator) -> None:
    """Look for a plan at the bound by filling boards one by one with next to no rest.

    A set of boards whose lengths make the total sought is drawn; each board is filled as full as
    can be, and what is left must fit the last. With many short pieces that succeeds where
    programs drown in equals. Random, with a fixed seed; it proves nothing.
    """
    task = search.task
    knapsack = _Knapsack(task)
    on_sale = [s for s, source in enumerate(task.sources) if source.is_bought]
    sizes = [task.sources[s].length // unit for s in on_sale]
    value = goals(task, search.best)[BOUGHT]
    can = _sums(sizes, value // unit) if sizes else None
    if can is None or knapsack.states > _MOST_STATES_TO_FILL or goals(task, search.best)[0]:
        return
    own = [s for s, source in enumerate(task.sources) if not source.is_bought]
    for attempt in range(_FILLINGS_A_TURN):
        if search.remaining_s() <= 0.05:
            return
        totals = np.flatnonzero(can[round(bound / unit) : value // unit]) + round(bound / unit)
        if not len(totals):
            return
        # By turns near the bound and anywhere below the best plan, the nearer the likelier.
        place = int(rng.geometric(0.7)) - 1 if attempt % 2 else int(rng.random() ** 3 * len(totals))
        total = int(totals[min(len(totals) - 1, place)])
        boards = [s for s in own for _ in range(task.sources[s].most)]
        bought: list[int] = []
        while total:
            ways = [k for k, size in enumerate(sizes) if size <= total and can[total - size]]
            k = ways[int(rng.integers(len(ways)))]
            bought.append(on_sale[k])
            total -= sizes[k]
        if any(bought.count(s) > task.sources[s].most for s in set(bought)):
            continue
        found = _filled(task, knapsack, [*boards, *bought], rng)
        if found is not None and _key(search, found, BOUGHT) < _key(search, search.best, BOUGHT):
            search.best = found
            value = goals(task, found)[BOUGHT]
            if value <= bound:
                return


def _filled(
    task: Task, knapsack: _Knapsack, boards: Sequence[int], rng: np.random.Generator
) -> Layout | None:
    """Fill these boards in this order, each as full as can be; None where pieces are left."""
    wanted = list(task.wanted)
    # Which of the equally full contents: rather long pieces, and a little by chance.
    longest = max(knapsack.weights)
    worth = [
        1e-4 * (weight / longest + float(rng.uniform(0.0, 0.6))) * weight / longest
        for weight in knapsack.weights
    ]
    filled: list[Filled] = []
    for s in boards:
        source = task.sources[s]
        contents: list[dict[int, int]] = []
        for j in range(len(source.spans)):
            content = knapsack.fullest(wanted, knapsack.capacity[s, j], worth)
            for i, n in content.items():
                wanted[i] -= n
            contents.append(content)
        if any(contents):
            filled.append(Filled(source, contents))
        if not any(wanted):
            return Layout(filled, wanted)
    return None


def _dive(search: Search, unit: int, bound: float, rule: int) -> None:
    """Follow the linear program down to whole boards, with fresh columns at every step.

    Whole parts of its answer are taken as they are; where there are none, the column it
    uses most. What is left is a smaller task, solved again. Given up where even its linear
    program cannot beat the best plan. `rule` varies which column is taken next.
    """
    task = search.task
    rng = np.random.default_rng(rule)
    wanted = list(task.wanted)
    left = [source.most for source in task.sources]
    spare: dict[tuple[int, int], int] = {}
    taken: dict[Column, int] = {}
    spent = 0
    best = goals(task, search.best)[BOUGHT]
    while any(wanted):
        residual = replace(
            task,
            wanted=tuple(wanted),
            sources=tuple(
                replace(source, most=most) for source, most in zip(task.sources, left, strict=True)
            ),
        )
        fitting = {
            column: None
            for column in search.columns
            if all(n <= most for n, most in zip(column.counts, wanted, strict=True))
        }
        inner = Search(
            residual,
            search.best,
            search.remaining_s,
            search.limit_s,
            fitting,
            search.fixed,
            dict(spare),
        )
        # What is left by first fit: it completes the plan, and makes the program feasible.
        rest = first_fit(residual)
        inner.add_layout(rest)
        _offer(search, _with_rest(task, taken, rest))
        best = goals(task, search.best)[BOUGHT]
        if best <= bound:
            return
        relaxed = _generate(inner, BOUGHT, unit)
        if relaxed is None:
            return
        search.columns.update(inner.columns)
        if spent + _reachable(task, BOUGHT, relaxed.value * unit, unit) >= best:
            return
        chosen = [(column, int(use + 1e-6)) for column, use in relaxed.uses.items()]
        chosen = [(column, times) for column, times in chosen if times]
        if not chosen:
            if not relaxed.uses:
                break  # all that is left is missing

            def rank(item: tuple[Column, float]) -> float:
                column, use = item
                filled = sum(
                    n * length for n, length in zip(column.counts, task.lengths, strict=True)
                )
                longest = max(source.length for source in task.sources)
                noise = float(rng.uniform(0.0, 0.25 * (1 + rule % 4))) if rule else 0.0
                return use + 0.2 * (rule % 3) * filled / longest + noise

            chosen = [(max(relaxed.uses.items(), key=rank)[0], 1)]
        for column, times in chosen:
            for _ in range(times):
                if any(n > most for n, most in zip(column.counts, wanted, strict=True)):
                    break
                key = (column.source, column.span)
                if spare.get(key, 0):
                    spare[key] -= 1
                elif left[column.source]:
                    left[column.source] -= 1
                    source = task.sources[column.source]
                    spent += source.length if source.is_bought else 0
                    for j in range(len(source.spans)):
                        if j != column.span:
                            spare[column.source, j] = spare.get((column.source, j), 0) + 1
                else:
                    break
                taken[column] = taken.get(column, 0) + 1
                wanted = [most - n for n, most in zip(column.counts, wanted, strict=True)]
    _offer(search, _with_rest(task, taken, Layout([], wanted)))


def _with_rest(task: Task, taken: dict[Column, int], rest: Layout) -> Layout:
    """A plan of columns taken, and another plan for what they leave."""
    columns = list(taken)
    unused = [0.0] * (len(task.sources) + len(task.lengths))
    values = np.array([*unused, *(float(taken[column]) for column in columns)])
    done = _layout_of(task, columns, values)
    by_index = {source.index: source for source in task.sources}
    more = [Filled(by_index[board.source.index], board.contents) for board in rest.boards]
    return Layout([*done.boards, *more], rest.short)


def _offer(search: Search, found: Layout) -> None:
    """Keep a plan that is better at what is bought."""
    if _key(search, found, BOUGHT) < _key(search, search.best, BOUGHT):
        search.best = found
        search.add_layout(found)


def _whole(search: Search, goal: int, unit: int, *, share: float = 1.0) -> float | None:
    """Solve in whole numbers over the columns so far and keep a better plan.

    `share` of the time left may be used.
    Returns the solver's bound in units of the goal, for these columns only; None without one.
    """
    left_s = share * search.remaining_s()
    if left_s <= 0.02:
        return None
    import highspy

    search.add_layout(search.best)
    solver = _solver(left_s)
    columns = _build(solver, search, goal, unit, is_whole=True)
    solver.setOptionValue("mip_rel_gap", 0.0)
    solver.setOptionValue("mip_abs_gap", 0.999)  # goals are whole in their unit
    start = _values_of(search, columns)
    solution: Any = highspy.HighsSolution()
    solution.col_value = start
    solver.setSolution(solution)
    solver.run()
    status = solver.getModelStatus()
    if status not in (highspy.HighsModelStatus.kOptimal, highspy.HighsModelStatus.kTimeLimit):
        return None  # a plan is known, so "infeasible" is the solver's mistake
    info = solver.getInfo()
    if info.primal_solution_status == 2:
        found = _layout_of(search.task, columns, np.array(solver.getSolution().col_value))
        if _key(search, found, goal) < _key(search, search.best, goal):
            search.best = found
    bound = float(info.mip_dual_bound)
    return bound if math.isfinite(bound) else None


def _key(search: Search, layout: Layout, goal: int) -> tuple[int, ...]:
    return goals(search.task, layout)[: goal + 1]


def _values_of(search: Search, columns: Sequence[Column]) -> list[float]:
    task = search.task
    position = {column: number for number, column in enumerate(columns)}
    boards = [0.0] * len(task.sources)
    contents = [0.0] * len(columns)
    width = len(task.lengths)
    for board in search.best.boards:
        s = task.sources.index(board.source)
        boards[s] += 1.0
        for j, content in enumerate(board.contents):
            if content:
                counts = tuple(content.get(i, 0) for i in range(width))
                contents[position[Column(s, j, counts)]] += 1.0
    return [*boards, *(float(n) for n in search.best.short), *contents]


def _layout_of(task: Task, columns: Sequence[Column], values: np.ndarray) -> Layout:
    """Boards from the solver's numbers; pieces beyond what is wanted are not cut."""
    sources, width = task.sources, len(task.lengths)
    spare = list(task.wanted)
    queue: dict[tuple[int, int], list[dict[int, int]]] = {}
    offset = len(sources) + width
    for number, column in enumerate(columns):
        for _ in range(round(float(values[offset + number]))):
            content: dict[int, int] = {}
            for i, n in enumerate(column.counts):
                take = min(n, spare[i])
                if take:
                    content[i] = take
                    spare[i] -= take
            if content:
                queue.setdefault((column.source, column.span), []).append(content)
    boards: list[Filled] = []
    for s, source in enumerate(sources):
        lanes = [queue.get((s, j), []) for j in range(len(source.spans))]
        for number in range(max((len(lane) for lane in lanes), default=0)):
            contents = [lane[number] if number < len(lane) else {} for lane in lanes]
            boards.append(Filled(source, contents))
    return Layout(boards, spare)


def _list_columns(search: Search, relaxed: _Relaxed, gap: float) -> bool:
    """Add every column whose reduced cost is within the gap; False where they are too many.

    Only for goals that cost nothing by content. Fullest columns suffice there: with a piece
    more a column costs the same.
    """
    task = search.task
    knapsack = _Knapsack(task)
    order = range(len(task.lengths))
    weights, prices = knapsack.weights, relaxed.piece_prices
    # ahead[i][c]: the most that lengths i and later can add in room c.
    ahead = [np.zeros(knapsack.states) for _ in range(len(task.lengths) + 1)]
    for i in reversed(order):
        table = ahead[i + 1].copy()
        left, lot = min(task.wanted[i], (knapsack.states - 1) // weights[i]), 1
        while left > 0:
            lot = min(lot, left)
            weight = weights[i] * lot
            if weight < knapsack.states:
                moved = table[:-weight] + float(prices[i]) * lot
                table[weight:] = np.maximum(table[weight:], moved)
            left -= lot
            lot *= 2
        ahead[i] = np.maximum.accumulate(table)
    steps = 0
    listed = 0
    for (s, j), capacity in knapsack.capacity.items():
        least = -relaxed.span_prices[s, j] - gap
        stack: list[tuple[int, int, float, tuple[int, ...]]] = [(0, capacity, 0.0, ())]
        while stack:
            steps += 1
            if steps > _MOST_STEPS or listed > MOST_LISTED:
                return False
            if steps % 1000 == 0 and search.remaining_s() <= 0.1:
                return False
            i, room, worth, counts = stack.pop()
            if worth + ahead[i][room] < least - 1e-9:
                continue
            if i == len(task.lengths):
                is_fullest = all(weights[k] > room or counts[k] >= task.wanted[k] for k in order)
                column = Column(s, j, counts)
                if is_fullest and any(counts) and column not in search.columns:
                    search.columns[column] = None
                    listed += 1
                continue
            most = min(task.wanted[i], room // weights[i])
            for n in range(most + 1):
                stack.append(
                    (i + 1, room - n * weights[i], worth + n * float(prices[i]), (*counts, n))
                )
    return True


def solve(task: Task, start: Layout, *, time_limit_s: float) -> tuple[Layout, dict[int, Reached]]:
    """Meet the four goals in order from a first plan; raises SolverFailed.

    Goals that were not reached within the time are left out of the answer's second part.
    """
    begun = time.perf_counter()

    def remaining_s() -> float:
        # A solver looks at its clock now and then only, so it is told to stop a little early.
        return 0.93 * time_limit_s - (time.perf_counter() - begun)

    search = Search(task, start, remaining_s, time_limit_s)
    reached: dict[int, Reached] = {}
    for goal in (MISSING, BOUGHT, OPENED, SCRAP):
        if remaining_s() <= 0.02:
            break
        reached[goal] = improve(search, goal)
    return search.best, reached
