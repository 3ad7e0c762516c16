"""Columns of a cut plan: ways to fill one sound span of one kind of board, and what they cost.

Goals are numbered: pieces missing, length bought, whole boards opened, scrap. A goal's value is
always a multiple of its unit, so that bounds can be rounded up.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from gardenapp.science.timber.spans import Filled, Layout, Source, Task, goals

MISSING, BOUGHT, OPENED, SCRAP = range(4)


class SolverFailed(RuntimeError):
    """The solver is missing or contradicts itself; the first-fit plan stands."""


@dataclass(frozen=True)
class Column:
    """A way to fill span `span` of source number `source`: how many of each length."""

    source: int
    span: int
    counts: tuple[int, ...]


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


@dataclass(frozen=True)
class Relaxed:
    """A solved linear program: its value and the prices that lead to better columns."""

    value: float  # in units of the goal
    piece_prices: np.ndarray
    span_prices: dict[tuple[int, int], float]
    missing: np.ndarray  # of each length
    uses: dict[Column, float]  # how often each column is used, where it is


def unit_of(task: Task, goal: int) -> int:
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


def reachable(task: Task, goal: int, bound: float, unit: int) -> float:
    """The least value of the goal at or above a bound that sums can make."""
    steps = max(0, math.ceil(bound / unit - 1e-6))
    sizes = sorted({s.length // unit for s in task.sources if s.is_bought})
    if goal != BOUGHT or not sizes:
        return float(steps * unit)
    can = sums(sizes, steps + sizes[-1])
    above = np.flatnonzero(can[steps:]) if can is not None else np.zeros(0)
    return float((steps + int(above[0])) * unit) if len(above) else float(steps * unit)


def sums(sizes: Sequence[int], top: int) -> np.ndarray | None:
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


def _empty_scrap(task: Task, source: Source) -> int:
    return sum(task.scrap(to - at, 0, 0) for at, to in source.spans)


def board_cost(task: Task, source: Source, goal: int) -> int:
    if goal == BOUGHT:
        return source.length if source.is_bought else 0
    if goal == OPENED:
        return 0 if source.is_bought or source.is_offcut else source.length
    if goal == SCRAP:
        return _empty_scrap(task, source)
    return 0


def column_cost(task: Task, column: Column, goal: int) -> int:
    if goal != SCRAP:
        return 0
    at, to = task.sources[column.source].spans[column.span]
    used = sum(
        n * (length + task.kerf) for n, length in zip(column.counts, task.lengths, strict=True)
    )
    return task.scrap(to - at, used, sum(column.counts)) - task.scrap(to - at, 0, 0)


def layout_of(task: Task, columns: Sequence[Column], values: np.ndarray) -> Layout:
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


def with_rest(task: Task, taken: dict[Column, int], rest: Layout) -> Layout:
    """A plan of columns taken, and another plan for what they leave."""
    columns = list(taken)
    unused = [0.0] * (len(task.sources) + len(task.lengths))
    values = np.array([*unused, *(float(taken[column]) for column in columns)])
    done = layout_of(task, columns, values)
    by_index = {source.index: source for source in task.sources}
    more = [Filled(by_index[board.source.index], board.contents) for board in rest.boards]
    return Layout([*done.boards, *more], rest.short)


def key_of(search: Search, layout: Layout, goal: int) -> tuple[int, ...]:
    return goals(search.task, layout)[: goal + 1]


def offer(search: Search, found: Layout) -> None:
    """Keep a plan that is better at what is bought."""
    if key_of(search, found, BOUGHT) < key_of(search, search.best, BOUGHT):
        search.best = found
        search.add_layout(found)
