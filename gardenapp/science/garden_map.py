"""The map of a garden, typed as text: a line a row of the garden, a word a cell of it.

    G  =   A1  A2  A3  .
    W  =   A4  A5  A6  shed:Long shed
    =  =   =   =   =   =
    .  B1  B2  B3  store:Tea hut loft  .

`=` is path, `.` nothing, `G` the gate, `W` water; `shed:` and `store:` begin the name of a place
where covers are kept; any other word is the name of a plot. A name in several cells is one larger
plot or place, and its cells must touch side to side.

How a line is cut into cells:

- Blanks stand between cells; how many does not matter, except after the name of a place.
- A name in quotes is one cell, whatever it holds: `"South bed"` is a plot, `"G"` a plot called G,
  `shed:"Shed W"` a place. A quote within is written twice. What a phone makes of quotes, “…” and
  «…», will do as well.
- The name of a place without quotes runs on over single blanks. It ends at two blanks or more, at
  the end of the line, and before a word that can be no part of a name: `=`, `.`, `G`, `W`, a quote,
  or another `shed:` or `store:`.
- A line with a tab in it came from a spreadsheet: its cells are cut at the tabs and nowhere else,
  so names may hold blanks, and a cell left empty is nothing.

Distances are counted in steps from cell to cell, so they put things in order and are no metres.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from gardenapp.messages import Message, say

MOST_ROWS = 60
MOST_COLUMNS = 60
LONGEST_NAME = 80
MOST_CHARACTERS = 60_000
"""Enough for a map of the largest size with long names; a longer text is not looked into."""

PLOT, SHED, STORE = "plot", "shed", "store"
PATH, NOTHING, GATE, WATER = "path", "nothing", "gate", "water"
MARKS = {"=": PATH, ".": NOTHING, "G": GATE, "W": WATER}
_SIGNS = {kind: sign for sign, kind in MARKS.items()}
WALKED_ON = frozenset({PATH, GATE, WATER})
PLACES = frozenset({SHED, STORE})
_QUOTES = {'"': '"', "“": "”", "«": "»"}
# `shed: Long shed` will do, but `shed: =` is a place without a name and a path.
_PLACE = re.compile(r"(shed|store):(?: (?=\S)(?![=.GW](?:\s|$)))?", re.IGNORECASE)

Spot = tuple[int, int]
"""A cell by its row and column, both from 0."""


@dataclass(frozen=True, slots=True)
class Cell:
    """What one cell holds; `name` is empty where it is neither a plot nor a place."""

    kind: str
    name: str = ""

    @property
    def is_named(self) -> bool:
        return self.kind == PLOT or self.kind in PLACES


EMPTY = Cell(NOTHING)


@dataclass(frozen=True, slots=True)
class MapError:
    """Something that cannot be drawn: the line it is in, from 1, and what to do about it."""

    line: int
    message: Message


@dataclass(frozen=True)
class GardenMap:
    """A garden from above: `rows` of cells, all of one length, the top of the page first.

    plots, places : the cells of each by its name.
    """

    rows: tuple[tuple[Cell, ...], ...] = ()
    plots: Mapping[str, tuple[Spot, ...]] = field(default_factory=dict)
    places: Mapping[str, tuple[Spot, ...]] = field(default_factory=dict)

    @property
    def columns(self) -> int:
        return len(self.rows[0]) if self.rows else 0

    def cells(self) -> Iterator[tuple[Spot, Cell]]:
        """Every cell with where it lies, row by row."""
        for row, cells in enumerate(self.rows):
            for column, cell in enumerate(cells):
                yield (row, column), cell

    def beside(self, spot: Spot) -> Iterator[Spot]:
        """The cells that touch one side to side."""
        row, column = spot
        for r, c in ((row - 1, column), (row, column - 1), (row, column + 1), (row + 1, column)):
            if 0 <= r < len(self.rows) and 0 <= c < self.columns:
                yield r, c


@dataclass(frozen=True)
class Reading:
    """What became of a text: a map, or all that is wrong with it, by line."""

    garden_map: GardenMap
    errors: tuple[MapError, ...] = ()


# --- from text --------------------------------------------------------------------------------


def read_map(
    text: str,
    *,
    plots: Collection[str] | None = None,
    places: Collection[str] | None = None,
) -> Reading:
    """The map that a text draws.

    plots, places : the names there are; any other is an error. None: every name will do, as for a
    map that was kept before a plot got another name.

    An empty text is an empty map. Where there are errors, all of them are told at once and the map
    holds what could be read.
    """
    if len(text) > MOST_CHARACTERS:
        return Reading(GardenMap(), (MapError(1, _too_long(len(text))),))
    lines = _lines(text)
    errors: list[MapError] = []
    if len(lines) > MOST_ROWS:
        errors.append(
            MapError(
                MOST_ROWS + 1,
                say(
                    "The map has %(found)s lines; it may have %(most)s. Let each cell stand for "
                    "more.",
                    found=len(lines),
                    most=MOST_ROWS,
                ),
            )
        )
        lines = lines[:MOST_ROWS]
    rows = [_row(number, line, errors) for number, line in enumerate(lines, 1)]
    garden_map = map_of(rows)
    errors += _known(garden_map, plots, places)
    errors += _in_pieces(garden_map)
    errors += _two_kinds(garden_map)
    return Reading(garden_map, tuple(sorted(errors, key=lambda error: error.line)))


def _too_long(length: int) -> Message:
    return say(
        "The text has %(found)s characters; it may have %(most)s.",
        found=length,
        most=MOST_CHARACTERS,
    )


def _lines(text: str) -> list[str]:
    """The lines, without empty ones before the first and after the last."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    filled = [number for number, line in enumerate(lines) if line.strip()]
    return lines[filled[0] : filled[-1] + 1] if filled else []


def map_of(rows: Sequence[Sequence[Cell]]) -> GardenMap:
    """A map of these rows; shorter ones are filled up with nothing."""
    widest = max(map(len, rows), default=0)
    plots: dict[str, list[Spot]] = {}
    places: dict[str, list[Spot]] = {}
    for r, cells in enumerate(rows):
        for c, cell in enumerate(cells):
            if cell.is_named:
                found = plots if cell.kind == PLOT else places
                found.setdefault(cell.name, []).append((r, c))
    return GardenMap(
        rows=tuple((*cells, *[EMPTY] * (widest - len(cells))) for cells in rows),
        plots={name: tuple(spots) for name, spots in plots.items()},
        places={name: tuple(spots) for name, spots in places.items()},
    )


def _row(number: int, line: str, errors: list[MapError]) -> list[Cell]:
    """One line's cells; what cannot be read is told and drawn as nothing."""

    def wrong(message: Message) -> Cell:
        errors.append(MapError(number, message))
        return EMPTY

    # Blanks of other widths come with text pasted from pages; they are blanks all the same.
    line = "".join(" " if c.isspace() and c != "\t" else c for c in line)
    unseen = sorted({f"U+{ord(c):04X}" for c in line if not c.isprintable() and c != "\t"})
    if unseen:
        wrong(
            say(
                "There is a character here that cannot be seen (%(code)s). Type the line again.",
                code=", ".join(unseen[:3]),
            )
        )
        line = "".join(c for c in line if c.isprintable() or c == "\t")
    if "\t" in line:
        cells = [_cell(piece.strip(), wrong) for piece in line.split("\t")]
    else:
        cells = [_cell(piece, wrong) for piece in _pieces(line)]
    if len(cells) > MOST_COLUMNS:
        wrong(
            say(
                "This line has %(found)s cells; it may have %(most)s. Let each cell stand for "
                "more.",
                found=len(cells),
                most=MOST_COLUMNS,
            )
        )
    return cells[:MOST_COLUMNS]


def _pieces(line: str) -> Iterator[str]:
    """A line without tabs, cut into cells; see the rule above."""
    at = 0
    while at < len(line):
        if line[at] == " ":
            at += 1
            continue
        end = _end_of_cell(line, at)
        yield line[at:end].rstrip()
        at = end


def _end_of_cell(line: str, at: int) -> int:
    place = _PLACE.match(line, at)
    begin = place.end() if place else at
    if line[begin : begin + 1] in _QUOTES and begin < len(line):
        return _end_of_word(line, _end_of_quote(line, begin))
    end = _end_of_word(line, begin)
    while place and line[end : end + 1] == " " and line[end + 1 : end + 2].strip():
        word_end = _end_of_word(line, end + 1)
        word = line[end + 1 : word_end]
        if word in MARKS or word[0] in _QUOTES or _PLACE.match(word):
            break
        end = word_end
    return end


def _end_of_word(line: str, at: int) -> int:
    found = line.find(" ", at)
    return len(line) if found < 0 else found


def _end_of_quote(line: str, at: int) -> int:
    """Where a quote that opens at `at` is over; at the end of the line where it never is."""
    closing = _QUOTES[line[at]]
    found = line.find(closing, at + 1)
    while found >= 0 and closing == '"' and line[found + 1 : found + 2] == '"':
        found = line.find(closing, found + 2)
    return len(line) if found < 0 else found + 1


def _cell(piece: str, wrong: Callable[[Message], Cell]) -> Cell:
    """What one piece of a line stands for."""
    if not piece:
        return EMPTY
    if piece in MARKS:
        return Cell(MARKS[piece])
    place = _PLACE.match(piece)
    kind = place[1].lower() if place else PLOT
    name = piece[place.end() :].strip() if place else piece
    if name and name[0] in _QUOTES:
        end = _end_of_quote(name, 0)
        closing = _QUOTES[name[0]]
        if len(name) < 2 or not name[:end].endswith(closing):
            return wrong(
                say("A quote is opened at %(piece)s and not closed; close it.", piece=_short(piece))
            )
        if name[end:].strip():
            return wrong(
                say(
                    "Something sticks to the closing quote of %(piece)s; put a blank between.",
                    piece=_short(piece),
                )
            )
        name = name[1 : end - 1]
        if closing == '"':
            name = name.replace('""', '"')
    name = name.strip()
    if not name:
        return wrong(
            say(
                "There is no name at %(piece)s; write it behind the colon or in the quotes.",
                piece=_short(piece),
            )
        )
    if len(name) > LONGEST_NAME:
        return wrong(
            say(
                "The name %(piece)s has %(found)s characters; names have %(most)s at most.",
                piece=_short(name),
                found=len(name),
                most=LONGEST_NAME,
            )
        )
    return Cell(kind, name)


def _short(text: str) -> str:
    return text if len(text) <= 30 else f"{text[:29]}…"


def _known(
    garden_map: GardenMap, plots: Collection[str] | None, places: Collection[str] | None
) -> Iterator[MapError]:
    """Names that the garden does not have, each told where it comes first."""
    for name, spots in garden_map.plots.items():
        if plots is None or name in plots:
            continue
        near = _meant(name, plots)
        yield MapError(
            spots[0][0] + 1,
            say("There is no plot %(name)s; %(near)s may be meant.", name=_short(name), near=near)
            if near
            else say(
                "There is no plot %(name)s. Add the plot first, or put names with blanks in "
                "quotes, and shed: or store: before a place.",
                name=_short(name),
            ),
        )
    for name, spots in garden_map.places.items():
        if places is None or name in places:
            continue
        near = _meant(name, places)
        yield MapError(
            spots[0][0] + 1,
            say(
                "Nothing is kept in %(name)s; %(near)s may be meant. The name of a place ends at "
                "two blanks.",
                name=_short(name),
                near=near,
            )
            if near
            else say(
                "Nothing is kept in %(name)s. Add the place first; its name ends at two blanks.",
                name=_short(name),
            ),
        )


def _meant(name: str, known: Collection[str]) -> str:
    """A known name that differs in case and blanks alone, or that the name begins with."""
    folded = "".join(name.casefold().split())
    for one in sorted(known, key=natural):
        if "".join(one.casefold().split()) == folded:
            return one
    begins = [one for one in known if name.casefold().startswith(f"{one.casefold()} ")]
    return max(begins, key=len, default="")


def _in_pieces(garden_map: GardenMap) -> Iterator[MapError]:
    """Names whose cells do not all touch: told at the first cell that stands apart."""
    for found in (garden_map.plots, garden_map.places):
        for name, spots in found.items():
            apart = set(spots)
            waiting = [spots[0]]
            while waiting:
                spot = waiting.pop()
                if spot in apart:
                    apart.discard(spot)
                    waiting += garden_map.beside(spot)
            if apart:
                yield MapError(
                    min(apart)[0] + 1,
                    say(
                        "%(name)s lies in two pieces, here and in line %(line)s; its cells must "
                        "touch side to side.",
                        name=_short(name),
                        line=spots[0][0] + 1,
                    ),
                )


def _two_kinds(garden_map: GardenMap) -> Iterator[MapError]:
    """Places that are a shed in one cell and a store in the next."""
    for name, spots in garden_map.places.items():
        first = garden_map.rows[spots[0][0]][spots[0][1]].kind
        for row, column in spots:
            if garden_map.rows[row][column].kind != first:
                yield MapError(
                    row + 1,
                    say(
                        "%(name)s is a shed in one cell and a store in another; choose one.",
                        name=_short(name),
                    ),
                )
                break


# --- to text ----------------------------------------------------------------------------------


def write_map(garden_map: GardenMap) -> str:
    """The text that draws a map, its columns one under another; reading it gives the same map.

    Names of places are long: they push the rest of their own line aside and no other, so that the
    plots stay in sight on a phone.
    """
    words = [[_word(cell) for cell in cells] for cells in garden_map.rows]
    widths = [
        max((len(_word(cell)) for cell in column if cell.kind not in PLACES), default=0)
        for column in zip(*garden_map.rows, strict=True)
    ]
    return "\n".join(
        "  ".join(word.ljust(width) for word, width in zip(row, widths, strict=True)).rstrip()
        for row in words
    )


def _word(cell: Cell) -> str:
    if not cell.is_named:
        return _SIGNS[cell.kind]
    if cell.kind in PLACES:
        plain = f"{cell.kind}:{cell.name}"
        is_plain = cell.name[0] not in _QUOTES and list(_pieces(plain)) == [plain]
        return plain if is_plain else f"{cell.kind}:{_quoted(cell.name)}"
    is_plain = (
        " " not in cell.name
        and cell.name not in MARKS
        and cell.name[0] not in _QUOTES
        and not _PLACE.match(cell.name)
    )
    return cell.name if is_plain else _quoted(cell.name)


def _quoted(name: str) -> str:
    doubled = name.replace('"', '""')
    return f'"{doubled}"'


def renamed(garden_map: GardenMap, kind: str, old: str, new: str) -> GardenMap:
    """The map after a plot (`kind` plot) or a place (any other kind) got another name."""

    def changed(cell: Cell) -> Cell:
        is_it = cell.name == old and (cell.kind == PLOT) == (kind == PLOT) and cell.is_named
        return replace(cell, name=new) if is_it else cell

    return map_of([[changed(cell) for cell in cells] for cells in garden_map.rows])


# --- a map to begin with ----------------------------------------------------------------------

USUAL_WIDTH = 8
"""Plots in a row of a map to begin with: as many as a phone shows large enough for a thumb."""


def first_map(plots: Collection[str], places: Collection[str]) -> GardenMap:
    """A map to begin with, to be put right by hand: nobody's garden, but every name is on it.

    Plots whose names begin with the same letters stand in rows of their own, a path above each row
    and one down the side; the places stand below, the gate at their end. What the largest map has
    no room for is left out.
    """
    groups: dict[str, list[str]] = {}
    for name in sorted(plots, key=natural):
        groups.setdefault(_letters(name), []).append(name)
    rows = _rows_of(list(groups.values()), USUAL_WIDTH)
    most = (MOST_ROWS - 2) // 2 - 1
    if len(rows) > most:
        wide = MOST_COLUMNS - 1
        together = [name for group in groups.values() for name in group]
        rows = _rows_of([together], min(wide, -(-len(together) // most)))[:most]
    kept = sorted(places, key=natural)
    if not rows and not kept:
        return GardenMap()
    widest = max([*map(len, rows), min(len(kept), USUAL_WIDTH), 1])
    path, side = Cell(PATH), [Cell(PATH)]
    cells: list[list[Cell]] = []
    for row in rows:
        cells.append([path] * (widest + 1))
        named = [Cell(PLOT, name) for name in row]
        cells.append(side + named + [EMPTY] * (widest - len(row)))
    cells.append([path] * widest + [Cell(GATE)])
    for begin in range(0, len(kept), widest):
        if len(cells) >= MOST_ROWS:
            break
        cells.append([EMPTY, *(Cell(STORE, name) for name in kept[begin : begin + widest])])
    return map_of(cells)


def _rows_of(groups: Sequence[Sequence[str]], widest: int) -> list[Sequence[str]]:
    return [
        group[begin : begin + widest]
        for group in groups
        for begin in range(0, len(group), max(1, widest))
    ]


def _letters(name: str) -> str:
    """What a name begins with before its first digit: `A` of `A12`."""
    found = re.match(r"\D*", name)
    return found[0].strip().casefold() if found else ""


def natural(name: str) -> tuple[tuple[int, int, str], ...]:
    """A key that sorts A2 before A10, and names that differ in case alone always the same way."""
    parts: list[tuple[int, int, str]] = []
    for piece in re.split(r"([0-9]{1,18})", name.casefold()):
        if piece:
            is_number = piece.isascii() and piece.isdigit()
            parts.append((0, int(piece), "") if is_number else (1, 0, piece))
    return (*parts, (2, 0, name))


# --- walking ----------------------------------------------------------------------------------


def steps_from(garden_map: GardenMap, spots: Sequence[Spot]) -> dict[Spot, int]:
    """Steps along the paths from a plot or place, whose cells are `spots`, to each cell of path.

    One step leads from a cell to the next; gates and water are walked on like paths, plots and
    places are not walked through. The first step leads out of the plot or place.
    """
    found: dict[Spot, int] = {}
    waiting: deque[Spot] = deque()

    def come_to(spot: Spot, steps: int) -> None:
        row, column = spot
        if spot not in found and garden_map.rows[row][column].kind in WALKED_ON:
            found[spot] = steps
            waiting.append(spot)

    for spot in spots:
        for other in garden_map.beside(spot):
            come_to(other, 1)
    while waiting:
        spot = waiting.popleft()
        for other in garden_map.beside(spot):
            come_to(other, found[spot] + 1)
    return found


def distances(
    garden_map: GardenMap, spots: Sequence[Spot], targets: Mapping[str, Sequence[Spot]]
) -> dict[str, int]:
    """Steps from one plot or place to others, by their names.

    Along the paths, the last step leading into the plot. Where no path leads there, the cells are
    counted straight over, along rows and columns, from the nearest cell to the nearest: so a map
    without paths still tells near from far.
    """
    walked = steps_from(garden_map, spots)
    found = {}
    for name, cells in targets.items():
        ways = [
            walked[beside] + 1
            for cell in cells
            for beside in garden_map.beside(cell)
            if beside in walked
        ]
        found[name] = min(ways) if ways else _straight(spots, cells)
    return found


def _straight(some: Sequence[Spot], others: Sequence[Spot]) -> int:
    return min(abs(r1 - r2) + abs(c1 - c2) for r1, c1 in some for r2, c2 in others)


def walk_order(garden_map: GardenMap, place: str, plots: Collection[str]) -> list[str]:
    """In which order to visit plots from a place: each time the nearest that is left.

    Of two as near, the one that sorts first. From a place that is not on the map the walk begins at
    the gate, and where there is none at the first of the plots. Plots that are not on the map come
    last, in their order.
    """
    left = {name: garden_map.plots[name] for name in plots if name in garden_map.plots}
    gates = tuple(spot for spot, cell in garden_map.cells() if cell.kind == GATE)
    at = garden_map.places.get(place) or gates
    order: list[str] = []
    while left:
        if at:
            steps = distances(garden_map, at, left)
            name = min(left, key=lambda one: (steps[one], natural(one)))
        else:
            name = min(left, key=natural)
        order.append(name)
        at = left.pop(name)
    missing = {name for name in plots if name not in garden_map.plots}
    return order + sorted(missing, key=natural)
