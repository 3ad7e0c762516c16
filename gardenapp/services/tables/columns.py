"""Which heading is which column: tables of a garden, in English and Spanish, in people's own words.

A table is found by its headings, wherever it begins on its sheet; several may stand below one
another. What it holds is judged by them too: plots with what grows there, members, covers or
materials.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from rapidfuzz import fuzz, process

from gardenapp.readers.cells import CellRow, CellSheet
from gardenapp.reference.crop_finding import fold

GARDEN, MEMBERS, COVERS, MATERIALS = "garden", "members", "covers", "materials"
HOLDS = (GARDEN, COVERS, MATERIALS, MEMBERS)
# How alike a misspelt heading has to be, of a hundred. Our own.
NEAR = 84
_SHORTEST_NEAR = 4
# What people write above a column, without accents and capitals, by what the table holds. What is
# under `things` belongs to covers and materials, its note to plots as well.
_WORDS = """
things
  code: code, id, codigo
  place: place, kept in, kept at, where, where kept, location, stored in, store, lugar, donde,
      guardado en, ubicacion, sitio, se guarda en
  owner: owner, owned by, whose, belongs to, dueno, duena, propietario, propietaria, de quien
  lending: lending, lent to, for whom, prestamo, se presta a
  condition: condition, state, estado
  origin: origin, from where, procedencia, origen
  cost: cost, price, paid, coste, costo, precio
  acquired_on: acquired, acquired on, bought on, since, date, adquirido, comprado el, fecha,
      desde
  resin: resin, plastic, resina, plastico
  mark: mark, stamp, marca, sello
  wood: wood, madera
  note: note, notes, remarks, comments, comment, nota, notas, comentarios, observaciones
garden
  plot: plot, plots, plot no, plot number, plot name, bed, beds, allotment, parcela, parcelas,
      bancal, bancales, numero de parcela
  size: size, plot size, bed size, dimensions, tamano, medidas, dimensiones
  length: length, long, plot length, largo, longitud
  width: width, wide, plot width, ancho, anchura
  bed_width: bed width, width of the beds, ancho del bancal, ancho de bancal, anchura de los
      bancales
  distance: distance, distance to the shed, way to the shed, distancia, distancia al cobertizo
  holder: holder, holders, plot holder, plot holders, held by, gardener, gardeners, tenant,
      tenants, who, member, members, titular, titulares, hortelano, hortelana, hortelanos,
      responsable, quien, persona
  crop: crop, crops, plant, plants, planting, plantings, what grows, vegetable, species,
      cultivo, cultivos, planta, plantas, hortaliza, plantacion, especie
  stage: stage, part, growth stage, fase, etapa, estado de crecimiento
  variety: variety, name, called, cultivar, own name, variedad, nombre, nombre propio
  count: how many, count, number, quantity, qty, no, no of plants, number of plants, cuantas,
      cuantos, cantidad, numero, n, num, numero de plantas
  height: height, height of plants, plant height, tall, altura, alto, altura de las plantas
  spread: spread, plant spread, plant width, spacing, ancho de planta, anchura de planta,
      espacio, separacion
  in_pot: in pots, in a pot, pot, potted, in pot, container, en maceta, maceta, en macetas,
      macetas
  movable: can be carried in, movable, can be moved, se puede meter dentro, se puede mover,
      movil
  mind: mind, how much you would mind, worth, value, valor, cuanto importa, importa
  per: worth per, per, minded per, por
members
  name: name, member, members, person, people, who, gardener, first name, full name, nombre,
      persona, personas, miembro, miembros, socio, socia, socios, nombre y apellidos
  plots: plots, plot, holds, plot no, beds, bed, parcelas, parcela, bancal, bancales, lleva
  language: language, speaks, idioma, lengua
  role: role, coordinator, funcion, papel, rol, coordina, coordinacion
covers
  kind: kind, kind of cover, cover, covers, type, cover type, clase, tipo, cubierta,
      cubiertas, tipo de cubierta, clase de cubierta
  label: label, name, called, marked, etiqueta, nombre
  count: how many, count, number, quantity, qty, no, cuantas, cuantos, cantidad, numero
  film_area_m2: film area m2, film area, area of film, superficie de plastico m2, superficie
      de plastico
  film_thickness_um: film thickness um, film thickness, thickness of film, grosor del plastico
      um, grosor del plastico
  off_season_job: off season job, in summer used for, uso fuera de temporada
materials
  name: name, material, materials, what, item, nombre, que, material disponible, materiales
  sort: sort, kind of material, category, type of material, clase de material, categoria, tipo
      de material
  quantity: quantity, how much, how many, amount, qty, count, number, cantidad, cuanto,
      cuantos, cuantas, numero
  unit: unit, unidad
  width_cm: width cm, width, ancho cm, ancho
  thickness_um: thickness um, thickness, grosor um, grosor
  length_mm: length mm, length, largo mm, largo, longitud
  section: section, cross section, size, seccion, medidas
  for_beds: for beds, fit for beds, para bancales, apto para bancales
"""


def _read_words(text: str) -> dict[str, dict[str, tuple[str, ...]]]:
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for line in text.replace("\n      ", " ").strip().splitlines():
        if not line.startswith(" "):
            columns = found.setdefault(line, {})
            continue
        name, _colon, words = line.strip().partition(": ")
        columns[name] = tuple(words.split(", "))
    things = found.pop("things")
    found[GARDEN]["note"] = things["note"]
    for holds in (COVERS, MATERIALS):
        found[holds] |= things
    return found


HEADINGS: Mapping[str, Mapping[str, tuple[str, ...]]] = _read_words(_WORDS)
# What speaks for a kind of table; everything else counts one.
_WEIGHTS = {
    GARDEN: {"crop": 4.0, "plot": 2.0, "holder": 2.0, "stage": 2.0, "variety": 0.5, "count": 0.7},
    MEMBERS: {"name": 2.0, "plots": 1.5, "language": 3.0, "role": 2.0},
    COVERS: {"kind": 3.0, "label": 1.5, "place": 1.5, "count": 0.7},
    MATERIALS: {"sort": 4.0, "unit": 3.0, "section": 2.0, "thickness_um": 2.0},
}
# Without one of these a table of the kind says nothing.
NEEDED = {GARDEN: ("plot",), MEMBERS: ("name",), COVERS: ("kind", "code"), MATERIALS: ("name",)}
_UNIT_WORDS = frozenset(
    {"mm", "cm", "m", "ft", "in", "inch", "inches", "feet", "foot", "metres", "meters", "metros"}
    | {"pies", "pulgadas"}
)
_UNIT_IN_HEADING = re.compile(r"[(\[]\s*([^)\]]*?)\s*[)\]]")


@dataclass(frozen=True)
class Column:
    """One column: where it is (from 1), its heading, and the unit that stands there, if any."""

    number: int
    heading: str
    unit: str = ""


@dataclass(frozen=True)
class RawTable:
    """A table as it stands on its sheet.

    header : its headings' row, None where no row was known for one. above : lines before it that
    are left out. second_header : the number of a row below that holds headings as well.
    """

    sheet: str
    header: CellRow | None
    columns: tuple[Column, ...]
    rows: tuple[CellRow, ...]
    above: int = 0
    second_header: int | None = None


# --- finding the tables -----------------------------------------------------------------------


def tables_of(sheet: CellSheet) -> tuple[RawTable, ...]:
    """The tables that stand on a sheet, each below its headings."""
    found: list[RawTable] = []
    header: CellRow | None = None
    rows: list[CellRow] = []
    above, second, before = 0, None, 0

    def close() -> None:
        if header is not None or rows:
            found.append(_table(sheet.name, header, rows, above, second))

    for row in sheet.rows:
        if _is_header(row):
            if header is None and not found:
                above, rows = len(rows), []
            elif header is not None and not rows and row.number == before + 1:
                second = second or row.number
                before = row.number
                continue
            elif header is not None and _same(row, header):
                before = row.number
                continue  # the headings printed again on a new page
            else:
                close()
                above, second, rows = 0, None, []
            header, before = row, row.number
            continue
        rows.append(row)
        before = row.number
    close()
    return tuple(found)


def _table(
    name: str, header: CellRow | None, rows: Sequence[CellRow], above: int, second: int | None
) -> RawTable:
    width = max((len(row.cells) for row in (*rows, *([header] if header else []))), default=0)
    units: dict[int, str] = {}
    if header is not None and rows and _is_units(rows[0]):
        units = {n: cell.strip("()[]") for n, cell in enumerate(rows[0].cells, 1) if cell}
        rows = rows[1:]
    columns = []
    for number in range(1, width + 1):
        cells = header.cells if header is not None else ()
        heading = cells[number - 1] if number <= len(cells) else ""
        columns.append(Column(number, heading, units.get(number) or _unit_of(heading)))
    return RawTable(name, header, tuple(columns), tuple(rows), above, second)


def _is_header(row: CellRow) -> bool:
    cells = [cell for cell in row.cells if cell]
    if any(len(cell) > 60 for cell in cells):
        return False
    if len(cells) == 1:
        return _plain(cells[0]) in _MAIN
    # A row of figures is none, and most rows are: tell so before each word is looked up.
    words = [cell for cell in cells if not any(c.isdigit() for c in cell) or "(" in cell]
    if len(words) < 2 or len(words) * 2 < len(cells):
        return False
    known = sum(_is_heading(_plain(cell)) for cell in words)
    return known >= 2 and known * 2 >= len(cells)


def _is_units(row: CellRow) -> bool:
    cells = [cell.strip("()[]").casefold() for cell in row.cells if cell]
    return bool(cells) and all(cell in _UNIT_WORDS for cell in cells)


def _same(row: CellRow, other: CellRow) -> bool:
    return [_plain(cell) for cell in row.cells] == [_plain(cell) for cell in other.cells]


def _unit_of(heading: str) -> str:
    for inside in _UNIT_IN_HEADING.findall(heading):
        if inside.casefold() in _UNIT_WORDS:
            return str(inside)
    last = heading.split()[-1:] or [""]
    return (
        last[0] if len(heading.split()) > 1 and last[0].casefold() in _UNIT_WORDS - {"in"} else ""
    )


# --- which column is which --------------------------------------------------------------------


def guess(table: RawTable) -> tuple[str, dict[int, str]]:
    """What a table holds, and its columns by number; what is not known is left out."""
    best = (0.0, GARDEN, dict[int, str]())
    for holds in HOLDS:
        columns = guess_columns(table, holds)
        if not any(name in columns.values() for name in NEEDED[holds]):
            continue
        weight = sum(_WEIGHTS[holds].get(name, 1.0) for name in columns.values())
        if weight > best[0]:
            best = (weight, holds, columns)
    return best[1], best[2]


def guess_columns(table: RawTable, holds: str) -> dict[int, str]:
    """The columns of a table that holds this, by number: the surest first, each name once."""
    scored = sorted(
        (
            (-score, column.number, name)
            for column in table.columns
            if column.heading
            for name, score in _names_of(_plain(column.heading), holds)
        ),
    )
    found: dict[int, str] = {}
    for _score, number, name in scored:
        if number not in found and name not in found.values():
            found[number] = name
    return dict(sorted(found.items()))


def _plain(heading: str) -> str:
    text = _UNIT_IN_HEADING.sub(" ", fold(heading))
    words = re.sub(r"[^\w#]+", " ", text.replace("_", " ")).split()
    if len(words) > 1 and words[-1] in _UNIT_WORDS - {"in"}:
        without = " ".join(words[:-1])
        return without if without in _EVERY else " ".join(words)
    return " ".join(words)


@cache
def _names_of(plain: str, holds: str) -> tuple[tuple[str, float], ...]:
    """The columns that a heading may mean, each with how sure it is, of a hundred."""
    found = []
    for name, headings in HEADINGS[holds].items():
        if plain in headings or plain == name.replace("_", " "):
            found.append((name, 100.0 - 0.1 * (headings.index(plain) if plain in headings else 0)))
        elif len(plain) >= _SHORTEST_NEAR:
            near = process.extractOne(
                plain,
                [h for h in headings if len(h) >= _SHORTEST_NEAR],
                scorer=fuzz.ratio,
                score_cutoff=NEAR,
            )
            if near is not None:
                found.append((name, near[1] - 5.0))
    return tuple(found)


@cache
def _is_heading(plain: str) -> bool:
    return bool(plain) and any(_names_of(plain, holds) for holds in HOLDS)


def _headings() -> Iterator[str]:
    for columns in HEADINGS.values():
        for name, headings in columns.items():
            yield from headings
            yield name.replace("_", " ")


_EVERY = frozenset(_headings())
_MAIN = frozenset(
    heading
    for holds, names in NEEDED.items()
    for name in names
    for heading in HEADINGS[holds][name]
    if len(heading) > 2
)
