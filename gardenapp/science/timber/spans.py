"""What a cut plan starts from: whole numbers, boards split into usable spans, first fit.

Lengths become whole units, so that sums are exact: a plan that fits by a tenth of a millimetre
fits, and one that does not, does not. The first-fit plan is the one to beat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

_UNITS_PER_MM = 10_000  # exact for sixteenths of an inch (1.5875 mm) and for tenths of a millimetre
_MOST_STATES = 60_000
_COARSE = _UNITS_PER_MM // 20


def whole(length_mm: float) -> int:
    """A length in ten-thousandths of a millimetre."""
    return round(length_mm * _UNITS_PER_MM)


def millimetres(units: float) -> float:
    """Back to millimetres, without the dust of floating point."""
    return round(units / _UNITS_PER_MM, 4)


def usable_spans(
    length: int, defects: Sequence[tuple[int, int]], kerf: int
) -> tuple[tuple[int, int], ...]:
    """The sound stretches of a board as (from, to), in order.

    A defect narrower than the saw's cut takes the cut's width, towards the far end.
    """
    spans: list[tuple[int, int]] = []
    start = 0
    for begin, end in sorted(defects):
        if begin > start:
            spans.append((start, begin))
        start = max(start, end, begin + kerf)
    if start < length:
        spans.append((start, length))
    return tuple(spans)


@dataclass(frozen=True)
class Source:
    """One kind of board, in units. `most` is how many there are (or could be of use)."""

    index: int
    length: int
    spans: tuple[tuple[int, int], ...]
    most: int
    is_bought: bool
    is_offcut: bool


@dataclass(frozen=True)
class Task:
    """Pieces of one section and the boards they may come from, in units.

    `lengths` are distinct and fall; `wanted` says how many of each.
    """

    lengths: tuple[int, ...]
    wanted: tuple[int, ...]
    sources: tuple[Source, ...]
    kerf: int
    keep: int  # a left-over this long goes back to the store

    def grain(self) -> tuple[int, bool]:
        """Step of the knapsack's states, and whether nothing is lost by it."""
        weights = [length + self.kerf for length in self.lengths]
        step = math.gcd(*weights) or 1
        longest = max((to - at for s in self.sources for at, to in s.spans), default=0)
        if (longest + self.kerf) // step > _MOST_STATES:
            return max(step, _COARSE), False
        return step, True

    def scrap(self, span: int, used: int, count: int) -> int:
        """What a span gives to nobody: its rest where that is too short to keep, without sawdust.

        `used` is the pieces with a cut after each; the last cut may run off the end.
        """
        rest = span - used
        if rest < 0 or (count == 0 and span >= self.keep):
            return 0
        return rest if rest < self.keep else 0


@dataclass
class Filled:
    """One board in a plan: for each span, how many of each length."""

    source: Source
    contents: list[dict[int, int]]
    room: list[int] = field(default_factory=list)


@dataclass
class Layout:
    """A whole plan: boards, and how many of each length could not be had."""

    boards: list[Filled]
    short: list[int]


def goals(task: Task, layout: Layout) -> tuple[int, int, int, int]:
    """What is to be small, most important first: pieces missing, boards bought, whole boards
    on hand that were opened, and scrap; all as lengths in units.
    """
    missing = sum(n * length for n, length in zip(layout.short, task.lengths, strict=True))
    bought = sum(board.source.length for board in layout.boards if board.source.is_bought)
    opened = sum(
        board.source.length
        for board in layout.boards
        if not board.source.is_bought and not board.source.is_offcut
    )
    scrap = 0
    for board in layout.boards:
        for (at, to), content in zip(board.source.spans, board.contents, strict=True):
            used = sum(n * (task.lengths[i] + task.kerf) for i, n in content.items())
            scrap += task.scrap(to - at, used, sum(content.values()))
    return missing, bought, opened, scrap


def first_fit(task: Task) -> Layout:
    """First fit, longest piece first: offcuts before whole boards before bought ones.

    Which length to buy when nothing open has room is tried in several ways (each length
    where it is long enough, the shortest that will do, the longest), and the best plan kept.
    """
    buyable = [source.index for source in task.sources if source.is_bought]
    policies: list[int | None] = [None, *buyable]
    plans = [_first_fit(task, policy) for policy in policies]
    return min(plans, key=lambda plan: goals(task, plan))


def _first_fit(task: Task, preferred: int | None) -> Layout:
    def order(source: Source) -> tuple[int, int, int]:
        kind = 2 if source.is_bought else 0 if source.is_offcut else 1
        return (kind, 0 if source.index == preferred else 1, source.length)

    sources = sorted(task.sources, key=order)
    left = {source.index: source.most for source in sources}
    boards: list[Filled] = []
    short = [0] * len(task.lengths)
    # Where the open boards with room begin, for each length: full ones are not looked at again.
    for i, (length, wanted) in enumerate(zip(task.lengths, task.wanted, strict=True)):
        begin = 0
        for done in range(wanted):
            begin = _place(task, boards, begin, i, length)
            if begin >= 0:
                continue
            opened = _open(task, sources, left, length)
            if opened is None:
                short[i] = wanted - done
                break
            boards.append(opened)
            begin = _place(task, boards, len(boards) - 1, i, length)
    return Layout(boards, short)


def _place(task: Task, boards: list[Filled], begin: int, i: int, length: int) -> int:
    """Put one piece into the first span with room; the board's number, or −1."""
    for number in range(begin, len(boards)):
        board = boards[number]
        for j, room in enumerate(board.room):
            if room >= length:
                board.contents[j][i] = board.contents[j].get(i, 0) + 1
                board.room[j] = room - length - task.kerf
                return number
    return -1


def _open(
    task: Task, sources: Sequence[Source], left: dict[int, int], length: int
) -> Filled | None:
    for source in sources:
        if left[source.index] > 0 and any(to - at >= length for at, to in source.spans):
            left[source.index] -= 1
            return Filled(
                source,
                [{} for _ in source.spans],
                [to - at for at, to in source.spans],
            )
    return None
