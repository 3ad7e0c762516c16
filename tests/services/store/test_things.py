"""The store: who may do what, and that present state is always what the ledger adds up to."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select, update

from gardenapp.errors import AlreadyClaimed, FieldRefused, GardenError, NotAllowed
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Job
from gardenapp.models.people import Member
from gardenapp.models.store import LedgerEntry, Loan, Lot
from gardenapp.science.store.ledger import Impossible
from gardenapp.services.night import forecasts, plan_night, tonight
from gardenapp.services.store import acts, covers, ledger, lots, things
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lending import lend, list_loans
from gardenapp.services.store.lots import PRESETS, LotEntry
from gardenapp.services.store.subjects import Subject, material, thing
from gardenapp.services.store.things import StoreChoice
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory

TODAY = NOW.date()
DUE = TODAY + timedelta(days=14)


def fresh(cover_id: int) -> Cover:
    db.session.expire_all()
    cover = db.session.get(Cover, cover_id)
    assert cover is not None
    return cover


def fresh_lot(lot_id: int) -> Lot:
    db.session.expire_all()
    lot = db.session.get(Lot, lot_id)
    assert lot is not None
    return lot


def actions(cover_id: int) -> list[str]:
    query = select(LedgerEntry.action).where(LedgerEntry.cover_id == cover_id)
    return list(db.session.scalars(query.order_by(LedgerEntry.number)))


def say(subject: Subject, member: Member, action: str, **values: Any) -> None:
    """Let `member` say what happened."""
    acts.do(subject=subject, happening=Happening(action, **values), member=member, now=NOW)


def borrow(subject: Subject, to: Member, *, by: Member | None = None, **values: Any) -> None:
    """Lend something to a member; by that member, unless said."""
    said = Happening("lent", other_member_id=to.id, **{"due_on": DUE, **values})
    lend(subject=subject, happening=said, today=TODAY, member=by or to, now=NOW)


def test_a_member_borrows_what_is_shared_and_the_second_is_told_who_has_it(make: Factory) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    tote = make.cover()

    borrow(thing(tote.id), tamsin)
    with pytest.raises(AlreadyClaimed, match="Tamsin has it until 8 December"):
        borrow(thing(tote.id), wes)

    assert fresh(tote.id).status == "lent"
    assert actions(tote.id) == ["acquired", "lent"]
    assert ledger.differences() == []


def test_only_the_owner_lends_to_somebody_else_or_lends_what_is_for_own_plots(
    make: Factory,
) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    hers = make.cover(owner_id=tamsin.id, lending="own plots")

    for member, to in ((wes, wes), (wes, tamsin)):
        with pytest.raises(NotAllowed):
            borrow(thing(hers.id), to, by=member)
    borrow(thing(hers.id), wes, by=tamsin)
    say(thing(hers.id), wes, "returned", condition="worn")

    assert (fresh(hers.id).status, fresh(hers.id).condition) == ("here", "worn")
    assert list_loans(member=wes, today=TODAY) == ()


def test_what_is_overdue_comes_first(make: Factory) -> None:
    wes = make.member("Wes")
    for days in (10, 3):
        borrow(thing(make.cover().id), wes, due_on=TODAY + timedelta(days=days))

    lines = list_loans(member=wes, today=TODAY + timedelta(days=5))

    assert [line.is_overdue for line in lines] == [True, False]


def test_the_same_request_twice_is_done_once(make: Factory) -> None:
    wes = make.coordinator("Wes")
    lot_id = lots.add_lot(
        entry=LotEntry("Salad boxes", "box"),
        quantity_milli=14_000,
        place_id=None,
        member=wes,
        now=NOW,
        form_key="form 1",
    )
    again = lots.add_lot(
        entry=LotEntry("Salad boxes", "box"),
        quantity_milli=14_000,
        place_id=None,
        member=wes,
        now=NOW,
        form_key="form 1",
    )

    for _press in range(2):
        acts.do(
            subject=material(lot_id),
            happening=Happening("acquired", quantity_milli=5_000),
            member=wes,
            now=NOW,
            form_key="press 1",
        )

    assert again == lot_id
    assert fresh_lot(lot_id).on_hand_milli == 19_000


def test_putting_on_and_taking_off_write_the_ledger_by_themselves(make: Factory) -> None:
    member = make.member()
    plot = make.plot("A1", holders=(member,))
    make.planting(plot, make.stage("bean", threshold_c=5.0), mind="dearly")
    tote = make.cover(make.cover_class(clear_mean_k=6.0))
    forecasts.enter_by_hand(night_of=TODAY, low_c=0.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=TODAY, member_id=None, now=NOW)
    job_id = db.session.scalars(select(Job.id)).one()

    tonight.mark_on(job_id=job_id, member_id=member.id, now=NOW)
    assert fresh(tote.id).status == "out"
    with pytest.raises(AlreadyClaimed, match="stands in plot A1"):
        borrow(thing(tote.id), member)
    tonight.undo_on(job_id=job_id, member=member, now=NOW)
    assert actions(tote.id) == ["acquired", "deployed", "reversed"]
    tonight.mark_on(job_id=job_id, member_id=member.id, now=NOW)
    tonight.mark_off(job_id=job_id, member_id=member.id, now=NOW + timedelta(hours=17))

    assert fresh(tote.id).status == "here"
    assert actions(tote.id)[-2:] == ["deployed", "brought back"]
    assert ledger.differences() == []


def test_a_cover_that_is_lent_is_not_offered_and_cannot_be_put_on(make: Factory) -> None:
    member = make.member()
    plot = make.plot("A1", holders=(member,))
    make.planting(plot, make.stage("bean", threshold_c=5.0), mind="dearly")
    tote = make.cover(make.cover_class(clear_mean_k=6.0))
    forecasts.enter_by_hand(night_of=TODAY, low_c=0.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=TODAY, member_id=None, now=NOW)
    job_id = db.session.scalars(select(Job.id)).one()
    tonight.claim_job(job_id=job_id, member_id=member.id, now=NOW)
    borrow(thing(tote.id), member)

    with pytest.raises(AlreadyClaimed, match="has it until"):
        tonight.mark_on(job_id=job_id, member_id=member.id, now=NOW)
    plan_night.plan_night(night_of=TODAY, member_id=None, now=NOW)

    assert tonight.tonight_page(now=NOW).jobs == ()
    assert ledger.differences() == []


def test_changing_a_cover_on_its_form_writes_what_must_have_happened(make: Factory) -> None:
    boss = make.coordinator()
    shed, box = make.place("shed"), make.place("box")
    tote = make.cover(place_id=shed.id)
    entry = covers.CoverEntry(
        label="Tote 1",
        kind_id=tote.class_id,
        owner_id=None,
        lending="garden",
        place_id=box.id,
        condition="broken",
        is_usable=False,
        note="",
    )

    covers.change_cover(cover_id=tote.id, entry=entry, member=boss, now=NOW)

    assert actions(tote.id) == ["acquired", "moved", "damaged"]
    say(thing(tote.id), boss, "mended", condition="sound", note="new lid")
    assert fresh(tote.id).is_usable
    assert ledger.differences() == []


def test_undoing_is_for_the_newest_entry_and_for_whoever_wrote_it(make: Factory) -> None:
    boss, wes, tamsin = make.coordinator(), make.member("Wes"), make.member("Tamsin")
    tote = make.cover()
    say(thing(tote.id), wes, "damaged", condition="broken")
    say(thing(tote.id), wes, "mended", condition="sound")
    entries = list(db.session.scalars(select(LedgerEntry).order_by(LedgerEntry.number)))

    with pytest.raises(NotAllowed):
        acts.undo_entry(entry_id=entries[2].id, member=tamsin, now=NOW)
    with pytest.raises(Impossible, match="only the latest"):
        acts.undo_entry(entry_id=entries[1].id, member=wes, now=NOW)
    with pytest.raises(GardenError, match="say that it left"):
        acts.undo_entry(entry_id=entries[0].id, member=boss, now=NOW)
    acts.undo_entry(entry_id=entries[2].id, member=wes, now=NOW)
    acts.undo_entry(entry_id=entries[2].id, member=wes, now=NOW)  # pressed twice
    assert (fresh(tote.id).condition, fresh(tote.id).is_usable) == ("broken", False)
    acts.undo_entry(entry_id=entries[1].id, member=wes, now=NOW)

    assert (fresh(tote.id).condition, fresh(tote.id).is_usable) == ("sound", True)
    assert ledger.differences() == []


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


def test_a_frame_taken_apart_gives_back_its_timber_and_not_its_torn_film(make: Factory) -> None:
    boss = make.coordinator()
    frame = make.cover()
    timber = lots.add_lot(
        entry=LotEntry("Timber", "timber", length_mm=1_200),
        quantity_milli=8_000,
        place_id=None,
        member=boss,
        now=NOW,
    )
    film = lots.add_lot(
        entry=LotEntry("Film", "film", "m"),
        quantity_milli=10_000,
        place_id=None,
        member=boss,
        now=NOW,
    )
    lots.put_in(cover_id=frame.id, lot_id=timber, quantity_milli=4_000, member=boss, now=NOW)
    lots.put_in(cover_id=frame.id, lot_id=film, quantity_milli=2_500, member=boss, now=NOW)
    wood, _torn = things.parts_of(frame.id)

    acts.retire_thing(
        cover_id=frame.id,
        happening=Happening("retired", went_to="parts", note="film torn"),
        keep_part_ids=(wood.id,),
        member=boss,
        now=NOW,
    )

    assert fresh_lot(timber).on_hand_milli == 8_000
    assert fresh_lot(film).on_hand_milli == 7_500
    assert (fresh(frame.id).status, fresh(frame.id).is_usable) == ("retired", False)
    assert ledger.differences() == []
    gone = db.session.scalars(select(LedgerEntry).where(LedgerEntry.action == "retired")).one()
    acts.undo_entry(entry_id=gone.id, member=boss, now=NOW)
    assert fresh_lot(timber).on_hand_milli == 4_000
    assert fresh(frame.id).status == "here"


def test_a_member_changes_nothing_of_what_belongs_to_another(make: Factory) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    hers = make.cover(owner_id=tamsin.id)
    shed = make.place()

    with pytest.raises(NotAllowed):
        say(thing(hers.id), wes, "moved", place_id=shed.id)
    with pytest.raises(NotAllowed):
        say(thing(hers.id), wes, "retired", went_to="lost")
    with pytest.raises(NotAllowed):
        say(thing(make.cover().id), wes, "retired", went_to="lost")
    say(thing(hers.id), wes, "damaged", condition="worn")

    assert actions(hers.id) == ["acquired", "damaged"]


def test_like_this_one_again_numbers_on_and_keeps_the_facts(make: Factory) -> None:
    boss = make.coordinator()
    tote = make.cover(label="Tote 9", resin="5", cost_hundredths=250)

    labels = things.add_like(cover_id=tote.id, how_many=2, member=boss, now=NOW, form_key="k")
    again = things.add_like(cover_id=tote.id, how_many=2, member=boss, now=NOW, form_key="k")

    assert labels == again == ("Tote 10", "Tote 11")
    new = db.session.scalars(select(Cover).where(Cover.label == "Tote 11")).one()
    assert (new.resin, new.cost_hundredths, new.acquired_on) == ("5", 250, TODAY)
    assert new.code != tote.code


def test_the_list_is_searched_filtered_and_paged(make: Factory) -> None:
    boss = make.coordinator()
    shed = make.place("Shed")
    kind = make.cover_class("Tote, 60 litres")
    for number in range(1, 61):
        make.cover(kind, label=f"Tote {number}", place_id=shed.id if number < 4 else None)
    lots.add_lot(
        entry=LotEntry("Salad boxes", "box"),
        quantity_milli=14_000,
        place_id=shed.id,
        member=boss,
        now=NOW,
    )

    def names(**choice: object) -> list[str]:
        page = things.list_store(choice=StoreChoice(**choice), member=boss)  # type: ignore[arg-type]
        return [line.name for line in page.lines]

    whole = things.list_store(choice=StoreChoice(), member=boss)
    assert (whole.total, whole.pages, len(whole.lines)) == (61, 2, 50)
    assert names()[:2] == ["Tote 1", "Tote 2"]
    assert names(page=2)[-1] == "Salad boxes"
    assert names(page=99) == names(page=2)
    assert names(place_id=shed.id) == ["Tote 1", "Tote 2", "Tote 3", "Salad boxes"]
    assert names(q="salad") == ["Salad boxes"]
    assert names(q="60 litres 17") == ["Tote 17"]
    assert names(q="%") == []
    assert names(what="box") == ["Salad boxes"]
    assert names(state="lent") == []
    assert names(owner="mine") == []


def test_the_check_finds_what_was_changed_behind_the_ledgers_back(make: Factory) -> None:
    boss = make.coordinator()
    tote = make.cover(label="Tote 1")
    say(thing(tote.id), boss, "damaged", condition="worn")
    lot_id = lots.add_lot(
        entry=LotEntry("String", "string", "m"),
        quantity_milli=50_000,
        place_id=None,
        member=boss,
        now=NOW,
    )
    with write_transaction() as session:
        session.execute(update(Cover).values(condition="sound"))
        session.execute(update(Lot).values(on_hand_milli=49_000))
        session.add(Loan(lot_id=lot_id, member_id=boss.id, quantity_milli=1, lent_at=NOW))

    found = ledger.differences()

    assert any("Tote 1: condition is sound" in line for line in found)
    assert any("String" in line and "on_hand_milli is 49000" in line for line in found)
    assert any("open loans" in line for line in found)


def test_an_entry_is_never_changed_or_deleted(make: Factory) -> None:
    tote = make.cover()
    say(thing(tote.id), make.member(), "damaged", condition="worn")
    entry = db.session.scalars(select(LedgerEntry)).first()
    assert entry is not None

    entry.note = "changed"
    with pytest.raises(RuntimeError, match="cannot be changed"):
        db.session.flush()
    db.session.rollback()
    db.session.delete(db.session.get(LedgerEntry, entry.id))
    with pytest.raises(RuntimeError, match="cannot be changed"):
        db.session.flush()
    db.session.rollback()


def test_every_common_size_is_taken_as_it_is_or_asks_for_the_pallets_mark(make: Factory) -> None:
    member = make.member()
    for preset in PRESETS:
        if preset.lot.sort == "pallet":
            with pytest.raises(FieldRefused, match="stamp"):
                lots.check_lot(preset.lot)
            continue
        lots.add_lot(entry=preset.lot, quantity_milli=1_000, place_id=None, member=member, now=NOW)


ACTIONS = st.sampled_from(
    ("lend", "back", "damage", "mend", "move", "undo", "more", "use", "count", "cut", "lend some")
)


@settings(
    max_examples=15,
    deadline=None,
    # The garden goes on from one sequence to the next: what holds must hold whatever was before.
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(steps=st.lists(st.tuples(ACTIONS, st.integers(0, 2), st.integers(0, 9)), max_size=12))
def test_whatever_members_do_the_state_is_what_the_ledger_adds_up_to(
    make: Factory, steps: list[tuple[str, int, int]]
) -> None:
    people = [make.coordinator("Odile"), make.member("Wes"), make.member("Tamsin")]
    shed = make.place()
    tote = make.cover(owner_id=people[2].id)
    roll = lots.add_lot(
        entry=LotEntry("Film", "film", "m"),
        quantity_milli=9_000,
        place_id=None,
        member=people[0],
        now=NOW,
    )

    for action, who, number in steps:
        member = people[who]
        milli = number * 1_000
        try:
            if action == "lend":
                borrow(thing(tote.id), member)
            elif action == "lend some":
                borrow(material(roll), member, quantity_milli=milli)
            elif action == "back" and number % 2:
                say(thing(tote.id), member, "returned")
            elif action == "back":
                held = {"other_member_id": member.id, "quantity_milli": milli}
                say(material(roll), member, "returned", **held)
            elif action == "damage":
                say(thing(tote.id), member, "damaged", condition="worn")
            elif action == "mend":
                say(thing(tote.id), member, "mended", condition="sound")
            elif action == "move":
                say(thing(tote.id), member, "moved", place_id=shed.id if number % 2 else None)
            elif action == "more":
                say(material(roll), member, "acquired", quantity_milli=milli)
            elif action == "use":
                say(material(roll), member, "retired", quantity_milli=milli, went_to="used up")
            elif action == "count":
                say(material(roll), member, "counted", quantity_milli=milli)
            elif action == "cut":
                lots.cut_from_roll(lot_id=roll, piece_m=0.5, pieces=number, member=member, now=NOW)
            else:
                newest = db.session.scalars(
                    select(LedgerEntry.id).order_by(LedgerEntry.id.desc()).offset(number).limit(1)
                ).first()
                acts.undo_entry(entry_id=newest or 0, member=member, now=NOW)
        except GardenError:
            db.session.rollback()

    db.session.expire_all()
    assert ledger.differences() == []
