"""A night is planned and those it concerns are told; the plan is good whether they are or not."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.people import Member
from gardenapp.services.night import forecasts
from gardenapp.services.notices import planned, telling
from tests.factories import Factory
from tests.services.notices.told import EVENING, by_mail, plan, queue


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
