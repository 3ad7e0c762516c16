"""The quick way through a logger's file: every row laid out exactly as the first.

A year at five-minute steps is 105 000 rows, and most loggers write them all alike. Such files are
taken apart in whole columns. At the slightest difference, `parse` gives up and says nothing; the
row-by-row reader then reads the file from the start and names the line of whatever is wrong.
"""

from __future__ import annotations

import re

import numpy as np

from gardenapp.readers import columns_fast, csv_times
from gardenapp.readers.columns_fast import Bytes
from gardenapp.readers.csv_times import Stamp
from gardenapp.readers.logger_records import (
    NO_OFFSET,
    Integers,
    Layout,
    RawRows,
)
from gardenapp.readers.quantities import BadFigure

_BLANK, _ZERO = b" 0"
# A date and time with its digits turned to 9: where each part begins is fixed by the shape alone.
_SHAPE = re.compile(
    r"(?P<date>9999([-/.])99\2(?:99)|99([-/.])99\3(?:9999|99))"
    r"[T ](?P<clock>99:99(?P<second>:99)?)(?:[.,]9+)?(?P<zone>Z|[+-]99:?99)?"
)


def parse(data: bytes, start: int, layout: Layout) -> RawRows | None:
    """The rows from byte `start` on, or None where they are not all laid out alike."""
    if layout.is_epoch:
        return None
    columns = columns_fast.cut(data, start, separator=layout.separator, cells=len(layout.headers))
    if columns is None:
        return None
    moments = columns.characters(layout.found["time" if "time" in layout.found else "date"])
    if moments is not None and "time" not in layout.found:
        clocks = columns.characters(layout.found["clock"])
        if clocks is None:
            return None
        blank = np.full((1, len(columns)), _BLANK, dtype=np.uint8)
        moments = np.vstack((moments, blank, clocks))
    if moments is None:
        return None
    rows = _moments(moments)
    if rows is None:
        return None
    allows_comma = layout.separator != ","
    temperature = columns.figures(layout.found["temperature"], allows_comma=allows_comma)
    humidity = None
    if "humidity" in layout.found:
        humidity = columns.figures(layout.found["humidity"], allows_comma=allows_comma)
        if humidity is None:
            return None
    if temperature is None:
        return None
    rows.line = layout.first_line + np.arange(len(columns), dtype=np.int64)
    rows.temperature, rows.humidity = temperature, humidity
    return rows


def _moments(characters: Bytes) -> RawRows | None:
    """Dates and times of one shape; figures are still to be filled in."""
    first = characters[:, 0]
    is_digit = (first >= _ZERO) & (first <= _ZERO + 9)
    written = first.tobytes().decode("ascii")
    shape = _SHAPE.fullmatch(re.sub("[0-9]", "9", written))
    if shape is None:
        return None
    digits = characters - np.uint8(_ZERO)  # what lies below "0" wraps round to above 9
    for place, may_vary in enumerate(is_digit):
        if may_vary:
            if digits[place].max() > 9:
                return None
        elif (characters[place] != first[place]).any():
            return None

    def number(begin: int, end: int) -> Integers:
        value: Integers = digits[begin].astype(np.int64)
        for place in range(begin + 1, end):
            value = value * 10 + digits[place]
        return value

    clock = shape.start("clock")
    hour, minute = number(clock, clock + 2), number(clock + 3, clock + 5)
    clock_s = hour * 3600 + minute * 60
    second_max = 0
    if shape["second"]:
        second = number(clock + 6, clock + 8)
        second_max = int(second.max())
        clock_s += second
    if hour.max() > 23 or minute.max() > 59 or second_max > 59:
        return None  # 24:00, or nonsense: both are for the careful reader
    count = characters.shape[1]
    offset_s = np.full(count, NO_OFFSET, dtype=np.int64)
    zone = shape["zone"]
    if zone == "Z":
        offset_s[:] = 0
    elif zone:
        at = shape.start("zone")
        hours, minutes = number(at + 1, at + 3), number(len(written) - 2, len(written))
        if hours.max() > 14 or minutes.max() > 59:
            return None
        offset_s = (hours * 3600 + minutes * 60) * (-1 if zone[0] == "-" else 1)
    # Rows of one day stand together, so that only the first of each run is looked at.
    turns = np.zeros(count, dtype=bool)
    turns[0] = True
    for place in range(shape.end("date")):
        turns[1:] |= digits[place, 1:] != digits[place, :-1]
    stamps: dict[Stamp, int] = {}
    stamp_of_run = []
    for day in characters[: shape.end("date"), turns].T:
        try:
            stamp = csv_times.stamp_of(day.tobytes().decode("ascii"))
        except BadFigure:
            return None
        if stamp is None:
            return None
        stamp_of_run.append(stamps.setdefault(stamp, len(stamps)))
    nothing = np.zeros(0)
    return RawRows(
        line=np.zeros(0, dtype=np.int64),
        stamps=list(stamps),
        stamp_index=np.array(stamp_of_run, dtype=np.int64)[np.cumsum(turns) - 1],
        clock_s=clock_s,
        offset_s=offset_s,
        temperature=nothing,
        humidity=None,
        has_seconds=bool(shape["second"]),
    )
