"""Things and materials as tables, out and in again.

Written so that a spreadsheet runs nothing: text that would begin a formula gets an apostrophe
in front, which is taken off again when the table is read. Numbers are written as numbers.
Reading is done in two steps: what would change is shown first, and nothing is written unless
every line is right. Where something is now (on a bed, lent) is not in the tables: it belongs
to the ledger, and places, conditions and quantities that differ are written there.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from sqlalchemy import select

from gardenapp.errors import FieldRefused, NotAllowed, Refused
from gardenapp.extensions import db
from gardenapp.messages import Number, Words, listed, say
from gardenapp.models.covers import (
    CODE_LENGTH,
    CODE_LETTERS,
    CONDITIONS,
    LENDING,
    Cover,
    CoverKind,
)
from gardenapp.models.people import Member
from gardenapp.models.plots import StorePlace
from gardenapp.models.store import SORTS, UNITS, Lot
from gardenapp.readers.csv_rows import Row, rows_of, separator_of
from gardenapp.readers.plain_text import decode
from gardenapp.readers.records import UnreadableFile
from gardenapp.services import change_log
from gardenapp.services.store import ledger
from gardenapp.services.store.covers import SHELTER
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lots import LotEntry, check_lot
from gardenapp.services.store.subjects import MOST_MILLI, ONE
from gardenapp.services.store.things import (
    MARK_WORDS,
    ORIGIN_WORDS,
    RESIN_WORDS,
    WOOD_WORDS,
    check_safety,
)
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

THINGS, LOTS = "things", "materials"
MOST_LINES = 5_000
MOST_PROBLEMS = 50
LARGEST_BYTES = 400_000
THING_COLUMNS = (
    "code",
    "label",
    "kind",
    "owner",
    "lending",
    "place",
    "condition",
    "origin",
    "cost",
    "acquired_on",
    "film_area_m2",
    "film_thickness_um",
    "resin",
    "mark",
    "wood",
    "off_season_job",
    "note",
)
LOT_COLUMNS = (
    "code",
    "name",
    "sort",
    "unit",
    "quantity",
    "width_cm",
    "thickness_um",
    "length_mm",
    "section",
    "resin",
    "mark",
    "wood",
    "for_beds",
    "owner",
    "lending",
    "place",
    "condition",
    "origin",
    "cost",
    "acquired_on",
    "note",
)
COLUMNS = {THINGS: THING_COLUMNS, LOTS: LOT_COLUMNS}
# What a spreadsheet may run, after spaces too, also in the full width of East Asian type.
_RUNS = "\\s*[=+\\-@\\t\\r＝＋－＠]"
_TRIGGER = re.compile(f"'*{_RUNS}")
_GUARDED = re.compile(f"'+{_RUNS}")
_NUMBER = re.compile(r"\d{1,9}(?:[.,]\d{1,6})?", re.ASCII)
_CODE = re.compile(f"[{CODE_LETTERS}]{{{CODE_LENGTH}}}")


@dataclass(frozen=True)
class Problem:
    """What is wrong, and on which line and in which column."""

    line: int | None
    column: Words
    message: Words


@dataclass(frozen=True)
class Difference:
    """One cell that would change."""

    column: str
    before: str
    after: str


@dataclass(frozen=True)
class Change:
    """One line's effect. `id` is None for what would be new."""

    line: int
    id: int | None
    name: str
    differences: tuple[Difference, ...]
    values: Mapping[str, Any] = field(repr=False)


@dataclass(frozen=True)
class ImportPlan:
    """What a table would change; with problems nothing may be written."""

    table: str
    changes: tuple[Change, ...]
    same: int
    problems: tuple[Problem, ...]

    @property
    def new(self) -> int:
        return sum(change.id is None for change in self.changes)


# --- out --------------------------------------------------------------------------------------


def guard(text: str) -> str:
    """Text that no spreadsheet takes for a formula; `unguard` gives the text back."""
    return f"'{text}" if _TRIGGER.match(text) else text


def unguard(text: str) -> str:
    """The text that `guard` was given."""
    return text[1:] if _GUARDED.match(text) else text


def export_table(*, table: str) -> str:
    """The things that are here, or the materials, as CSV, by label and name."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS[table])
    names = StoreNames()
    if table == THINGS:
        things = db.session.scalars(
            select(Cover).where(Cover.status != "retired").order_by(Cover.label, Cover.id)
        )
        for cover in things:
            writer.writerow(cells_of(THING_COLUMNS, thing_values(cover), names))
    else:
        for lot in db.session.scalars(select(Lot).order_by(Lot.name, Lot.code)):
            if lot.on_hand_milli + lot.lent_milli + lot.out_milli:
                writer.writerow(cells_of(LOT_COLUMNS, lot_values(lot), names))
    return out.getvalue()


class StoreNames:
    """Names and ids of people, places and kinds, read once; ids below 0 are still to be made."""

    def __init__(self) -> None:
        session = db.session
        self.place = {row.id: row.label for row in session.scalars(select(StorePlace))}
        self.kind = {
            row.id: row.name
            for row in session.scalars(select(CoverKind).where(CoverKind.construction != SHELTER))
        }
        self.member: dict[int, str] = {}
        self.member_ids: dict[str, list[int]] = {}
        for row in session.scalars(select(Member)):
            self.member[row.id] = row.name
            self.member_ids.setdefault(row.name, []).append(row.id)
        self.place_ids = {label: key for key, label in self.place.items()}
        self.kind_ids = {name: key for key, name in self.kind.items()}


def thing_values(cover: Cover) -> dict[str, Any]:
    """What a line of the table of covers says of one."""
    return {
        "code": cover.code,
        "label": cover.label,
        "kind": cover.class_id,
        "owner": cover.owner_id,
        "lending": cover.lending,
        "place": cover.place_id,
        "condition": cover.condition,
        "origin": cover.origin,
        "cost": cover.cost_hundredths,
        "acquired_on": cover.acquired_on,
        "film_area_m2": cover.film_area_m2,
        "film_thickness_um": cover.film_thickness_um,
        "resin": cover.resin,
        "mark": cover.mark,
        "wood": cover.wood,
        "off_season_job": cover.off_season_job,
        "note": cover.note,
    }


def lot_values(lot: Lot) -> dict[str, Any]:
    """What a line of the table of materials says of one."""
    return {
        "code": lot.code,
        "name": lot.name,
        "sort": lot.sort,
        "unit": lot.unit,
        "quantity": lot.on_hand_milli,
        "width_cm": lot.width_cm,
        "thickness_um": lot.thickness_um,
        "length_mm": lot.length_mm,
        "section": lot.section,
        "resin": lot.resin,
        "mark": lot.mark,
        "wood": lot.wood,
        "for_beds": lot.is_for_beds,
        "owner": lot.owner_id,
        "lending": lot.lending,
        "place": lot.place_id,
        "condition": lot.condition,
        "origin": lot.origin,
        "cost": lot.cost_hundredths,
        "acquired_on": lot.acquired_on,
        "note": lot.note,
    }


def cells_of(columns: tuple[str, ...], values: Mapping[str, Any], names: StoreNames) -> list[str]:
    """The cells of a line, safe to open in a spreadsheet."""
    return [_cell(column, values[column], names) for column in columns]


def _cell(column: str, value: Any, names: StoreNames) -> str:
    if value is None:
        return ""
    if column == "owner":
        return guard(names.member.get(value, ""))
    if column == "place":
        return guard(names.place.get(value, ""))
    if column == "kind":
        return guard(names.kind.get(value, ""))
    if column == "cost":
        return f"{value // 100}.{value % 100:02d}"
    if column == "quantity":
        return f"{value / ONE:.3f}".rstrip("0").rstrip(".")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    return guard(str(value))


# --- in ---------------------------------------------------------------------------------------


def plan_import(*, table: str, data: bytes, member: Member) -> ImportPlan:
    """What a table would change. Writes nothing. Raises NotAllowed.

    Every line is looked at; each problem names its line and column.
    """
    if not member.is_coordinator:
        raise NotAllowed(_("Only a coordinator can import tables."))
    if len(data) > LARGEST_BYTES:
        words = f"The table is over {LARGEST_BYTES // 1000} kB; bring it in in parts."
        return ImportPlan(table, (), 0, (Problem(None, "", words),))
    try:
        text = decode(data, encoding=None, largest_bytes=LARGEST_BYTES)
        separator = separator_of(text)
        rows = rows_of(text, separator)
    except UnreadableFile as unreadable:
        return ImportPlan(
            table,
            (),
            0,
            tuple(Problem(p.line, p.column or "", p.message) for p in unreadable.errors),
        )
    return TableLines(table, member).read(rows)


def keep_import(*, table: str, data: bytes, member: Member, now: datetime) -> ImportPlan:
    """Bring a table in: all of it, or nothing where a line is wrong.

    Raises NotAllowed, Refused where something stands in the way.
    """
    with write_transaction() as session:
        plan = plan_import(table=table, data=data, member=member)
        if plan.problems:
            raise Refused(_("The table has a line that is not right. We changed nothing."))
        # Labels that are swapped among one another are free only once all have let go.
        for change in plan.changes:
            if change.id is not None and table == THINGS:
                cover = ledger.lock_cover(change.id)
                if cover.label != change.values["label"]:
                    cover.label = f"… {cover.code}"
        session.flush()
        for change in plan.changes:
            if table == THINGS:
                keep_thing(change, member, now)
            else:
                keep_lot(change, member, now)
        change_log.record(
            action="table brought in",
            subject=f"{table}: {plan.new} new, {len(plan.changes) - plan.new} changed",
            at=now,
            member_id=member.id,
        )
        return plan


class TableLines:
    """One table being read: its problems and its changes, line by line.

    `take` a line after setting `line` to its number; `check_labels` at the end.
    """

    def __init__(self, table: str, member: Member) -> None:
        self.table = table
        self.member = member
        self.names = StoreNames()
        self.problems: list[Problem] = []
        self.changes: list[Change] = []
        self.same = 0
        self.line = 0
        self.seen_codes: dict[str, int] = {}
        self.seen_labels: dict[str, int] = {}
        if table == THINGS:
            covers = list(db.session.scalars(select(Cover)))
            self.things = {cover.code: cover for cover in covers}
            self.labels = {cover.label: cover for cover in covers}
        else:
            self.lots = {lot.code: lot for lot in db.session.scalars(select(Lot))}

    def read(self, rows: list[Row]) -> ImportPlan:
        columns = COLUMNS[self.table]
        head = [cell.strip().lower() for cell in rows[0].cells] if rows else []
        missing = [column for column in columns if column not in head]
        strange = [name for name in head if name not in columns]
        twice = sorted({name for name in head if head.count(name) > 1})
        self.line = rows[0].line if rows else 1
        for name in missing:
            self.add(name, say("This column is missing. Export a table to see how it looks."))
        for name in strange:
            self.add(name[:40], say("We don’t know this column."))
        for name in twice:
            self.add(name[:40], say("This column is there twice."))
        if len(rows) > MOST_LINES:
            self.add(
                "",
                say(
                    "More than %(most)s lines. Import them in parts.", most=Number(MOST_LINES, ",")
                ),
            )
        elif not self.problems and len(rows) < 2:
            self.add("", say("There is no line below the names of the columns."))
        if not self.problems:
            for row in rows[1:]:
                self.line = row.line
                if len(row.cells) != len(head):
                    self.add(
                        "",
                        say(
                            "Has %(cells)s cells, not %(heads)s.",
                            cells=len(row.cells),
                            heads=len(head),
                        ),
                    )
                    continue
                self.take(dict(zip(head, row.cells, strict=True)))
                if len(self.problems) >= MOST_PROBLEMS:
                    break
        if self.table == THINGS and not self.problems:
            self.check_labels()
        changes = () if self.problems else tuple(self.changes)
        return ImportPlan(self.table, changes, self.same, tuple(self.problems[:MOST_PROBLEMS]))

    def add(self, column: str, message: Words) -> None:
        self.problems.append(Problem(self.line, column, message))

    def take(self, cells: dict[str, str]) -> None:
        """Read one line, given by the names of the columns, all of them."""
        before = len(self.problems)
        code = cells["code"].lower()
        if code and not _CODE.fullmatch(code):
            self.add(
                "code", say("Enter the eight characters of a label’s code, or leave it empty.")
            )
        if code and self.seen_codes.setdefault(code, self.line) != self.line:
            self.add("code", say("The same code as on line %(line)s.", line=self.seen_codes[code]))
        values = self.thing(cells) if self.table == THINGS else self.lot(cells)
        if len(self.problems) > before:
            return
        present: Cover | Lot | None
        if self.table == THINGS:
            cover = self.things.get(code)
            if cover is not None and cover.status == "retired":
                self.add("code", say("That item has left the garden, so you can’t change it."))
                return
            present, old = cover, thing_values(cover) if cover is not None else {}
            name = values["label"]
        else:
            lot = self.lots.get(code)
            present, old = lot, lot_values(lot) if lot is not None else {}
            name = values["name"]
            if lot is not None and lot.unit != values["unit"]:
                self.add(
                    "unit",
                    say("Its history is in %(unit)s, which you can’t change.", unit=lot.unit),
                )
                return
        if present is not None:
            try:
                check_safety(present, _plain(values), member=self.member)
            except FieldRefused as refused:
                self.add(refused.field, refused.message)
                return
        values["code"] = code
        columns = COLUMNS[self.table]
        after = cells_of(columns, values, self.names)
        was = cells_of(columns, old, self.names) if old else [""] * len(columns)
        differences = tuple(
            Difference(column, unguard(one), unguard(other))
            for column, one, other in zip(columns, was, after, strict=True)
            if one != other
        )
        if present is not None and not differences:
            self.same += 1
            return
        self.changes.append(
            Change(
                self.line, present.id if present is not None else None, name, differences, values
            )
        )

    def check_labels(self) -> None:
        """No two things with one label, counted after all the changes."""
        moving = {change.id for change in self.changes}
        for change in self.changes:
            self.line = change.line
            holder = self.labels.get(change.values["label"])
            if holder is not None and holder.id not in moving:
                self.add(
                    "label",
                    say(
                        "There is already one called %(label)s. Choose another label.",
                        label=change.values["label"],
                    ),
                )

    # one line

    def thing(self, cells: dict[str, str]) -> dict[str, Any]:
        label = self.text(cells, "label", 80, required=True)
        if label and self.seen_labels.setdefault(label, self.line) != self.line:
            self.add(
                "label", say("The same label as on line %(line)s.", line=self.seen_labels[label])
            )
        values = self.shared(cells)
        values |= {
            "label": label,
            "kind": self.known(cells, "kind", self.names.kind_ids, required=True),
            "film_area_m2": self.number(cells, "film_area_m2", 10_000),
            "film_thickness_um": self.number(cells, "film_thickness_um", 20_000),
            "off_season_job": self.text(cells, "off_season_job", 200),
        }
        return values

    def lot(self, cells: dict[str, str]) -> dict[str, Any]:
        values = self.shared(cells)
        quantity = self.number(cells, "quantity", MOST_MILLI / ONE, required=True)
        for_beds = cells["for_beds"].lower()
        if for_beds not in {"yes", "no"}:
            self.add("for_beds", say("Enter yes or no."))
        values |= {
            "name": self.text(cells, "name", 80, required=True),
            "sort": self.one_of(cells, "sort", SORTS),
            "unit": self.one_of(cells, "unit", UNITS),
            "quantity": round((quantity or 0) * ONE),
            "width_cm": self.number(cells, "width_cm", 10_000),
            "thickness_um": self.number(cells, "thickness_um", 20_000),
            "length_mm": self.number(cells, "length_mm", 100_000),
            "section": self.text(cells, "section", 80),
            "for_beds": for_beds == "yes",
        }
        if values["unit"] == "piece" and values["quantity"] % ONE:
            self.add("quantity", say("Pieces are counted whole."))
        try:
            check_lot(_lot_entry(values))
        except FieldRefused as refusal:
            column = {"owner_id": "owner"}.get(refusal.field, refusal.field)
            if not any(p.line == self.line and p.column == column for p in self.problems):
                self.add(column, refusal.message)
        return values

    def shared(self, cells: dict[str, str]) -> dict[str, Any]:
        owner = unguard(cells["owner"])
        ids = self.names.member_ids.get(owner, []) if owner else []
        if owner and len(ids) != 1:
            self.add(
                "owner",
                say("There is nobody called %(name)s.", name=owner[:40])
                if not ids
                else say(
                    "Several people are called %(name)s. Change it on its page.", name=owner[:40]
                ),
            )
        lending = self.one_of(cells, "lending", LENDING)
        if lending == "own plots" and not owner:
            self.add("lending", say("What the garden owns is there for the whole garden."))
        cost = self.number(cells, "cost", 1_000_000)
        return {
            "owner": ids[0] if len(ids) == 1 else None,
            "lending": lending,
            "place": self.known(cells, "place", self.names.place_ids),
            "condition": self.one_of(cells, "condition", CONDITIONS),
            "origin": self.one_of(cells, "origin", tuple(ORIGIN_WORDS)),
            "cost": None if cost is None else round(cost * 100),
            "acquired_on": self.day(cells, "acquired_on"),
            "resin": self.one_of(cells, "resin", tuple(RESIN_WORDS)),
            "mark": self.one_of(cells, "mark", tuple(MARK_WORDS)),
            "wood": self.one_of(cells, "wood", tuple(WOOD_WORDS)),
            "note": self.text(cells, "note", 2_000, lines=True),
        }

    # one cell

    def text(
        self,
        cells: dict[str, str],
        column: str,
        most: int,
        *,
        required: bool = False,
        lines: bool = False,
    ) -> str:
        text = unguard(cells[column].replace("\r\n", "\n"))
        if required and not text:
            self.add(column, say("Enter something here."))
        if len(text) > most:
            self.add(
                column,
                say(
                    "Use at most %(maximum)s characters; this has %(text)s.",
                    maximum=most,
                    text=len(text),
                ),
            )
        plain = text.replace("\n", " ").replace("\t", " ") if lines else text
        if not plain.isprintable():
            self.add(column, say("Holds a character that cannot be printed, or a second line."))
        return text

    def one_of(self, cells: dict[str, str], column: str, choices: tuple[str, ...]) -> str:
        value = unguard(cells[column])
        if value not in choices:
            named = listed(choice or say("nothing") for choice in choices)
            self.add(column, say("Enter one of: %(choices)s.", choices=named))
        return value

    def known(
        self, cells: dict[str, str], column: str, ids: Mapping[str, int], *, required: bool = False
    ) -> int | None:
        name = unguard(cells[column])
        if not name:
            if required:
                self.add(column, say("Enter something here."))
            return None
        if name not in ids:
            self.add(column, say("We don’t know %(name)s. Add it first.", name=name[:40]))
        return ids.get(name)

    def number(
        self, cells: dict[str, str], column: str, most: float, *, required: bool = False
    ) -> float | None:
        text = cells[column]
        if not text and not required:
            return None
        if not _NUMBER.fullmatch(text) or float(text.replace(",", ".")) > most:
            self.add(column, say("Enter a number from 0 to %(most)s.", most=Number(most, ",.0f")))
            return None
        return float(text.replace(",", "."))

    def day(self, cells: dict[str, str], column: str) -> date | None:
        text = cells[column]
        if not text:
            return None
        try:
            found = date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d\d-\d\d", text) else None
        except ValueError:
            found = None
        if found is None or not 1950 <= found.year <= 2150:
            self.add(column, say("Enter a date, such as 2026-11-24."))
            return None
        return found


def _lot_entry(values: Mapping[str, Any]) -> LotEntry:
    return LotEntry(
        name=values["name"],
        sort=values["sort"],
        unit=values["unit"],
        width_cm=values["width_cm"],
        thickness_um=values["thickness_um"],
        length_mm=values["length_mm"],
        section=values["section"],
        resin=values["resin"],
        mark=values["mark"],
        wood=values["wood"],
        is_for_beds=values["for_beds"],
        owner_id=values["owner"],
        lending=values["lending"],
        origin=values["origin"],
        cost_hundredths=values["cost"],
        acquired_on=values["acquired_on"],
        note=values["note"],
    )


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    """The columns that are no business of the ledger's."""
    same = ("lending", "origin", "acquired_on", "resin", "mark", "wood", "note")
    plain = {name: values[name] for name in same}
    return plain | {"owner_id": values["owner"], "cost_hundredths": values["cost"]}


def keep_thing(change: Change, member: Member, now: datetime) -> None:
    """Write a line about one cover. Inside the caller's transaction."""
    values = change.values
    plain = _plain(values) | {
        "label": values["label"],
        "class_id": values["kind"],
        "film_area_m2": values["film_area_m2"],
        "film_thickness_um": values["film_thickness_um"],
        "off_season_job": values["off_season_job"],
    }
    if change.id is None:
        cover = Cover(**plain, **({"code": values["code"]} if values["code"] else {}))
        db.session.add(cover)
        db.session.flush()
        happenings = [
            Happening("acquired", place_id=values["place"], condition=values["condition"])
        ]
    else:
        cover = ledger.lock_cover(change.id)
        _log_safety(cover, plain, member, now)
        for name, value in plain.items():
            setattr(cover, name, value)
        db.session.flush()
        happenings = _moves(cover, values)
    for happening in happenings:
        ledger.write(cover, happening, at=now, member_id=member.id)


def keep_lot(change: Change, member: Member, now: datetime) -> None:
    """Write a line about one material. Inside the caller's transaction."""
    values = change.values
    plain = _plain(values) | {
        "name": values["name"],
        "sort": values["sort"],
        "unit": values["unit"],
        "width_cm": values["width_cm"],
        "thickness_um": values["thickness_um"],
        "length_mm": values["length_mm"],
        "section": values["section"],
        "is_for_beds": values["for_beds"],
    }
    if change.id is None:
        lot = Lot(**plain, **({"code": values["code"]} if values["code"] else {}))
        db.session.add(lot)
        db.session.flush()
        happenings = [
            Happening(
                "acquired",
                quantity_milli=values["quantity"],
                place_id=values["place"],
                condition=values["condition"],
            )
        ]
    else:
        lot = ledger.lock_lot(change.id)
        _log_safety(lot, plain, member, now)
        for name, value in plain.items():
            setattr(lot, name, value)
        db.session.flush()
        happenings = _moves(lot, values)
        if values["quantity"] != lot.on_hand_milli:
            happenings.append(Happening("counted", quantity_milli=values["quantity"]))
    for happening in happenings:
        ledger.write(lot, happening, at=now, member_id=member.id)


def _log_safety(
    subject: Cover | Lot, plain: Mapping[str, Any], member: Member, now: datetime
) -> None:
    """Changes that safety rests on stand in the log one by one; raises what `check_safety` does."""
    detail = check_safety(subject, plain, member=member)
    if detail:
        change_log.record(
            action="mark changed by a table",
            subject=getattr(subject, "label", "") or getattr(subject, "name", ""),
            detail=detail,
            at=now,
            member_id=member.id,
        )


def _moves(subject: Cover | Lot, values: Mapping[str, Any]) -> list[Happening]:
    happenings = []
    if values["place"] != subject.place_id:
        happenings.append(Happening("moved", place_id=values["place"]))
    condition = values["condition"]
    if condition != subject.condition:
        is_better = CONDITIONS.index(condition) < CONDITIONS.index(subject.condition)
        happenings.append(Happening("mended" if is_better else "damaged", condition=condition))
    return happenings
