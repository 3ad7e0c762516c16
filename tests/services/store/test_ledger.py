"""Present state is always what the ledger adds up to, and no entry is ever changed."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select, update

from gardenapp.errors import AlreadyClaimed, GardenError
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Job
from gardenapp.models.store import LedgerEntry, Loan, Lot
from gardenapp.services.night import forecasts, plan_night, tonight
from gardenapp.services.store import acts, ledger, lots
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.subjects import material, thing
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.store.happenings import TODAY, actions, borrow, fresh, say


def test_putting_on_and_taking_off_write_the_ledger_by_themselves(make: Factory) -> None:
    member = make.member()
    plot = make.plot("A1", holders=(member,))
    make.planting(plot, make.stage("bean", threshold_c=5.0), mind="dearly")
    tote = make.cover(make.cover_kind(clear_mean_k=6.0))
    forecasts.enter_by_hand(night_of=TODAY, low_c=0.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=TODAY, member_id=None, now=NOW)
    job_id = db.session.scalars(select(Job.id)).one()

    tonight.mark_on(job_id=job_id, member_id=member.id, now=NOW)
    assert fresh(tote.id).status == "out"
    with pytest.raises(AlreadyClaimed, match="is on plot A1"):
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
    tote = make.cover(make.cover_kind(clear_mean_k=6.0))
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
