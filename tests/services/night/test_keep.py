"""What a new plan keeps of the one before it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.nights import Claim, Deployment, Job, Plan
from gardenapp.science.allocation.problem import Allocation, Problem
from gardenapp.science.allocation.solve import solve
from gardenapp.science.night.plan_records import PLAN_FORMAT
from gardenapp.services.night import keep, plan_night, tonight
from tests.factories import Factory
from tests.services.night.planning import enter, plan
from tests.services.night.small_garden import LOW, small_garden


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


def test_only_one_plan_of_a_night_is_current(make: Factory) -> None:
    make.planting()
    enter(make.now, -2.0)
    plan(make.now)
    plan(make.now)

    plans = db.session.scalars(select(Plan).where(Plan.is_current.is_(True))).all()

    assert len(plans) == 1


def kept_jobs() -> list[Job]:
    """The current plan's jobs, as they are in the database."""
    db.session.expire_all()
    current = select(Plan.id).where(Plan.is_current.is_(True)).scalar_subquery()
    return list(db.session.scalars(select(Job).where(Job.plan_id == current).order_by(Job.id)))


def test_parts_claims_and_what_stands_belong_to_the_right_jobs(make: Factory) -> None:
    ines, tom = make.member("Ines"), make.member("Tom")
    kind = make.cover_kind()
    plantings = [make.planting(name=f"row {n}", mind="dearly") for n in range(6)]
    covers = [make.cover(kind, label=f"T{n}") for n in range(6)]
    enter(make.now, -1.0)
    jobs = plan(make.now).jobs
    tonight.claim_job(job_id=jobs[0].id, member_id=ines.id, now=make.now)
    tonight.claim_job(job_id=jobs[3].id, member_id=tom.id, now=make.now)
    tonight.mark_on(job_id=jobs[1].id, member_id=tom.id, now=make.now)
    tonight.mark_on(job_id=jobs[4].id, member_id=tom.id, now=make.now)
    under = {frozenset(job.plants): [cover.id for cover in job.covers] for job in jobs}

    page = plan(make.now + timedelta(minutes=5))

    assert len(page.jobs) == len(plantings) == len(covers)
    held = [jobs[0], jobs[3], jobs[1], jobs[4]]
    states = {frozenset(job.plants): (job.state, job.claimed_by) for job in page.jobs}
    assert [states[frozenset(job.plants)] for job in held] == [
        ("claimed", "Ines"),
        ("claimed", "Tom"),
        ("on", ""),
        ("on", ""),
    ]
    for job in held:
        (same,) = [j for j in page.jobs if j.plants == job.plants]
        assert [cover.id for cover in same.covers] == under[frozenset(job.plants)]
    for story in page.rows:
        (gift,) = story.given
        (row,) = [job for job in kept_jobs() if job.id == gift.job_id]
        assert row.plot_id == story.plot_id
        assert [part.plants for part in row.parts] == [{str(story.planting_id): gift.plants}]
    for deployment in db.session.scalars(select(Deployment)):
        (row,) = [job for job in kept_jobs() if job.id == deployment.job_id]
        assert row.plot_id == deployment.plot_id
    open_claims = db.session.scalars(select(Claim).where(Claim.released_at.is_(None))).all()
    assert {claim.job_id for claim in open_claims} <= {job.id for job in kept_jobs()}
    assert {claim.claimed_at for claim in open_claims} == {make.now}
    assert len(open_claims) == 2


def test_a_job_is_kept_with_its_english_label_and_its_plan_with_its_format(make: Factory) -> None:
    small_garden(make)
    enter(make.now, **LOW)
    plan(make.now)

    assert sorted(job.label for job in kept_jobs()) == [
        "Film frame",
        "Film frame with Loose fleece under it",
        "carry to the porch",
    ]
    assert db.session.scalars(select(Plan)).one().header["format"] == PLAN_FORMAT


def test_what_somebody_pressed_meanwhile_is_planned_with(
    make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    member = make.member("Ines")
    make.planting()
    make.cover()
    enter(make.now, -1.0)
    job = plan(make.now).jobs[0]
    pressed: list[Problem] = []

    def press_then_solve(problem: Problem, **given: Any) -> Allocation:
        if not pressed:
            pressed.append(problem)
            tonight.claim_job(job_id=job.id, member_id=member.id, now=make.now)
        return solve(problem, **given)

    monkeypatch.setattr(plan_night, "solve", press_then_solve)

    (again,) = plan(make.now + timedelta(minutes=5)).jobs

    assert again.claimed_by == "Ines"
    assert len(db.session.scalars(select(Plan)).all()) == 2


def test_however_quick_people_are_there_is_a_plan_and_their_claims_are_in_it(
    make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    member = make.member("Ines")
    for number in range(8):
        make.planting(plot=make.plot(label=f"Q{number}"))
        make.cover()
    enter(make.now, -1.0)
    waiting = [job.id for job in plan(make.now).jobs]
    assert len(waiting) == 8
    claimed: list[int] = []

    def claim_first(*given: Any, **named: Any) -> int:
        # Somebody claims between the making of each plan and its keeping.
        if waiting:
            claimed.append(waiting.pop())
            tonight.claim_job(job_id=claimed[-1], member_id=member.id, now=make.now)
        return keep.keep(*given, **named)

    monkeypatch.setattr(plan_night, "keep", claim_first)

    page = plan(make.now)

    assert len(claimed) == plan_night.MOST_ATTEMPTS
    assert [job.claimed_by for job in page.jobs].count("Ines") == len(claimed)
    assert len(page.jobs) == 8


def test_a_garden_where_nothing_grows_is_planned_too(make: Factory) -> None:
    make.plot()
    enter(make.now, -1.0)

    page = plan(make.now)

    assert page.plan_id is not None
    assert (page.rows, page.jobs) == ((), ())
