"""Designs that fit some plants, their prices and cuts, and the plans made of them."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.builds import BuildPlan
from gardenapp.models.people import Member
from gardenapp.services.builds import designing
from gardenapp.services.builds.designing import PlanEntry, Wanted
from gardenapp.services.builds.shapes import usual_sizes
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.builds.stocked import CHECKED_FRAME, FRAME, INCH, NEED, add, stock_up

# --- designs that fit -------------------------------------------------------------------------


def test_designs_that_the_store_can_build_come_first(make: Factory, member: Member) -> None:
    stock_up(member)
    plot = make.plot("A1", length_cm=600.0, width_cm=300.0, bed_width_cm=120.0)
    planting = make.planting(plot, count=6, height_cm=30.0, spread_cm=25.0)
    wanted = designing.wanted_for(plot_id=plot.id, planting_ids=[planting.id])

    found = designing.suggest(wanted=wanted, member=member)

    flags = [one.is_buildable for one in found]
    assert flags == sorted(flags, reverse=True)
    buildable = {one.shape for one in found if one.is_buildable}
    assert {"box_frame", "tote", "pallet_lean_to"} <= buildable
    assert "cold_frame" not in buildable  # no window in the shed
    for one in found:
        assert one.design.problems == ()
        assert one.design.capacity
        assert one.design.bed_fit is not None
        assert one.design.bed_fit.fits


def test_nothing_is_buildable_from_an_empty_store_and_all_of_it_is_missing(
    member: Member,
) -> None:
    found = designing.suggest(wanted=Wanted(NEED), member=member)

    assert found
    assert not any(one.is_buildable for one in found)
    assert all(one.short for one in found)
    assert all(one.cost is None for one in found)  # nobody has said what anything costs


def test_what_is_missing_costs_what_the_garden_says(member: Member) -> None:
    for what, price in (("38.1 × 38.1", 2.0), ("film", 1.5), ("screw", 0.05), ("staple", 0.01)):
        designing.set_price(what=what, price=price, sold_length_mm=None, member=member, now=NOW)

    page = designing.get_plan(plan_id=add(member), member=member)

    gaps = {gap.what: gap for gap in page.design.missing or ()}
    assert gaps["38.1 x 38.1"].cost == pytest.approx(432 * INCH / 1000 * 2.0)
    assert page.candidate.cost == pytest.approx(sum(gap.cost or 0 for gap in gaps.values()))


@pytest.mark.parametrize(
    ("shape", "changes", "field"),
    [
        ("box_frame", {"length_mm": -5.0}, "length_mm"),
        ("box_frame", {"height_mm": 1e9}, "height_mm"),
        ("box_frame", {"bar_mm": 90.0, "width_mm": 300.0}, "bar_mm"),
        ("box_frame", {"film_um": 5.0}, "film_um"),
        ("pallet_lean_to", {"angle_deg": 85.0}, "angle_deg"),
        ("cold_frame", {"back_height_mm": 60.0, "front_height_mm": 300.0}, "back_height_mm"),
        ("hoop_tunnel", {"height_mm": 2_000.0, "width_mm": 300.0}, "height_mm"),
        ("tote", {"wall_mm": float("nan")}, "wall_mm"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_an_impossible_size_is_refused_beside_its_field(
    member: Member, shape: str, changes: dict[str, float], field: str
) -> None:
    with pytest.raises(FieldRefused) as refused:
        add(member, shape=shape, sizes={**usual_sizes(shape), **changes})

    assert refused.value.field == field
    assert db.session.scalar(select(func.count()).select_from(BuildPlan)) == 0


# --- cut plans --------------------------------------------------------------------------------


@pytest.mark.outside("common practice, no source: 30 x 42 x 56 in frame from 96 in boards")
def test_a_frame_is_cut_from_six_boards_of_the_store_with_nothing_bought(member: Member) -> None:
    stock_up(member)

    cuts = designing.get_cuts(plan_id=add(member, sizes=CHECKED_FRAME), member=member)

    assert cuts.timber is not None
    assert cuts.timber.is_complete
    assert len(cuts.timber.boards) == 6
    assert cuts.timber.bought_mm == 0
    assert {cuts.names[board.stock_name] for board in cuts.timber.boards} == {"Bars 38"}
    assert cuts.film is not None
    assert cuts.film.plan.short == ()


def test_boards_that_are_short_are_bought_in_the_length_the_shop_sells(member: Member) -> None:
    stock_up(member, boards=2)
    designing.set_price(
        what="38.1 x 38.1", price=2.0, sold_length_mm=96 * INCH, member=member, now=NOW
    )

    cuts = designing.get_cuts(plan_id=add(member), member=member)

    assert cuts.timber is not None
    assert cuts.timber.is_complete
    assert sum(count for _, count in cuts.timber.bought) == 4
    assert cuts.timber.is_proven
    assert cuts.timber.cost == pytest.approx(4 * 2.0 * 96 * INCH / 1000)


# --- plans ------------------------------------------------------------------------------------


def test_a_plan_is_changed_by_its_maker_and_not_by_others(make: Factory, member: Member) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    plan_id = add(tamsin)
    entry = PlanEntry("box_frame", {**FRAME, "height_mm": 500.0}, NEED)

    with pytest.raises(NotAllowed):
        designing.change_plan(plan_id=plan_id, entry=entry, member=wes, now=NOW)
    designing.change_plan(plan_id=plan_id, entry=entry, member=tamsin, now=NOW)

    assert designing.get_plan(plan_id=plan_id, member=wes).design.outer_mm[2] == 500.0
    with pytest.raises(NotFound):
        designing.get_plan(plan_id=99, member=wes)


def test_the_same_form_sent_twice_keeps_one_plan(member: Member) -> None:
    entry = PlanEntry("box_frame", FRAME, NEED)

    one = designing.add_plan(entry=entry, member=member, now=NOW, form_key="k")
    two = designing.add_plan(entry=entry, member=member, now=NOW, form_key="k")

    assert one == two
