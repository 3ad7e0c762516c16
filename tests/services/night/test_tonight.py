"""The board, and what people press on it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from gardenapp.errors import AlreadyClaimed
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
