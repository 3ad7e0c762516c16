"""Drawings of designs true to scale, and pictures of boards with their cuts.

A drawing's units are millimetres of paper: its width and height say so, and printed at 100 % a
ruler laid on it, times the scale, gives the size of the thing. Looks come from the style sheet.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gardenapp.science.covers.film import FilmPlan
from gardenapp.science.designs.records import Dimension, DrawingView
from gardenapp.science.timber.cutting import Board, CutPlan
from gardenapp.words import later

SCALES = (1, 2, 5, 10, 15, 20, 25, 50, 100, 200, 500)
MOST_WIDE_MM, MOST_HIGH_MM = 70.0, 90.0  # so that a view with its figures is no wider than a phone
MARGIN_MM = 2.0
_LETTER_MM, _LETTER_HIGH_MM = 2.0, 3.4
_APART_MM = 6.0  # between two measures along the same side
BAR_MM = 50.0
"""Length of the bar that tells whether a printer kept the scale."""
_LEAST_OFFSET_MM, _MOST_OFFSET_MM = 7.0, 13.0
VIEW_WORDS = {
    "front": later("From the front"),
    "side": later("From the side"),
    "plan": later("From above"),
}


@dataclass(frozen=True)
class Shape:
    """A closed shape: its class and its corners as SVG takes them."""

    kind: str
    points: str


@dataclass(frozen=True)
class Stroke:
    """A straight line with its class."""

    kind: str
    x1: float
    y1: float
    x2: float
    y2: float


@dataclass(frozen=True)
class Figure:
    """A measure written along its line."""

    text: str
    x: float
    y: float
    turn: float


@dataclass(frozen=True)
class Picture:
    """One view on paper. [mm]"""

    name: str
    title: str
    width: float
    height: float
    shapes: tuple[Shape, ...]
    strokes: tuple[Stroke, ...]
    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class Drawing:
    """All views at one scale."""

    scale: int
    pictures: tuple[Picture, ...]


def draw(views: Sequence[DrawingView], shown: Callable[[float], str]) -> Drawing:
    """The views at the largest usual scale at which each fits a phone's width.

    `shown` writes a length in mm in the reader's unit.
    """
    bounds = [view.bounds() for view in views]
    wide = max((b[2] - b[0] for b in bounds), default=1.0)
    high = max((b[3] - b[1] for b in bounds), default=1.0)
    scale = next(
        (s for s in SCALES if wide / s <= MOST_WIDE_MM and high / s <= MOST_HIGH_MM), SCALES[-1]
    )
    return Drawing(scale, tuple(_picture(view, scale, shown) for view in views))


def _picture(view: DrawingView, scale: int, shown: Callable[[float], str]) -> Picture:
    bounds = view.bounds()
    left, top = bounds[0], bounds[3]

    def at(x: float, y: float) -> tuple[float, float]:
        # y grows downwards on paper.
        return (
            (x - left) / scale,
            (top - y) / scale,
        )

    strokes = [
        Stroke(line.kind, *at(line.x1, line.y1), *at(line.x2, line.y2)) for line in view.lines
    ]
    figures: list[Figure] = []
    taken: list[tuple[float, float, float]] = []
    # The shorter measure lies nearer, so that no line crosses a figure.
    for dimension in sorted(view.dimensions, key=lambda one: one.length_mm):
        lines, figure = _dimension(dimension, at, scale, shown, taken)
        strokes += lines
        figures.append(figure)
    shapes = [(polygon.kind, [at(x, y) for x, y in polygon.points]) for polygon in view.polygons]
    xs = [x for s in strokes for x in (s.x1, s.x2)] + [x for _, ps in shapes for x, _ in ps]
    ys = [y for s in strokes for y in (s.y1, s.y2)] + [y for _, ps in shapes for _, y in ps]
    for figure in figures:
        half = len(figure.text) * _LETTER_MM / 2.0
        turn = math.radians(figure.turn)
        wide = half * abs(math.cos(turn)) + _LETTER_HIGH_MM * abs(math.sin(turn))
        tall = half * abs(math.sin(turn)) + _LETTER_HIGH_MM * abs(math.cos(turn))
        xs += [figure.x - wide, figure.x + wide]
        ys += [figure.y - tall, figure.y + tall]
    dx, dy = MARGIN_MM - min(xs), MARGIN_MM - min(ys)
    return Picture(
        name=view.name,
        title=VIEW_WORDS[view.name],
        width=round(max(xs) + dx + MARGIN_MM, 3),
        height=round(max(ys) + dy + MARGIN_MM, 3),
        shapes=tuple(
            Shape(kind, " ".join(f"{x + dx:.3f},{y + dy:.3f}" for x, y in points))
            for kind, points in shapes
        ),
        strokes=tuple(
            Stroke(
                s.kind,
                *(round(v, 3) for v in (s.x1 + dx, s.y1 + dy, s.x2 + dx, s.y2 + dy)),
            )
            for s in strokes
        ),
        figures=tuple(
            Figure(f.text, round(f.x + dx, 3), round(f.y + dy, 3), f.turn) for f in figures
        ),
    )


def _dimension(
    dimension: Dimension,
    at: Callable[[float, float], tuple[float, float]],
    scale: int,
    shown: Callable[[float], str],
    taken: list[tuple[float, float, float]],
) -> tuple[list[Stroke], Figure]:
    """Two thin lines out from the points, the measured line between them, and the figure.

    `taken` holds where measures lie already: each side's direction and how far out.
    """
    (x1, y1), (x2, y2) = at(dimension.x1, dimension.y1), at(dimension.x2, dimension.y2)
    long = math.hypot(x2 - x1, y2 - y1) or 1.0
    along_x, along_y = (x2 - x1) / long, (y2 - y1) / long
    # Left-hand side of the way from the first point to the second; on paper y points down.
    out_x, out_y = along_y, -along_x
    gap = min(max(dimension.offset_mm / scale, _LEAST_OFFSET_MM), _MOST_OFFSET_MM)
    out = x1 * out_x + y1 * out_y
    for side_x, side_y, there in sorted(taken, key=lambda one: one[2]):
        if side_x * out_x + side_y * out_y > 0.999 and abs(out + gap - there) < _APART_MM:
            gap = there + _APART_MM - out
    taken.append((out_x, out_y, out + gap))
    a = (x1 + out_x * gap, y1 + out_y * gap)
    b = (x2 + out_x * gap, y2 + out_y * gap)
    strokes = [
        Stroke("thin", x1 + out_x, y1 + out_y, a[0] + out_x, a[1] + out_y),
        Stroke("thin", x2 + out_x, y2 + out_y, b[0] + out_x, b[1] + out_y),
        Stroke("measure", *a, *b),
    ]
    for x, y in (a, b):  # strokes across the ends, as on a builder's drawing
        tick_x, tick_y = (along_x + out_x) * 0.9, (along_y + out_y) * 0.9
        strokes.append(Stroke("measure", x - tick_x, y - tick_y, x + tick_x, y + tick_y))
    turn = math.degrees(math.atan2(along_y, along_x))
    if turn > 90.0 + 1e-6 or turn <= -90.0 - 1e-6:
        turn += 180.0 if turn < 0 else -180.0
    if abs(turn - 90.0) < 1e-6:
        turn = -90.0  # read from the right, as is usual
    # On the far side of its line, wherever that is; letters are about 3.5 mm high.
    lift = 1.2 if (out_y < -1e-6 or (abs(out_y) <= 1e-6 and out_x < 0)) else 3.9
    return (
        strokes,
        Figure(
            shown(dimension.length_mm),
            round((a[0] + b[0]) / 2.0 + out_x * lift, 3),
            round((a[1] + b[1]) / 2.0 + out_y * lift, 3),
            round(turn, 2),
        ),
    )


# --- boards and rolls -------------------------------------------------------------------------

BOARD_ROOM = 384.0


@dataclass(frozen=True)
class Span:
    """A stretch of a board: a piece with its letter, a left-over that is kept, or scrap."""

    kind: str
    x: float
    width: float
    letter: str


@dataclass(frozen=True)
class BoardPicture:
    """Like boards with like cuts, drawn once."""

    count: int
    stock_name: str
    section: str
    is_bought: bool
    is_offcut: bool
    length_mm: float
    spans: tuple[Span, ...]
    cuts: tuple[tuple[str, str, float, float], ...]  # letter, name, from, length
    kept_mm: tuple[float, ...]
    waste_mm: float


def letters_of(plan: CutPlan) -> dict[tuple[str, float], str]:
    """A letter for each piece of one name and length, the longest first."""
    kinds = {(cut.name, cut.length_mm) for board in plan.boards for cut in board.cuts}
    ordered = sorted(kinds, key=lambda kind: (-kind[1], kind[0]))
    return {kind: _letter(number) for number, kind in enumerate(ordered)}


def _letter(number: int) -> str:
    high, low = divmod(number, 26)
    return (chr(ord("A") + high - 1) if high else "") + chr(ord("A") + low)


def draw_boards(plan: CutPlan) -> tuple[BoardPicture, ...]:
    """Each way of cutting a board, the longest board as wide as the picture."""
    letters = letters_of(plan)
    longest = max((board.length_mm for board in plan.boards), default=1.0)
    alike: dict[Board, int] = {}
    for board in plan.boards:
        key = next((other for other in alike if _same(other, board)), board)
        alike[key] = alike.get(key, 0) + 1
    return tuple(
        _board(board, count, BOARD_ROOM / longest, letters) for board, count in alike.items()
    )


def _same(one: Board, other: Board) -> bool:
    return (
        one.stock_name == other.stock_name
        and one.length_mm == other.length_mm
        and [(cut.name, cut.length_mm) for cut in one.cuts]
        == [(cut.name, cut.length_mm) for cut in other.cuts]
    )


def _board(
    board: Board, count: int, per_mm: float, letters: dict[tuple[str, float], str]
) -> BoardPicture:
    spans = [Span("whole", 0.0, round(board.length_mm * per_mm, 2), "")]
    spans += [
        Span(
            "piece",
            round(cut.from_mm * per_mm, 2),
            round(cut.length_mm * per_mm, 2),
            letters[cut.name, cut.length_mm],
        )
        for cut in board.cuts
    ]
    spans += [
        Span("kept", round(begin * per_mm, 2), round(long * per_mm, 2), "")
        for begin, long in board.kept
    ]
    return BoardPicture(
        count=count,
        stock_name=board.stock_name,
        section=board.section,
        is_bought=board.is_bought,
        is_offcut=board.is_offcut,
        length_mm=board.length_mm,
        spans=tuple(spans),
        cuts=tuple(
            (letters[cut.name, cut.length_mm], cut.name, cut.from_mm, cut.length_mm)
            for cut in board.cuts
        ),
        kept_mm=tuple(long for _, long in board.kept),
        waste_mm=board.scrap_mm + board.sawdust_mm + board.defect_mm,
    )


@dataclass(frozen=True)
class FilmStrip:
    """One sheet, or a strip of one, on the roll as drawn."""

    letter: str
    name: str
    x: float
    y: float
    width: float
    height: float
    length_mm: float
    width_mm: float
    part: int
    parts: int


@dataclass(frozen=True)
class FilmPicture:
    """A roll laid out, its start at the left."""

    width: float
    height: float
    strips: tuple[FilmStrip, ...]


def draw_film(plan: FilmPlan, roll_width_mm: float) -> FilmPicture:
    """The used length of a roll with its sheets, to one scale both ways."""
    per_mm = min(BOARD_ROOM / max(plan.used_mm, 1.0), 260.0 / roll_width_mm)
    return FilmPicture(
        width=round(plan.used_mm * per_mm, 2),
        height=round(roll_width_mm * per_mm, 2),
        strips=tuple(
            FilmStrip(
                _letter(number),
                strip.name,
                round(strip.along_mm * per_mm, 2),
                round(strip.across_mm * per_mm, 2),
                round(strip.length_mm * per_mm, 2),
                round(strip.width_mm * per_mm, 2),
                strip.length_mm,
                strip.width_mm,
                strip.part,
                strip.parts,
            )
            for number, strip in enumerate(plan.strips)
        ),
    )
