"""What was found in a table: what is wrong, what has to be asked, what would be done."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from gardenapp.messages import Words
from gardenapp.readers.cells import CellRow, address_of
from gardenapp.services.store.tables import Change
from gardenapp.services.tables.columns import Column

MADE, CHANGED, LEFT = "made", "changed", "left"
PLOT, PERSON, PLANTING, COVER, LOT, PLACE = "plot", "member", "planting", "cover", "lot", "place"
MOST_PROBLEMS = 200
# The answers that are no number: leave these lines out; somebody not known yet.
SKIP, NEW = "skip", "new"


@dataclass(frozen=True)
class CellProblem:
    """What is wrong, in which cell: its table, its address and its row's number."""

    table: int
    row: int
    address: str
    message: Words
    column: int | None = None


@dataclass(frozen=True)
class Question:
    """A name that is not sure: what was written, how often and where first, and what it may mean.

    chosen : the answer as it stands, empty where one is needed.
    """

    key: str
    text: str
    address: str
    times: int
    choices: tuple[tuple[str, Words], ...]
    chosen: str

    @property
    def is_open(self) -> bool:
        return not self.chosen


@dataclass(frozen=True)
class Difference:
    """A value that changes, as people read it."""

    field: str
    before: Words
    after: Words


@dataclass(frozen=True)
class Line:
    """One thing that a row makes or changes."""

    table: int
    row: int
    what: str
    verb: str
    title: str
    differences: tuple[Difference, ...] = ()


@dataclass(frozen=True)
class TableRead:
    """A table as it was understood: `columns` are all it has, each with the name it was given.

    sheet_at : which sheet it stands on, from 0.
    """

    number: int
    sheet: str
    sheet_at: int
    holds: str
    columns: tuple[tuple[Column, str], ...]
    rows: tuple[CellRow, ...]
    notes: tuple[Words, ...] = ()


@dataclass
class PlotAct:
    """A plot to be made or changed; `values` are what the table says of it. [cm, m]

    place : table and row where it was named first; `address` the cell.
    """

    label: str
    address: str
    place: tuple[int, int] = (0, 0)
    id: int | None = None
    values: dict[str, Any] = field(default_factory=dict)
    said_at: dict[str, str] = field(default_factory=dict)
    before: dict[str, Any] = field(default_factory=dict)


@dataclass
class PersonAct:
    """A member to be made or changed; `is_seen`: has a line in a table of members."""

    name: str
    address: str
    place: tuple[int, int] = (0, 0)
    id: int | None = None
    is_seen: bool = False
    values: dict[str, Any] = field(default_factory=dict)
    before: dict[str, Any] = field(default_factory=dict)


@dataclass
class PlantingAct:
    """A planting to be made or changed, in a plot that may be made as well."""

    plot: PlotAct
    stage_id: int
    name: str
    values: dict[str, Any]
    id: int | None = None
    before: dict[str, Any] = field(default_factory=dict)


@dataclass
class Acts:
    """All that a table would do. Ids below 0 in changes stand for `places` and `owners`."""

    plots: list[PlotAct] = field(default_factory=list)
    people: list[PersonAct] = field(default_factory=list)
    holders: list[tuple[PlotAct, PersonAct]] = field(default_factory=list)
    plantings: list[PlantingAct] = field(default_factory=list)
    places: dict[int, str] = field(default_factory=dict)
    owners: dict[int, PersonAct] = field(default_factory=dict)
    covers: list[Change] = field(default_factory=list)
    lots: list[Change] = field(default_factory=list)

    @property
    def is_empty(self) -> bool:
        return not (
            self.plots
            or self.people
            or self.holders
            or self.plantings
            or self.places
            or self.covers
            or self.lots
        )


@dataclass
class Findings:
    """Everything found so far; filled while the tables are read, then shown."""

    answers: Mapping[str, str]
    tables: list[TableRead] = field(default_factory=list)
    problems: list[CellProblem] = field(default_factory=list)
    more_problems: int = 0
    lines: list[Line] = field(default_factory=list)
    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    acts: Acts = field(default_factory=Acts)
    version: int = 0
    _questions: dict[str, Question] = field(default_factory=dict)

    def wrong(self, table: int, row: int, column: int | None, message: Words) -> None:
        """Write down what is wrong in a cell, or in a whole row."""
        address = address_of(column, row) if column else str(row)
        problem = CellProblem(table, row, address, message, column)
        if len(self.problems) >= MOST_PROBLEMS:
            self.more_problems += 1
        elif problem not in self.problems[-3:]:  # one line may make many covers
            self.problems.append(problem)

    def did(
        self,
        table: int,
        row: int,
        what: str,
        verb: str,
        title: str = "",
        differences: tuple[Difference, ...] = (),
    ) -> None:
        """Count what a row does; what is left as it is gets no line."""
        self.counts[what, verb] += 1
        if verb != LEFT:
            self.lines.append(Line(table, row, what, verb, title, differences))

    def ask(
        self,
        kind: str,
        text: str,
        address: str,
        choices: tuple[tuple[str, Words], ...],
        chosen: str = "",
    ) -> str:
        """Ask what a text means, once for all its cells; gives the answer as it stands."""
        key = f"{kind}-{hashlib.sha256(text.encode('utf-8', 'replace')).hexdigest()[:12]}"
        known = self._questions.get(key)
        if known is not None:
            self._questions[key] = Question(
                key, known.text, known.address, known.times + 1, known.choices, known.chosen
            )
            return known.chosen
        answer = self.answers.get(key, "")
        if answer in {value for value, _words in choices}:
            chosen = answer
        self._questions[key] = Question(key, text, address, 1, choices, chosen)
        return chosen

    @property
    def questions(self) -> tuple[Question, ...]:
        """What has to be asked first, then what may be looked at."""
        return tuple(sorted(self._questions.values(), key=lambda q: not q.is_open))

    @property
    def may_be_kept(self) -> bool:
        """Whether nothing is wrong, nothing open, and there is something to do."""
        is_open = any(question.is_open for question in self._questions.values())
        return not self.problems and not is_open and not self.acts.is_empty
