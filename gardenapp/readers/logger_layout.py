"""Where a logger's file keeps its times, temperatures and humidity.

Loggers name their columns in many ways and often put lines of their own above the header, so the
data are found first: the first row with a date and a figure. Unlike a weather station's table,
"inside" or "sensor 1" does not rule a column out here.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

from gardenapp.messages import say
from gardenapp.readers import csv_columns, csv_rows, csv_times
from gardenapp.readers.csv_rows import Row
from gardenapp.readers.logger_records import Layout, LoggerOptions
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import Faults, quoted, refuse

_HEADER_WITHIN_ROWS = 60
_ROWS_TO_JUDGE = 50
_USED_ROLES = frozenset({"time", "date", "clock", "temperature", "humidity"})
# Seconds or milliseconds since 1970, from 2001 to 2096.
EPOCH = re.compile(r"[1-3][0-9]{9}(?:[0-9]{3})?", re.ASCII)
_FIGURE = re.compile(r"[+\-\u2212]?[0-9]{1,5}(?:[.,][0-9]*)?", re.ASCII)

# Where the logger hung, or which of its sensors it was: says nothing about what was measured.
_PLACE_WORDS = re.compile(
    r"\b(?:in|indoor|inside|innen|room|out|outdoor|outside|sensor|station|probe|channel|ch)\b"
    r"|(?<=[a-z])_(?:in|out)\b",
    re.IGNORECASE,
)
_TEMPERATURE_START = re.compile(r"temp|celsius|fahrenheit|°\s*[cf]\b|deg\s*[cf]\b", re.IGNORECASE)
_HUMIDITY_START = re.compile(
    r"humid|feucht|vochtig|humed|umidit|luftfukt|%\s*r\.?h|\brh\b|\br\.h\.|\bhum\b", re.IGNORECASE
)
_NEITHER = re.compile(
    r"dew|taupunkt|ros[ée]e|vpd|deficit|alarm|limit|thresh|batter|\bmin|\bmax|average|\bavg|mean"
    r"|heat\s*index|wet|feels|absol|set\s*point|abs\.|g/m",
    re.IGNORECASE,
)


def role_of(header: str) -> str:
    """ "temperature", "humidity" or empty, from a header's words in several languages."""
    folded = unicodedata.normalize("NFKC", header).replace("º", "°")
    bare = _PLACE_WORDS.sub(" ", folded)
    if _NEITHER.search(bare):
        return ""
    if _HUMIDITY_START.search(bare) or csv_columns.role_of(bare) == "humidity":
        return "humidity"
    if _TEMPERATURE_START.search(bare) or csv_columns.role_of(bare) == "temperature":
        return "temperature"
    return "temperature" if bare.strip(" ()[]°").lower() in ("t", "c", "f") else ""


def layout_of(head: str, options: LoggerOptions, *, is_whole_file: bool) -> Layout:
    """The layout of a file from the text of its first lines.

    Raises UnreadableFile where there are no data, no header, no temperature, or no unit; with the
    columns for choosing, as soon as they are known.
    """
    separator = csv_rows.separator_of(_body_of(head))
    rows = csv_rows.rows_of(head, separator)
    start = _first_data(rows[:_HEADER_WITHIN_ROWS])
    if start is None:
        only_header = is_whole_file and len(rows) == 1
        raise refuse(
            say("There is a header and nothing under it.")
            if only_header
            else say(
                "No row with a date and a figure is found in the first "
                "%(rows)s. A logger's file needs a header row and then rows "
                "with a date, a time and a temperature.",
                rows=_HEADER_WITHIN_ROWS,
            )
        )
    width = len(rows[start].cells)
    above = [row for row in rows[:start] if sum(bool(cell) for cell in row.cells) > 1]
    if not above:
        raise refuse(
            say("The first row should name the columns, such as “Time” and “Temperature (°C)”."),
            line=rows[start].line,
        )
    # The line right above the data; a second one only where both are as wide as the data.
    header_rows = above[-1:]
    if (
        len(above) > 1
        and len(above[-1].cells) == len(above[-2].cells) == width
        and all(above[-2].cells)
    ):
        header_rows = above[-2:]
    headers = csv_rows.headers_of(header_rows)
    data = rows[start:]
    faults = Faults()
    chosen = _chosen(headers, data, options.columns or {}, faults)
    found = csv_columns.columns_of(headers, data, chosen, faults)
    found = {role: index for role, index in found.items() if role in _USED_ROLES}
    is_epoch = _find_epoch(headers, data, found)
    units = {role: csv_columns.unit_of(headers[index], role) for role, index in found.items()}
    if "temperature" in units and (
        options.temperature_unit is not None
        or (units["temperature"] == "unknown" and _bare_unit(headers[found["temperature"]]))
    ):
        units["temperature"] = options.temperature_unit or _bare_unit(headers[found["temperature"]])
    layout = Layout(
        separator=separator,
        headers=headers,
        header_line=header_rows[-1].line,
        first_line=data[0].line,
        found=found,
        units=units,
        columns=csv_columns.guesses(headers, data, found, units),
        first_cells=data[0].cells,
        is_epoch=is_epoch,
        faults=faults,
    )
    layout.stop_if_faulty()
    _check(layout)
    _note_others(layout)
    return layout


def _body_of(head: str) -> str:
    """The last lines of the head, by which the separator is judged: lines above the header lie."""
    lines = [line for line in head.splitlines() if line.strip()]
    return "\n".join(lines[-20:])


def _first_data(rows: Sequence[Row]) -> int | None:
    """The first row with a date and a figure; else the first of several cells with a date.

    A line above the header may well hold a date ("Read out, 2026-05-14"), but no figure beside it;
    and the first row of data may have a missing or unreadable figure.
    """
    with_date = None
    for found, row in enumerate(rows):
        index = found
        if row.cells[0].startswith("#"):
            continue
        times = [_is_time(cell) for cell in row.cells]
        if not any(times):
            continue
        if any(
            _FIGURE.fullmatch(cell)
            for cell, is_time in zip(row.cells, times, strict=True)
            if not is_time
        ):
            at = times.index(True)
            while index and _is_alike(rows[index - 1], row, at):
                index -= 1
            return index
        if with_date is None and len(row.cells) > 1:
            with_date = index
    return with_date


def _is_alike(row: Row, data: Row, at: int) -> bool:
    """Whether a row is laid out as the data and has its time in the same place."""
    return len(row.cells) == len(data.cells) and _is_time(row.cells[at])


def _is_time(cell: str) -> bool:
    try:
        return csv_times.stamp_of(cell) is not None or EPOCH.fullmatch(cell) is not None
    except BadFigure:  # a date all the same, with a bad time of day
        return True


def _is_figures(data: Sequence[Row], index: int) -> bool:
    cells = [row.cells[index] for row in data[:_ROWS_TO_JUDGE] if index < len(row.cells)]
    return any(_FIGURE.fullmatch(cell) for cell in cells)


def _chosen(
    headers: Sequence[str], data: Sequence[Row], said: Mapping[str, str], faults: Faults
) -> dict[str, str]:
    """A person's choice of columns, filled up with the guess; roles not used are declined."""
    chosen = {role: "" for role in csv_columns.ROLES if role not in _USED_ROLES}
    for role, header in said.items():
        if role in _USED_ROLES:
            chosen[role] = header
        else:
            faults.add(
                say("%(role)s is not something a logger's column can be read as", role=quoted(role))
            )
    for role in ("temperature", "humidity"):
        if role in chosen:
            continue
        candidates = [
            index
            for index, header in enumerate(headers)
            if role_of(header) == role and header not in chosen.values()
        ]
        with_figures = [index for index in candidates if _is_figures(data, index)]
        best = (with_figures or candidates)[:1]
        chosen[role] = headers[best[0]] if best else ""
    return chosen


def _find_epoch(headers: Sequence[str], data: Sequence[Row], found: dict[str, int]) -> bool:
    """Take a column of seconds or milliseconds since 1970 for the time where there is no other."""

    def is_epoch(index: int) -> bool:
        cells = [row.cells[index] for row in data[:_ROWS_TO_JUDGE] if index < len(row.cells)]
        return bool(cells) and all(EPOCH.fullmatch(cell) for cell in cells)

    if "time" in found or "date" in found:
        return is_epoch(found["time"]) if "time" in found else False
    for index in range(len(headers)):
        if index not in found.values() and is_epoch(index):
            found["time"] = index
            return True
    return False


def _bare_unit(header: str) -> str:
    """The unit of headers like "Celsius(°C)", "C" or "T1 ºF"."""
    folded = unicodedata.normalize("NFKC", header.replace("º", "°")).strip().lower()
    is_celsius = folded == "c" or re.search(r"°\s*c\b|celsius|degc\b", folded) is not None
    is_fahrenheit = folded == "f" or re.search(r"°\s*f\b|fahrenheit|degf\b", folded) is not None
    if is_celsius == is_fahrenheit:
        return "unknown"
    return "C" if is_celsius else "F"


def _check(layout: Layout) -> None:
    """Refuse a file whose needed columns, or their unit, are not known."""
    if "time" not in layout.found and "date" not in layout.found:
        layout.faults.add(say("No column with dates is found; choose it."), column="time")
    elif "time" not in layout.found and "clock" not in layout.found:
        layout.faults.add(
            say("has dates without a time of day: a trial needs the moment of each reading"),
            column=layout.headers[layout.found["date"]],
        )
    if "temperature" not in layout.found:
        layout.faults.add(
            say("No column with the temperature is found; choose it."), column="temperature"
        )
    elif layout.units["temperature"] == "unknown":
        layout.faults.add(
            say("say whether °C or °F"), column=layout.headers[layout.found["temperature"]]
        )
    layout.stop_if_faulty()


def _note_others(layout: Layout) -> None:
    used = layout.found["temperature"]
    others = [
        header
        for index, header in enumerate(layout.headers)
        if index != used and index not in layout.found.values() and role_of(header) == "temperature"
    ]
    if others:
        layout.notes.append(
            say(
                "The temperature is read from %(header)s; %(others)s could be chosen instead.",
                header=quoted(layout.headers[used]),
                others=", ".join(quoted(header) for header in others[:3]),
            )
        )
