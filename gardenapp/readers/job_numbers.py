"""Numbers of jobs as somebody types them off a ticked sheet: `1-5, 8 12`."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from gardenapp.messages import Message, say

MOST_DIGITS = 4
# A hyphen, a dash of any length or a minus sign: keyboards differ.
DASHES = "-\N{HYPHEN}\N{NON-BREAKING HYPHEN}\N{FIGURE DASH}\N{EN DASH}\N{EM DASH}\N{MINUS SIGN}"
_DASH = re.compile(rf"\s*[{DASHES}]\s*")
_BETWEEN = re.compile(r"[\s,;.]+")
_NUMBER = re.compile(rf"\d{{1,{MOST_DIGITS}}}", re.ASCII)
_RANGE = re.compile(rf"(\d{{1,{MOST_DIGITS}}})-(\d{{1,{MOST_DIGITS}}})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Unread:
    """A piece that is no number of a job, as it was typed, and why not."""

    text: str
    why: Message


@dataclass(frozen=True, slots=True)
class TypedNumbers:
    """What stood in one field.

    numbers : each once, in the order in which they were typed. twice : those typed more than once.
    """

    numbers: tuple[int, ...]
    twice: tuple[int, ...] = ()
    unread: tuple[Unread, ...] = ()


def read_numbers(text: str) -> TypedNumbers:
    """Single numbers and ranges, between commas, semicolons, full stops, blanks or lines."""
    found: dict[int, int] = {}
    unread: list[Unread] = []
    for piece in filter(None, _BETWEEN.split(_DASH.sub("-", text))):
        if _NUMBER.fullmatch(piece):
            numbers: Iterable[int] = (int(piece),)
        elif ends := _RANGE.fullmatch(piece):
            first, last = int(ends[1]), int(ends[2])
            if first > last:
                unread.append(Unread(piece, say("the first number is the larger")))
                continue
            numbers = range(first, last + 1)
        else:
            unread.append(Unread(piece, say("that is not a number on a sheet")))
            continue
        for number in numbers:
            found[number] = found.get(number, 0) + 1
    twice = tuple(number for number, times in found.items() if times > 1)
    return TypedNumbers(tuple(found), twice, tuple(unread))


def shortly(numbers: Iterable[int]) -> str:
    """Numbers in rising order, three and more in a row as a range: `1–5, 8, 12`."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    pieces: list[str] = []
    for first, last in runs:
        if last - first >= 2:
            pieces.append(f"{first}\N{EN DASH}{last}")
        else:
            pieces += [str(number) for number in range(first, last + 1)]
    return ", ".join(pieces)
