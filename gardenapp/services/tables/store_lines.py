"""Lines about covers and materials, in people's words, as the store's own tables have them.

The store's rules stay where they are: a line is brought into the shape of its table and read there.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from gardenapp.messages import Words, say
from gardenapp.models.covers import CODE_LENGTH
from gardenapp.models.people import Member
from gardenapp.models.store import SORTS, Lot
from gardenapp.readers.amounts import BadAmount, read_count, read_length_cm, read_yes
from gardenapp.services.matching import Names, plain
from gardenapp.services.store.covers import next_numbers, usual_prefix
from gardenapp.services.store.tables import (
    LOT_COLUMNS,
    LOTS,
    THING_COLUMNS,
    THINGS,
    TableLines,
    cells_of,
    lot_values,
    thing_values,
    unguard,
)
from gardenapp.services.tables.findings import (
    CHANGED,
    COVER,
    LEFT,
    LOT,
    MADE,
    PLACE,
    SKIP,
    Difference,
    Findings,
    PersonAct,
)
from gardenapp.services.tables.garden_now import GardenNow
from gardenapp.words import said, speaking

MOST_AT_ONCE = 500
# What people write for the words that the store keeps.
WORDS: Mapping[str, Mapping[str, str]] = {
    "lending": {
        "garden": "garden", "the garden": "garden", "everybody": "garden", "all": "garden",
        "huerto": "garden", "todos": "garden", "todo el huerto": "garden",
        "own plots": "own plots", "own": "own plots", "owner": "own plots",
        "parcelas propias": "own plots",
    },
    "condition": {
        "sound": "sound", "good": "sound", "ok": "sound", "new": "sound", "bien": "sound",
        "bueno": "sound", "buena": "sound", "nuevo": "sound", "nueva": "sound",
        "worn": "worn", "used": "worn", "usado": "worn", "usada": "worn", "gastado": "worn",
        "gastada": "worn", "broken": "broken", "torn": "broken", "roto": "broken", "rota": "broken",
    },
    "origin": {
        "rescued": "rescued", "found": "rescued", "rescatado": "rescued", "rescatada": "rescued",
        "given": "given", "gift": "given", "donated": "given", "regalado": "given",
        "donado": "given", "bought": "bought", "comprado": "bought", "comprada": "bought",
        "made": "made", "hecho": "made", "hecha": "made",
    },
    "wood": {
        "untreated": "untreated", "sin tratar": "untreated", "treated": "treated",
        "tratada": "treated", "painted": "painted", "pintada": "painted", "unknown": "unknown",
    },
    "unit": {
        "piece": "piece", "pieces": "piece", "pcs": "piece", "pieza": "piece", "piezas": "piece",
        "ud": "piece", "uds": "piece", "m": "m", "metre": "m", "metres": "m", "meters": "m",
        "metro": "m", "metros": "m", "m2": "m2", "m²": "m2", "kg": "kg", "l": "l", "litre": "l",
        "litres": "l", "litro": "l", "litros": "l",
    },
}  # fmt: skip
SORT_WORDS = {
    "film": ("plastic film", "plastic", "sheeting", "plástico", "lámina"),
    "timber": ("wood", "boards", "laths", "madera", "listones"),
    "pallet": ("euro pallet", "palet", "palets", "palé", "tarima"),
    "string": ("twine", "rope", "cuerda", "cordel"),
    "hoop": ("arco", "arcos"),
    "ballast": ("bricks", "stones", "sandbags", "ladrillos", "piedras"),
}
_QUANTITY = re.compile(r"(?P<number>\d{1,7}(?:[.,]\d{1,3})?)\s*(?P<unit>[^\d\s]\S*)?")
_MONEY = re.compile(r"[£$€]|\b(?:eur|gbp|usd|mxn|cop|ars|clp|pen)\b", re.IGNORECASE)
# How many of its own unit a length in centimetres is, for columns that are lengths.
_PER_CM = {"width_cm": 1.0, "length_mm": 10.0, "thickness_um": 10_000.0}
_BARE = {"width_cm": "cm", "length_mm": "mm"}


class Line(Protocol):
    """A row's cells, as the reader of tables gives them."""

    @property
    def table(self) -> int: ...
    @property
    def row(self) -> int: ...
    @property
    def texts(self) -> Mapping[str, str]: ...
    @property
    def columns(self) -> Mapping[str, int]: ...
    def at(self, name: str) -> str: ...


PersonFinder = Callable[[Any, str, str], PersonAct | None]
"""Whom a name in a cell means: the row's cells, the column and the name."""


class StoreLines:
    """Reads lines about covers and materials into the same findings."""

    def __init__(
        self, member: Member, found: Findings, now: GardenNow, person: PersonFinder
    ) -> None:
        self._member, self.found, self._now, self._person = member, found, now, person
        self._owners: dict[int, int] = {}
        self._tables: dict[str, TableLines] = {}
        self._places: dict[str, str] = {}
        self._numbers: dict[str, int] = {}
        self._prefixes: dict[int, str] = {}
        self._sorts = Names(
            (text, sort)
            for sort in SORTS
            for text in (sort, self.spanish(sort), *SORT_WORDS.get(sort, ()))
        )

    def spanish(self, text: str) -> str:
        """A published word in Spanish."""
        with speaking("es"):
            return str(said(text))

    # --- covers -------------------------------------------------------------------------------

    def cover_row(self, cells: Line) -> None:
        """One line of covers: a labelled one, or so many of a kind."""
        lines = self._lines(THINGS)
        texts = dict(cells.texts)
        code = texts.get("code", "").casefold()
        label = texts.get("label", "")
        present = lines.things.get(code) if code else lines.labels.get(label)
        if present is None and code and len(code) != CODE_LENGTH:
            present = lines.labels.get(label)
        given = self._shared(cells, texts)
        if "kind" in texts:
            kind = self._kind(cells, texts["kind"])
            if kind is None:
                return
            given["kind"] = self._now.kind_names[kind]
        elif present is None:
            self._wrong(cells, "kind", say("Say what kind of cover it is."))
            return
        else:
            kind = present.class_id
        for name in ("film_area_m2", "film_thickness_um", "off_season_job"):
            if name in texts:
                given[name] = texts[name]
        many = 1
        if "count" in texts:
            try:
                many = read_count(texts["count"], most=MOST_AT_ONCE)
            except BadAmount as bad:
                self._wrong(cells, "count", bad.message)
                return
        if present is not None:
            if many > 1:
                self._wrong(cells, "count", say("A cover with a label of its own is one."))
                return
            base = self._cells_of(THING_COLUMNS, thing_values(present), lines)
            self._take(lines, cells, base | given | ({"label": label} if label else {}), COVER)
            return
        base = dict.fromkeys(THING_COLUMNS, "") | {"lending": "garden", "condition": "sound"}
        for one in self._labels(kind, label, many):
            self._take(lines, cells, base | given | {"code": code, "label": one}, COVER)

    def _labels(self, kind: int, label: str, many: int) -> list[str]:
        if label and many == 1:
            return [label]
        if kind not in self._prefixes:
            self._prefixes[kind] = usual_prefix(kind_id=kind)
        prefix = label or self._prefixes[kind]
        first = self._numbers.get(prefix) or next_numbers(prefix=prefix)
        self._numbers[prefix] = first + many
        return [f"{prefix} {number}" for number in range(first, first + many)]

    def _kind(self, cells: Line, text: str) -> int | None:
        match = self._now.kinds.find(text)
        if match.key is not None and match.is_exact:
            return match.key
        likely = match.choices or tuple(self._now.kind_names)
        choices: list[tuple[str, Words]] = [(str(k), self._now.kind_names[k]) for k in likely]
        choices.append((SKIP, say("leave these lines out")))
        chosen = self.found.ask(
            "kind",
            text,
            cells.at("kind"),
            tuple(choices),
            str(match.key) if match.key is not None else "",
        )
        return int(chosen) if chosen not in ("", SKIP) else None

    # --- materials ----------------------------------------------------------------------------

    def lot_row(self, cells: Line) -> None:
        """One line of materials."""
        lines = self._lines(LOTS)
        texts = dict(cells.texts)
        code, name = texts.get("code", "").casefold(), texts.get("name", "")
        present = lines.lots.get(code) if code else None
        if present is None and not code:
            alike = [lot for lot in lines.lots.values() if plain(lot.name) == plain(name) and name]
            present = alike[0] if len(alike) == 1 else None
        given = self._shared(cells, texts) | ({"name": name} if name else {})
        if "sort" in texts:
            match = self._sorts.find(texts["sort"])
            given["sort"] = match.key or texts["sort"]
        elif present is None:
            match = self._sorts.find(name)
            given["sort"] = match.key if match.key is not None else "other"
        if given.get("sort") == "pallet" and present is None and "mark" not in given:
            # Nobody has said what its stamp reads: then it does not go near food beds.
            given |= {"mark": "none", "for_beds": "no"}
        before = len(self.found.problems)
        self._amounts(cells, texts, given, present)
        if "for_beds" in texts:
            try:
                given["for_beds"] = "yes" if read_yes(texts["for_beds"]) else "no"
            except BadAmount as bad:
                self._wrong(cells, "for_beds", bad.message)
        if "section" in texts:
            given["section"] = texts["section"]
        if len(self.found.problems) > before:
            return
        if present is not None:
            base = self._cells_of(LOT_COLUMNS, lot_values(present), lines)
        else:
            base = dict.fromkeys(LOT_COLUMNS, "") | {
                "lending": "garden",
                "condition": "sound",
                "unit": "piece",
                "quantity": "1",
                "for_beds": "yes",
                "code": code,
            }
        self._take(lines, cells, base | given, LOT)

    def _amounts(
        self, cells: Line, texts: Mapping[str, str], given: dict[str, str], present: Lot | None
    ) -> None:
        """Quantity with its unit, and lengths in whatever unit, as the store's table has them."""
        if "unit" in texts:
            given["unit"] = WORDS["unit"].get(plain(texts["unit"]), texts["unit"])
        if "quantity" in texts:
            text = re.sub(r"^[x×]\s*|\s*[x×]$", "", texts["quantity"].strip())
            found = _QUANTITY.fullmatch(text)
            if found is None:
                self._wrong(cells, "quantity", say("Enter how much, such as 12 or 4.5 m."))
                return
            given["quantity"] = found["number"].replace(",", ".")
            unit = WORDS["unit"].get(plain(found["unit"] or ""))
            if found["unit"] and unit is None:
                self._wrong(cells, "quantity", say("Enter how much, such as 12 or 4.5 m."))
                return
            if unit is not None:
                given["unit"] = unit
        elif present is None and "quantity" in cells.columns:
            self._wrong(cells, "quantity", say("Say how much."))
        for name, factor in _PER_CM.items():
            if name not in texts:
                continue
            text = re.sub(r"\s*(?:µm|um|micras?|microns?)$", "", texts[name])
            if re.fullmatch(r"\d+(?:[.,]\d+)?", text):
                given[name] = text.replace(",", ".")
                continue
            try:
                value = read_length_cm(text, unit=_BARE.get(name, "")) * factor
            except BadAmount as bad:
                self._wrong(cells, name, bad.message)
                continue
            given[name] = f"{value:.6f}".rstrip("0").rstrip(".")

    # --- both ---------------------------------------------------------------------------------

    def finish(self) -> None:
        """What can be checked only once every line is read."""
        lines = self._tables.get(THINGS)
        if lines is not None and not lines.problems:
            lines.check_labels()
            for problem in lines.problems:
                self.found.wrong(0, problem.line or 0, None, problem.message)

    def _lines(self, table: str) -> TableLines:
        if table not in self._tables:
            self._tables[table] = TableLines(table, self._member)
        return self._tables[table]

    def _shared(self, cells: Line, texts: Mapping[str, str]) -> dict[str, str]:
        """What covers and materials have in common, in the store's own words."""
        given: dict[str, str] = {}
        if "owner" in texts:
            given["owner"] = self._owner(cells, texts["owner"])
        for name in ("resin", "mark", "acquired_on", "note"):
            if name in texts:
                given[name] = texts[name]
        if "mark" in given and given["mark"].casefold() != "none":
            given["mark"] = given["mark"].upper()
        for name, words in WORDS.items():
            if name in texts and name != "unit":
                given[name] = words.get(plain(texts[name]), texts[name])
        if "cost" in texts:
            given["cost"] = _MONEY.sub("", texts["cost"]).strip()
        if "place" in texts:
            given["place"] = self._place(cells, texts["place"])
        return given

    def _owner(self, cells: Line, text: str) -> str:
        """The owner's name as it is kept; somebody not known yet is made with the table."""
        person = self._person(cells, "owner", text)
        if person is None:
            return ""
        if person.id is None and id(person) not in self._owners:
            number = self._owners[id(person)] = -1 - len(self.found.acts.owners)
            self.found.acts.owners[number] = person
            for table in (THINGS, LOTS):
                names = self._lines(table).names
                names.member_ids.setdefault(person.name, []).append(number)
                names.member[number] = person.name
        return person.name

    def _place(self, cells: Line, text: str) -> str:
        """The place's name as it is kept; one not known yet is made with the table."""
        if not self._places:
            for table in (THINGS, LOTS):
                for label in self._lines(table).names.place_ids:
                    self._places.setdefault(plain(label), label)
        known = self._places.get(plain(text))
        if known is not None:
            return known
        if len(text) > 80 or not text.isprintable():
            self._wrong(cells, "place", say("Use at most 80 characters on one line."))
            return ""
        self._places[plain(text)] = text
        number = -1 - len(self.found.acts.places)
        self.found.acts.places[number] = text
        for table in (THINGS, LOTS):
            names = self._lines(table).names
            names.place_ids[text], names.place[number] = number, text
        self.found.did(cells.table, cells.row, PLACE, MADE, text)
        return text

    def _cells_of(
        self, columns: tuple[str, ...], values: Mapping[str, Any], lines: TableLines
    ) -> dict[str, str]:
        kept = cells_of(columns, values, lines.names)
        return {name: unguard(cell) for name, cell in zip(columns, kept, strict=True)}

    def _take(self, lines: TableLines, cells: Line, whole: dict[str, str], what: str) -> None:
        lines.line = cells.row
        problems, changes, same = len(lines.problems), len(lines.changes), lines.same
        lines.take(whole)
        for problem in lines.problems[problems:]:
            column = str(problem.column)
            self._wrong(cells, column if column in cells.columns else "kind", problem.message)
        for change in lines.changes[changes:]:
            verb = MADE if change.id is None else CHANGED
            told = (
                ()
                if change.id is None
                else tuple(
                    Difference(one.column, one.before, one.after) for one in change.differences
                )
            )
            self.found.did(cells.table, cells.row, what, verb, change.name, told)
            kept = self.found.acts.covers if what == COVER else self.found.acts.lots
            kept.append(change)
        if lines.same > same:
            self.found.did(cells.table, cells.row, what, LEFT)

    def _wrong(self, cells: Line, column: str, message: Words) -> None:
        self.found.wrong(cells.table, cells.row, cells.columns.get(column), message)
