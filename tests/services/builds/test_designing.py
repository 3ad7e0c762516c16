"""Designs that fit some plants, the store's materials in them, and a cover that comes of it."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import func, select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.builds import BuildPlan
from gardenapp.models.covers import Cover, CoverClass
from gardenapp.models.nights import Job, JobPart, Plan
from gardenapp.models.people import Member
from gardenapp.models.store import CoverPart, LedgerEntry, Lot
from gardenapp.services.builds import designing
from gardenapp.services.builds.designing import PlanEntry, Wanted
from gardenapp.services.builds.making import build_cover, suggest_label
from gardenapp.services.builds.materials import find_materials, section_of, sizes_in
from gardenapp.services.builds.shapes import (
    SHAPES,
    Need,
    suggest_box_frame,
    suggest_hoop_tunnel,
    usual_sizes,
)
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.store import ledger, lots
from gardenapp.services.store.acts import retire_thing
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lots import LotEntry
from tests.conftest import NOW
from tests.factories import Factory

INCH = 25.4
FRAME: dict[str, Any] = {
    **usual_sizes("box_frame"),
    "length_mm": 50 * INCH,
    "width_mm": 34 * INCH,
    "height_mm": 24 * INCH,
    "bar_mm": 1.5 * INCH,
}
# Of the checks that are marked so, and of nothing else.
CHECKED_FRAME: dict[str, Any] = FRAME | {
    "length_mm": 56 * INCH,
    "width_mm": 42 * INCH,
    "height_mm": 30 * INCH,
}
NEED = Need(300.0, 250.0, 12, 2_400.0, 48 * INCH)


def stock_up(member: Member, *, boards: int = 6, film_m: float = 20.0) -> dict[str, int]:
    """Timber of 96 in, film, two pallets with a sheet, and totes."""
    entries = {
        "timber": (
            LotEntry("Bars 38", "timber", length_mm=96 * INCH, section="38.1 × 38.1 mm"),
            boards,
        ),
        "film": (LotEntry("Film 4 m", "film", "m", 400.0, 150.0, resin="4"), film_m),
        "pallet": (
            LotEntry("Pallets", "pallet", section="1200 × 800 mm", mark="HT", wood="untreated"),
            2,
        ),
        "sheet": (LotEntry("Old cotton sheet", "other", "m", 240.0), 6),
        "tote": (LotEntry("Clear totes", "box", section="560 × 380 × 350 mm"), 3),
        "screw": (LotEntry("Screws 4 × 60", "other"), 30),
    }
    return {
        name: lots.add_lot(
            entry=entry,
            quantity_milli=round(count * 1000),
            place_id=None,
            member=member,
            now=NOW,
        )
        for name, (entry, count) in entries.items()
        if count
    }


@pytest.fixture
def member(make: Factory) -> Member:
    """A coordinator of a garden that knows the published kinds."""
    found = make.coordinator()
    seed_catalogue(db.session)
    db.session.commit()
    return found


def add(member: Member, **changes: Any) -> int:
    values: dict[str, Any] = {"shape": "box_frame", "sizes": FRAME, "need": NEED}
    return designing.add_plan(entry=PlanEntry(**values | changes), member=member, now=NOW)


def on_hand(lot_id: int) -> int:
    db.session.expire_all()
    lot = db.session.get(Lot, lot_id)
    assert lot is not None
    return lot.on_hand_milli


# --- the store in the words of designs --------------------------------------------------------


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
    assert "cold_frame" not in buildable  # no window in the store
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


@pytest.mark.parametrize("shape", list(SHAPES))
def test_every_shape_makes_a_design_from_the_sizes_its_form_starts_with(
    member: Member, shape: str
) -> None:
    sizes = usual_sizes(shape)
    plan_id = add(member, shape=shape, sizes=sizes, need=Need(150.0, 90.0, 4))

    page = designing.get_plan(plan_id=plan_id, member=member)

    assert page.design.mass_kg > 0
    assert len(page.design.views) == 3
    assert page.design.lift is not None
    assert page.design.steps
    assert {key for step in page.design.steps for key in step.cautions} == set(page.cautions)


@pytest.mark.parametrize("count", [1, 4, 7, 12, 60])
@pytest.mark.parametrize("spread", [120.0, 300.0, 550.0])
def test_a_suggested_frame_takes_the_plants_and_stands_on_the_bed(
    member: Member, count: int, spread: float
) -> None:
    need = Need(350.0, spread, count, 2_400.0, 1_200.0)
    sizes = suggest_box_frame(need, bar_mm=38.0, film_um=150.0)
    assert sizes is not None

    found = designing.check_entry(PlanEntry("box_frame", sizes, need))

    assert found.problems == ()
    assert (found.capacity or 0) >= 1
    assert found.outer_mm[0] <= 2_000.0


def test_a_suggested_tunnel_is_wide_enough_at_the_plants_tops(member: Member) -> None:
    need = Need(400.0, 300.0, 12, 3_000.0, 1_200.0)
    sizes = suggest_hoop_tunnel(need, pipe_mm=20.0, film_um=150.0)
    assert sizes is not None

    found = designing.check_entry(PlanEntry("hoop_tunnel", sizes, need))

    assert found.problems == ()
    assert (found.capacity or 0) >= 12


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


# --- building it ------------------------------------------------------------------------------


def test_building_turns_lots_into_pieces_and_offcuts_and_the_pieces_into_the_cover(
    make: Factory, member: Member
) -> None:
    held = stock_up(member)
    plan_id = add(member)
    place = make.place("Long shed")

    built = build_cover(
        plan_id=plan_id, label="film frame 1", place_id=place.id, member=member, now=NOW
    )

    cover = db.session.get(Cover, built.cover_id)
    assert cover is not None
    assert (cover.label, cover.status, cover.place_id) == ("film frame 1", "here", place.id)
    assert (cover.origin, cover.owner_id) == ("made", None)
    actions = db.session.scalars(
        select(LedgerEntry.action).where(LedgerEntry.cover_id == cover.id)
    ).all()
    assert list(actions) == ["made"]
    assert on_hand(held["timber"]) == 0
    assert on_hand(held["screw"]) == 6_000  # 24 of 30 went in
    parts = db.session.execute(
        select(Lot.length_mm, CoverPart.quantity_milli)
        .join(Lot, Lot.id == CoverPart.lot_id)
        .where(CoverPart.cover_id == cover.id, Lot.sort == "timber")
    ).all()
    assert sorted((round(length / INCH), milli) for length, milli in parts) == [
        (24, 4_000),
        (34, 4_000),
        (50, 4_000),
    ]
    # Sawn timber is neither made nor lost: pieces, offcuts and the saw's waste are the boards.
    offcuts = db.session.execute(
        select(Lot.length_mm, Lot.on_hand_milli).where(
            Lot.sort == "timber", Lot.id != held["timber"], Lot.on_hand_milli > 0
        )
    ).all()
    kept_mm = sum(length * milli / 1000 for length, milli in offcuts)
    assert 0 <= 6 * 96 * INCH - 432 * INCH - kept_mm <= 12 * 3.0 + 6 * 300.0
    assert ledger.differences() == []


def test_the_new_kind_copies_the_constructions_and_is_less_sure_of_its_lift(
    member: Member,
) -> None:
    stock_up(member)
    like = db.session.scalars(
        select(CoverClass).where(CoverClass.reference_key == "box_frame")
    ).one()

    built = build_cover(plan_id=add(member), label="f 1", place_id=None, member=member, now=NOW)

    cover = db.session.get(Cover, built.cover_id)
    assert cover is not None
    kind = cover.cover_class
    assert kind.id != like.id
    assert not kind.is_published
    assert kind.outer_length_cm == pytest.approx(127.0, abs=0.06)
    assert kind.clear_mean_k == like.clear_mean_k
    assert kind.clear_sd_k > like.clear_sd_k
    assert kind.gust_limit_mps == like.gust_limit_mps


def test_a_second_of_the_same_sizes_is_of_the_same_kind(member: Member) -> None:
    stock_up(member, boards=12)

    one, two = (
        build_cover(plan_id=add(member), label=f"f {n}", place_id=None, member=member, now=NOW)
        for n in (1, 2)
    )

    kinds = db.session.scalars(
        select(Cover.class_id).where(Cover.id.in_([one.cover_id, two.cover_id]))
    ).all()
    assert len(set(kinds)) == 1


def test_a_plan_becomes_one_cover_however_often_it_is_asked_for(member: Member) -> None:
    held = stock_up(member, boards=12)
    plan_id = add(member)

    one = build_cover(plan_id=plan_id, label="f 1", place_id=None, member=member, now=NOW)
    two = build_cover(plan_id=plan_id, label="f 2", place_id=None, member=member, now=NOW)

    assert one.cover_id == two.cover_id
    assert db.session.scalar(select(func.count()).select_from(Cover)) == 1
    assert on_hand(held["timber"]) == 6_000


def test_what_is_short_is_said_and_nothing_is_taken(member: Member) -> None:
    held = stock_up(member, boards=3)

    with pytest.raises(Refused, match=r"38\.1 x 38\.1"):
        build_cover(plan_id=add(member), label="f 1", place_id=None, member=member, now=NOW)

    assert on_hand(held["timber"]) == 3_000
    assert db.session.scalar(select(func.count()).select_from(Cover)) == 0


def test_a_taken_label_stops_it_and_nothing_is_taken(make: Factory, member: Member) -> None:
    held = stock_up(member)
    make.cover(label="f 1")

    with pytest.raises(FieldRefused, match="already a f 1"):
        build_cover(plan_id=add(member), label="f 1", place_id=None, member=member, now=NOW)

    assert on_hand(held["timber"]) == 6_000
    assert on_hand(held["film"]) == 20_000


def test_a_cover_taken_apart_gives_its_own_pieces_back_and_not_whole_boards(
    member: Member,
) -> None:
    held = stock_up(member)
    built = build_cover(plan_id=add(member), label="f 1", place_id=None, member=member, now=NOW)
    part_ids = db.session.scalars(
        select(CoverPart.id)
        .join(Lot, Lot.id == CoverPart.lot_id)
        .where(CoverPart.cover_id == built.cover_id, Lot.sort == "timber")
    ).all()

    retire_thing(
        cover_id=built.cover_id,
        happening=Happening("retired", went_to="parts"),
        keep_part_ids=tuple(part_ids),
        member=member,
        now=NOW,
    )

    assert on_hand(held["timber"]) == 0
    back = db.session.execute(
        select(Lot.length_mm, Lot.on_hand_milli).where(
            Lot.sort == "timber", Lot.length_mm >= 24 * INCH - 1, Lot.on_hand_milli >= 4_000
        )
    ).all()
    assert {round(length / INCH) for length, _ in back} >= {24, 34, 50}
    assert ledger.differences() == []


def test_totes_and_pallets_go_in_whole(member: Member) -> None:
    held = stock_up(member)
    tote = {
        **usual_sizes("tote"),
        "length_mm": 560.0,
        "width_mm": 380.0,
        "height_mm": 350.0,
    }
    plan_id = add(member, shape="tote", sizes=tote, need=Need(200.0, 150.0, 4))

    build_cover(plan_id=plan_id, label="tote 1", place_id=None, member=member, now=NOW)

    assert on_hand(held["tote"]) == 2_000
    assert ledger.differences() == []


def test_a_members_own_timber_makes_the_cover_theirs(make: Factory, member: Member) -> None:
    tamsin = make.member("Tamsin")
    stock_up(member, boards=0)
    lots.add_lot(
        entry=LotEntry(
            "Hers", "timber", length_mm=96 * INCH, section="38.1 × 38.1", owner_id=tamsin.id
        ),
        quantity_milli=6_000,
        place_id=None,
        member=member,
        now=NOW,
    )

    built = build_cover(plan_id=add(tamsin), label="f 1", place_id=None, member=tamsin, now=NOW)

    cover = db.session.get(Cover, built.cover_id)
    assert cover is not None
    assert cover.owner_id == tamsin.id


def test_the_new_cover_is_in_tonights_plan(make: Factory, member: Member) -> None:
    stock_up(member)
    plot = make.plot("A1")
    planting = make.planting(
        plot,
        make.stage("bean", threshold_c=0.0),
        count=6,
        height_cm=30.0,
        spread_cm=25.0,
        mind="dearly",
    )
    evening = NOW.date()
    forecasts.enter_by_hand(night_of=evening, low_c=-1.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=evening, member_id=None, now=NOW)
    wanted = designing.wanted_for(plot_id=plot.id, planting_ids=[planting.id])
    frame = next(
        c for c in designing.suggest(wanted=wanted, member=member) if c.shape == "box_frame"
    )
    plan_id = add(member, sizes=frame.sizes, need=wanted.need, plot_id=plot.id)

    built = build_cover(plan_id=plan_id, label="f 1", place_id=None, member=member, now=NOW)

    assert built.is_planned_again
    used = db.session.scalars(
        select(JobPart.cover_id)
        .join(Job, Job.id == JobPart.job_id)
        .join(Plan, Plan.id == Job.plan_id)
        .where(Plan.is_current.is_(True))
    ).all()
    assert built.cover_id in used


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


def test_a_label_is_offered_that_nobody_has(make: Factory, member: Member) -> None:
    make.cover(label="film frame 4")

    assert suggest_label(plan_id=add(member)) == "film frame 5"


def test_the_same_form_sent_twice_keeps_one_plan(member: Member) -> None:
    entry = PlanEntry("box_frame", FRAME, NEED)

    one = designing.add_plan(entry=entry, member=member, now=NOW, form_key="k")
    two = designing.add_plan(entry=entry, member=member, now=NOW, form_key="k")

    assert one == two
