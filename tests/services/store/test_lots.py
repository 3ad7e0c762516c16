"""Materials: what may go near food beds, and cutting that neither makes nor loses any."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.science.store.ledger import Impossible
from gardenapp.services.store import acts, ledger, lots
from gardenapp.services.store.lots import PRESETS, LotEntry
from gardenapp.services.store.subjects import material
from gardenapp.words import speaking
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


def boards(member: Member, **changes: Any) -> int:
    values: dict[str, Any] = {"name": "Timber", "sort": "timber", "length_mm": 2_400.0}
    return lots.add_lot(
        entry=LotEntry(**values | changes),
        quantity_milli=3_000,
        place_id=None,
        member=member,
        now=NOW,
    )


def saw(member: Member, lot_id: int, *, each: int, piece_mm: float) -> tuple[int, int | None]:
    return lots.cut_lengths(
        lot_id=lot_id,
        lengths=1,
        piece_mm=piece_mm,
        each=each,
        kerf_mm=3.0,
        keep_offcut=True,
        member=member,
        now=NOW,
    )


@pytest.mark.parametrize(
    ("each", "piece_mm", "left_mm"),
    [
        (4, 597.0, None),  # four pieces and four cuts of 3 mm are the whole length
        (4, 597.75, None),  # the last piece ends where the length ends: three cuts
        (3, 600.0, 591.0),
    ],
)
def test_the_last_cut_is_not_sawn_where_the_length_ends(
    make: Factory, each: int, piece_mm: float, left_mm: float | None
) -> None:
    member = make.member()

    _pieces, offcuts = saw(member, boards(member), each=each, piece_mm=piece_mm)

    assert (None if offcuts is None else fresh_lot(offcuts).length_mm) == left_mm


def test_pieces_that_leave_no_room_for_the_saw_are_refused_and_nothing_is_cut(
    make: Factory,
) -> None:
    member = make.member()
    lot_id = boards(member)

    with pytest.raises(FieldRefused, match="do not fit in 2400 mm") as refused:
        saw(member, lot_id, each=4, piece_mm=600.0)
    with speaking("es"), pytest.raises(FieldRefused, match="no caben en 2400 mm"):
        saw(member, lot_id, each=4, piece_mm=600.0)

    assert refused.value.field == "each"
    assert fresh_lot(lot_id).on_hand_milli == 3_000
    assert len(db.session.scalars(select(Lot)).all()) == 1


def test_what_has_no_length_is_not_sawn_and_what_is_counted_is_no_roll(make: Factory) -> None:
    member = make.member()
    lot_id = boards(member, length_mm=None)

    with pytest.raises(Refused, match="no length to cut from"):
        saw(member, lot_id, each=2, piece_mm=100.0)
    with pytest.raises(Refused, match="measured in metres"):
        lots.cut_from_roll(lot_id=lot_id, piece_m=1.0, pieces=1, member=member, now=NOW)

    assert fresh_lot(lot_id).on_hand_milli == 3_000


def test_a_material_keeps_the_unit_of_its_history(make: Factory) -> None:
    member = make.member()
    lot_id = boards(member, length_mm=None)
    entry = replace(lots.entry_of(fresh_lot(lot_id)), unit="m")

    with pytest.raises(FieldRefused, match="history is in the old unit") as refused:
        lots.change_lot(lot_id=lot_id, entry=entry, member=member, now=NOW)

    assert refused.value.field == "unit"
    assert fresh_lot(lot_id).unit == "piece"
