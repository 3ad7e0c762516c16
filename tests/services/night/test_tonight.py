"""The board, and what people press on it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from gardenapp.errors import AlreadyClaimed, NotAllowed
from gardenapp.extensions import db
from gardenapp.models.nights import Deployment
from gardenapp.services.night import tonight
from tests.factories import Factory
from tests.services.night.planning import enter, plan


def test_second_member_is_told_who_took_the_job(make: Factory) -> None:
    first, second = make.member("Ines"), make.member("Tom")
    make.planting()
    make.cover()
    enter(make.now, -2.0)
    job = plan(make.now).jobs[0]
    tonight.claim_job(job_id=job.id, member_id=first.id, now=make.now)

    with pytest.raises(AlreadyClaimed, match="Ines"):
        tonight.claim_job(job_id=job.id, member_id=second.id, now=make.now)


def test_marking_on_twice_puts_the_cover_there_once(make: Factory) -> None:
    member = make.member()
    make.planting()
    make.cover()
    enter(make.now, -2.0)
    job = plan(make.now).jobs[0]

    tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)
    tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)

    assert len(db.session.scalars(select(Deployment)).all()) == 1


def test_undo_leaves_the_cover_free_for_another_plot(make: Factory) -> None:
    member = make.member()
    make.planting()
    make.cover()
    enter(make.now, -2.0)
    job = plan(make.now).jobs[0]
    tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)

    tonight.undo_on(job_id=job.id, member=member, now=make.now + timedelta(minutes=3))

    page = tonight.tonight_page(now=make.now)
    assert page.jobs[0].state == "free"


def test_a_job_of_two_covers_is_on_only_while_both_stand(make: Factory) -> None:
    member = make.member()
    kind = make.cover_kind(inner_length_cm=22.0, inner_width_cm=22.0)
    make.cover(kind, label="T1")
    make.cover(kind, label="T2")
    make.planting(count=2)
    enter(make.now, -2.0)
    job = plan(make.now).jobs[0]
    assert job.units == 2

    def state() -> str:
        db.session.expire_all()
        return tonight.tonight_page(now=make.now).jobs[0].state

    tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)
    assert state() == "on"
    first, second = db.session.scalars(select(Deployment).order_by(Deployment.id))
    # As a merge of two phones' marks, or a hand in the database, can leave it.
    first.taken_off_at = make.now
    db.session.commit()
    assert state() == "free"
    tonight.claim_job(job_id=job.id, member_id=member.id, now=make.now)
    assert state() == "claimed"
    second.taken_off_at = make.now
    db.session.commit()
    assert state() == "off"


# What takes two, and who is not asked


def heavy_job(make: Factory) -> int:
    make.planting(make.plot())
    make.cover(make.cover_kind(mass_kg=30.0))
    enter(make.now, -2.0)
    (job,) = plan(make.now).jobs
    assert job.needs_two
    return job.id


def the_job(make: Factory) -> tonight.BoardJob:
    (job,) = tonight.tonight_page(now=make.now).jobs
    return job


def test_the_second_to_ask_is_the_second_pair_of_hands(make: Factory) -> None:
    job_id = heavy_job(make)
    ines, tom, eve = (make.member(name) for name in ("Ines", "Tom", "Eve"))

    tonight.claim_job(job_id=job_id, member_id=ines.id, now=make.now)
    tonight.claim_job(job_id=job_id, member_id=ines.id, now=make.now)  # no second by herself
    assert the_job(make).lacks_second
    tonight.claim_job(job_id=job_id, member_id=tom.id, now=make.now)

    done = the_job(make)
    assert (done.claimed_by, done.with_name, done.lacks_second) == ("Ines", "Tom", False)
    with pytest.raises(AlreadyClaimed):
        tonight.claim_job(job_id=job_id, member_id=eve.id, now=make.now)


def test_who_gives_back_leaves_the_job_to_the_other(make: Factory) -> None:
    job_id = heavy_job(make)
    ines, tom = make.member("Ines"), make.member("Tom")
    for member in (ines, tom):
        tonight.claim_job(job_id=job_id, member_id=member.id, now=make.now)

    tonight.release_job(job_id=job_id, member=ines, now=make.now)
    left = the_job(make)
    assert (left.claimed_by, left.with_name, left.lacks_second) == ("Tom", "", True)
    tonight.release_job(job_id=job_id, member=tom, now=make.now)
    assert the_job(make).state == "free"


def test_a_new_plan_keeps_both(make: Factory) -> None:
    job_id = heavy_job(make)
    for name in ("Ines", "Tom"):
        tonight.claim_job(job_id=job_id, member_id=make.member(name).id, now=make.now)
    enter(make.now, -2.4)

    (job,) = plan(make.now).jobs

    assert job.id != job_id
    assert (job.claimed_by, job.with_name) == ("Ines", "Tom")


def test_who_does_not_lift_is_not_asked_to(make: Factory) -> None:
    job_id = heavy_job(make)
    vera = make.member("Vera", no_lifting=True)

    assert not the_job(make).is_for(vera)
    with pytest.raises(NotAllowed, match="lift"):
        tonight.claim_job(job_id=job_id, member_id=vera.id, now=make.now)
    assert the_job(make).state == "free"


def test_who_does_not_walk_on_ice_is_not_asked_to(make: Factory) -> None:
    make.planting(stage=make.stage(threshold_c=-9.0))
    make.cover()
    enter(make.now, -9.0)
    (job,) = plan(make.now).jobs
    vera, ines = make.member("Vera", no_ice=True), make.member("Ines", no_lifting=True)

    assert job.is_icy
    assert not job.is_for(vera) and job.is_for(ines) and job.is_for(None)
    with pytest.raises(NotAllowed, match="ice"):
        tonight.claim_job(job_id=job.id, member_id=vera.id, now=make.now)
    tonight.claim_job(job_id=job.id, member_id=ines.id, now=make.now)
