"""Mornings move what a crop bears here, slowly, and can be taken back."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from gardenapp.errors import NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.plants import Planting
from gardenapp.models.trials import Outcome
from gardenapp.services.garden import crop_learning, hardened
from tests.factories import Factory

NIGHT = date(2026, 11, 20)


def morning(
    make: Factory, planting: Planting, damage: str, felt_c: float | None, n: int = 0
) -> int:
    row = Outcome(
        night_of=NIGHT + timedelta(days=n),
        planting_id=planting.id,
        damage=damage,
        entered_at=make.now,
        felt_c=felt_c,
        felt_sd_k=None if felt_c is None else 1.0,
        taken_t50_c=None if felt_c is None else -4.0,
        taken_sd_k=None if felt_c is None else 1.0,
    )
    db.session.add(row)
    db.session.commit()
    return row.id


def test_a_crop_that_stood_more_than_was_said_bears_more_from_then_on(make: Factory) -> None:
    planting = make.planting(stage=make.stage("leek", threshold_c=-4.0))
    other = make.planting(stage=make.stage("bean"))
    before = hardened.bearings_now([planting, other], on=NIGHT)
    for n in range(4):
        morning(make, planting, "none", -6.0, n)

    after = hardened.bearings_now([planting, other], on=NIGHT)

    moved = after[planting.id].bears_c - before[planting.id].bears_c
    assert -1.0 < moved < -0.2
    assert after[other.id] == before[other.id]
    learnt = crop_learning.learnt_of(crop_id=planting.stage.crop_id)
    assert learnt is not None
    assert learnt.shift.mean == pytest.approx(moved, abs=0.002)
    assert (learnt.counted, len(learnt.mornings)) == (4, 4)
    assert crop_learning.learnt_of(crop_id=other.stage.crop_id) is None


def test_a_morning_is_taken_back_and_counted_again(make: Factory) -> None:
    odile, vera = make.coordinator(), make.member("Vera")
    planting = make.planting(stage=make.stage("leek", threshold_c=-4.0))
    number = morning(make, planting, "dead", -1.0)
    crop_id = planting.stage.crop_id
    assert crop_learning.learnt_shifts()[crop_id] > 0.1

    with pytest.raises(NotAllowed):
        crop_learning.leave_out(outcome_id=number, is_left_out=True, member=vera, now=make.now)
    with pytest.raises(NotFound):
        crop_learning.leave_out(outcome_id=99, is_left_out=True, member=odile, now=make.now)
    assert (
        crop_learning.leave_out(outcome_id=number, is_left_out=True, member=odile, now=make.now)
        == crop_id
    )

    assert crop_learning.learnt_shifts() == {}
    learnt = crop_learning.learnt_of(crop_id=crop_id)
    assert learnt is not None and learnt.counted == 0 and learnt.mornings[0].is_left_out
    crop_learning.leave_out(outcome_id=number, is_left_out=False, member=odile, now=make.now)
    assert crop_learning.learnt_shifts()[crop_id] > 0.1


def test_a_planting_half_under_a_cover_teaches_nothing(make: Factory) -> None:
    planting = make.planting()
    morning(make, planting, "much", None)

    assert crop_learning.learnt_shifts() == {}
    assert crop_learning.learnt_of(crop_id=planting.stage.crop_id) is None
