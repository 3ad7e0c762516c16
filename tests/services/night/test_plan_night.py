"""Tonight's plan, from rows to jobs."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select

from gardenapp.errors import AlreadyClaimed, NotFound
from gardenapp.extensions import db
from gardenapp.models.nights import Deployment, Job, Plan
from gardenapp.science.allocation.reasons import words_of
from gardenapp.services.night import forecasts, plan_night, tonight
from tests.factories import Factory

EVENING = date(2026, 11, 24)


def enter(now: datetime, low_c: float, **more: object) -> None:
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=now, **more)  # type: ignore[arg-type]


def plan(now: datetime) -> tonight.TonightPage:
    plan_night.plan_night(night_of=EVENING, member_id=None, now=now)
    return tonight.tonight_page(now=now)


def test_a_night_without_a_forecast_cannot_be_planned(make: Factory) -> None:
    make.garden()

    with pytest.raises(NotFound, match="no forecast"):
        plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)


def test_a_cold_night_puts_the_cover_over_the_tender_planting(make: Factory) -> None:
    make.planting(name="beans")
    make.cover(label="T7", place_id=make.place("north shed").id)
    enter(make.now, -1.0, cloud_fraction=0.1, wind_mps=1.0)

    page = plan(make.now)

    (row,) = page.rows
    assert row.status in {"protect", "short"}
    assert page.jobs_for(row)[0].places == (("north shed", ("T7",)),)
    assert row.given[0].temp.mean > row.temp.mean
    assert row.given[0].share < row.share


def test_a_warm_night_leaves_everything_bare_and_safe(make: Factory) -> None:
    make.planting()
    make.cover()
    enter(make.now, 8.0, cloud_fraction=0.9, wind_mps=4.0)

    page = plan(make.now)

    assert [row.status for row in page.rows] == ["safe"]
    assert page.jobs == ()


def test_a_gale_takes_light_covers_out_and_says_why(make: Factory) -> None:
    make.planting()
    make.cover(make.cover_class(gust_limit_mps=10.0))
    enter(make.now, -2.0, gust_mps=20.0)

    page = plan(make.now)

    (row,) = page.rows
    assert page.jobs == ()
    assert row.status == "short"
    assert row.reason is not None
    assert row.reason.code == "too_windy"
    assert "gust 20 m/s" in words_of(row.reason.code, row.reason.values)


def test_a_planting_taller_than_every_cover_is_short_with_the_height_it_needs(
    make: Factory,
) -> None:
    make.planting(height_cm=150.0)
    make.cover()
    enter(make.now, -3.0)

    page = plan(make.now)

    (row,) = page.rows
    assert row.status == "short"
    assert row.reason is not None
    assert row.reason.code == "too_tall"
    assert "150 cm" in words_of(row.reason.code, row.reason.values)


def test_a_new_forecast_keeps_what_is_on(make: Factory) -> None:
    member = make.member("Ines")
    make.planting()
    cover = make.cover()
    enter(make.now, -2.0)
    first = plan(make.now)
    tonight.mark_on(job_id=first.jobs[0].id, member_id=member.id, now=make.now)
    make.planting(mind="dearly")
    enter(make.now, -2.5)

    second = plan(make.now + timedelta(minutes=5))

    (kept,) = [job for job in second.jobs if job.state == "on"]
    assert kept.id != first.jobs[0].id
    assert [c.id for c in kept.covers] == [cover.id]


def test_a_claim_is_carried_into_the_next_plan(make: Factory) -> None:
    member = make.member("Ines")
    make.planting()
    make.cover()
    enter(make.now, -2.0)
    first = plan(make.now)
    tonight.claim_job(job_id=first.jobs[0].id, member_id=member.id, now=make.now)
    enter(make.now, -2.2)

    second = plan(make.now + timedelta(minutes=5))

    assert [job.claimed_by for job in second.jobs] == ["Ines"]


def test_a_cover_over_its_gust_limit_must_come_off(make: Factory) -> None:
    member = make.member()
    make.planting()
    make.cover()
    enter(make.now, -2.0)
    first = plan(make.now)
    tonight.mark_on(job_id=first.jobs[0].id, member_id=member.id, now=make.now)
    enter(make.now, -2.0, gust_mps=25.0)

    second = plan(make.now + timedelta(minutes=5))

    assert [job.must_come_off for job in second.jobs] == [True]
    assert second.rows[0].status == "short"


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


def test_only_one_plan_of_a_night_is_current(make: Factory) -> None:
    make.planting()
    enter(make.now, -2.0)
    plan(make.now)
    plan(make.now)

    plans = db.session.scalars(select(Plan).where(Plan.is_current.is_(True))).all()

    assert len(plans) == 1


def test_an_own_plots_cover_stays_on_its_owners_plot(make: Factory) -> None:
    owner = make.member("Ada")
    kind = make.cover_class()
    make.cover(kind, owner_id=owner.id, lending="own plots")
    theirs = make.plot("theirs")
    own = make.plot("own", holders=(owner,))
    make.planting(theirs, mind="dearly")
    make.planting(own, mind="little")
    enter(make.now, -2.0)

    page = plan(make.now)

    assert {job.plot for job in page.jobs} == {"own"}
    short = next(row for row in page.rows if row.plot == "theirs")
    assert short.reason is not None
    assert short.reason.code == "not_lent"


def test_two_covers_of_a_job_are_told_with_their_places(make: Factory) -> None:
    kind = make.cover_class(inner_length_cm=22.0, inner_width_cm=22.0)
    make.cover(kind, label="T1", place_id=make.place("shed").id)
    make.cover(kind, label="T2", place_id=make.place("lean-to").id)
    make.planting(count=2)
    enter(make.now, -2.0)

    page = plan(make.now)

    assert dict(page.jobs[0].places) == {"lean-to": ("T2",), "shed": ("T1",)}
    assert db.session.scalars(select(Job)).all()


def test_a_cover_whose_plants_are_gone_can_still_be_brought_in(make: Factory) -> None:
    member = make.member()
    planting = make.planting()
    make.cover(label="T9")
    make.planting(name="another")
    enter(make.now, -2.0)
    first = plan(make.now)
    job = next(job for job in first.jobs if planting.id in job.plants)
    tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)
    planting.ended_at = make.now
    db.session.commit()

    second = plan(make.now + timedelta(minutes=5))
    (left,) = [job for job in second.jobs if job.state == "on"]
    tonight.mark_off(job_id=left.id, member_id=member.id, now=make.now + timedelta(minutes=6))

    assert left.plants == {}
    assert [cover.label for cover in left.covers] == ["T9"]
    assert all(d.taken_off_at for d in db.session.scalars(select(Deployment)))
