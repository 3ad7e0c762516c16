"""Where a table keeps what: separator, header, rows, units and zone, as far as the file says.

There is no standard, so the layout is guessed from headings and cells; the guess is handed back
to be confirmed. What cannot be inferred safely is asked for, never assumed.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from zoneinfo import ZoneInfo

from gardenapp.messages import Words, say
from gardenapp.readers import csv_columns, csv_rows, csv_times, headings, stated_zones
from gardenapp.readers.csv_rows import Row
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import (
    ColumnGuess,
    Faults,
    ReadOptions,
    UnreadableFile,
    quoted,
    refuse,
)

HEADER_WITHIN_ROWS = 30
_MISSING_WORDS = frozenset(
    {"", "na", "n/a", "nan", "null", "none", "n/d", "nd", "s/d", "k.a.", "#n/a", "b.d.", "x"}
)
_DASHES = re.compile(r"[-\u2013\u2014]{1,4}(?:[.,][-\u2013\u2014]{1,2})?")
_MISSING_CODES = (-999.0, -9999.0)
_WITH_POINT = re.compile(r"[+-]?(?:[0-9]{1,12}(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")
_WITH_COMMA = re.compile(r"[+-]?[0-9]{1,12}(?:[.,][0-9]*)?")
_WITH_UNIT = re.compile(r"(.*?[0-9.,])\s*(?:°|º|deg\s*)?\s*([CFcf])")
_UNIT_LABEL = re.compile(
    r"\b(?:temp\w*[\s_]*)?(?:units?|einheit|unidad|unit[eé])\b|^temp\w*$", re.I
)


@dataclass
class Table:
    """A table on its way to a reading.

    above : the lines over the header. units_from : for a second header further down, the line it
    stands in and the units of its columns by role.
    """

    separator: str
    headers: tuple[str, ...]
    rows: list[Row]
    above: list[tuple[str, ...]]
    found: dict[str, int] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    units_from: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    unit_above: str = "unknown"
    chosen_unit: str | None = None
    columns: tuple[ColumnGuess, ...] = ()
    faults: Faults = field(default_factory=Faults)
    notes: list[Words] = field(default_factory=list)
    odd: dict[str, list[tuple[Row, Words]]] = field(default_factory=lambda: defaultdict(list))

    def header(self, role: str) -> str:
        return self.headers[self.found[role]]

    def cell(self, row: Row, role: str) -> str:
        index = self.found.get(role)
        return row.cells[index] if index is not None and index < len(row.cells) else ""

    def fault(self, row: Row, role: str, message: Words) -> None:
        self.faults.add(message, line=row.line, column=self.header(role))

    def stop_if_faulty(self) -> None:
        self.faults.raise_if_any(columns=self.columns)

    def temperature_unit(self, row: Row, role: str, in_cell: str) -> str:
        """The unit of a temperature in a row. `in_cell` : one that stands with the figure, or "".

        Raises BadFigure where two places of the file contradict one another.
        """
        header = self.units.get(role, "unknown")
        for line, units in self.units_from:
            if row.line > line:
                header = units.get(role, header)
        beside = csv_columns.unit_word(self.cell(row, "unit")) if "unit" in self.found else ""
        said = {unit for unit in (in_cell, beside, header) if unit in ("C", "F")}
        if len(said) > 1:
            raise BadFigure(say("is °C in one place of the file and °F in another"))
        unit = next(iter(said), self.unit_above)
        if unit == "unknown":
            unit = self.chosen_unit or "unknown"
        elif self.chosen_unit not in (None, unit):
            raise BadFigure(
                say(
                    "the file says °%(unit)s here; °%(chosen)s was chosen. Leave the choice open",
                    unit=unit,
                    chosen=self.chosen_unit or "",
                )
            )
        if unit == "unknown":
            raise BadFigure(say("say whether °C or °F"))
        return unit


def table_of(text: str, options: ReadOptions) -> Table:
    """Separator, header, rows, columns and units.

    The header is what stands above the first row with a date: one row, or two of equal width.

    Raises UnreadableFile, with the columns where it got that far.
    """
    separator = csv_rows.separator_of(text)
    rows = csv_rows.rows_of(text, separator)
    comments = [row.cells for row in rows if row.cells[0].startswith("#")]
    rows = [row for row in rows if not row.cells[0].startswith("#")]
    rows = _dates_put_together(rows)
    start = _first_dated(rows)
    if start is None:
        raise refuse(_no_date(rows))
    headers, header_from = _headers(rows, start)
    above = [*comments, *(row.cells for row in rows[:header_from])]
    table = Table(separator, headers, rows[start:], above)
    table.found = csv_columns.columns_of(table.headers, table.rows, options.columns, table.faults)
    _take_sections(table)
    table.chosen_unit = options.temperature_unit
    _note_units(table)
    table.columns = csv_columns.guesses(table.headers, table.rows, table.found, table.units)
    table.stop_if_faulty()
    return table


def _no_date(rows: Sequence[Row]) -> Words:
    """Words for a text without a table in it, with the way on."""
    if len(rows) <= 3 and all(len(row.cells) <= 3 for row in rows):
        return say(
            "This is no table: no row begins with a date. If you know tonight's low, type it in "
            "by hand."
        )
    return say(
        "No row with a date is found in the first %(rows)s. A table "
        "needs a header row and then rows with a date or a date and time.",
        rows=HEADER_WITHIN_ROWS,
    )


def _dates_put_together(rows: list[Row]) -> list[Row]:
    """Rows with one date in front where year, month and day stand in columns of their own."""
    for place, row in enumerate(rows[:HEADER_WITHIN_ROWS]):
        words = [headings.words_of(cell) for cell in row.cells]
        at = [
            next((i for i, one in enumerate(words) if one and one <= kind), None)
            for kind in (headings.YEAR, headings.MONTH, headings.DAY)
        ]
        year, month, day = at
        if year is None or month is None or day is None or len(set(at)) < 3:
            continue
        found = [*rows[:place], Row(row.line, ("date", *row.cells))]
        for under in rows[place + 1 :]:
            parts = [under.cells[i] if i < len(under.cells) else "" for i in (year, month, day)]
            date = (
                "-".join([parts[0], *(part.zfill(2) for part in parts[1:])])
                if all(part.isdigit() for part in parts)
                else ""
            )
            found.append(Row(under.line, (date, *under.cells)))
        return found
    return rows


def _first_dated(rows: Sequence[Row]) -> int | None:
    """The first row of data: one with a date, and with another below it in the same place."""
    alone = None
    for index, row in enumerate(rows[:HEADER_WITHIN_ROWS]):
        for at, cell in enumerate(row.cells):
            if not _is_date(cell):
                continue
            if index + 1 == len(rows) or (
                at < len(rows[index + 1].cells) and _is_date(rows[index + 1].cells[at])
            ):
                return index
            alone = index if alone is None else alone
    for index in range(1, min(len(rows), HEADER_WITHIN_ROWS)):
        for name, cell in zip(rows[index - 1].cells, rows[index].cells, strict=False):
            if headings.words_of(name) & headings.TIME and csv_times.number_stamp_of(cell):
                return index
    return alone


def _is_date(cell: str) -> bool:
    try:
        return csv_times.stamp_of(cell) is not None
    except BadFigure:  # a date all the same, with a bad time of day
        return True


def _headers(rows: Sequence[Row], start: int) -> tuple[tuple[str, ...], int]:
    """The columns' names, and the index of the first row they are taken from."""
    above = [
        index
        for index in range(start)
        if sum(bool(cell) for cell in rows[index].cells) > 1 or _is_unit_row(rows[index])
    ]
    if not above:
        raise refuse(
            say("The first row should name the columns, such as “Time” and “Temperature (°C)”."),
            line=rows[start].line,
        )
    last = above[-1]
    first = last
    if len(above) > 1 and not _names_all(rows[last]):
        before = above[-2]
        if len(rows[before].cells) == len(rows[last].cells):
            first = before
    return csv_rows.headers_of([rows[i] for i in dict.fromkeys((first, last))]), first


def _is_unit_row(row: Row) -> bool:
    filled = [cell for cell in row.cells if cell]
    return bool(filled) and all(csv_columns.unit_word(cell) for cell in filled)


def _names_all(row: Row) -> bool:
    """Whether a row by itself names a time and one temperature."""
    roles = [headings.role_of(cell) for cell in row.cells]
    has_time = any(headings.words_of(cell) & headings.TIME for cell in row.cells)
    temperatures = roles.count("temperature") or roles.count("low")
    return has_time and temperatures == 1


def _take_sections(table: Table) -> None:
    """Take headers that come again further down out of the rows, and keep the units they name."""
    main = "temperature" if "temperature" in table.found else "low"
    time = "time" if "time" in table.found else "date"
    if main not in table.found or time not in table.found:
        return
    kept = []
    for row in table.rows:
        stamp, name = table.cell(row, time), table.cell(row, main)
        is_header = (
            bool(headings.words_of(stamp) & headings.TIME)
            and not _is_date(stamp)
            and any(headings.role_of(cell) in ("temperature", "low") for cell in row.cells)
        )
        if not is_header:
            kept.append(row)
        elif headings.role_of(name) != headings.role_of(table.header(main)):
            table.fault(row, main, say("has other columns from here on; split the file"))
        else:
            table.units_from.append(
                (
                    row.line,
                    {
                        role: unit
                        for role in csv_columns.TEMPERATURE_ROLES & table.found.keys()
                        if (unit := csv_columns.unit_of(table.cell(row, role), role)) != "unknown"
                    },
                )
            )
            table.notes.append(
                say("Line %(line)s is a header again; its units hold below it.", line=row.line)
            )
    table.rows = kept


def _note_units(table: Table) -> None:
    """The unit each column's heading names; of the temperature also what stands above or beside."""
    table.units = {
        role: csv_columns.unit_of(table.headers[index], role) for role, index in table.found.items()
    }
    main = table.units.get("temperature", table.units.get("low", "unknown"))
    for role in csv_columns.TEMPERATURE_ROLES & table.units.keys():
        if table.units[role] == "unknown":
            table.units[role] = main
    for cells in table.above:
        whole = " ".join(cells).lstrip("# ")
        label = _UNIT_LABEL.search(whole)
        unit = csv_columns.unit_word(whole[label.end() :].strip(" :=,;\t")) if label else ""
        if unit:
            table.unit_above = unit


def knows_unit(table: Table, role: str) -> bool:
    """Whether the unit of a column is known from anywhere, or has been chosen."""
    if table.units[role] != "unknown" or table.unit_above != "unknown" or table.chosen_unit:
        return True
    if "unit" in table.found:
        return True
    return any(_WITH_UNIT.fullmatch(table.cell(row, role)) is not None for row in table.rows[:20])


def zone_of(table: Table, home: ZoneInfo, chosen: tzinfo | None) -> tzinfo | None:
    """The zone that the headings of its times, or the lines above, name; None where they do not.

    Raises UnreadableFile where it means several zones and none was chosen.
    """
    names = [table.header(role) for role in ("time", "date", "clock") if role in table.found]
    try:
        for name in names:
            zone = stated_zones.zone_in(name, home)
            if zone is not None:
                return zone
        return stated_zones.zone_beside(table.above, home)
    except BadFigure as error:
        if chosen is not None:
            return None
        raise UnreadableFile(
            [refuse(error.message, column=names[0], ask="time_zone").errors[0]],
            columns=table.columns,
        ) from error


def number_in(text: str, separator: str) -> float | None:
    """A cell's number, None where the cell stands for a missing value.

    Raises BadFigure for anything else.
    """
    return figure_in(text, separator)[0]


def figure_in(text: str, separator: str) -> tuple[float | None, str]:
    """A cell's number, None for a missing value, and the unit beside it: "C", "F" or empty.

    Raises BadFigure for anything else.
    """
    text = text.replace("\u00a0", " ").strip()
    if text.lower() in _MISSING_WORDS or _DASHES.fullmatch(text):
        return None, ""
    unit = ""
    with_unit = _WITH_UNIT.fullmatch(text.replace("℃", "°C").replace("℉", "°F"))
    bare = text
    if with_unit:
        bare, unit = with_unit[1].strip(), with_unit[2].upper()
    bare = bare.replace("\u2212", "-").replace("\u2013", "-")
    if separator != "," and _WITH_COMMA.fullmatch(bare):
        bare = bare.replace(",", ".")
    elif not _WITH_POINT.fullmatch(bare):
        if separator == "," and _WITH_COMMA.fullmatch(bare):
            raise BadFigure(
                say(
                    "%(text)s is not a number (a decimal comma needs semicolons between cells)",
                    text=quoted(text),
                )
            )
        raise BadFigure(say("%(text)s is not a number", text=quoted(text)))
    number = float(bare)
    return (None if number in _MISSING_CODES else number), unit


def stamps_by_role(table: Table) -> Mapping[str, int]:
    """The columns a row's date and time stand in."""
    return {role: table.found[role] for role in ("time", "date", "clock") if role in table.found}
