"""The board follows the garden: what cannot be done any more is struck, what came is told."""

from __future__ import annotations

from datetime import timedelta

import pytest

from gardenapp.errors import AlreadyClaimed, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Deployment
from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.services.night import morning, tonight
from gardenapp.services.night.board_changes import Lacking, lacking
from gardenapp.services.night.machine_board import board_as_dict
from gardenapp.services.night.tonight import TonightPage
from gardenapp.services.notices import planned
from gardenapp.services.store import ledger
from gardenapp.services.store.ledger import Happening as Said
from gardenapp.services.transaction import write_transaction
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter, plan

MINUTE = timedelta(minutes=1)


@pytest.fixture
def tamsin(make: Factory) -> Member:
    member = make.member("Tamsin")
    make.planting(make.plot("D5", holders=(member,)), name="beans")
    make.cover(make.cover_kind(clear_mean_k=5.0, cloudy_mean_k=5.0), label="T1")
    enter(make.now, -2.0)
    plan(make.now)
    return member


def page(make: Factory, minutes: int = 20) -> TonightPage:
    db.session.expire_all()
    return tonight.tonight_page(now=make.now + minutes * MINUTE)


def write(label: str, said: Said, make: Factory) -> None:
    with write_transaction() as session:
        cover = session.query(Cover).filter_by(label=label).one()
        ledger.write(cover, said, at=make.now + 10 * MINUTE, member_id=None)


def lent(make: Factory, to: Member) -> None:
    write("T1", Said("lent", other_member_id=to.id, due_on=EVENING + timedelta(days=9)), make)


@pytest.mark.parametrize("what", ["lent", "broken", "retired"])
def test_a_cover_that_is_gone_strikes_its_job_at_once_with_the_reason(
    make: Factory, tamsin: Member, what: str
) -> None:
    before = page(make).jobs[0]
    if what == "lent":
        lent(make, tamsin)
    elif what == "broken":
        write("T1", Said("damaged", condition="broken"), make)
    else:
        write("T1", Said("retired", went_to="bin"), make)

    job = page(make).jobs[0]

    assert before.state == "free"
    assert job.state == "struck"
    assert [(trouble.code, trouble.label) for trouble in job.troubles] == [(what, "T1")]
    assert job.troubles[0].at == make.now + 10 * MINUTE
    assert page(make).is_outdated
    for press in (tonight.claim_job, tonight.mark_on):
        with pytest.raises((Refused, AlreadyClaimed), match=r"T1|has it until"):
            press(job_id=job.id, member_id=tamsin.id, now=make.now + 21 * MINUTE)


def test_a_job_of_several_covers_loses_only_the_one_that_is_gone(
    make: Factory, tamsin: Member
) -> None:
    kind = make.cover_kind(inner_length_cm=22.0, inner_width_cm=22.0, clear_mean_k=6.0)
    small = make.planting(make.plot("E1"), name="lettuce", count=2)
    for label in ("B1", "B2"):
        make.cover(kind, label=label)
    enter(make.now, -2.5)
    plan(make.now)
    write("B2", Said("damaged", condition="broken"), make)

    job = next(job for job in page(make).jobs if small.id in job.plants)
    assert (job.state, job.units) == ("free", 2)
    assert [trouble.label for trouble in job.troubles] == ["B2"]
    tonight.mark_on(job_id=job.id, member_id=tamsin.id, now=make.now + 21 * MINUTE)

    standing = db.session.query(Deployment).filter_by(job_id=job.id).all()
    assert len(standing) == 1


def test_plantings_that_came_went_or_changed_are_told_and_planned_anew_by_itself(
    make: Factory, tamsin: Member
) -> None:
    beans = page(make).rows[0]
    new = make.planting(make.plot("A3"), name="tomatoes")
    assert [(c.code, c.name, c.plot) for c in page(make).changes] == [("added", "tomatoes", "A3")]
    assert page(make).is_outdated

    assert planned.keep_planned(now=make.now + 21 * MINUTE) is not None
    assert page(make, 22).changes == ()
    assert not page(make, 22).is_outdated
    assert planned.keep_planned(now=make.now + 23 * MINUTE) is None  # and not every minute again

    new.ended_at = make.now + 24 * MINUTE
    db.session.commit()
    assert [(c.code, c.name) for c in page(make, 25).changes] == [("ended", "tomatoes")]
    assert beans.planting_id in {row.planting_id for row in page(make, 25).rows}


@pytest.mark.parametrize("what", ["lie", "worth"])
def test_a_plot_that_lies_colder_or_a_plant_that_is_dearer_asks_for_a_new_plan(
    make: Factory, tamsin: Member, what: str
) -> None:
    planting = db.session.get_one(Planting, page(make).rows[0].planting_id)
    if what == "lie":
        db.session.get_one(Plot, planting.plot_id).offset_k = -2.0
    else:
        planting.mind = "dearly"
    db.session.commit()

    assert [change.code for change in page(make).changes] == ["changed"]
    assert planned.keep_planned(now=make.now + 21 * MINUTE) is not None
    assert planned.keep_planned(now=make.now + 22 * MINUTE) is None


def test_a_lent_cover_is_planned_round_once_and_a_cover_that_comes_back_again(
    make: Factory, tamsin: Member
) -> None:
    lent(make, tamsin)

    assert planned.keep_planned(now=make.now + 11 * MINUTE) is not None
    assert page(make, 12).jobs == ()
    assert planned.keep_planned(now=make.now + 12 * MINUTE) is None
    with write_transaction() as session:
        cover = session.query(Cover).filter_by(label="T1").one()
        ledger.write(
            cover,
            Said("returned", other_member_id=tamsin.id),
            at=make.now + 13 * MINUTE,
            member_id=None,
        )

    assert [change.code for change in page(make, 14).changes] == ["cover"]
    assert planned.keep_planned(now=make.now + 14 * MINUTE) is not None
    assert [job.state for job in page(make, 15).jobs] == ["free"]


def test_machines_are_told_as_well(make: Factory, tamsin: Member) -> None:
    lent(make, tamsin)
    make.planting(make.plot("A3"), name="tomatoes")

    board = board_as_dict(now=make.now + 20 * MINUTE)

    assert board["jobs"][0]["state"] == "struck"
    assert board["jobs"][0]["troubles"] == [{"code": "lent", "cover": "T1", "plot": ""}]
    assert board["changes"] == [{"code": "added", "name": "tomatoes", "plot": "A3"}]
    assert board["forecast_age_hours"] == pytest.approx(0.3, abs=0.05)


def test_what_stands_is_shown_until_somebody_takes_it_off(make: Factory, tamsin: Member) -> None:
    job = page(make).jobs[0]
    tonight.mark_on(job_id=job.id, member_id=tamsin.id, now=make.now)

    for hours in (14, 22, 46):
        assert [each.id for each in morning.jobs_out(make.now + timedelta(hours=hours))] == [job.id]
    tonight.mark_off(job_id=job.id, member_id=tamsin.id, now=make.now + timedelta(hours=47))

    assert morning.jobs_out(make.now + timedelta(hours=48)) == []


def test_before_dawn_what_was_put_on_minutes_ago_is_not_offered_to_come_off(
    make: Factory, tamsin: Member
) -> None:
    job = page(make).jobs[0]
    tonight.mark_on(job_id=job.id, member_id=tamsin.id, now=make.now)
    night, dawn = make.now + timedelta(hours=10), make.now + timedelta(hours=18)

    early = morning.morning_page(member=tamsin, now=night)
    late = morning.morning_page(member=tamsin, now=dawn)

    assert [each.id in early.stays_until for each in early.jobs] == [True]
    assert [each.id in late.stays_until for each in late.jobs] == [False]


def test_off_and_back_can_be_taken_back_within_the_hour(make: Factory, tamsin: Member) -> None:
    job = page(make).jobs[0]
    tonight.mark_on(job_id=job.id, member_id=tamsin.id, now=make.now)
    dawn = make.now + timedelta(hours=18)
    morning.bring_back(job_id=job.id, conditions={}, member_id=tamsin.id, now=dawn)
    shown = morning.morning_page(member=tamsin, now=dawn + 5 * MINUTE)
    assert [each.id for each in shown.came_off] == [job.id]

    tonight.undo_off(job_id=job.id, member=tamsin, now=dawn + 6 * MINUTE)

    (standing,) = db.session.query(Deployment).all()
    assert standing.taken_off_at is None
    assert standing.put_on_at == make.now
    assert db.session.query(Cover).one().status == "out"
    morning.bring_back(job_id=job.id, conditions={}, member_id=tamsin.id, now=dawn + 10 * MINUTE)
    with pytest.raises(Refused, match="over an hour ago"):
        tonight.undo_off(job_id=job.id, member=tamsin, now=dawn + 80 * MINUTE)


def test_a_garden_with_nothing_in_it_says_what_it_has_none_of(make: Factory) -> None:
    make.garden()
    assert lacking() == Lacking(plots=True, plantings=True, covers=True)
    make.planting()
    assert lacking() == Lacking(plots=False, plantings=False, covers=True)
