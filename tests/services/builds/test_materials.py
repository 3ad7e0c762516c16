"""The store in the words of designs: which lots count, and as what."""

from __future__ import annotations

import pytest

from gardenapp.models.people import Member
from gardenapp.services.builds.materials import find_materials, section_of, sizes_in
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
