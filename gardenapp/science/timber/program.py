"""The programs behind a cut plan, handed to HiGHS: linear over all columns, whole over some.

The linear program is solved by pricing: a knapsack finds the column that would help most, for
every span at once, until none would. Its value is a bound for any plan. Gilmore and Gomory 1961
for the method, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gardenapp.science.solver import new_solver
from gardenapp.science.timber.columns import (
    MISSING,
    SCRAP,
    Column,
    Relaxed,
    Search,
    SolverFailed,
    board_cost,
    column_cost,
    key_of,
    layout_of,
    unit_of,
)
from gardenapp.science.timber.knapsack import Knapsack
from gardenapp.science.timber.spans import Task

MOST_LISTED = 1_200
_MOST_STEPS = 30_000  # of the listing; about a quarter of a second
_MOST_ROUNDS = 400
_EPSILON = 1e-7


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
        solver.addRow(-infinity, value / unit_of(task, which), 0, no_index, no_value)

    def column(cost: float, most: float, entries: list[tuple[int, float]]) -> None:
        index = np.array([row for row, _ in entries], dtype=np.int32)
        values = np.array([value for _, value in entries], dtype=float)
        solver.addCol(cost, 0.0, most, len(entries), index, values)

    for s, source in enumerate(task.sources):
        entries = [(rows.span[s, j], -1.0) for j in range(len(source.spans))]
        for row, (which, _) in zip(rows.fixed, search.fixed, strict=True):
            cost = board_cost(task, source, which)
            if cost:
                entries.append((row, cost / unit_of(task, which)))
        column(board_cost(task, source, goal) / unit, float(source.most), entries)
    for i, (length, wanted) in enumerate(zip(task.lengths, task.wanted, strict=True)):
        entries = [(i, 1.0)]
        for row, (which, _) in zip(rows.fixed, search.fixed, strict=True):
            if which == MISSING:
                entries.append((row, length / unit_of(task, MISSING)))
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
    cost = column_cost(search.task, column, goal) / unit
    return cost, highspy.kHighsInf, entries


def generate(search: Search, goal: int, unit: int) -> Relaxed | None:
    """Solve the linear program over all columns; None where the time ran out before the end."""
    solver, task = _solver(search.remaining_s()), search.task
    import highspy

    _build(solver, search, goal, unit, is_whole=False)
    rows = _rows_of(task, search.fixed)
    knapsack = Knapsack(task)
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
        relaxed = Relaxed(
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


def whole_numbers(search: Search, goal: int, unit: int, *, share: float = 1.0) -> float | None:
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
        found = layout_of(search.task, columns, np.array(solver.getSolution().col_value))
        if key_of(search, found, goal) < key_of(search, search.best, goal):
            search.best = found
    bound = float(info.mip_dual_bound)
    return bound if math.isfinite(bound) else None


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


def list_columns(search: Search, relaxed: Relaxed, gap: float) -> bool:
    """Add every column whose reduced cost is within the gap; False where they are too many.

    Only for goals that cost nothing by content. Fullest columns suffice there: with a piece
    more a column costs the same.
    """
    task = search.task
    knapsack = Knapsack(task)
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
