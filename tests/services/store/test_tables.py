"""Tables of the store: what goes out comes in again the same, and what is wrong changes nothing."""

from __future__ import annotations

import csv
import io

import pytest
from sqlalchemy import func, select

from gardenapp.errors import NotAllowed, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.services.store import ledger, lots, tables
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.tables import LOT_COLUMNS, LOTS, THING_COLUMNS, THINGS
from tests.conftest import NOW
from tests.factories import Factory

TRIGGERS = "=+-@\t\r"
NASTY = ("=1+1", "+44", "-5", "@sum", "'=x", "''-y", "a,b", 'say "no"', "ünï", "'quoted'", "a\nb")


@pytest.fixture
def boss(make: Factory) -> Member:
    """A coordinator, and a store with a little of everything in it."""
    boss = make.coordinator()
    shed = make.place("=Shed")
    kind = make.cover_kind("-Tote, 60 litres")
    for number, text in enumerate(NASTY):
        make.cover(
            kind,
            label=f"{text.strip()} {number}".replace("\n", " "),
            note=text,
            place_id=shed.id if number % 2 else None,
            cost_hundredths=number * 101,
            film_area_m2=0.1 + number,
            resin="5",
        )
    for number, text in enumerate(NASTY[:6]):
        lots.add_lot(
            entry=LotEntry(f"{text} film", "film", "m", 200.0, 100.0 + number, note=text),
            quantity_milli=1_001 + number,
            place_id=shed.id,
            member=boss,
            now=NOW,
        )
    return boss


def state() -> tuple[int, int, int]:
    """How much is written down."""
    db.session.rollback()
    counts = [
        db.session.scalar(select(func.count()).select_from(model)) or 0
        for model in (Cover, Lot, LedgerEntry)
    ]
    return counts[0], counts[1], counts[2]


@pytest.mark.parametrize("table", [THINGS, LOTS])
def test_out_in_out_is_the_same_to_the_byte(make: Factory, boss: Member, table: str) -> None:
    before = tables.export_table(table=table)

    same = tables.plan_import(table=table, data=before.encode(), member=boss)
    assert (same.problems, same.changes) == ((), ())
    assert same.same == before.count("\r\n") - 1
    tables.keep_import(table=table, data=before.encode(), member=boss, now=NOW)

    assert tables.export_table(table=table) == before


@pytest.mark.parametrize("table", [THINGS, LOTS])
def test_a_table_fills_an_empty_store_with_the_same(
    make: Factory, boss: Member, table: str
) -> None:
    before = tables.export_table(table=table)
    for row in [*db.session.scalars(select(Cover)), *db.session.scalars(select(Lot))]:
        # Another garden: the same places and kinds, other codes.
        row.code = row.code[::-1] if row.code != row.code[::-1] else "22222222"
        if isinstance(row, Cover):
            row.label = f"old {row.id}"
    db.session.commit()

    plan = tables.keep_import(table=table, data=before.encode(), member=boss, now=NOW)

    assert plan.new == len(plan.changes) == before.count("\r\n") - 1
    after = set(tables.export_table(table=table).splitlines())
    assert set(before.splitlines()) <= after
    assert ledger.differences() == []


@pytest.mark.parametrize("table", [THINGS, LOTS])
def test_no_cell_begins_a_formula(make: Factory, boss: Member, table: str) -> None:
    rows = list(csv.reader(io.StringIO(tables.export_table(table=table), newline="")))

    cells = [cell for row in rows for cell in row]

    assert any(cell.startswith("'=") for cell in cells)
    assert [cell for cell in cells if cell[:1] and cell[0] in TRIGGERS] == []


@pytest.mark.parametrize("text", [*NASTY, "", "'", "plain", "\ttab", "'+1", "-"])
def test_guarded_text_is_the_same_again(text: str) -> None:
    guarded = tables.guard(text)

    assert guarded[:1] not in set(TRIGGERS)
    assert tables.unguard(guarded) == text


def test_what_would_change_is_shown_first_and_then_written_in_the_ledger(
    make: Factory, boss: Member
) -> None:
    make.place("Barn")
    tote = db.session.scalars(select(Cover).order_by(Cover.id)).first()
    assert tote is not None
    text = tables.export_table(table=THINGS)
    line = next(line for line in text.splitlines() if line.startswith(tote.code))
    cells = next(csv.reader([line]))
    cells[THING_COLUMNS.index("place")] = "Barn"
    cells[THING_COLUMNS.index("condition")] = "worn"
    cells[THING_COLUMNS.index("off_season_job")] = "holds seed trays"
    data = one_table(THING_COLUMNS, cells)
    before = state()

    plan = tables.plan_import(table=THINGS, data=data, member=boss)
    assert state() == before
    assert {d.column: d.after for d in plan.changes[0].differences} == {
        "place": "Barn",
        "condition": "worn",
        "off_season_job": "holds seed trays",
    }
    tables.keep_import(table=THINGS, data=data, member=boss, now=NOW)

    actions = db.session.scalars(
        select(LedgerEntry.action)
        .where(LedgerEntry.cover_id == tote.id)
        .order_by(LedgerEntry.number)
    )
    assert list(actions) == ["acquired", "moved", "damaged"]
    assert ledger.differences() == []


def test_two_labels_change_places(make: Factory) -> None:
    boss = make.coordinator()
    kind = make.cover_kind("Tote")
    one, two = make.cover(kind, label="One"), make.cover(kind, label="Two")
    text = tables.export_table(table=THINGS)
    swapped = text.replace("One", "???").replace("Two", "One").replace("???", "Two")

    tables.keep_import(table=THINGS, data=swapped.encode(), member=boss, now=NOW)

    db.session.expire_all()
    assert [db.session.get(Cover, key).label for key in (one.id, two.id)] == ["Two", "One"]  # type: ignore[union-attr]


def test_a_quantity_that_differs_is_a_count(make: Factory) -> None:
    boss = make.coordinator()
    lot_id = lots.add_lot(
        entry=LotEntry("Boxes", "box"),
        quantity_milli=14_000,
        place_id=None,
        member=boss,
        now=NOW,
    )
    text = tables.export_table(table=LOTS).replace(",piece,14,", ",piece,11,")

    tables.keep_import(table=LOTS, data=text.encode(), member=boss, now=NOW)

    newest = db.session.scalars(
        select(LedgerEntry).where(LedgerEntry.lot_id == lot_id).order_by(LedgerEntry.number.desc())
    ).first()
    assert newest is not None
    assert (newest.action, newest.quantity_milli) == ("counted", 11_000)


def test_a_semicolon_table_with_decimal_commas_is_read(make: Factory) -> None:
    boss = make.coordinator()
    cells = dict.fromkeys(LOT_COLUMNS, "") | {
        "name": "Folie",
        "sort": "film",
        "unit": "m",
        "quantity": "23,5",
        "for_beds": "yes",
        "lending": "garden",
        "condition": "sound",
    }
    text = ";".join(LOT_COLUMNS) + "\n" + ";".join(cells.values()) + "\n"

    tables.keep_import(table=LOTS, data=text.encode("utf-8-sig"), member=boss, now=NOW)

    assert db.session.scalars(select(Lot.on_hand_milli)).one() == 23_500


def test_only_a_coordinator_brings_a_table_in(make: Factory) -> None:
    with pytest.raises(NotAllowed):
        tables.plan_import(table=THINGS, data=b"x", member=make.member())


def one_table(columns: tuple[str, ...], *rows: list[str]) -> bytes:
    """A table of these rows."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerows([list(columns), *rows])
    return out.getvalue().encode()


def thing(**changes: str) -> list[str]:
    """A good line, but for the changes."""
    good = {
        "label": "Tote 1",
        "kind": "Tote",
        "lending": "garden",
        "condition": "sound",
    }
    return [(dict.fromkeys(THING_COLUMNS, "") | good | changes)[c] for c in THING_COLUMNS]


def lot(**changes: str) -> list[str]:
    """A good line, but for the changes."""
    good = {
        "name": "Boxes",
        "sort": "box",
        "unit": "piece",
        "quantity": "3",
        "for_beds": "yes",
        "lending": "garden",
        "condition": "sound",
    }
    return [(dict.fromkeys(LOT_COLUMNS, "") | good | changes)[c] for c in LOT_COLUMNS]


GOOD = thing(label="Tote 77")
# What is wrong, in which table, and on which line and column it is said.
MALFORMED: dict[str, tuple[str, bytes, int | None, str]] = {
    "empty": (THINGS, b"", None, ""),
    "only spaces": (THINGS, b"  \n \n", None, ""),
    "a picture": (THINGS, b"\x89PNG\r\n\x1a\n" + b"\0" * 60, None, ""),
    "a workbook": (THINGS, b"PK\x03\x04" + b"\0" * 60, None, ""),
    "UTF-16 without its columns": (THINGS, "code,label".encode("utf-16"), 1, "kind"),
    "half of a UTF-16 letter": (THINGS, "code,label".encode("utf-16")[:-1], None, ""),
    "Windows text": (THINGS, one_table(THING_COLUMNS, GOOD) + b"\xfc\xff,x", 3, ""),
    "control character": (THINGS, one_table(THING_COLUMNS, thing(note="a\x00b")), 2, ""),
    "over the size": (THINGS, b"a" * 400_001, None, ""),
    "only a header": (THINGS, one_table(THING_COLUMNS), 1, ""),
    "no header": (THINGS, b"1,2,3\n4,5,6\n", 1, "code"),
    "a column missing": (THINGS, one_table(THING_COLUMNS[:-1], GOOD[:-1]), 1, "note"),
    "a column too many": (THINGS, one_table((*THING_COLUMNS, "id"), [*GOOD, "1"]), 1, "id"),
    "a column twice": (
        THINGS,
        one_table((*THING_COLUMNS, "note"), [*GOOD, ""]),
        1,
        "note",
    ),
    "a short line": (THINGS, one_table(THING_COLUMNS, GOOD, GOOD[:5]), 3, ""),
    "an open quotation mark": (THINGS, one_table(THING_COLUMNS, GOOD) + b'"open', 3, ""),
    "a huge cell": (THINGS, one_table(THING_COLUMNS, thing(note="x" * 3_000)), 2, ""),
    "no label": (THINGS, one_table(THING_COLUMNS, thing(label="")), 2, "label"),
    "a long label": (THINGS, one_table(THING_COLUMNS, thing(label="x" * 81)), 2, "label"),
    "a label twice": (THINGS, one_table(THING_COLUMNS, GOOD, GOOD), 3, "label"),
    "a label that is taken": (
        THINGS,
        one_table(THING_COLUMNS, thing(label="Already here")),
        2,
        "label",
    ),
    "an unknown kind": (THINGS, one_table(THING_COLUMNS, thing(kind="Dome")), 2, "kind"),
    "an unknown place": (THINGS, one_table(THING_COLUMNS, thing(place="Moon")), 2, "place"),
    "nobody of that name": (THINGS, one_table(THING_COLUMNS, thing(owner="Nobody")), 2, "owner"),
    "a code that is none": (THINGS, one_table(THING_COLUMNS, thing(code="1234")), 2, "code"),
    "a code twice": (
        THINGS,
        one_table(THING_COLUMNS, thing(code="abcdefgh"), thing(code="abcdefgh", label="B")),
        3,
        "code",
    ),
    "a code of what has left": (
        THINGS,
        one_table(THING_COLUMNS, thing(code="gggggggg")),
        2,
        "code",
    ),
    "a strange condition": (
        THINGS,
        one_table(THING_COLUMNS, thing(condition="fine")),
        2,
        "condition",
    ),
    "the garden’s for own plots": (
        THINGS,
        one_table(THING_COLUMNS, thing(lending="own plots")),
        2,
        "lending",
    ),
    "money in words": (THINGS, one_table(THING_COLUMNS, thing(cost="two")), 2, "cost"),
    "money below nothing": (THINGS, one_table(THING_COLUMNS, thing(cost="-2")), 2, "cost"),
    "not a number": (
        THINGS,
        one_table(THING_COLUMNS, thing(film_area_m2="nan")),
        2,
        "film_area_m2",
    ),
    "an exponent": (THINGS, one_table(THING_COLUMNS, thing(film_area_m2="1e3")), 2, "film_area_m2"),
    "a day that is none": (
        THINGS,
        one_table(THING_COLUMNS, thing(acquired_on="30/02/2026")),
        2,
        "acquired_on",
    ),
    "the 30th of February": (
        THINGS,
        one_table(THING_COLUMNS, thing(acquired_on="2026-02-30")),
        2,
        "acquired_on",
    ),
    "half a box": (LOTS, one_table(LOT_COLUMNS, lot(quantity="2.5")), 2, "quantity"),
    "less than none": (LOTS, one_table(LOT_COLUMNS, lot(quantity="-1")), 2, "quantity"),
    "no quantity": (LOTS, one_table(LOT_COLUMNS, lot(quantity="")), 2, "quantity"),
    "neither yes nor no": (LOTS, one_table(LOT_COLUMNS, lot(for_beds="maybe")), 2, "for_beds"),
    "a gassed pallet for beds": (
        LOTS,
        one_table(LOT_COLUMNS, lot(sort="pallet", mark="MB")),
        2,
        "mark",
    ),
    "a length of what is not counted": (
        LOTS,
        one_table(LOT_COLUMNS, lot(unit="m", length_mm="2400")),
        2,
        "length_mm",
    ),
    "a unit that is none": (LOTS, one_table(LOT_COLUMNS, lot(unit="feet")), 2, "unit"),
    "the other table": (LOTS, one_table(THING_COLUMNS, GOOD), 1, "name"),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_a_table_that_is_wrong_is_told_by_line_and_changes_nothing(
    make: Factory, name: str
) -> None:
    boss = make.coordinator()
    kind = make.cover_kind("Tote")
    make.cover(kind, label="Already here")
    make.cover(kind, label="Gone", status="retired", code="gggggggg")
    table, data, line, column = MALFORMED[name]
    before = state()

    plan = tables.plan_import(table=table, data=data, member=boss)

    assert plan.changes == ()
    assert any(p.line == line and p.column == column for p in plan.problems), plan.problems
    assert all(p.message for p in plan.problems)
    with pytest.raises(Refused):
        tables.keep_import(table=table, data=data, member=boss, now=NOW)
    assert state() == before


def test_a_table_that_calls_a_gassed_pallet_clean_is_told_by_line(make: Factory) -> None:
    boss = make.coordinator()
    first = one_table(LOT_COLUMNS, lot(sort="pallet", mark="MB", for_beds="no"))
    tables.keep_import(table=LOTS, data=first, member=boss, now=NOW)
    code = db.session.scalars(select(Lot.code)).one()
    clean = one_table(LOT_COLUMNS, lot(code=code, sort="pallet", mark="HT", for_beds="no"))

    plan = tables.plan_import(table=LOTS, data=clean, member=boss)

    assert [(problem.line, problem.column) for problem in plan.problems] == [(2, "mark")]
    assert plan.changes == ()


def test_there_are_at_least_thirty_of_them() -> None:
    assert len(MALFORMED) >= 30
