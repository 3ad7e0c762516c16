"""The map of the garden as a drawing: shapes with their places, for `templates/garden/_map.html`.

A cell with a plot or a place is `CELL` wide, as large as a thumb needs; rows and columns that hold
none are thin, so that the paths leave room for the plots. Looks come from `static/map.css`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from gardenapp.science.garden_map import (
    GATE,
    NOTHING,
    SHED,
    WATER,
    GardenMap,
    Spot,
    natural,
)
from gardenapp.words import later

CELL, THIN = 44, 22
"""Widths of a cell in units of the drawing, which is a pixel where nothing is shrunk. [px]"""
MARGIN = 3
"""Left free around the drawing, so that no line is cut by its edge."""
STATES = ("need", "risk", "taken", "covered", "safe", "none")
"""How plots may stand, in the order in which they are told; a drawing has a mark for each."""
PLAIN = "plain"
_INSET = 2
_LETTER, _LINE = 7.4, 13
_SMALL_LETTER, _SMALL_LINE = 6.0, 11
_MARK = 18
_ROOF = 9
# Drawings with more columns or rows than this are shown as wide as the page; smaller ones, smaller.
_SMALL, _MIDDLE = 4 * CELL, 9 * CELL
NORTH_WORDS = (
    later("at the top"),
    later("at the top right"),
    later("on the right"),
    later("at the bottom right"),
    later("at the bottom"),
    later("at the bottom left"),
    later("on the left"),
    later("at the top left"),
)


@dataclass(frozen=True)
class Written:
    """A line of text by the middle of its foot."""

    x: float
    y: float
    text: str


@dataclass(frozen=True)
class DrawnPlot:
    """A plot: `outline` is drawn, `ground` takes the tap, the mark stands around its middle.

    state : one of `STATES`, or `PLAIN` where nothing is said of it. href : empty without a link.
    """

    label: str
    state: str
    word: str
    href: str
    outline: str
    ground: str
    lines: tuple[Written, ...]
    is_small: bool
    mark_x: float
    mark_y: float


@dataclass(frozen=True)
class DrawnPlace:
    """A place where covers are kept; `roof` is the line that tells a shed from a store."""

    label: str
    is_shed: bool
    outline: str
    roof: str
    lines: tuple[Written, ...]


@dataclass(frozen=True)
class Sign:
    """A gate or water by its middle."""

    kind: str
    x: float
    y: float


@dataclass(frozen=True)
class Told:
    """Plots of one state, for the list in words."""

    state: str
    word: str
    plots: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class MapDrawing:
    """The whole map. `size` is small, middle or large; `told` is empty without states.

    north : degrees clockwise from the top, None where nobody said; `north_word` says it.
    """

    width: int
    height: int
    margin: int
    size: str
    path: str
    plots: tuple[DrawnPlot, ...]
    places: tuple[DrawnPlace, ...]
    signs: tuple[Sign, ...]
    told: tuple[Told, ...]
    north: float | None
    north_word: str

    @property
    def has_links(self) -> bool:
        return any(plot.href for plot in self.plots)

    def has(self, kind: str) -> bool:
        """Whether there is a gate, or water."""
        return any(sign.kind == kind for sign in self.signs)


def draw_map(
    garden_map: GardenMap,
    states: Mapping[str, tuple[str, str]] | None = None,
    links: Mapping[str, str] | None = None,
    *,
    north: float | None = None,
) -> MapDrawing:
    """The map with each plot in its state.

    states : (state, word) by plot; None where the map is looked at for itself. Plots that are not
    in it are told as `none`. links : where a tap on a plot leads; plots without one lead nowhere.
    """
    grid = _Grid(garden_map)
    states = {} if states is None else {**dict.fromkeys(garden_map.plots, ("none", "")), **states}
    plots = tuple(
        _plot(grid, label, spots, states.get(label, (PLAIN, "")), (links or {}).get(label, ""))
        for label, spots in garden_map.plots.items()
    )
    return MapDrawing(
        width=grid.xs[-1],
        height=grid.ys[-1],
        margin=MARGIN,
        size="small" if grid.xs[-1] <= _SMALL else "middle" if grid.xs[-1] <= _MIDDLE else "large",
        path=_path(grid),
        plots=plots,
        places=tuple(_place(grid, label, spots) for label, spots in garden_map.places.items()),
        signs=tuple(
            Sign(cell.kind, *grid.middle(spot))
            for spot, cell in garden_map.cells()
            if cell.kind in {GATE, WATER}
        ),
        told=_told(plots),
        north=north,
        north_word="" if north is None else NORTH_WORDS[round(north / 45.0) % 8],
    )


class _Grid:
    """Where the rows and columns of a map begin and end."""

    def __init__(self, garden_map: GardenMap) -> None:
        self.map = garden_map
        named = [spot for spot, cell in garden_map.cells() if cell.is_named]
        self.ys = _edges(len(garden_map.rows), {row for row, _column in named})
        self.xs = _edges(garden_map.columns, {column for _row, column in named})

    def box(self, spots: Iterable[Spot]) -> tuple[int, int, int, int]:
        """Left, top, right and bottom of cells that make a rectangle."""
        rows, columns = zip(*spots, strict=True)
        return (
            self.xs[min(columns)],
            self.ys[min(rows)],
            self.xs[max(columns) + 1],
            self.ys[max(rows) + 1],
        )

    def middle(self, spot: Spot) -> tuple[float, float]:
        left, top, right, bottom = self.box([spot])
        return (left + right) / 2, (top + bottom) / 2

    def outline(self, spots: Sequence[Spot], inset: int) -> str:
        """The edge of cells that touch, drawn `inset` within it, as the data of an SVG path."""
        parts = []
        for loop in _loops(set(spots)):
            points = []
            for before, corner, after in zip(
                [loop[-1], *loop[:-1]], loop, [*loop[1:], loop[0]], strict=True
            ):
                # Around the cells clockwise, what is within lies on the right hand.
                across = [
                    _turned(_way(before, corner)),
                    _turned(_way(corner, after)),
                ]
                x = self.xs[corner[1]] + inset * sum(way[1] for way in across)
                y = self.ys[corner[0]] + inset * sum(way[0] for way in across)
                points.append(f"{x} {y}")
            parts.append(f"M{'L'.join(points)}Z")
        return "".join(parts)


def _edges(number: int, wide: set[int]) -> list[int]:
    found = [0]
    for index in range(number):
        found.append(found[-1] + (CELL if index in wide else THIN))
    return found


def _way(start: Spot, end: Spot) -> Spot:
    """The direction from one corner to the next, one of four."""

    def sign(value: int) -> int:
        return (value > 0) - (value < 0)

    return sign(end[0] - start[0]), sign(end[1] - start[1])


def _turned(way: Spot) -> Spot:
    """A quarter turn to the right, rows growing downwards."""
    return way[1], -way[0]


def _loops(spots: set[Spot]) -> list[list[Spot]]:
    """The corners of the edges around cells, clockwise around what is within, by row and column."""
    edges: dict[Spot, list[Spot]] = {}
    for row, column in sorted(spots):
        around = (
            ((row - 1, column), (row, column), (row, column + 1)),
            ((row, column + 1), (row, column + 1), (row + 1, column + 1)),
            ((row + 1, column), (row + 1, column + 1), (row + 1, column)),
            ((row, column - 1), (row + 1, column), (row, column)),
        )
        for other, start, end in around:
            if other not in spots:
                edges.setdefault(start, []).append(end)
    loops = []
    while edges:
        start = next(iter(edges))
        corners, at, way = [start], start, (0, 0)
        while True:
            ends = edges[at]
            # Where two cells touch at a corner alone, two edges leave it: stay on the right hand.
            end = next((end for end in ends if _way(at, end) == _turned(way)), ends[0])
            ends.remove(end)
            if not ends:
                del edges[at]
            if _way(at, end) == way:
                corners[-1] = end
            else:
                corners.append(end)
            way, at = _way(at, end), end
            if at == start:
                break
        corners.pop()  # the start again
        if len(corners) > 2 and _way(corners[-1], corners[0]) == _way(corners[0], corners[1]):
            corners.pop(0)  # begun in the middle of a straight edge
        loops.append(corners)
    return loops


def _largest(spots: Sequence[Spot]) -> list[Spot]:
    """A rectangle of cells to write in: the longest row of them, as high as it goes."""
    within = set(spots)
    best: list[Spot] = []
    for row, column in spots:
        if (row, column - 1) in within:
            continue
        run = [(row, column)]
        while (row, run[-1][1] + 1) in within:
            run.append((row, run[-1][1] + 1))
        if len(run) > len(best):
            best = run
    found = list(best)
    for step in (1, -1):
        line = [(row + step, column) for row, column in best]
        while all(spot in within for spot in line):
            found += line
            line = [(row + step, column) for row, column in line]
    return found


def _path(grid: _Grid) -> str:
    """All that is walked on, as one shape of stretches from left to right."""
    parts = []
    for row, cells in enumerate(grid.map.rows):
        begin = 0
        for column in range(len(cells) + 1):
            is_way = column < len(cells) and not (
                cells[column].is_named or cells[column].kind == NOTHING
            )
            if is_way:
                continue
            if column > begin:
                left, right = grid.xs[begin], grid.xs[column]
                parts.append(f"M{left} {grid.ys[row]}H{right}V{grid.ys[row + 1]}H{left}Z")
            begin = column + 1
    return "".join(parts)


def _plot(
    grid: _Grid, label: str, spots: Sequence[Spot], state: tuple[str, str], href: str
) -> DrawnPlot:
    left, top, right, bottom = grid.box(_largest(spots))
    x, room = (left + right) / 2, right - left - 2 * _INSET - 2
    key, word = state
    has_mark = key != PLAIN
    high = bottom - top - 2 * _INSET - (_MARK if has_mark else 0)
    is_small = len(label) * _LETTER > room
    lines = wrapped(label, room, high, is_small=is_small)
    step = _SMALL_LINE if is_small else _LINE
    block = len(lines) * step + (_MARK if has_mark else 0)
    first = (top + bottom - block) / 2 + step - 2
    return DrawnPlot(
        label=label,
        state=key,
        word=str(word),
        href=href,
        outline=grid.outline(spots, _INSET),
        ground=grid.outline(spots, 0),
        lines=_written(lines, x, first, step),
        is_small=is_small,
        mark_x=x,
        mark_y=(top + bottom + block) / 2 - _MARK / 2,
    )


def _place(grid: _Grid, label: str, spots: Sequence[Spot]) -> DrawnPlace:
    left, top, right, bottom = grid.box(_largest(spots))
    x, is_shed = (left + right) / 2, _kind(grid, spots) == SHED
    under = top + _ROOF
    lines = wrapped(label, right - left - 2 * _INSET - 2, bottom - under - _INSET, is_small=True)
    first = (under + bottom - len(lines) * _SMALL_LINE) / 2 + _SMALL_LINE - 2
    west, east = left + _INSET, right - _INSET
    return DrawnPlace(
        label=label,
        is_shed=is_shed,
        outline=grid.outline(spots, _INSET),
        roof=f"M{west} {under}L{x:g} {top + 1}L{east} {under}Z"
        if is_shed
        else f"M{west} {top + 6}H{east}",
        lines=_written(lines, x, first, _SMALL_LINE),
    )


def _kind(grid: _Grid, spots: Sequence[Spot]) -> str:
    row, column = spots[0]
    return grid.map.rows[row][column].kind


def _written(lines: Sequence[str], x: float, first: float, step: float) -> tuple[Written, ...]:
    return tuple(Written(x, first + step * index, line) for index, line in enumerate(lines))


def wrapped(text: str, width: float, height: float, *, is_small: bool) -> list[str]:
    """A name in as many lines as there is room for; what has no room is cut off with “…”.

    The whole name stands in the title and in the list in words. At least one line is given.
    """
    letters = max(1, int(width // (_SMALL_LETTER if is_small else _LETTER)))
    most = max(1, int(height // (_SMALL_LINE if is_small else _LINE)))
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= letters:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    kept = lines[:most]
    if len(lines) > most:
        kept[-1] = f"{kept[-1]}…"
    return [
        line if len(line) <= letters else f"{line.rstrip('…')[: max(1, letters - 1)]}…"
        for line in kept
    ]


def _told(plots: Sequence[DrawnPlot]) -> tuple[Told, ...]:
    """The plots by state and word, what asks for hands first."""
    found: dict[tuple[int, str, str], list[tuple[str, str]]] = {}
    for plot in plots:
        if plot.state in STATES and plot.word:
            key = (STATES.index(plot.state), plot.state, plot.word)
            found.setdefault(key, []).append((plot.label, plot.href))
    return tuple(
        Told(state, word, tuple(sorted(lines, key=lambda line: natural(line[0]))))
        for (_order, state, word), lines in sorted(found.items())
    )
