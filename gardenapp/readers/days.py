"""Days of weather from a plain table: `date,min_c,max_c` and, where known, `mean_c`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from gardenapp.messages import Number, say
from gardenapp.readers import csv_rows, plain_text
from gardenapp.readers.records import Faults, quoted, refuse

LARGEST_BYTES = 4_000_000
COLDEST_C, WARMEST_C = -95.0, 60.0
MOST_DAYS = 40_000
_NAMES = {
    "date": ("date", "day"),
    "min": ("min_c", "low_c", "tmin_c"),
    "max": ("max_c", "high_c", "tmax_c"),
    "mean": ("mean_c", "tmean_c"),
}
_MISSING = frozenset({"", "NA", "N/A", "NAN", "-999", "-9999"})
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,4}(?:[.,][0-9]{0,10})?|[.,][0-9]{1,10})", re.ASCII)


@dataclass(frozen=True)
class WeatherDay:
    """One day; None where the table leaves a cell empty. [°C]"""

    on_date: date
    min_c: float | None
    mean_c: float | None


def read_days(data: bytes) -> tuple[WeatherDay, ...]:
    """Every day from the first to the last of a table, those it leaves out with nothing known.

    A mean that is not given is the middle of the minimum and the maximum. Raises UnreadableFile
    with line and column for what is wrong: another table, dates twice, a maximum below its minimum,
    or temperatures no weather has.
    """
    text = plain_text.decode(data, encoding=None, largest_bytes=LARGEST_BYTES)
    rows = csv_rows.rows_of(text, csv_rows.separator_of(text))
    if not rows:
        raise refuse(say("The file holds no rows."))
    header = [cell.lower() for cell in rows[0].cells]
    places = {
        key: next((header.index(name) for name in names if name in header), None)
        for key, names in _NAMES.items()
    }
    if places["date"] is None or places["min"] is None or places["max"] is None:
        raise refuse(say("The table needs the columns date, min_c and max_c."), line=rows[0].line)
    faults = Faults()
    found: dict[date, WeatherDay] = {}
    for row in rows[1:]:
        day = _date_of(_cell(row, places["date"]), row, faults)
        if day is None:
            continue
        if day in found:
            faults.add(
                say("%(day)s comes a second time", day=day.isoformat()),
                line=row.line,
                column="date",
            )
            continue
        low, high, mean = (
            _celsius(row, places[key], header, faults) for key in ("min", "max", "mean")
        )
        if low is not None and high is not None and high < low:
            faults.add(
                say(
                    "the low %(low_c)s °C is above the high %(high_c)s °C",
                    low_c=Number(low),
                    high_c=Number(high),
                ),
                line=row.line,
                column=header[places["min"]],
            )
            continue
        if mean is None and low is not None and high is not None:
            mean = (low + high) / 2.0
        found[day] = WeatherDay(day, low, mean)
    faults.raise_if_any()
    if not found:
        raise refuse(say("The file holds no days."))
    first, last = min(found), max(found)
    if (last - first).days >= MOST_DAYS:
        raise refuse(say("The file's days lie more than a century apart."))
    return tuple(
        found.get(on, WeatherDay(on, None, None))
        for on in (first + timedelta(days=n) for n in range((last - first).days + 1))
    )


def _cell(row: csv_rows.Row, place: int | None) -> str:
    return row.cells[place].strip() if place is not None and place < len(row.cells) else ""


def _date_of(typed: str, row: csv_rows.Row, faults: Faults) -> date | None:
    try:
        return date.fromisoformat(typed)
    except ValueError:
        faults.add(
            say("%(text)s is not a date such as 2016-01-31", text=quoted(typed)),
            line=row.line,
            column="date",
        )
        return None


def _celsius(
    row: csv_rows.Row, place: int | None, header: list[str], faults: Faults
) -> float | None:
    """The temperature in a cell, None where it is empty or wrong (and then noted)."""
    typed = _cell(row, place)
    if place is None or typed.upper() in _MISSING:
        return None
    if not _NUMBER.fullmatch(typed):
        faults.add(
            say("%(text)s is not a number", text=quoted(typed)), line=row.line, column=header[place]
        )
        return None
    value = float(typed.replace(",", "."))
    if not COLDEST_C <= value <= WARMEST_C:
        faults.add(
            say("%(value)s °C is no temperature of the air", value=Number(value)),
            line=row.line,
            column=header[place],
        )
        return None
    return value
