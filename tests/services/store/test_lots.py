"""Materials: what may go near food beds, and cutting that neither makes nor loses any."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused
from gardenapp.extensions import db
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.science.store.ledger import Impossible
from gardenapp.services.store import acts, ledger, lots
from gardenapp.services.store.lots import PRESETS, LotEntry
from gardenapp.services.store.subjects import material
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.store.happenings import fresh_lot, say


@pytest.mark.parametrize(
    ("mark", "reason"),
    [
        ("MB", "MB means it was gassed with methyl bromide. It does not go near food beds"),
        ("SF", "SF means it was gassed with sulphuryl fluoride. It does not go near food beds"),
        ("none", "Without a mark nobody can say what was done to the wood"),
        ("", "Look for the stamp on the pallet’s blocks"),
    ],
)
def test_a_gassed_or_unmarked_pallet_is_refused_for_food_beds_with_the_reason(
    make: Factory, mark: str, reason: str
) -> None:
    member = make.member()
    entry = LotEntry("Pallets", "pallet", mark=mark)

    with pytest.raises(FieldRefused) as refusal:
        lots.add_lot(entry=entry, quantity_milli=6_000, place_id=None, member=member, now=NOW)

    assert refusal.value.field == "mark"
    assert reason in str(refusal.value)
    assert db.session.scalars(select(Lot)).all() == []


def test_an_unmarked_pallet_is_kept_for_other_use_and_put_in_no_cover(make: Factory) -> None:
    member = make.coordinator()
    lot_id = lots.add_lot(
        entry=LotEntry("Pallets", "pallet", mark="none", is_for_beds=False),
        quantity_milli=6_000,
        place_id=None,
        member=member,
        now=NOW,
    )

    with pytest.raises(FieldRefused, match="not for use near food beds"):
        lots.put_in(
            cover_id=make.cover().id, lot_id=lot_id, quantity_milli=2_000, member=member, now=NOW
        )


@pytest.mark.parametrize("wood", ["treated", "painted", "unknown"])
def test_treated_and_painted_timber_is_refused_for_food_beds(make: Factory, wood: str) -> None:
    entry = LotEntry("Old boards", "timber", wood=wood)

    with pytest.raises(FieldRefused) as refusal:
        lots.add_lot(
            entry=entry, quantity_milli=6_000, place_id=None, member=make.member(), now=NOW
        )

    assert refusal.value.field == "wood"


def test_cutting_timber_counts_the_saw_and_keeps_the_offcuts(make: Factory) -> None:
    member = make.member()
    lot_id = lots.add_lot(
        entry=LotEntry("Timber 38 × 38", "timber", length_mm=2_400, section="38 × 38 mm"),
        quantity_milli=5_000,
        place_id=None,
        member=member,
        now=NOW,
    )

    pieces, offcuts = lots.cut_lengths(
        lot_id=lot_id,
        lengths=2,
        piece_mm=700,
        each=3,
        kerf_mm=3,
        keep_offcut=True,
        member=member,
        now=NOW,
        form_key="cut 1",
    )
    same = lots.cut_lengths(
        lot_id=lot_id,
        lengths=2,
        piece_mm=700,
        each=3,
        kerf_mm=3,
        keep_offcut=True,
        member=member,
        now=NOW,
        form_key="cut 1",
    )

    assert same == (pieces, offcuts)
    assert fresh_lot(lot_id).on_hand_milli == 3_000
    assert (fresh_lot(pieces).on_hand_milli, fresh_lot(pieces).length_mm) == (6_000, 700)
    assert offcuts is not None
    # 2400 − 3 × (700 + 3)
    assert (fresh_lot(offcuts).on_hand_milli, fresh_lot(offcuts).length_mm) == (2_000, 291)
    assert ledger.differences() == []


def test_undoing_a_cut_takes_the_pieces_back_unless_they_were_used(make: Factory) -> None:
    member = make.member()
    roll = lots.add_lot(
        entry=LotEntry("Film", "film", "m", 200, 100, resin="4"),
        quantity_milli=23_000,
        place_id=None,
        member=member,
        now=NOW,
    )
    pieces = lots.cut_from_roll(lot_id=roll, piece_m=2.5, pieces=3, member=member, now=NOW)
    cut = db.session.scalars(select(LedgerEntry).where(LedgerEntry.action == "cut")).one()
    assert fresh_lot(roll).on_hand_milli == 15_500
    say(material(pieces), member, "retired", quantity_milli=1_000, went_to="used up")

    with pytest.raises(Impossible):
        acts.undo_entry(entry_id=cut.id, member=member, now=NOW)
    used = db.session.scalars(select(LedgerEntry).where(LedgerEntry.action == "retired")).one()
    acts.undo_entry(entry_id=used.id, member=member, now=NOW)
    acts.undo_entry(entry_id=cut.id, member=member, now=NOW)

    assert (fresh_lot(roll).on_hand_milli, fresh_lot(pieces).on_hand_milli) == (23_000, 0)
    assert ledger.differences() == []


def test_every_common_size_is_taken_as_it_is_or_asks_for_the_pallets_mark(make: Factory) -> None:
    member = make.member()
    for preset in PRESETS:
        if preset.lot.sort == "pallet":
            with pytest.raises(FieldRefused, match="stamp"):
                lots.check_lot(preset.lot)
            continue
        lots.add_lot(entry=preset.lot, quantity_milli=1_000, place_id=None, member=member, now=NOW)
