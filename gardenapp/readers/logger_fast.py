"""The quick way through a logger's file: every row laid out exactly as the first.

A year at five-minute steps is 105 000 rows, and most loggers write them all alike. Such files are
taken apart in whole columns. At the slightest difference, `parse` gives up and says nothing; the
row-by-row reader then reads the file from the start and names the line of whatever is wrong.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from gardenapp.readers import csv_times
from gardenapp.readers.csv_times import Stamp
from gardenapp.readers.logger_records import (
    MISSING_CODES,
    NO_OFFSET,
    Floats,
    Integers,
    Layout,
    RawRows,
)
from gardenapp.readers.quantities import BadFigure

Bytes = NDArray[np.uint8]

_BLANK, _MINUS, _PLUS, _POINT, _COMMA, _ZERO = b" -+.,0"
_LONGEST_FIGURE = 12
_TENS = 10 ** np.arange(_LONGEST_FIGURE + 1, dtype=np.int64)
_POWERS = _TENS.astype(np.float64)
_ALLOWED = bytes([9, 10, 13, *range(32, 127)])
# A date and time with its digits turned to 9: where each part begins is fixed by the shape alone.
_SHAPE = re.compile(
    r"(?P<date>9999([-/.])99\2(?:99)|99([-/.])99\3(?:9999|99))"
    r"[T ](?P<clock>99:99(?P<second>:99)?)(?:[.,]9+)?(?P<zone>Z|[+-]99:?99)?"
)


def parse(data: bytes, start: int, layout: Layout) -> RawRows | None:
    """The rows from byte `start` on, or None where they are not all laid out alike."""
    if layout.is_epoch or len(layout.separator) != 1:
        return None
    # A return alone ends a line too, and where `start` is was counted in line feeds.
    if data.count(b"\r", 0, start) != data.count(b"\r\n", 0, start):
        return None
    body = data[start:].rstrip(b"\r\n \t")
    if not body or body.translate(None, _ALLOWED):
        return None
    breaks, returns = body.count(b"\n"), body.count(b"\r")
    if returns and not returns == breaks == body.count(b"\r\n"):
        return None
    return_bytes = 1 if returns else 0
    if b'"' in body:
        if not _is_all_quoted(body, layout, breaks + 1, b"\r\n" if returns else b"\n"):
            return None
        body = body.replace(b'"', b"")
    text = np.frombuffer(body + (b"\r\n" if returns else b"\n"), dtype=np.uint8)
    ends = np.flatnonzero(text == 10)
    starts = np.concatenate((np.zeros(1, dtype=np.int64), ends[:-1] + 1))
    ends = ends - return_bytes
    if text[0] == ord("#") or (ends <= starts).any():
        return None
    count, cuts_each = len(starts), len(layout.headers) - 1
    separators = np.flatnonzero(text == ord(layout.separator))
    if cuts_each == 0 or separators.size != count * cuts_each:
        return None
    cuts = separators.reshape(count, cuts_each)
    if (cuts[:, 0] < starts).any() or (cuts[:, -1] >= ends).any():
        return None

    def field(index: int) -> tuple[Integers, Integers]:
        return (
            starts if index == 0 else cuts[:, index - 1] + 1,
            ends if index == cuts_each else cuts[:, index],
        )

    moments = _characters(text, *field(layout.found["time" if "time" in layout.found else "date"]))
    if moments is not None and "time" not in layout.found:
        clocks = _characters(text, *field(layout.found["clock"]))
        if clocks is None:
            return None
        blank = np.full((1, count), _BLANK, dtype=np.uint8)
        moments = np.vstack((moments, blank, clocks))
    if moments is None:
        return None
    rows = _moments(moments)
    if rows is None:
        return None
    allows_comma = layout.separator != ","
    temperature = _figures(text, *field(layout.found["temperature"]), allows_comma)
    humidity = None
    if "humidity" in layout.found:
        humidity = _figures(text, *field(layout.found["humidity"]), allows_comma)
        if humidity is None:
            return None
    if temperature is None:
        return None
    rows.line = layout.first_line + np.arange(count, dtype=np.int64)
    rows.temperature, rows.humidity = temperature, humidity
    return rows


def _is_all_quoted(body: bytes, layout: Layout, lines: int, ending: bytes) -> bool:
    """Whether every cell of every line stands in quotation marks, and they nowhere else.

    Then they can be dropped. Were only some cells quoted, one could hide a separator.
    """
    cells = len(layout.headers)
    return (
        body.startswith(b'"')
        and body.endswith(b'"')
        and body.count(b'"') == 2 * cells * lines
        and body.count(b'"' + layout.separator.encode() + b'"') == (cells - 1) * lines
        and body.count(b'"' + ending + b'"') == lines - 1
    )


def _characters(text: Bytes, starts: Integers, ends: Integers) -> Bytes | None:
    """Cells of equal width as a matrix, the cells' first characters in its first row and so on."""
    width = int(ends[0] - starts[0])
    if not 0 < width <= 40 or (ends - starts != width).any():
        return None
    windows = np.lib.stride_tricks.sliding_window_view(text, width)
    return np.ascontiguousarray(windows[starts].T)


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


def _figures(text: Bytes, starts: Integers, ends: Integers, allows_comma: bool) -> Floats | None:
    """Plain decimal numbers, empty cells as nan; None where any cell is anything else.

    Digits are gathered from the right into a whole number and divided once by a power of ten,
    which rounds as `float` does.
    """
    starts = starts + ((text[starts] == _BLANK) & (ends > starts))
    width: Integers = ends - starts
    widest = int(width.max())
    if widest > _LONGEST_FIGURE or int(ends[0]) < widest:
        return None
    if not widest:
        return np.full(len(starts), np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(text, widest)
    # From the right: the last character of every cell first, then those before it.
    characters = np.ascontiguousarray(windows[ends - widest].T[::-1])
    marks = (_POINT, _COMMA) if allows_comma else (_POINT,)
    has_one_shape = next(
        (
            place
            for place in range(widest)
            if any((characters[place] == mark).all() for mark in marks)
        ),
        None,
    )
    value = np.zeros(len(starts), dtype=np.int64)
    negative = np.zeros(len(starts), dtype=bool)
    # Digits right of the mark: of the whole column where it stands in one place, else cell by cell.
    decimals = np.full(len(starts), has_one_shape or 0, dtype=np.int8)
    found_mark = np.zeros(len(starts), dtype=bool)
    seen_digits = np.zeros(len(starts), dtype=np.int8)
    for place, character in enumerate(characters):
        if place == has_one_shape:
            if (width <= place).any():
                return None
            found_mark[:] = True
            continue
        inside = width > place
        digit = character - np.uint8(_ZERO)
        is_digit = inside & (digit <= 9)
        other = inside & ~is_digit
        if other.any():
            is_sign = other & ((character == _MINUS) | (character == _PLUS)) & (width == place + 1)
            is_mark = other & np.isin(character, marks)
            if (other & ~is_sign & ~is_mark).any() or (is_mark & found_mark).any():
                return None
            found_mark |= is_mark
            decimals[is_mark] = place
            negative |= is_sign & (character == _MINUS)
        seen_digits += is_digit
        counted = np.where(is_digit, digit, 0)
        if has_one_shape is not None:
            value += counted * np.int64(10 ** (place - (place > has_one_shape)))
        else:
            value += counted * _TENS[place - found_mark.astype(np.int8)]
    if ((width > 0) & (seen_digits == 0)).any():
        return None
    figures: Floats = value / _POWERS[decimals]
    figures[negative] *= -1.0
    figures[width == 0] = np.nan
    for code in MISSING_CODES:
        figures[figures == code] = np.nan
    return figures
