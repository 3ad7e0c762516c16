"""The store in the words of designs: which lots count, and as what."""

from __future__ import annotations

import pytest

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.store import Lot
from gardenapp.services.builds.designing import set_price
from gardenapp.services.builds.materials import (
    ONE,
    USUAL_FILM_UM,
    find_materials,
    is_fixing,
    section_of,
    sizes_in,
    usual_bar_mm,
)
from gardenapp.services.store import lots
from gardenapp.services.store.lots import LotEntry
from tests.conftest import NOW
from tests.factories import Factory


@pytest.mark.parametrize(
    ("text", "sizes"),
    [
        ("38 × 38 mm", (38.0, 38.0)),
        ("38x38", (38.0, 38.0)),
        ("2 x 4 in", (50.8, 101.6)),
        ("1,5 × 2 cm", (15.0, 20.0)),
        ("20 mm", (20.0,)),
        ("odd", ()),
        ("", ()),
    ],
)
def test_a_section_is_read_in_whatever_unit_it_was_written(
    text: str, sizes: tuple[float, ...]
) -> None:
    assert sizes_in(text) == sizes


def test_only_what_may_go_near_beds_and_is_ones_own_or_the_gardens_is_counted(
    make: Factory, member: Member
) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    bar = LotEntry("Bars", "timber", length_mm=2_400.0, section="38 × 38 mm")

    def lay_in(entry: LotEntry) -> int:
        return lots.add_lot(
            entry=entry, quantity_milli=4_000, place_id=None, member=member, now=NOW
        )

    fit = lay_in(bar)
    lay_in(
        LotEntry(
            "Green boards",
            "timber",
            length_mm=2_400.0,
            section="38 × 38 mm",
            wood="treated",
            is_for_beds=False,
        )
    )
    hers = lay_in(
        LotEntry("Hers", "timber", length_mm=2_400.0, section="38 × 38 mm", owner_id=tamsin.id)
    )

    assert set(find_materials(member=wes).held) == {fit}
    assert set(find_materials(member=tamsin).held) == {fit, hers}
    assert section_of(find_materials(member=wes).held[fit]) == "38 x 38"


def lay_in(member: Member, entry: LotEntry, quantity: float = 4.0) -> int:
    return lots.add_lot(
        entry=entry,
        quantity_milli=round(quantity * ONE),
        place_id=None,
        member=member,
        now=NOW,
    )


def found_items(member: Member) -> dict[str, list[int]]:
    """What may come from which lot."""
    items = find_materials(member=member).items
    return {name: [taking.lot_id for taking in takings] for name, takings in items.items()}


@pytest.mark.parametrize(
    ("entry", "names"),
    [
        (
            LotEntry("Pallets", "pallet", section="1200 × 800 mm", mark="HT"),
            {"pallet 1200 x 800 mm", "pallet 800 x 1200 mm"},
        ),
        (
            LotEntry("Sash", "glass", section="100 × 60 cm"),
            {"window 1000 x 600 mm", "window 600 x 1000 mm"},
        ),
        (LotEntry("Square sash", "glass", section="60 × 60 cm"), {"window 600 x 600 mm"}),
        (
            LotEntry("Boxes", "box", section="560 × 380 × 350 mm"),
            {"tote 560 x 380 x 350 mm", "food box 560 x 380 x 350 mm"},
        ),
        (LotEntry("Clear bottles", "box", section="110 × 280 mm"), {"bottle 110 x 110 x 280 mm"}),
        (LotEntry("Flat boxes", "box", section="110 × 280 mm"), set()),
        (LotEntry("Bags", "bag", section="600 × 900 mm"), {"clear bag 600 x 900 mm"}),
        (LotEntry("Bags", "bag", width_cm=60.0, length_mm=900.0), {"clear bag 600 x 900 mm"}),
        (LotEntry("Bags, some", "bag"), set()),
        (LotEntry("Screws 4 × 60", "other"), {"screw"}),
        (LotEntry("String", "string", "m"), {"ridge string, m", "tie"}),
    ],
    ids=lambda value: value.name if isinstance(value, LotEntry) else "",
)
def test_a_lot_is_found_by_every_name_that_designs_have_for_it(
    member: Member, entry: LotEntry, names: set[str]
) -> None:
    lot_id = lay_in(member, entry)

    assert found_items(member) == {name: [lot_id] for name in names}


def test_of_rope_only_whole_lengths_count(member: Member) -> None:
    lot_id = lay_in(member, LotEntry("Old rope", "other", "m"), 8.5)
    lay_in(member, LotEntry("Rest of a rope", "other", "m"), 2.9)

    materials = find_materials(member=member)

    (taking,) = materials.items["strap or rope, 3 m"]
    assert (taking.lot_id, taking.milli_each, taking.free_milli) == (lot_id, 3_000, 8_500)
    assert materials.on_hand("tote", kerf_mm=3.0).items["strap or rope, 3 m"] == 2
    assert is_fixing("strap or rope, 3 m")
    assert not is_fixing("tote 560 x 380 x 350 mm")


def test_what_is_broken_or_used_up_is_not_there(member: Member) -> None:
    broken, used = (lay_in(member, LotEntry(name, "box")) for name in ("Broken", "Used"))
    sound = lay_in(member, LotEntry("Sound", "box"))
    db.session.get_one(Lot, broken).condition = "broken"
    db.session.get_one(Lot, used).on_hand_milli = 0
    db.session.commit()

    assert set(find_materials(member=member).held) == {sound}


def test_a_coil_is_one_long_piece_and_boards_are_as_many_as_there_are(member: Member) -> None:
    coil = lay_in(member, LotEntry("Pipe", "hoop", "m", section="20 mm"), 12.0)
    wire = lay_in(member, LotEntry("Fence wire", "hoop", "m", section="2.5 mm"), 5.0)
    bars = lay_in(member, LotEntry("Laths", "timber", length_mm=2_400.0, section="38 × 19 mm"), 3.0)
    lay_in(member, LotEntry("Of no known length", "timber", section="38 × 38 mm"))
    lay_in(member, LotEntry("Of no known section", "timber", length_mm=2_400.0))

    boards = {board.name: board for board in find_materials(member=member).boards}

    assert {
        name: (board.section, board.length_mm, board.count) for name, board in boards.items()
    } == {
        f"{coil}": ("pipe 20", 12_000.0, 1),
        f"{wire}": ("wire 2.5", 5_000.0, 1),
        f"{bars}": ("19 x 38", 2_400.0, 3),  # the thin side first, however it was written
    }


def test_film_is_as_long_as_its_metres_its_area_or_its_piece(member: Member) -> None:
    metres = lay_in(member, LotEntry("Film", "film", "m", 400.0, 100.0), 7.5)
    area = lay_in(member, LotEntry("Film by area", "film", "m2", 200.0), 6.0)
    piece = lay_in(member, LotEntry("Cut sheet", "film", "piece", 150.0, length_mm=1_800.0), 1.0)
    fleece = lay_in(member, LotEntry("Fleece", "fleece", "m", 150.0), 10.0)
    lay_in(member, LotEntry("Film of no width", "film", "m"), 10.0)

    materials = find_materials(member=member)

    rolls = {int(roll.name): roll for roll in materials.rolls_for("box_frame")}
    assert {at: (roll.width_mm, roll.length_mm) for at, roll in rolls.items()} == {
        metres: (4_000.0, 7_500.0),
        area: (2_000.0, 3_000.0),
        piece: (1_500.0, 1_800.0),
    }
    assert rolls[metres].thickness_um == 100.0
    assert rolls[area].thickness_um == USUAL_FILM_UM
    sheets = {int(roll.name) for roll in materials.rolls_for("pallet_lean_to")}
    assert sheets == {*rolls, fleece}  # no film is needed over pallets


def test_bars_are_as_thick_as_most_of_the_square_timber(member: Member) -> None:
    assert usual_bar_mm(find_materials(member=member)) == 38.0
    for name, section, count in (("A", "50 × 50 mm", 3.0), ("B", "25 × 25 mm", 5.0)):
        lay_in(member, LotEntry(name, "timber", length_mm=2_000.0, section=section), count)
    lay_in(member, LotEntry("C", "timber", length_mm=9_000.0, section="19 × 140 mm"), 50.0)

    assert usual_bar_mm(find_materials(member=member)) == 25.0


def test_only_what_is_sold_by_length_can_be_bought_as_boards(member: Member) -> None:
    for what, price, length_mm in (("38 × 38", 2.0, 2_400.0), ("film", 1.5, None)):
        set_price(what=what, price=price, sold_length_mm=length_mm, member=member, now=NOW)

    materials = find_materials(member=member)

    (board,) = materials.for_sale()
    assert (board.section, board.length_mm) == ("38 x 38", 2_400.0)
    assert board.price == pytest.approx(2.0 * 2.4)
    assert materials.on_hand("box_frame", kerf_mm=3.0).prices == {"38 x 38": 2.0, "film": 1.5}
