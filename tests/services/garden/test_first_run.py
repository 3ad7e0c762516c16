"""Which step of the first run comes next."""

from __future__ import annotations

from datetime import timedelta

import pytest

from gardenapp.errors import NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.forecasts import ForecastAddress
from gardenapp.models.people import Invite
from gardenapp.services.garden import first_run
from gardenapp.services.garden.first_run import leave_step, list_steps, next_step
from tests.conftest import NOW
from tests.factories import Factory


def done() -> set[str]:
    return {step.key for step in list_steps(now=NOW) if step.is_done}


def test_each_step_is_done_once_there_is_something_of_it(make: Factory) -> None:
    make.coordinator(password="twelve cold lanterns")
    assert done() == set()
    assert [step.key for step in list_steps(now=NOW)] == list(first_run.STEPS)

    plot = make.plot("A1")
    assert done() == {"plots"}
    planting = make.planting(plot)
    assert done() == {"plots", "plantings"}
    cover = make.cover()
    assert done() == {"plots", "plantings", "covers"}
    db.session.add(ForecastAddress(url="https://weather.example/x"))
    db.session.commit()
    assert next_step(now=NOW).key == "members"  # type: ignore[union-attr]
    helper = make.member("Ines")
    assert "slips" not in done()
    db.session.add(Invite(member_id=helper.id, token_hash="x", made_at=NOW, expires_at=NOW))
    db.session.commit()
    assert done() == set(first_run.STEPS)
    assert next_step(now=NOW) is None

    planting.ended_at, cover.is_usable = NOW, False
    db.session.commit()
    assert done() == set(first_run.STEPS) - {"plantings", "covers"}


def test_a_coordinator_without_a_way_in_needs_a_slip_too(make: Factory) -> None:
    make.coordinator(password="twelve cold lanterns")
    make.member("Ines", password="eleven cold lanterns")
    assert "slips" in done()

    make.coordinator("Rafiq")
    assert "slips" not in done()


def test_a_garden_without_members_is_not_asked_for_slips(make: Factory) -> None:
    odile = make.coordinator()
    leave_step(key="members", is_left=True, by_id=odile.id, now=NOW)
    assert {s.key for s in list_steps(now=NOW) if s.is_left} == {"members", "slips"}

    leave_step(key="members", is_left=False, by_id=odile.id, now=NOW + timedelta(seconds=1))
    assert not [s for s in list_steps(now=NOW) if s.is_left]


def test_only_a_coordinator_leaves_a_step_of_the_list(make: Factory) -> None:
    odile, ines = make.coordinator(), make.member()
    with pytest.raises(NotAllowed):
        leave_step(key="slips", is_left=True, by_id=ines.id, now=NOW)
    for key in ("weeds", "plots"):  # without plots there is nothing to plan
        with pytest.raises(NotFound):
            leave_step(key=key, is_left=True, by_id=odile.id, now=NOW)
    assert not [s for s in list_steps(now=NOW) if s.is_left]
