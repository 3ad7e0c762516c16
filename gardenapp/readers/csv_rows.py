"""A table's text cut into rows and cells, strictly, each row with its line number."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass

from gardenapp.messages import Message, Number, say, say_n
from gardenapp.readers.records import Faults, refuse

MOST_ROWS = 200_000
MOST_COLUMNS = 200
LONGEST_FIELD = 2_000
_LINES_TO_JUDGE = 20
_LONGEST_HEADER = 100  # headers are shown; a longer one is cut


@dataclass(frozen=True)
class Row:
    """One row: the line it begins on, counted from 1, and its cells without outer blanks."""

    line: int
    cells: tuple[str, ...]


def separator_of(text: str) -> str:
    """The separator, judged by the first lines: semicolon, tab, bar or comma.

    A semicolon comes first because tables with decimal commas need it, and then both occur.
    """
    lines = [line for line in text[:200_000].splitlines() if line.strip()][:_LINES_TO_JUDGE]
    for separator in (";", "\t", "|"):
        if sum(separator in line for line in lines) * 2 >= len(lines):
            return separator
    return ","


def rows_of(text: str, separator: str) -> list[Row]:
    """All rows that hold something.

    Raises UnreadableFile for an unclosed quote, stray text after a quote, or too many rows,
    columns or characters, each with its line.
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows: list[Row] = []
    faults = Faults()
    line = 1
    try:
        for cells in reader:
            begun, line = line, reader.line_num + 1
            if len(cells) > MOST_COLUMNS:
                raise refuse(
                    say(
                        "has %(columns)s columns; at most %(most)s are read",
                        columns=len(cells),
                        most=MOST_COLUMNS,
                    ),
                    line=begun,
                )
            if any(len(cell) > LONGEST_FIELD for cell in cells):
                faults.add(
                    say(
                        "has a cell of over %(most)s characters. Is a quotation mark open?",
                        most=Number(LONGEST_FIELD, ","),
                    ),
                    line=begun,
                )
            stripped = tuple(cell.strip() for cell in cells)
            if not any(stripped):
                continue
            if len(rows) >= MOST_ROWS:
                raise refuse(
                    say(
                        "The table goes on past %(most)s rows. Export fewer days.",
                        most=Number(MOST_ROWS, ","),
                    ),
                    line=begun,
                )
            rows.append(Row(begun, stripped))
    except csv.Error as error:
        raise refuse(
            say(
                "A quotation mark is opened here and not closed as it should be, or the row "
                "is otherwise broken. Export the table again."
            ),
            line=line,
        ) from error
    faults.raise_if_any()
    return rows


def headers_of(rows: Iterable[Row]) -> tuple[str, ...]:
    """One name a column from one header row, or two above one another; never empty, never twice."""
    levels = [row.cells for row in rows]
    names: list[str] = []
    for index in range(len(levels[-1])):
        parts = [level[index] for level in levels if index < len(level) and level[index]]
        name = " ".join(parts)[:_LONGEST_HEADER] or f"column {index + 1}"
        copies = 1
        unique = name
        while unique in names:
            copies += 1
            unique = f"{name} ({copies})"
        names.append(unique)
    return tuple(names)


def rows_without_temperature(count: int) -> Message:
    """How many rows said nothing of the temperature."""
    return say_n(
        "%(num)s row without a temperature left out.",
        "%(num)s rows without a temperature left out.",
        count,
    )


def rows_repeated(count: int) -> Message:
    """How many rows said again what another had said."""
    return say_n(
        "%(num)s row repeated with the same figures, counted once.",
        "%(num)s rows repeated with the same figures, counted once.",
        count,
    )
