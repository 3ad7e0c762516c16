"""Which piece is cut from which board: the least timber bought, and proof of it.

Offcuts and boards on hand come before new ones; the saw's cut, knots and splits count. Two
goals, in this order: the least length bought, then the least scrap (left-overs too short to
keep), with offcuts opened before whole boards between the two.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from gardenapp.errors import OutOfRange
from gardenapp.messages import Length, Message, Number, say
from gardenapp.science.timber import search
from gardenapp.science.timber.columns import BOUGHT, SCRAP, SolverFailed
from gardenapp.science.timber.spans import (
    Filled,
    Layout,
    Source,
    Task,
    first_fit,
    goals,
    millimetres,
    usable_spans,
    whole,
)

MOST_PIECES = 2_000
MOST_KINDS = 200
LONGEST_MM = 30_000.0
MOST_KERF_MM = 20.0
KEEP_FROM_MM = 300.0
"""A left-over this long goes back to the store. Ours: about the shortest side of a small frame."""


@dataclass(frozen=True)
class Piece:
    """A length to be cut, `count` times. `section` ("38 × 38") must match the board's."""

    name: str
    length_mm: float
    count: int = 1
    section: str = ""


@dataclass(frozen=True)
class Stock:
    """Boards of one length.

    count : how many there are; None means as many as one cares to buy.
    price : of one board, in any money. A board with a price, or without a count, is bought;
        any other is on hand already.
    defects : stretches (from, to) from one end that are of no use: knots, splits, nails.
    """

    name: str
    length_mm: float
    count: int | None = None
    section: str = ""
    is_offcut: bool = False
    price: float | None = None
    defects: tuple[tuple[float, float], ...] = ()

    @property
    def is_bought(self) -> bool:
        """Whether opening one costs anything."""
        return self.count is None or self.price is not None


@dataclass(frozen=True)
class Cut:
    """One piece on a board; `from_mm` is its near end, measured from the board's end."""

    name: str
    from_mm: float
    length_mm: float


@dataclass(frozen=True)
class Board:
    """One board to be cut. `kept` are left-overs (from, length) worth putting back."""

    stock_name: str
    section: str
    length_mm: float
    is_bought: bool
    is_offcut: bool
    cuts: tuple[Cut, ...]
    kept: tuple[tuple[float, float], ...]
    scrap_mm: float
    sawdust_mm: float
    defect_mm: float


@dataclass(frozen=True)
class MissingPiece:
    """Pieces the plan has no board for, and why, in words."""

    name: str
    length_mm: float
    count: int
    section: str
    reason: Message


@dataclass(frozen=True)
class CutPlan:
    """What to cut from what.

    bought_mm, bound_mm : length bought, and the length below which no plan can go; equal when
        `is_proven`. `gap_fraction` is their difference as a share of the length bought.
    is_scrap_proven : no plan that buys as little makes less scrap.
    first_fit_mm : what first fit, longest first, would have bought.
    cost : of the boards bought, None where one of them has no price.
    method : "integer program" or "first fit".
    """

    boards: tuple[Board, ...]
    missing: tuple[MissingPiece, ...]
    bought: tuple[tuple[str, int], ...]
    bought_mm: float
    bound_mm: float
    gap_fraction: float
    is_proven: bool
    is_scrap_proven: bool
    first_fit_mm: float
    pieces_mm: float
    scrap_mm: float
    kept_mm: float
    sawdust_mm: float
    cost: float | None
    method: str
    notes: tuple[Message, ...]

    @property
    def is_complete(self) -> bool:
        """Whether every piece has a place."""
        return not self.missing


def plan_cuts(
    pieces: Sequence[Piece],
    stock: Sequence[Stock],
    *,
    kerf_mm: float,
    keep_from_mm: float = KEEP_FROM_MM,
    time_limit_s: float = 2.0,
) -> CutPlan:
    """The least length bought, then the least scrap, for these pieces from these boards.

    Parameters
    ----------
    pieces, stock : in any order; sections are planned one by one.
    kerf_mm : width of the saw's cut; hand saws take 1 to 2, circular saws 2.4 to 3.2. [mm]
    keep_from_mm : shortest left-over worth keeping. [mm]
    time_limit_s : for the integer programs together. The first-fit plan is there by then, and
        the answer is never worse than it. [s]

    Returns
    -------
    CutPlan. Pieces with no board are in `missing` with the reason; the rest is planned.

    Raises
    ------
    OutOfRange : lengths not above 0 or over 30 m, counts below 1, no pieces, more than 2,000
        pieces or 200 kinds, a defect outside its board, an offcut without a count.

    Notes
    -----
    A cut stands between two pieces, and after the last one where anything is left. Lengths are
    exact to 0.0001 mm; with boards of over 60,000 steps they are counted in steps of 0.05 mm,
    pieces up and boards down, and no proof is claimed but that of the material itself. Chance
    has a fixed seed; only where the time ends the search may two runs differ.

    Examples
    --------
    >>> plan = plan_cuts([Piece("leg", 600, 4)], [Stock("2x2", 2438.4)], kerf_mm=3.0)
    >>> [len(board.cuts) for board in plan.boards], plan.is_proven
    ([4], True)
    """
    _check(pieces, stock, kerf_mm, keep_from_mm)
    sections = list(dict.fromkeys(_section(piece.section) for piece in pieces))
    parts = []
    for section in sections:
        parts.append(
            _plan_section(
                [piece for piece in pieces if _section(piece.section) == section],
                [board for board in stock if _section(board.section) == section],
                kerf_mm=kerf_mm,
                keep_from_mm=keep_from_mm,
                time_limit_s=time_limit_s / len(sections),
            )
        )
    return _joined(parts, stock)


@dataclass(frozen=True)
class _Part:
    """The plan of one section."""

    boards: list[Board]
    missing: list[MissingPiece]
    bought_mm: float
    bound_mm: float
    is_scrap_proven: bool
    first_fit_mm: float
    method: str
    notes: list[Message]


def _section(text: str) -> str:
    return " ".join(text.casefold().replace("×", "x").split())


def _check(
    pieces: Sequence[Piece], stock: Sequence[Stock], kerf_mm: float, keep_from_mm: float
) -> None:
    if not pieces:
        raise OutOfRange(say("There are no pieces to cut."))
    if len(stock) > MOST_KINDS or len(pieces) > MOST_PIECES:
        raise OutOfRange(
            say(
                "A cut plan takes at most %(most_kinds)s kinds of board and %(most_pieces)s "
                "pieces; this one has %(kinds)s and %(pieces)s.",
                most_kinds=MOST_KINDS,
                most_pieces=Number(MOST_PIECES, ","),
                kinds=Number(len(stock), ","),
                pieces=Number(len(pieces), ","),
            )
        )
    if not (math.isfinite(kerf_mm) and 0.0 <= kerf_mm <= MOST_KERF_MM):
        raise OutOfRange(
            say(
                "%(name)s must be 0 to %(most)s, not %(value)s",
                name="kerf_mm",
                most=Number(MOST_KERF_MM),
                value=kerf_mm,
            )
        )
    if not (math.isfinite(keep_from_mm) and keep_from_mm >= 0.0):
        raise OutOfRange(
            say(
                "%(name)s must be 0 or more, not %(value)s", name="keep_from_mm", value=keep_from_mm
            )
        )
    for piece in pieces:
        _check_length(say("piece %(name)s", name=piece.name), piece.length_mm)
        if piece.count < 1:
            raise OutOfRange(
                say(
                    "piece %(name)s: count must be 1 or more, not %(count)s",
                    name=piece.name,
                    count=piece.count,
                )
            )
    total = sum(piece.count for piece in pieces)
    if total > MOST_PIECES:
        raise OutOfRange(
            say(
                "A cut plan takes at most %(most)s pieces; this is %(total)s.",
                most=Number(MOST_PIECES, ","),
                total=Number(total, ","),
            )
        )
    if len({whole(piece.length_mm) for piece in pieces}) > MOST_KINDS:
        raise OutOfRange(
            say(
                "A cut plan takes at most %(most)s different lengths of piece.",
                most=MOST_KINDS,
            )
        )
    for board in stock:
        _check_board(board)


def _check_length(what: Message, length_mm: float) -> None:
    if not (math.isfinite(length_mm) and 0.1 <= length_mm <= LONGEST_MM):
        raise OutOfRange(
            say(
                "%(what)s: length must be 0.1 mm to %(most)s m, not %(length)s",
                what=what,
                most=Number(LONGEST_MM / 1000),
                length=Length(length_mm, "g"),
            )
        )


def _check_board(board: Stock) -> None:
    what = say("board %(name)s", name=board.name)
    _check_length(what, board.length_mm)
    if board.count is None and board.is_offcut:
        raise OutOfRange(
            say("%(what)s: an offcut needs a count; nobody sells them without limit", what=what)
        )
    if board.count is not None and board.count < 0:
        raise OutOfRange(
            say("%(what)s: count must be 0 or more, not %(count)s", what=what, count=board.count)
        )
    if board.price is not None and not (math.isfinite(board.price) and board.price >= 0.0):
        raise OutOfRange(
            say("%(what)s: price must be 0 or more, not %(price)s", what=what, price=board.price)
        )
    for begin, end in board.defects:
        if not 0.0 <= begin <= end <= board.length_mm:
            raise OutOfRange(
                say(
                    "%(what)s: the defect %(begin)s-%(end)s does not lie on a board of %(length)s",
                    what=what,
                    begin=Number(begin),
                    end=Number(end),
                    length=Length(board.length_mm, "g"),
                )
            )


def _plan_section(
    pieces: Sequence[Piece],
    stock: Sequence[Stock],
    *,
    kerf_mm: float,
    keep_from_mm: float,
    time_limit_s: float,
) -> _Part:
    kerf = whole(kerf_mm)
    total = sum(piece.count for piece in pieces)
    sources = tuple(
        Source(
            index=number,
            length=whole(board.length_mm),
            spans=usable_spans(
                whole(board.length_mm), [(whole(a), whole(b)) for a, b in board.defects], kerf
            ),
            most=total if board.count is None else min(board.count, total),
            is_bought=board.is_bought,
            is_offcut=board.is_offcut,
        )
        for number, board in enumerate(stock)
        if board.count is None or board.count > 0
    )
    longest = max((to - at for s in sources for at, to in s.spans), default=0)
    missing = [
        MissingPiece(
            piece.name, piece.length_mm, piece.count, piece.section, _why_not(piece, stock, longest)
        )
        for piece in pieces
        if whole(piece.length_mm) > longest
    ]
    wanted: dict[int, list[str]] = {}
    for piece in pieces:
        if whole(piece.length_mm) <= longest:
            wanted.setdefault(whole(piece.length_mm), []).extend([piece.name] * piece.count)
    lengths = tuple(sorted(wanted, reverse=True))
    if not lengths:
        return _Part([], missing, 0.0, 0.0, True, 0.0, "first fit", [])
    task = Task(
        lengths=lengths,
        wanted=tuple(len(wanted[length]) for length in lengths),
        sources=sources,
        kerf=kerf,
        keep=whole(keep_from_mm),
    )
    start = first_fit(task)
    notes: list[Message] = []
    method = "integer program"
    reached: Mapping[int, search.Reached] = {}
    layout = start
    try:
        layout, reached = search.solve(task, start, time_limit_s=time_limit_s)
    except SolverFailed as failure:
        method = "first fit"
        notes.append(
            say("No integer program (%(reason)s); this is the first-fit plan.", reason=str(failure))
        )
    if goals(task, layout) > goals(task, start):
        layout, method = start, "first fit"  # never worse than the simple way
    bought = goals(task, layout)[BOUGHT]
    got = reached.get(BOUGHT)
    bound = got.bound if got is not None else 0.0
    scrap = reached.get(SCRAP)
    if not task.grain()[1]:
        notes.append(say("Lengths were counted in steps of 0.05 mm."))
    missing += _short(pieces, task, layout)
    names = {length: list(reversed(them)) for length, them in wanted.items()}
    boards = [_board(task, filled, stock, names) for filled in _in_order(layout.boards)]
    return _Part(
        boards,
        missing,
        millimetres(bought),
        millimetres(min(bound, bought)),
        scrap is not None and scrap.is_proven,
        millimetres(goals(task, start)[BOUGHT]),
        method,
        notes,
    )


def _in_order(boards: Iterable[Filled]) -> list[Filled]:
    """Offcuts first, then boards on hand, then bought ones; like boards together."""
    return sorted(
        boards,
        key=lambda filled: (
            filled.source.is_bought,
            not filled.source.is_offcut,
            filled.source.index,
            [sorted(content.items()) for content in filled.contents],
        ),
    )


def _why_not(piece: Piece, stock: Sequence[Stock], longest: int) -> Message:
    if not stock:
        if piece.section:
            return say("There are no boards with section %(section)s.", section=piece.section)
        return say("There are no boards.")
    if not longest:
        return say("All boards of this section are used up or spoilt.")
    return say(
        "It is longer than any sound length there is: %(length)s against "
        "%(longest)s. Join two shorter ones or find a longer board.",
        length=Length(piece.length_mm, "g"),
        longest=Length(millimetres(longest), "g"),
    )


def _short(pieces: Sequence[Piece], task: Task, layout: Layout) -> list[MissingPiece]:
    missing = []
    for length, short in zip(task.lengths, layout.short, strict=True):
        for piece in reversed(pieces):
            if short and whole(piece.length_mm) == length:
                count = min(short, piece.count)
                short -= count
                missing.append(
                    MissingPiece(
                        piece.name,
                        piece.length_mm,
                        count,
                        piece.section,
                        say("The boards on hand do not reach and none like them can be bought."),
                    )
                )
    return missing


def _board(
    task: Task, filled: Filled, stock: Sequence[Stock], names: dict[int, list[str]]
) -> Board:
    source = filled.source
    cuts: list[Cut] = []
    kept: list[tuple[float, float]] = []
    scrap = sawdust = sound = 0
    for (begin, end), content in zip(source.spans, filled.contents, strict=True):
        at = begin
        sound += end - begin
        for i in sorted(content):
            length = task.lengths[i]
            for _ in range(content[i]):
                name = names[length].pop()
                cuts.append(Cut(name, millimetres(at), millimetres(length)))
                sawdust += min(task.kerf, end - at - length)
                at += length + task.kerf
        at = min(at, end)
        rest = end - at
        if rest >= task.keep and rest > 0:
            kept.append((millimetres(at), millimetres(rest)))
        else:
            scrap += rest
    board = stock[source.index]
    return Board(
        stock_name=board.name,
        section=board.section,
        length_mm=board.length_mm,
        is_bought=source.is_bought,
        is_offcut=source.is_offcut,
        cuts=tuple(cuts),
        kept=tuple(kept),
        scrap_mm=millimetres(scrap),
        sawdust_mm=millimetres(sawdust),
        defect_mm=millimetres(source.length - sound),
    )


def _joined(parts: Sequence[_Part], stock: Sequence[Stock]) -> CutPlan:
    boards = tuple(board for part in parts for board in part.boards)
    bought_mm = round(math.fsum(part.bought_mm for part in parts), 4)
    bound_mm = round(math.fsum(part.bound_mm for part in parts), 4)
    counts: dict[tuple[str, str], int] = {}
    for board in boards:
        if board.is_bought:
            key = (board.stock_name, _section(board.section))
            counts[key] = counts.get(key, 0) + 1
    prices = {(board.name, _section(board.section)): board.price for board in stock}
    costs = [prices[key] for key in counts]
    cost = None
    if all(price is not None for price in costs):
        cost = math.fsum((prices[key] or 0.0) * count for key, count in counts.items())
    is_proven = bought_mm - bound_mm < 1e-6
    return CutPlan(
        boards=boards,
        missing=tuple(missing for part in parts for missing in part.missing),
        bought=tuple((name, count) for (name, _), count in counts.items()),
        bought_mm=bought_mm,
        bound_mm=bound_mm,
        gap_fraction=0.0 if is_proven else (bought_mm - bound_mm) / bought_mm,
        is_proven=is_proven,
        is_scrap_proven=is_proven and all(part.is_scrap_proven for part in parts),
        first_fit_mm=round(math.fsum(part.first_fit_mm for part in parts), 4),
        pieces_mm=round(math.fsum(cut.length_mm for board in boards for cut in board.cuts), 4),
        scrap_mm=round(math.fsum(board.scrap_mm for board in boards), 4),
        kept_mm=round(math.fsum(rest for board in boards for _, rest in board.kept), 4),
        sawdust_mm=round(math.fsum(board.sawdust_mm for board in boards), 4),
        cost=cost,
        method="integer program"
        if all(part.method == "integer program" for part in parts)
        else "first fit",
        notes=tuple(dict.fromkeys(note for part in parts for note in part.notes)),
    )
