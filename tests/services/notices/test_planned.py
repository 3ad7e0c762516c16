"""A night is planned and those it concerns are told; the plan is good whether they are or not."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.people import Member
from gardenapp.services.night import forecasts, improving
from gardenapp.services.notices import planned, telling
from tests.factories import Factory
from tests.services.notices.told import EVENING, by_mail, enter, plan, queue


def test_a_plan_for_another_night_tells_nothing(make: Factory, tamsin: Member) -> None:
    by_mail(tamsin, make.now)
    later = EVENING + timedelta(days=1)
    forecasts.enter_by_hand(night_of=later, low_c=-2.0, member_id=None, now=make.now)

    planned.plan_and_tell(night_of=later, member_id=None, now=make.now)

    assert queue() == []


def test_whatever_fails_in_queueing_the_plan_is_kept(
    make: Factory, tamsin: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise RuntimeError("no words")

    by_mail(tamsin, make.now)
    monkeypatch.setattr(telling, "_draft", broken)

    plan_id = plan(make.now, -1.0)

    assert db.session.get(Plan, plan_id) is not None
    assert queue() == []


def test_a_plan_that_was_told_is_the_nights_current_one(make: Factory, tamsin: Member) -> None:
    by_mail(tamsin, make.now)

    plan_id = plan(make.now, -1.0)

    found = db.session.get(Plan, plan_id)
    assert found is not None
    assert (found.night_of, found.is_current) == (EVENING, True)
    assert len(queue()) == 1


def test_a_night_without_a_forecast_is_refused_and_nobody_is_told(
    make: Factory, tamsin: Member
) -> None:
    by_mail(tamsin, make.now)

    with pytest.raises(NotFound, match="no forecast for that night"):
        planned.plan_and_tell(night_of=EVENING, member_id=None, now=make.now)

    assert queue() == []
    assert db.session.scalar(select(func.count()).select_from(Plan)) == 0


def test_a_new_forecast_plans_tonight_again_only_where_it_speaks_of_tonight(
    make: Factory, tamsin: Member
) -> None:
    by_mail(tamsin, make.now)
    enter(make.now, -1.0)
    others = [EVENING - timedelta(days=1), EVENING + timedelta(days=1)]

    def replan(nights: list[date]) -> list[int]:
        return planned.replan_if_needed(nights=nights, member_id=tamsin.id, now=make.now)

    (first,) = replan([])  # it had no plan from the forecast in force
    assert replan([]) == replan(others) == []
    (second,) = replan([*others, EVENING, EVENING])

    made = db.session.scalars(select(Plan).where(Plan.is_current)).one()
    assert first != second
    assert (made.id, made.night_of) == (second, EVENING)
    assert len(queue()) == 1


def test_before_sunrise_tonight_is_the_night_that_runs_and_after_it_the_coming_one(
    make: Factory, tamsin: Member
) -> None:
    enter(make.now, -1.0)
    small_hours = make.now.replace(hour=3) + timedelta(days=1)

    (plan_id,) = planned.replan_if_needed(
        nights=[EVENING + timedelta(days=1)], member_id=None, now=small_hours
    )

    assert planned.keep_planned(now=small_hours + timedelta(hours=6)) is None  # no forecast for it
    assert planned.keep_planned(now=small_hours) is None  # it has its plan
    made = db.session.get(Plan, plan_id)
    assert made is not None
    assert made.night_of == EVENING


def test_what_is_wrong_with_a_thermometer_leaves_no_night_unplanned(
    make: Factory, tamsin: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_now: object) -> bool:
        raise RuntimeError("no readings")

    monkeypatch.setattr(planned, "follow", broken)
    enter(make.now, -1.0)

    assert planned.keep_planned(now=make.now) is not None


# Improved apart


@pytest.fixture
def begun(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Plans that another process was asked to improve; none does."""
    asked: list[int] = []
    monkeypatch.setitem(improving._beginners, str(db.engine.url), asked.append)
    return asked


def test_people_are_told_once_when_the_plan_has_been_improved(
    make: Factory, tamsin: Member, begun: list[int]
) -> None:
    by_mail(tamsin, make.now)
    enter(make.now, -1.0)
    plan_id = planned.plan_and_tell(night_of=EVENING, member_id=None, now=make.now)
    telling.catch_up(now=make.now)
    assert begun == [plan_id]
    assert queue() == []

    planned.improve_and_tell(plan_id, clock=lambda: make.now)
    told = len(queue())
    telling.catch_up(now=make.now)

    assert told == len(queue()) == 1


def test_where_no_process_can_be_started_the_first_plan_stands_and_people_are_told(
    make: Factory, tamsin: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(_plan_id: int) -> None:
        raise OSError("no more processes")

    monkeypatch.setitem(improving._beginners, str(db.engine.url), refused)
    by_mail(tamsin, make.now)
    enter(make.now, -1.0)

    plan_id = planned.plan_and_tell(night_of=EVENING, member_id=None, now=make.now)

    assert db.session.get_one(Plan, plan_id).improving == ""
    assert len(queue()) == 1


def test_an_improvement_that_fails_leaves_the_first_plan_and_is_not_tried_all_night(
    make: Factory, tamsin: Member, begun: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise RuntimeError("no solver today")

    by_mail(tamsin, make.now)
    enter(make.now, -1.0)
    plan_id = planned.plan_and_tell(night_of=EVENING, member_id=None, now=make.now)
    monkeypatch.setattr(improving, "solve", broken)

    assert planned.improve_and_tell(plan_id, clock=lambda: make.now) == plan_id

    db.session.expire_all()
    assert db.session.get_one(Plan, plan_id).improving == ""
    assert len(queue()) == 1
    later = make.now + timedelta(minutes=10)
    assert planned.take_up_what_was_left(later) == 0


def test_a_plan_that_nobody_is_heard_of_is_taken_up_at_the_next_tick(
    make: Factory, tamsin: Member, begun: list[int]
) -> None:
    enter(make.now, -1.0)
    plan_id = planned.plan_and_tell(night_of=EVENING, member_id=None, now=make.now)

    planned.keep_planned(now=make.now + timedelta(seconds=20))
    assert begun == [plan_id]
    planned.keep_planned(now=make.now + timedelta(minutes=2))
    assert begun == [plan_id, plan_id]
