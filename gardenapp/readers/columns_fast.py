"""A large table taken apart in whole columns, where every row is laid out exactly as the first.

A year at five-minute steps is 105 000 rows, and most programs write them all alike. At the
slightest difference `cut` and the columns give up and say nothing; a row-by-row reader then reads
the file from the start and names the line of whatever is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gardenapp.readers.logger_records import MISSING_CODES, Floats, Integers

Bytes = NDArray[np.uint8]

_BLANK, _MINUS, _PLUS, _POINT, _COMMA, _ZERO = b" -+.,0"
_LONGEST_FIGURE = 12
_TENS = 10 ** np.arange(_LONGEST_FIGURE + 1, dtype=np.int64)
_POWERS = _TENS.astype(np.float64)
_ALLOWED = bytes([9, 10, 13, *range(32, 127)])


@dataclass(frozen=True)
class Columns:
    """A table's text, and where in it each row begins and ends and each cell but the last ends."""

    text: Bytes
    starts: Integers
    ends: Integers
    cuts: Integers

    def __len__(self) -> int:
        return len(self.starts)

    def characters(self, index: int) -> Bytes | None:
        """Cells of equal width as a matrix, the cells' first characters in its first row."""
        return _characters(self.text, *self._field(index))

    def figures(self, index: int, *, allows_comma: bool) -> Floats | None:
        """Plain decimal numbers, empty cells as nan; None where any cell is anything else."""
        return _figures(self.text, *self._field(index), allows_comma)

    def _field(self, index: int) -> tuple[Integers, Integers]:
        last = self.cuts.shape[1]
        return (
            self.starts if index == 0 else self.cuts[:, index - 1] + 1,
            self.ends if index == last else self.cuts[:, index],
        )


def cut(data: bytes, start: int, *, separator: str, cells: int) -> Columns | None:
    """The rows from byte `start` on, each of so many cells; None where they are not all alike."""
    if len(separator) != 1:
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
        ending = b"\r\n" if returns else b"\n"
        if not _is_all_quoted(body, separator.encode(), cells, breaks + 1, ending):
            return None
        body = body.replace(b'"', b"")
    text = np.frombuffer(body + (b"\r\n" if returns else b"\n"), dtype=np.uint8)
    ends = np.flatnonzero(text == 10)
    starts = np.concatenate((np.zeros(1, dtype=np.int64), ends[:-1] + 1))
    ends = ends - return_bytes
    if text[0] == ord("#") or (ends <= starts).any():
        return None
    count, cuts_each = len(starts), cells - 1
    separators = np.flatnonzero(text == ord(separator))
    if cuts_each == 0 or separators.size != count * cuts_each:
        return None
    cuts = separators.reshape(count, cuts_each)
    if (cuts[:, 0] < starts).any() or (cuts[:, -1] >= ends).any():
        return None
    return Columns(text, starts, ends, cuts)


def _is_all_quoted(body: bytes, separator: bytes, cells: int, lines: int, ending: bytes) -> bool:
    """Whether every cell of every line stands in quotation marks, and they nowhere else.

    Then they can be dropped. Were only some cells quoted, one could hide a separator.
    """
    return (
        body.startswith(b'"')
        and body.endswith(b'"')
        and body.count(b'"') == 2 * cells * lines
        and body.count(b'"' + separator + b'"') == (cells - 1) * lines
        and body.count(b'"' + ending + b'"') == lines - 1
    )


def _characters(text: Bytes, starts: Integers, ends: Integers) -> Bytes | None:
    """Cells of equal width as a matrix, the cells' first characters in its first row and so on."""
    width = int(ends[0] - starts[0])
    if not 0 < width <= 40 or (ends - starts != width).any():
        return None
    windows = np.lib.stride_tricks.sliding_window_view(text, width)
    return np.ascontiguousarray(windows[starts].T)


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
