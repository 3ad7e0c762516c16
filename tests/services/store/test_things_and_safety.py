"""What may go near food beds is not changed by anybody's whim, and gassed wood stays gassed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused, Refused
from gardenapp.extensions import db
from gardenapp.models.people import LogEntry
from gardenapp.models.store import Lot
from gardenapp.services.store import lots, tables, things
from gardenapp.services.store.lots import LotEntry
from tests.conftest import NOW
from tests.factories import Factory

UNMARKED = LotEntry("Pallets", "pallet", mark="none", is_for_beds=False)
GASSED = replace(UNMARKED, mark="MB")
HEATED = replace(UNMARKED, mark="HT", is_for_beds=True)


def add(make: Factory, entry: LotEntry) -> int:
    return lots.add_lot(
        entry=entry, quantity_milli=4_000, place_id=None, member=make.coordinator(), now=NOW
    )


def lot(lot_id: int) -> Lot:
    db.session.expire_all()
    found = db.session.get(Lot, lot_id)
    assert found is not None
    return found


def test_a_member_does_not_make_the_gardens_pallets_fit_for_beds(make: Factory) -> None:
    lot_id, member = add(make, UNMARKED), make.member()

    with pytest.raises(FieldRefused, match="Only a coordinator can change") as refusal:
        lots.change_lot(lot_id=lot_id, entry=HEATED, member=member, now=NOW)

    assert refusal.value.field == "mark"
    assert (lot(lot_id).mark, lot(lot_id).is_for_beds) == ("none", False)


def test_a_member_may_say_that_it_is_worse_than_was_thought(make: Factory) -> None:
    lot_id, member = add(make, HEATED), make.member()

    lots.change_lot(lot_id=lot_id, entry=GASSED, member=member, now=NOW)

    assert (lot(lot_id).mark, lot(lot_id).is_for_beds) == ("MB", False)


def test_a_coordinators_change_stands_in_the_log_with_before_and_after(make: Factory) -> None:
    lot_id = add(make, UNMARKED)

    lots.change_lot(lot_id=lot_id, entry=HEATED, member=make.coordinator("Vera"), now=NOW)

    line = db.session.scalars(select(LogEntry).where(LogEntry.action == "material changed")).one()
    assert "mark none to HT" in line.detail
    assert "is_for_beds - to True" in line.detail


@pytest.mark.parametrize("mark", ["MB", "SF"])
def test_gassed_wood_stays_gassed_whoever_asks(make: Factory, mark: str) -> None:
    lot_id = add(make, replace(GASSED, mark=mark))

    with pytest.raises(FieldRefused, match="stays gassed"):
        lots.change_lot(lot_id=lot_id, entry=HEATED, member=make.coordinator("Vera"), now=NOW)

    assert lot(lot_id).mark == mark


def test_a_table_does_not_do_what_a_form_may_not(make: Factory) -> None:
    lot_id, vera = add(make, GASSED), make.coordinator("Vera")
    text = tables.export_table(table=tables.LOTS).replace(",MB,", ",HT,").encode()

    plan = tables.plan_import(table=tables.LOTS, data=text, member=vera)
    with pytest.raises(Refused):
        tables.keep_import(table=tables.LOTS, data=text, member=vera, now=NOW)

    assert "stays gassed" in str(plan.problems[0].message)

    assert lot(lot_id).mark == "MB"


def test_of_what_a_thing_is_made_of_the_worst_speaks() -> None:
    assert things.worst_mark(["HT", "MB", "DH"]) == "MB"
    assert things.worst_mark(["HT", "none"]) == "none"
    assert things.worst_mark([]) == ""
    assert things.worst_wood(["untreated", "treated"]) == "treated"


@pytest.mark.parametrize(
    "text", ["=1+1", "＝1+1", "＋1", "－1", "＠x", " =1+1", "\t=1", "'＝1+1", "-1", "@x"]
)
def test_no_text_of_the_store_runs_in_a_spreadsheet(text: str) -> None:
    kept = tables.guard(text)

    assert kept.startswith("'")
    assert tables.unguard(kept) == text
