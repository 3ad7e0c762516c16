"""A table of minima read in a screen and near the ground, a night a row.

The columns are those in which weather services publish them, renamed: `night` (the date on which
the minima are booked), `screen_min_c`, `ground_min_c`, and where known `cloud_eighths`,
`wind_mean_mps` and `vapour_pressure_hpa`, whose cells may be empty. Others are left aside.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
import numpy.typing as npt

from gardenapp.messages import listed, say
from gardenapp.readers import columns_fast
from gardenapp.readers.csv_rows import separator_of
from gardenapp.readers.plain_text import decode
from gardenapp.readers.records import Faults, quoted, refuse
from gardenapp.science.night.ground import GroundNights

Floats = npt.NDArray[np.float64]
Days = npt.NDArray[np.datetime64]

LARGEST_BYTES = 40_000_000
MOST_NIGHTS = 500_000
NEEDED = ("night", "screen_min_c", "ground_min_c")
# What is read beside them, and the range in which a figure can be meant.
_RANGES = {
    "screen_min_c": (-90.0, 60.0),
    "ground_min_c": (-95.0, 70.0),
    "cloud_eighths": (0.0, 8.0),
    "wind_mean_mps": (0.0, 80.0),
    "vapour_pressure_hpa": (0.1, 80.0),
}


def read_ground(data: bytes) -> GroundNights:
    """The nights of a table. Rows without a date or one of the two minima are left out.

    Raises UnreadableFile with every line that is wrong, or where a column or all rows are missing.
    """
    text = decode(data, encoding=None, largest_bytes=LARGEST_BYTES)
    separator = separator_of(text)
    found = _at_once(data, text, separator)
    return _row_by_row(text, separator) if found is None else found


def _at_once(data: bytes, text: str, separator: str) -> GroundNights | None:
    """The nights of a table whose rows are all alike and right; None where any is not."""
    head, _line, _rest = text.partition("\n")
    heads = _heads(head.split(separator))
    if not set(NEEDED) <= set(heads) or len(set(heads)) != len(heads):
        return None
    columns = columns_fast.cut(data, data.find(b"\n") + 1, separator=separator, cells=len(heads))
    if columns is None or len(columns) > MOST_NIGHTS:
        return None
    days = _days_at_once(columns.characters(heads.index("night")))
    if days is None:
        return None
    numbers = {}
    for name, (low, high) in _RANGES.items():
        column: Floats | None = np.full(len(columns), math.nan)
        if name in heads:
            column = columns.figures(heads.index(name), allows_comma=separator == ";")
        if column is None or (column < low).any() or (column > high).any():
            return None
        numbers[name] = column
    return _nights(days, numbers)


def _days_at_once(characters: columns_fast.Bytes | None) -> Days | None:
    """Dates like 2026-11-24; None where any is another, or no day there is."""
    if characters is None or len(characters) != 10:
        return None
    digits = characters[[0, 1, 2, 3, 5, 6, 8, 9]].astype(np.int64) - ord("0")
    if (characters[[4, 7]] != ord("-")).any() or (digits < 0).any() or (digits > 9).any():
        return None
    years = ((digits[0] * 10 + digits[1]) * 10 + digits[2]) * 10 + digits[3]
    months, days = digits[4] * 10 + digits[5], digits[6] * 10 + digits[7]
    if (years < 1).any() or (months < 1).any() or (months > 12).any() or (days < 1).any():
        return None
    first = (years - 1970).astype("datetime64[Y]").astype("datetime64[M]") + (months - 1)
    found = first.astype("datetime64[D]") + (days - 1)
    return found if (found.astype("datetime64[M]") == first).all() else None


def _heads(cells: Sequence[str]) -> list[str]:
    return [cell.strip().strip('"').strip().lower() for cell in cells]


def _row_by_row(text: str, separator: str) -> GroundNights:
    """The same with care, naming the line of whatever is wrong."""
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        raise refuse(say("The table cannot be cut into cells: %(why)s", why=str(error))) from None
    heads = _heads(rows[0])
    missing = [name for name in NEEDED if name not in heads]
    if missing:
        raise refuse(say("The column %(names)s is missing.", names=listed(missing)), line=1)
    if len(rows) - 1 > MOST_NIGHTS:
        raise refuse(say("More than %(most)s nights; judge fewer at once.", most=MOST_NIGHTS))
    lines = [number for number, row in enumerate(rows[1:], start=2) if any(row)]
    body = [rows[number - 1] for number in lines]
    if not body:
        raise refuse(say("There is no night below the names of the columns."))
    faults = Faults()
    for line, row in zip(lines, body, strict=True):
        if len(row) != len(heads):
            faults.add(
                say("has %(cells)s cells, not %(heads)s", cells=len(row), heads=len(heads)),
                line=line,
            )
    faults.raise_if_any()
    by_name = dict(zip(heads, zip(*body, strict=True), strict=False))
    decimal = "," if separator == ";" else "."
    numbers = {
        name: _numbers(by_name[name], name, lines, decimal, faults)
        if name in by_name
        else np.full(len(body), math.nan)
        for name in _RANGES
    }
    days = _days(by_name["night"], lines, faults)
    faults.raise_if_any()
    return _nights(days, numbers)


def _nights(days: Days, numbers: Mapping[str, Floats]) -> GroundNights:
    wanted = ~(
        np.isnat(days) | np.isnan(numbers["screen_min_c"]) | np.isnan(numbers["ground_min_c"])
    )
    if not wanted.any():
        raise refuse(say("No row has a date and both minima."))
    months = days[wanted].astype("datetime64[M]")
    years = months.astype("datetime64[Y]")
    return GroundNights(
        month=(months - years.astype("datetime64[M]")).astype(np.int64) + 1,
        day_of_year=((days[wanted] - years.astype("datetime64[D]")).astype(np.int64) + 1).astype(
            np.float64
        ),
        screen_c=numbers["screen_min_c"][wanted],
        ground_c=numbers["ground_min_c"][wanted],
        cloud_fraction=numbers["cloud_eighths"][wanted] / 8.0,
        wind_mps=numbers["wind_mean_mps"][wanted],
        vapour_pressure_hpa=numbers["vapour_pressure_hpa"][wanted],
    )


def _numbers(
    cells: Sequence[str], name: str, lines: Sequence[int], decimal: str, faults: Faults
) -> Floats:
    """A column's figures, an empty cell as nan; what is no figure is told by its line."""

    def number(cell: str) -> float:
        return float(cell.replace(decimal, ".")) if cell and not cell.isspace() else math.nan

    low, high = _RANGES[name]
    found = np.full(len(cells), math.nan)
    for at, cell in enumerate(cells):
        try:
            value = number(cell)
        except ValueError:
            value = math.inf
        if value < low or value > high:
            faults.add(
                say(
                    "%(cell)s is no figure from %(low)s to %(high)s",
                    cell=quoted(cell),
                    low=low,
                    high=high,
                ),
                line=lines[at],
                column=name,
            )
        found[at] = value
    return found


def _days(cells: Sequence[str], lines: Sequence[int], faults: Faults) -> Days:
    """The dates, year first; an empty cell is none."""
    known: dict[str, str] = {}
    for at, cell in enumerate(cells):
        if cell in known:
            continue
        words = cell.strip()
        try:
            known[cell] = date.fromisoformat(words).isoformat() if words else "NaT"
        except ValueError:
            known[cell] = "NaT"
            faults.add(
                say("%(cell)s is no date like 2026-11-24", cell=quoted(cell)),
                line=lines[at],
                column="night",
            )
    return np.array([known[cell] for cell in cells], dtype="datetime64[D]")
