"""A planned cover is built: lots become pieces and offcuts, and the pieces the cover."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.errors import FieldRefused, GardenError, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.builds import BuildPlan
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.nights import Job, JobPart, Plan
from gardenapp.models.people import LogEntry, Member
from gardenapp.models.store import CoverPart, LedgerEntry, Lot
from gardenapp.services.builds import designing, making
from gardenapp.services.builds.making import build_cover, suggest_label
from gardenapp.services.builds.shapes import Need, usual_sizes
from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.store import acts, ledger, lots
from gardenapp.services.store.acts import retire_thing
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.subjects import material
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.builds.stocked import INCH, add, on_hand, stock_up


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
    assert sorted((round((length or 0.0) / INCH), milli) for length, milli in parts) == [
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
    kept_mm = sum((length or 0.0) * milli / 1000 for length, milli in offcuts)
    assert 0 <= 6 * 96 * INCH - 432 * INCH - kept_mm <= 12 * 3.0 + 6 * 300.0
    assert ledger.differences() == []


def test_the_new_kind_copies_the_constructions_and_is_less_sure_of_its_lift(
    member: Member,
) -> None:
    stock_up(member)
    like = db.session.scalars(select(CoverKind).where(CoverKind.reference_key == "box_frame")).one()

    built = build_cover(plan_id=add(member), label="f 1", place_id=None, member=member, now=NOW)

    cover = db.session.get(Cover, built.cover_id)
    assert cover is not None
    kind = cover.cover_kind
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

    with pytest.raises(FieldRefused, match="already one called f 1"):
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
    assert {round(length / INCH) for length, _ in back if length is not None} >= {24, 34, 50}
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


def test_a_label_is_offered_that_nobody_has(make: Factory, member: Member) -> None:
    make.cover(label="film frame 4")

    assert suggest_label(plan_id=add(member)) == "film frame 5"


def nothing_was_taken(held: dict[str, int]) -> bool:
    """The store is as `stock_up` left it, and no cover came of it."""
    found = db.session.scalar(select(func.count()).select_from(Cover))
    return (found, on_hand(held["timber"]), on_hand(held["film"])) == (0, 6_000, 20_000)


def test_a_plan_that_is_not_there_cannot_be_built(member: Member) -> None:
    with pytest.raises(NotFound, match="find that plan"):
        suggest_label(plan_id=99)
    with pytest.raises(NotFound, match="find that plan"):
        build_cover(plan_id=99, label="f 1", place_id=None, member=member, now=NOW)
    with speaking("es"), pytest.raises(NotFound, match="No encontramos ese plan"):
        suggest_label(plan_id=99)


def test_a_place_that_is_gone_stops_it_and_nothing_is_taken(member: Member) -> None:
    held = stock_up(member)

    with pytest.raises(FieldRefused) as refused:
        build_cover(plan_id=add(member), label="f 1", place_id=99, member=member, now=NOW)

    assert refused.value.field == "place_id"
    assert nothing_was_taken(held)


def broke(lot_id: int, member: Member) -> None:
    acts.do(
        subject=material(lot_id),
        happening=Happening("damaged", condition="broken"),
        member=member,
        now=NOW,
    )


def rewritten(**changes: Any) -> Callable[[int, Member], None]:
    def rewrite(lot_id: int, member: Member) -> None:
        entry = replace(lots.entry_of(db.session.get_one(Lot, lot_id)), **changes)
        lots.change_lot(lot_id=lot_id, entry=entry, member=member, now=NOW)

    return rewrite


@pytest.mark.parametrize(
    ("name", "change", "english", "spanish"),
    [
        ("timber", broke, "no longer fit for beds", "ya no es apto para bancales"),
        ("timber", rewritten(is_for_beds=False), "no longer fit for beds", "ya no es apto"),
        ("timber", rewritten(length_mm=1_200.0), "Somebody has changed", "Alguien ha cambiado"),
        (
            "timber",
            rewritten(section="19 × 38.1 mm"),
            "Somebody has changed Bars 38",
            "Alguien ha cambiado Bars 38",
        ),
        ("film", rewritten(width_cm=200.0), "Somebody has changed", "Alguien ha cambiado"),
        ("film", rewritten(thickness_um=40.0), "Somebody has changed", "Alguien ha cambiado"),
    ],
    ids=[
        "broken",
        "not for beds",
        "shorter boards",
        "thinner boards",
        "narrower film",
        "thinner film",
    ],
)
@pytest.mark.parametrize("language", ["en", "es"])
def test_what_changed_while_the_cuts_were_worked_out_stops_it_in_words(
    member: Member,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    change: Callable[[int, Member], None],
    english: str,
    spanish: str,
    language: str,
) -> None:
    held = stock_up(member)
    plan_id = add(member)
    plan = making._plan

    def meanwhile(*args: Any) -> Any:
        made = plan(*args)
        change(held[name], member)
        return made

    monkeypatch.setattr(making, "_plan", meanwhile)

    said = english if language == "en" else spanish
    with speaking(language), pytest.raises(Refused, match=said):
        build_cover(plan_id=plan_id, label="f 1", place_id=None, member=member, now=NOW)

    assert nothing_was_taken(held)
    assert ledger.differences() == []


def used_up(lot_id: int, member: Member) -> None:
    acts.do(
        subject=material(lot_id),
        happening=Happening("retired", quantity_milli=19_500, went_to="used up"),
        member=member,
        now=NOW,
    )


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", r"^Film 4 m: there are only 0\.5 now, and this needs \d\.\d+\. Look at the plan"),
        ("es", r"^Film 4 m: ahora solo hay 0,5, y esto necesita \d,\d+\. Vuelve a mirar el plan"),
    ],
)
def test_what_somebody_used_up_meanwhile_is_named(
    member: Member, monkeypatch: pytest.MonkeyPatch, language: str, said: str
) -> None:
    held = stock_up(member)
    plan_id = add(member)
    plan = making._plan

    def meanwhile(*args: Any) -> Any:
        made = plan(*args)
        used_up(held["film"], member)
        return made

    monkeypatch.setattr(making, "_plan", meanwhile)

    with speaking(language), pytest.raises(Refused, match=said):
        build_cover(plan_id=plan_id, label="f 1", place_id=None, member=member, now=NOW)

    assert (on_hand(held["timber"]), on_hand(held["film"])) == (6_000, 500)
    assert db.session.scalar(select(func.count()).select_from(Cover)) == 0
    assert ledger.differences() == []


def test_a_lot_that_was_only_carried_elsewhere_or_added_to_is_still_used(
    make: Factory, member: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    held, shed = stock_up(member), make.place("Long shed")
    plan_id = add(member)
    plan = making._plan

    def meanwhile(*args: Any) -> Any:
        made = plan(*args)
        for happening in (
            Happening("moved", place_id=shed.id),
            Happening("acquired", quantity_milli=2_000),
        ):
            acts.do(subject=material(held["timber"]), happening=happening, member=member, now=NOW)
        return made

    monkeypatch.setattr(making, "_plan", meanwhile)

    build_cover(plan_id=plan_id, label="f 1", place_id=None, member=member, now=NOW)

    assert on_hand(held["timber"]) == 2_000
    assert ledger.differences() == []


def test_of_two_who_build_from_the_same_boards_one_does_and_the_other_is_told(
    app: Flask, member: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = stock_up(member)  # enough timber for one
    plan_ids = [add(member), add(member)]
    member_id = member.id
    db.session.remove()
    plan, gate = making._plan, threading.Barrier(2)

    def together(*args: Any) -> Any:
        made = plan(*args)
        gate.wait(60)  # both have worked out their cuts before either takes a board
        return made

    monkeypatch.setattr(making, "_plan", together)

    def build(number: int) -> str:
        with app.app_context():
            try:
                builder = db.session.get_one(Member, member_id)
                build_cover(
                    plan_id=plan_ids[number],
                    label=f"f {number}",
                    place_id=None,
                    member=builder,
                    now=NOW,
                )
            except GardenError as error:
                return str(error)
        return "built"

    with ThreadPoolExecutor(2) as pool:
        answers = sorted(pool.map(build, range(2)))

    assert answers[1] == "built"
    assert answers[0] == (
        "Bars 38: there are only 0 now, and this needs 6. Look at the plan again."
    )
    assert db.session.scalar(select(func.count()).select_from(Cover)) == 1
    assert on_hand(held["timber"]) == 0
    assert ledger.differences() == []


def test_a_plan_whose_cover_is_gone_is_not_built_a_second_time(member: Member) -> None:
    held = stock_up(member, boards=12)
    plan_id = add(member)
    built = build_cover(plan_id=plan_id, label="f 1", place_id=None, member=member, now=NOW)
    db.session.get_one(BuildPlan, plan_id).cover_id = None
    db.session.commit()

    with pytest.raises(Refused, match="was built, and is gone"):
        build_cover(plan_id=plan_id, label="f 2", place_id=None, member=member, now=NOW)

    assert built.label == "f 1"
    assert on_hand(held["timber"]) == 6_000


def test_in_the_morning_the_night_that_has_ended_is_not_planned_again(
    make: Factory, member: Member
) -> None:
    stock_up(member)
    make.planting(make.plot("A1"))
    morning = NOW.replace(hour=9) + timedelta(days=1)
    forecasts.enter_by_hand(night_of=NOW.date(), low_c=-1.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=NOW.date(), member_id=None, now=NOW)

    built = build_cover(plan_id=add(member), label="f 1", place_id=None, member=member, now=morning)

    assert not built.is_planned_again
    assert built.trouble == ""
    assert db.session.scalar(select(func.count()).select_from(Plan)) == 1


def test_what_is_cut_and_built_stands_in_the_log(member: Member) -> None:
    stock_up(member)

    build_cover(plan_id=add(member), label="f 1", place_id=None, member=member, now=NOW)

    line = db.session.scalars(select(LogEntry).where(LogEntry.action == "cover built")).one()
    assert (line.subject, line.member_id, line.at) == ("thing f 1", member.id, NOW)
