"""The integer programs behind an allocation.

Two programs, both handed to HiGHS:

* `counts_program`: how many units of each treatment in each plot (whole), with plants relaxed.
  Everything the rules of `allocation_fit` allow it allows too, so its bound holds for any
  allocation. Beside the plain rows it has, for each planting and treatment, the link
  `plants <= f(units)` where f is the least straight line over min(capacity * units, plants) at
  whole units: without it a quarter of a cover would do for a planting that fills a quarter.
* `contents_program`: for some plots, exactly what stands under each unit, by choosing among all
  fullest contents of a unit (`fullest_contents`). Exact, as the lists are
  complete; only for gardens whose lists are short enough.

The way to a plot is paid once, by a whole 0/1 visit that multiplies the plants a planting has
to give (`sum of plants <= count * visit`). That costs no extra rows and is as tight as links get,
so it is both exact and quick; a share a unit would be neither exact nor quicker.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from gardenapp.science.allocation.fit import ROUNDING, Option, Prepared, fits_together
from gardenapp.science.allocation.greedy import Tally, Unit
from gardenapp.science.allocation.problem import Id
from gardenapp.science.allocation.stopwatch import Stopwatch
from gardenapp.science.solver import new_solver

MOST_LOOKS = 12_000
"""Contents looked at in listing a whole garden, about a second's work; more is not tried."""

MOST_STANDING = 600
"""Contents of one option that stand; comparing all with all takes the square of it."""


HUNTS = (
    "mip_heuristic_run_feasibility_jump",
    "mip_heuristic_run_rins",
    "mip_heuristic_run_rens",
    "mip_heuristic_run_root_reduced_cost",
)
"""What HiGHS leaves out of a small program: 60 plots took 2.6 s of CPU, not 4.0, in one run."""


class SolverFailed(RuntimeError):
    """The solver is missing or gave no answer; the caller falls back on the greedy one."""


@dataclass
class Model:
    """A maximisation being put together, column by column and row by row."""

    gain: list[float] = field(default_factory=list)
    most: list[float] = field(default_factory=list)
    is_whole: list[bool] = field(default_factory=list)
    row_most: list[float] = field(default_factory=list)
    entry_row: list[int] = field(default_factory=list)
    entry_column: list[int] = field(default_factory=list)
    entry_value: list[float] = field(default_factory=list)

    def column(self, gain: float, most: float, *, is_whole: bool) -> int:
        """Add a column from 0 to `most`; returns its number."""
        self.gain.append(gain)
        self.most.append(most)
        self.is_whole.append(is_whole)
        return len(self.gain) - 1

    def row(self, entries: Iterable[tuple[int, float]], most: float) -> None:
        """Add `sum of entries <= most`."""
        number = len(self.row_most)
        self.row_most.append(most)
        for column, value in entries:
            self.entry_row.append(number)
            self.entry_column.append(column)
            self.entry_value.append(value)


@dataclass(frozen=True)
class Solved:
    """What the solver found. `values` None: no whole solution in time."""

    values: np.ndarray | None
    objective: float
    bound: float
    is_proven: bool  # stopped by its gap, not by the clock
    seconds: float
    row_prices: np.ndarray | None = None  # of a program without whole columns


@dataclass(frozen=True)
class Prices:
    """What one more cover, shelter space or minute would be worth; all 0 or more."""

    covers: Mapping[Id, float] = field(default_factory=dict)
    space: float = 0.0
    minute: float = 0.0

    def of_minutes(self, prepared: Prepared, minutes: float) -> float:
        """Effort and scarcity together for so many minutes."""
        return (prepared.problem.worth_per_minute + self.minute) * minutes

    def of_unit(self, prepared: Prepared, option: Option) -> float:
        """What placing one unit costs, without the way there."""
        covers = sum(self.covers.get(pool_id, 0.0) * each for pool_id, each in option.needs)
        return covers + self.of_minutes(prepared, option.minutes)


@dataclass(frozen=True)
class Values:
    """What one more bare plant of each planting, and all the room of each plot, would be worth."""

    plants: Mapping[Id, float] = field(default_factory=dict)
    plots: Mapping[Id, float] = field(default_factory=dict)


def run(
    model: Model,
    *,
    time_limit_s: float,
    relative_gap: float,
    start: Sequence[float] | None = None,
    is_small: bool = False,
    most_nodes: int | None = None,
    enough: float | None = None,
) -> Solved:
    """Solve with HiGHS, one thread and a fixed seed, silently.

    `is_small`: without the solver's own hunts for answers, which in a program of one plot take
    longer than the proof. `most_nodes`: branches looked at before it stops with what it has.
    `enough`: an objective with which it may stop.

    Nothing placed is always allowed, so a program called infeasible, an answer below the start,
    or an answer that does not add up to its own objective, is the solver's mistake: HiGHS 1.16.0
    made all three, in presolve (1.12.0 did not). Then it is asked once more without presolve.

    Raises SolverFailed where the library cannot be loaded or gives no answer to be trusted.
    """
    known = 0.0
    if start is not None:
        known = max(known, sum(gain * value for gain, value in zip(model.gain, start, strict=True)))
    watch = Stopwatch(time_limit_s)  # asking twice must not take twice the time
    for presolve in ("on", "off"):
        solved = _run_once(
            model, watch.left(), relative_gap, start, is_small, most_nodes, enough, presolve
        )
        slack = 1e-6 * max(1.0, abs(known))
        if solved is not None and solved.bound >= known - slack:
            if solved.values is None or not solved.is_proven:
                return solved
            if solved.objective >= known - slack - relative_gap * abs(known):
                return solved
    raise SolverFailed("the solver contradicts an answer that is known to be allowed")


def _run_once(
    model: Model,
    time_limit_s: float,
    relative_gap: float,
    start: Sequence[float] | None,
    is_small: bool,
    most_nodes: int | None,
    enough: float | None,
    presolve: str,
) -> Solved | None:
    """One run; None where the solver says what cannot be."""
    try:
        import highspy  # here, as it takes longer to load than most pages take to make
    except ImportError as error:
        raise SolverFailed("highspy cannot be imported") from error
    columns, rows = len(model.gain), len(model.row_most)
    if not columns:
        return Solved(np.zeros(0), 0.0, 0.0, True, 0.0)
    solver = new_solver()
    solver.setOptionValue("presolve", presolve)
    solver.setOptionValue("mip_rel_gap", relative_gap)
    if is_small:
        for name in HUNTS:
            solver.setOptionValue(name, False)
        solver.setOptionValue("mip_heuristic_effort", 0.0)
        solver.setOptionValue("mip_allow_restart", False)
    if most_nodes is not None:
        solver.setOptionValue("mip_max_nodes", most_nodes)
    if enough is not None:
        solver.setOptionValue("objective_target", enough)
    solver.setOptionValue("time_limit", max(0.05, time_limit_s))
    lp: Any = highspy.HighsLp()
    lp.num_col_ = columns
    lp.num_row_ = rows
    lp.sense_ = highspy.ObjSense.kMaximize
    lp.col_cost_ = np.array(model.gain, dtype=float)
    lp.col_lower_ = np.zeros(columns)
    lp.col_upper_ = np.array(model.most, dtype=float)
    lp.row_lower_ = np.full(rows, -highspy.kHighsInf)
    lp.row_upper_ = np.array(model.row_most, dtype=float)
    entry_row = np.array(model.entry_row, dtype=np.int64)
    order = np.argsort(entry_row, kind="stable")
    counts = np.bincount(entry_row, minlength=rows) if rows else np.zeros(0, dtype=np.int64)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.concatenate(([0], np.cumsum(counts))).astype(np.int32)
    lp.a_matrix_.index_ = np.array(model.entry_column, dtype=np.int32)[order]
    lp.a_matrix_.value_ = np.array(model.entry_value, dtype=float)[order]
    whole = highspy.HighsVarType.kInteger
    loose = highspy.HighsVarType.kContinuous
    lp.integrality_ = [whole if is_whole else loose for is_whole in model.is_whole]
    if solver.passModel(lp) == highspy.HighsStatus.kError:
        raise SolverFailed("the program was refused")
    if start is not None:
        solution: Any = highspy.HighsSolution()
        solution.col_value = [float(value) for value in start]
        solver.setSolution(solution)
    if solver.run() == highspy.HighsStatus.kError:
        raise SolverFailed("the solver stopped with an error")
    status = solver.getModelStatus()
    info = solver.getInfo()
    is_proven = status == highspy.HighsModelStatus.kOptimal
    stopped = (
        highspy.HighsModelStatus.kTimeLimit,
        highspy.HighsModelStatus.kSolutionLimit,
        highspy.HighsModelStatus.kObjectiveTarget,
    )
    if not is_proven and status not in stopped:
        return None
    if any(model.is_whole):
        bound = info.mip_dual_bound
    else:  # a relaxation stopped half-way bounds nothing
        bound = info.objective_function_value if is_proven else math.inf
    values = None
    if math.isfinite(info.objective_function_value) and info.primal_solution_status == 2:
        values = np.array(solver.getSolution().col_value)
        adds_up = float(np.dot(lp.col_cost_, values))
        told = info.objective_function_value
        if abs(adds_up - told) > 1e-5 * max(1.0, abs(told)) or not _keeps_rows(model, values):
            return None
    row_prices = None
    if not any(model.is_whole) and is_proven:
        row_prices = np.abs(np.array(solver.getSolution().row_dual))
    return Solved(
        values=values,
        objective=info.objective_function_value if values is not None else -math.inf,
        bound=bound if math.isfinite(bound) else math.inf,
        is_proven=is_proven,
        seconds=solver.getRunTime(),
        row_prices=row_prices,
    )


def _keeps_rows(model: Model, values: np.ndarray) -> bool:
    """Whether an answer keeps every row and is whole where it must be, to the solver's slack."""
    if not model.row_most:
        return True
    entries = np.array(model.entry_value) * values[np.array(model.entry_column)]
    sums = np.bincount(np.array(model.entry_row), weights=entries, minlength=len(model.row_most))
    most = np.array(model.row_most)
    if np.any(sums > most + 1e-5 * np.maximum(1.0, np.abs(most))):
        return False
    whole = values[np.array(model.is_whole)]
    return bool(np.all(np.abs(whole - np.round(whole)) < 1e-4))


@dataclass
class Rules:
    """The rows that both programs share, over the columns they use for units and plants."""

    model: Model
    prepared: Prepared
    tally: Tally  # what is free
    prices: Prices = field(default_factory=Prices)
    row_of_pool: dict[Id, int] = field(default_factory=dict)
    row_of_spaces: int | None = None
    row_of_minutes: int | None = None
    row_of_planting: dict[Id, int] = field(default_factory=dict)
    row_of_area: dict[Id, int] = field(default_factory=dict)
    pool_entries: dict[Id, list[tuple[int, float]]] = field(default_factory=dict)
    area_entries: dict[Id, list[tuple[int, float]]] = field(default_factory=dict)
    minute_entries: list[tuple[int, float]] = field(default_factory=list)
    space_entries: list[tuple[int, float]] = field(default_factory=list)
    plant_entries: dict[Id, list[tuple[int, float]]] = field(default_factory=dict)
    visit_of: dict[Id, int] = field(default_factory=dict)

    def visits(self, plot_ids: Iterable[Id]) -> None:
        """A 0/1 column for each plot whose way has to be paid for."""
        if self.prices.of_minutes(self.prepared, 1.0) <= 0 and self.tally.budget == math.inf:
            return
        for plot_id in plot_ids:
            away = self.prepared.plots[plot_id].minutes_away
            if away > 0 and plot_id not in self.tally.visited:
                column = self.model.column(
                    -self.prices.of_minutes(self.prepared, away), 1.0, is_whole=True
                )
                self.visit_of[plot_id] = column
                self.minute_entries.append((column, away))

    def unit(self, option: Option, most: float) -> int:
        """A column counting units of an option."""
        cost = self.prices.of_unit(self.prepared, option)
        column = self.model.column(-cost, most, is_whole=True)
        for pool_id, each in option.needs:
            self.pool_entries.setdefault(pool_id, []).append((column, float(each)))
        if self.tally.area_cm2[option.plot_id] < math.inf:
            self.area_entries.setdefault(option.plot_id, []).append((column, option.area_cm2))
        self.minute_entries.append((column, option.minutes))
        return column

    def plants(self, option: Option, planting_id: Id, gain: float, *, is_whole: bool) -> int:
        """A column counting plants of a planting under an option."""
        net = gain
        if option.is_shelter:
            net -= self.prices.of_minutes(self.prepared, option.minutes) + self.prices.space
        column = self.model.column(net, float(self.tally.bare[planting_id]), is_whole=is_whole)
        self.plant_entries.setdefault(planting_id, []).append((column, 1.0))
        if option.is_shelter:
            self.space_entries.append((column, 1.0))
            self.minute_entries.append((column, option.minutes))
        return column

    def close(self) -> None:
        """Write the shared rows once all columns are there."""
        for pool_id, entries in self.pool_entries.items():
            self.row_of_pool[pool_id] = len(self.model.row_most)
            self.model.row(entries, self.tally.covers[pool_id])
        for plot_id, entries in self.area_entries.items():
            # In units of the plot, so that the solver's tolerance means a share of the plot.
            room = max(self.tally.area_cm2[plot_id], 1.0)
            scaled = [(column, area / room) for column, area in entries]
            limit = 1.0 if self.tally.area_cm2[plot_id] >= 1.0 else 0.0
            self.row_of_area[plot_id] = len(self.model.row_most)
            self.model.row(scaled, limit + ROUNDING)
        for planting_id, entries in self.plant_entries.items():
            count = float(self.tally.bare[planting_id])
            self.row_of_planting[planting_id] = len(self.model.row_most)
            visit = self.visit_of.get(self.prepared.plantings[planting_id].plot_id)
            if visit is None:
                self.model.row(entries, count)
            else:
                self.model.row([*entries, (visit, -count)], 0.0)
        if self.space_entries:
            self.row_of_spaces = len(self.model.row_most)
            self.model.row(self.space_entries, self.tally.spaces)
        if self.tally.budget < math.inf:
            entries = [(column, minutes) for column, minutes in self.minute_entries if minutes]
            self.row_of_minutes = len(self.model.row_most)
            self.model.row(entries, self.tally.budget - self.tally.minutes)

    def prices_from(self, row_prices: np.ndarray) -> Prices:
        """The prices of covers, spaces and minutes among the rows' prices."""
        return Prices(
            covers={pid: float(row_prices[row]) for pid, row in self.row_of_pool.items()},
            space=0.0 if self.row_of_spaces is None else float(row_prices[self.row_of_spaces]),
            minute=0.0 if self.row_of_minutes is None else float(row_prices[self.row_of_minutes]),
        )

    def values_from(self, row_prices: np.ndarray) -> Values:
        """What more bare plants and more room would be worth, among the rows' prices."""
        return Values(
            plants={pid: float(row_prices[row]) for pid, row in self.row_of_planting.items()},
            plots={pid: float(row_prices[row]) for pid, row in self.row_of_area.items()},
        )


@dataclass(frozen=True)
class Counts:
    """Units of each option (pots for shelter, by planting) that the counts program chose.

    Of a relaxed program also the prices, and what plants and room are worth.
    """

    units: Mapping[int, int]
    pots: Mapping[tuple[int, Id], int]
    solved: Solved
    prices: Prices | None = None
    values: Values = field(default_factory=Values)


def counts_program(
    prepared: Prepared,
    options: Sequence[Option],
    free: Tally,
    *,
    time_limit_s: float,
    relative_gap: float,
    start: Sequence[Unit] | None = None,
    has_whole_plants: bool = False,
    prices: Prices | None = None,
    is_relaxed: bool = False,
    is_small: bool = False,
    most_nodes: int | None = None,
) -> Counts:
    """Choose how many units of these options go where, out of what `free` has.

    Plants are relaxed, or whole but still not told apart by unit (slower, closer). Asked of
    all options and an empty tally, `solved.bound` holds for every allocation.
    `start` is units to begin from. `prices` are paid beside the effort. `is_relaxed`: nothing
    is whole; then `prices` of the answer say what covers, spaces and minutes are worth.
    Raises SolverFailed.
    """
    model = Model()
    rules = Rules(model, prepared, free, prices or Prices())
    rules.visits(dict.fromkeys(option.plot_id for option in options))
    unit_column: dict[int, int] = {}
    plant_column: dict[tuple[int, Id], int] = {}
    for option in options:
        if not option.is_shelter:
            unit_column[option.index] = rules.unit(option, float(option.most_units))
        load = 0.0
        shares: list[tuple[int, float]] = []
        for member in option.members:
            column = rules.plants(
                option,
                member.planting_id,
                member.gain,
                is_whole=option.is_shelter or has_whole_plants,
            )
            plant_column[option.index, member.planting_id] = column
            if option.is_shelter:
                continue
            bare, capacity = free.bare[member.planting_id], member.capacity
            shares.append((column, 1.0 / capacity))
            load += bare / capacity
            if bare % capacity:
                _link(model, [(column, 1.0)], unit_column[option.index], bare, capacity)
        if not option.is_shelter:
            model.row([*shares, (unit_column[option.index], -1.0)], 0.0)
            if len(shares) > 1 and load % 1 > 1e-6:
                _link(model, shares, unit_column[option.index], load, 1.0)
    rules.close()

    values: list[float] | None = None
    if start is not None:
        values = [0.0] * len(model.gain)
        for unit in start:
            option = prepared.options[unit.option_index]
            if not option.is_shelter:
                values[unit_column[option.index]] += 1.0
            for planting_id, plants in unit.contents.items():
                values[plant_column[option.index, planting_id]] += plants
            if option.plot_id in rules.visit_of:
                values[rules.visit_of[option.plot_id]] = 1.0
    if is_relaxed:
        model.is_whole = [False] * len(model.gain)
    solved = run(
        model,
        time_limit_s=time_limit_s,
        relative_gap=relative_gap,
        start=values,
        is_small=is_small,
        most_nodes=most_nodes,
    )
    units: dict[int, int] = {}
    pots: dict[tuple[int, Id], int] = {}
    if solved.values is not None and not is_relaxed:
        for index, column in unit_column.items():
            number = round(solved.values[column])
            if number:
                units[index] = number
        for (index, planting_id), column in plant_column.items():
            if prepared.options[index].is_shelter and round(solved.values[column]):
                pots[index, planting_id] = round(solved.values[column])
    if solved.row_prices is None:
        return Counts(units, pots, solved)
    return Counts(
        units,
        pots,
        solved,
        rules.prices_from(solved.row_prices),
        rules.values_from(solved.row_prices),
    )


def _link(
    model: Model,
    amounts: Sequence[tuple[int, float]],
    units: int,
    most: float,
    capacity: float,
) -> None:
    """amounts <= the line through min(capacity * units, most) at the last two whole units.

    With k = ceil(most / capacity) units everything fits, and r = most - capacity * (k - 1) is
    what the last one adds, so amounts <= most - r * (k - units) holds at every whole number.
    """
    full = math.ceil(most / capacity - ROUNDING)
    last = most - capacity * (full - 1)
    model.row([*amounts, (units, -last)], most - last * full)


def fullest_contents(
    option: Option, bare: Mapping[Id, int], most_looks: int
) -> tuple[list[dict[Id, int]] | None, int]:
    """Contents of one unit to which nothing can be added, and how many were looked at.

    None in place of the list where more than `most_looks` would have to be looked at.
    """
    members = [member for member in option.members if bare[member.planting_id] > 0]
    ids = [member.planting_id for member in members]
    found: list[dict[Id, int]] = []
    chosen = [0] * len(members)
    looked_at = 0

    def walk(place: int, room: float) -> bool:
        nonlocal looked_at
        if place == len(members):
            looked_at += 1
            contents = {i: n for i, n in zip(ids, chosen, strict=True) if n}
            if contents and fits_together(option, contents):
                found.append(contents)
            return looked_at < most_looks and len(found) <= MOST_STANDING
        member = members[place]
        most = min(bare[member.planting_id], math.floor(room * member.capacity + ROUNDING))
        for number in range(most, -1, -1):
            chosen[place] = number
            if not walk(place + 1, room - number / member.capacity):
                return False
        chosen[place] = 0
        return True

    if not walk(0, 1.0):
        return None, looked_at
    return _without_lesser(found, ids), looked_at


def _without_lesser(listed: list[dict[Id, int]], ids: Sequence[Id]) -> list[dict[Id, int]]:
    """Drop contents that another one holds and more."""
    if len(listed) < 2:
        return listed
    table = np.array([[contents.get(i, 0) for i in ids] for contents in listed])
    holds = np.all(table[:, None, :] >= table[None, :, :], axis=2)
    np.fill_diagonal(holds, False)
    is_lesser: list[bool] = np.any(holds, axis=0).tolist()
    return [contents for contents, lesser in zip(listed, is_lesser, strict=True) if not lesser]


def list_contents(
    prepared: Prepared, most_looks: int = MOST_LOOKS
) -> dict[int, list[dict[Id, int]]] | None:
    """Fullest contents of a unit of each option; None where there are too many to list."""
    listed: dict[int, list[dict[Id, int]]] = {}
    looks = 0
    for option in prepared.options:
        if option.is_shelter:
            continue
        contents, looked_at = fullest_contents(option, prepared.bare_plants, most_looks - looks)
        looks += looked_at
        if contents is None:
            return None
        listed[option.index] = contents
    return listed


@dataclass(frozen=True)
class Contents:
    """Units chosen by the contents program."""

    units: tuple[Unit, ...]
    solved: Solved


def contents_program(
    prepared: Prepared,
    options: Sequence[Option],
    lists: Mapping[int, Sequence[Mapping[Id, int]]],
    free: Tally,
    *,
    time_limit_s: float,
    relative_gap: float,
    start: Sequence[Unit] | None = None,
) -> Contents:
    """Choose units of these options with exactly what is under each, out of what `free` has.

    `start`: units to begin from.
    Raises SolverFailed.
    """
    model = Model()
    rules = Rules(model, prepared, free)
    rules.visits(dict.fromkeys(option.plot_id for option in options))
    choice_column: dict[int, list[tuple[int, Mapping[Id, int]]]] = {}
    plant_column: dict[tuple[int, Id], int] = {}
    for option in options:
        for member in option.members:
            column = rules.plants(option, member.planting_id, member.gain, is_whole=True)
            plant_column[option.index, member.planting_id] = column
        if option.is_shelter:
            continue
        columns = [
            (rules.unit(option, float(option.most_units)), held) for held in lists[option.index]
        ]
        choice_column[option.index] = columns
        for member in option.members:
            model.row(
                [
                    (plant_column[option.index, member.planting_id], 1.0),
                    *(
                        (column, -float(contents[member.planting_id]))
                        for column, contents in columns
                        if member.planting_id in contents
                    ),
                ],
                0.0,
            )
    rules.close()

    values: list[float] | None = None
    if start is not None:
        values = _start_values(prepared, start, rules, choice_column, plant_column)
    solved = run(model, time_limit_s=time_limit_s, relative_gap=relative_gap, start=values)
    units: list[Unit] = []
    if solved.values is not None:
        for option in options:
            under = {
                m.planting_id: round(solved.values[plant_column[option.index, m.planting_id]])
                for m in option.members
            }
            if option.is_shelter:
                pots = {planting_id: number for planting_id, number in under.items() if number}
                if pots:
                    units.append(Unit(option.index, pots))
                continue
            for column, contents in choice_column[option.index]:
                for _ in range(round(solved.values[column])):
                    here: dict[Id, int] = {}
                    for planting_id, room in contents.items():
                        plants = min(room, under[planting_id])
                        if plants:
                            here[planting_id] = plants
                            under[planting_id] -= plants
                    if here:
                        units.append(Unit(option.index, here))
    return Contents(tuple(units), solved)


def _start_values(
    prepared: Prepared,
    start: Sequence[Unit],
    rules: Rules,
    choice_column: Mapping[int, Sequence[tuple[int, Mapping[Id, int]]]],
    plant_column: Mapping[tuple[int, Id], int],
) -> list[float] | None:
    """The start as column values; None where a unit is not within any listed contents."""
    values = [0.0] * len(rules.model.gain)
    for unit in start:
        option = prepared.options[unit.option_index]
        for planting_id, plants in unit.contents.items():
            values[plant_column[option.index, planting_id]] += plants
        if option.plot_id in rules.visit_of:
            values[rules.visit_of[option.plot_id]] = 1.0
        if option.is_shelter:
            continue
        for column, contents in choice_column[option.index]:
            if all(contents.get(pid, 0) >= plants for pid, plants in unit.contents.items()):
                values[column] += 1.0
                break
        else:
            return None
    return values


def place_in_plot(
    prepared: Prepared,
    options: Sequence[Option],
    units: Mapping[int, int],
    pots: Mapping[tuple[int, Id], int],
    bare: Mapping[Id, int],
    *,
    time_limit_s: float = 2.0,
) -> list[Unit]:
    """Which whole plants go under which of the units chosen for one plot.

    A small integer program over the shares, then each unit is made to stand: plants that were
    not placed as squares come out, those worth least for their room first. Raises SolverFailed.
    """
    model = Model()
    effort = prepared.problem.worth_per_minute
    of_planting: dict[Id, list[tuple[int, float]]] = {}
    columns: list[tuple[Option, dict[Id, int]]] = []
    for option in options:
        for _ in range(1 if option.is_shelter else units.get(option.index, 0)):
            here: dict[Id, int] = {}
            shares: list[tuple[int, float]] = []
            for member in option.members:
                most, gain = bare[member.planting_id], member.gain
                if option.is_shelter:
                    most = min(most, pots.get((option.index, member.planting_id), 0))
                    gain -= effort * option.minutes
                else:
                    most = min(most, member.capacity)
                if most < 1:
                    continue
                column = model.column(gain, float(most), is_whole=True)
                here[member.planting_id] = column
                of_planting.setdefault(member.planting_id, []).append((column, 1.0))
                if not option.is_shelter:
                    shares.append((column, 1.0 / member.capacity))
            if not here:
                continue
            columns.append((option, here))
            if not option.is_shelter:
                is_used = model.column(-effort * option.minutes, 1.0, is_whole=True)
                model.row([*shares, (is_used, -1.0)], 0.0)
    for planting_id, entries in of_planting.items():
        model.row(entries, float(bare[planting_id]))
    solved = run(model, time_limit_s=time_limit_s, relative_gap=1e-4, is_small=True)
    if solved.values is None:
        return []
    placed: list[Unit] = []
    for option, here in columns:
        contents = {pid: round(solved.values[column]) for pid, column in here.items()}
        contents = {pid: plants for pid, plants in contents.items() if plants}
        if not option.is_shelter:
            contents = _made_to_stand(option, contents)
        if contents:
            placed.append(Unit(option.index, contents))
    return placed


def _made_to_stand(option: Option, contents: dict[Id, int]) -> dict[Id, int]:
    """Take out plants, those worth least first, until the rest stand together."""
    gain = {member.planting_id: member.gain for member in option.members}
    rate = {member.planting_id: member.gain * member.capacity for member in option.members}
    while contents and not fits_together(option, contents):
        for planting_id in sorted(contents, key=lambda pid: gain[pid]):
            fewer = {**contents, planting_id: contents[planting_id] - 1}
            if fits_together(option, fewer):
                contents = fewer
                break
        else:
            cheapest = min(contents, key=lambda pid: rate[pid])
            contents = {**contents, cheapest: contents[cheapest] - 1}
        contents = {pid: plants for pid, plants in contents.items() if plants}
    return contents
