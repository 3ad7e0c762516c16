"""The first plan is there at once, and a better one takes its place only where it is worth it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select, update

from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.science.allocation.problem import Allocation, Problem
from gardenapp.science.allocation.solve import first_answer, solve
from gardenapp.services.night import improving, plan_night, tonight
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter


@pytest.fixture
def first(make: Factory, monkeypatch: pytest.MonkeyPatch) -> Callable[[], Plan]:
    """A garden of eight plots and four covers, and a first plan that leaves two covers unused."""
    for number in range(8):
        make.planting(plot=make.plot(label=f"Q{number}"), mind="dearly" if number > 3 else "much")
    for _number in range(4):
        make.cover()
    enter(make.now, -2.0)

    def poorly(problem: Problem, **given: Any) -> Allocation:
        fewer = [use for use in first_answer(problem, **given).uses if not use.is_fixed][:2]
        kept = {(use.plot_id, use.treatment_id) for use in fewer}
        plots = {plot_id for plot_id, _ in kept}
        damage = {
            key: share
            for key, share in problem.damage.items()
            if next(p.plot_id for p in problem.plantings if p.id == key[0]) in plots
        }
        from dataclasses import replace

        return first_answer(replace(problem, damage=damage))

    def made() -> Plan:
        with monkeypatch.context() as patch:
            patch.setattr(plan_night, "first_answer", poorly)
            plan_id = plan_night.plan_night(
                night_of=EVENING, member_id=None, now=make.now, at_once=True
            )
        plan = db.session.get(Plan, plan_id)
        assert plan is not None
        return plan

    return made


def in_force() -> Plan:
    db.session.expire_all()
    return db.session.scalars(select(Plan).where(Plan.is_current.is_(True))).one()


def clock_at(now: datetime) -> Callable[[], datetime]:
    return lambda: now


def test_a_better_plan_takes_the_place_of_the_first(
    make: Factory, first: Callable[[], Plan]
) -> None:
    before = first()
    assert (before.improving, len(before.jobs)) == ("waiting", 2)

    kept = improving.improve(before.id, clock=clock_at(make.now))

    after = in_force()
    assert after.id == kept != before.id
    assert (after.improving, len(after.jobs)) == ("", 4)
    assert after.objective > before.objective
    assert after.gap <= improving.GAP


def test_a_plan_hardly_better_changes_nothing_but_what_is_said_of_the_gap(
    make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.planting()
    make.cover()
    enter(make.now, -2.0)
    plan_id = plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now, at_once=True)
    before = {job.id for job in tonight.tonight_page(now=make.now).jobs}

    assert improving.improve(plan_id, clock=clock_at(make.now)) == plan_id

    plan = in_force()
    assert (plan.id, plan.improving, plan.method) == (plan_id, "", "optimal")
    assert plan.gap <= improving.GAP
    assert {job.id for job in tonight.tonight_page(now=make.now).jobs} == before


def test_nobody_is_sent_elsewhere_for_less_than_a_lettuce(
    make: Factory, first: Callable[[], Plan], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = first()
    monkeypatch.setattr(improving, "WORTH_A_CHANGE", 1e6)

    assert improving.improve(before.id, clock=clock_at(make.now)) == before.id

    after = in_force()
    assert (after.id, len(after.jobs)) == (before.id, 2)
    assert after.gap > 0.1  # said honestly: far from the best


def test_what_is_claimed_meanwhile_stays_where_it_is(
    make: Factory, first: Callable[[], Plan], monkeypatch: pytest.MonkeyPatch
) -> None:
    people = [make.member("Ines"), make.member("Tom")]
    before = first()
    claimed = [(job.plot_id, job.treatment) for job in before.jobs]

    def claim_both(problem: Problem, **given: Any) -> Allocation:
        for job, member in zip(before.jobs, people, strict=True):
            tonight.claim_job(job_id=job.id, member_id=member.id, now=make.now)
        return solve(problem, **given)

    monkeypatch.setattr(improving, "solve", claim_both)

    improving.improve(before.id, clock=clock_at(make.now))

    after = tonight.tonight_page(now=make.now)
    mine = [(job.plot_id, job.treatment) for job in after.jobs if job.claimed_by]
    assert sorted(mine) == sorted(claimed)
    assert len(after.jobs) == 4


def test_two_never_improve_one_plan_and_what_was_left_is_taken_up(
    make: Factory, first: Callable[[], Plan]
) -> None:
    plan = first()
    later = make.now + improving.SILENT_FOR + timedelta(seconds=1)

    assert improving.take(plan.id, holder="one", now=make.now)
    assert not improving.take(plan.id, holder="two", now=make.now)
    assert improving.improve(plan.id, clock=clock_at(make.now)) is None
    assert improving.left_alone(now=make.now, first_night=EVENING) == []

    # The server was stopped: nothing is heard of it any more.
    assert improving.left_alone(now=later, first_night=EVENING) == [plan.id]
    assert improving.improve(plan.id, clock=clock_at(later)) is not None
    assert improving.left_alone(now=later, first_night=EVENING) == []
    assert not improving.take(plan.id, holder="three", now=later)


def test_a_plan_that_was_replaced_is_left_alone(
    make: Factory, first: Callable[[], Plan], monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = first()

    def replaced(problem: Problem, **given: Any) -> Allocation:
        db.session.execute(update(Plan).values(is_current=False))
        db.session.commit()
        return solve(problem, **given)

    monkeypatch.setattr(improving, "solve", replaced)

    assert improving.improve(plan.id, clock=clock_at(make.now)) is None
    assert db.session.scalars(select(Plan).where(Plan.is_current.is_(True))).all() == []


def test_a_newer_forecast_wants_a_plan_of_its_own(make: Factory, first: Callable[[], Plan]) -> None:
    plan = first()
    enter(make.now + timedelta(minutes=1), -4.0)

    assert improving.improve(plan.id, clock=clock_at(make.now)) is None


def test_how_far_it_has_come_can_be_asked(make: Factory, first: Callable[[], Plan]) -> None:
    assert improving.state_of(EVENING) is None
    plan = first()

    waiting = improving.state_of(EVENING)
    heard: list[float] = []
    improving.improve(
        plan.id, clock=clock_at(make.now), say=lambda progress: heard.append(progress.gap)
    )
    done = improving.state_of(EVENING)

    assert waiting is not None and waiting.is_on and waiting.gap > 0.0
    assert done is not None and not done.is_on and done.gap <= improving.GAP
    assert heard and heard == sorted(heard, reverse=True)
