"""What a night did, kept beside what had been expected of it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.models.trials import Outcome
from gardenapp.services.garden import crop_learning
from gardenapp.services.night import outcomes, tonight
from tests.factories import Factory
from tests.services.night.mornings import MORNING, plan, save
from tests.services.night.planning import EVENING


def test_a_morning_is_kept_beside_the_loss_that_was_expected_bare(
    make: Factory, member: Member, planting: Planting
) -> None:
    make.cover()
    page = plan(make.now)

    save(planting, member, make.now + MORNING)

    row = db.session.scalars(select(Outcome)).one()
    assert (row.damage, row.night_of) == ("some", EVENING)
    assert row.expected_share == pytest.approx(page.rows[0].share, abs=1e-3)


def test_what_really_stood_there_is_what_was_expected(
    make: Factory, member: Member, planting: Planting
) -> None:
    make.cover(make.cover_kind(clear_mean_k=5.0, cloudy_mean_k=5.0))
    page = plan(make.now)
    tonight.mark_on(job_id=page.jobs[0].id, member_id=member.id, now=make.now)
    tonight.mark_off(job_id=page.jobs[0].id, member_id=member.id, now=make.now + MORNING)

    save(planting, member, make.now + MORNING, damage="none")

    row = db.session.scalars(select(Outcome)).one()
    gift = page.rows[0].given[0]
    bare = page.rows[0].share
    expected = (gift.plants * gift.share + (4 - gift.plants) * bare) / 4
    assert row.expected_share == pytest.approx(expected, abs=1e-3)
    assert expected < bare


def test_a_cover_that_was_off_before_the_low_does_not_count(
    make: Factory, member: Member, planting: Planting
) -> None:
    make.cover()
    page = plan(make.now)
    tonight.mark_on(job_id=page.jobs[0].id, member_id=member.id, now=make.now)
    tonight.mark_off(
        job_id=page.jobs[0].id, member_id=member.id, now=make.now + timedelta(minutes=20)
    )

    assert outcomes.expected_shares(night_of=EVENING)[planting.id] == pytest.approx(
        page.rows[0].share, abs=1e-3
    )


def test_a_night_without_a_plan_keeps_the_damage_and_no_expectation(
    make: Factory, member: Member, planting: Planting
) -> None:
    save(planting, member, make.now + MORNING)

    assert db.session.scalars(select(Outcome.expected_share)).all() == [None]
    assert outcomes.calibration(now=make.now + MORNING).outcomes == 0


def test_calibration_sets_said_against_seen(
    make: Factory, member: Member, planting: Planting
) -> None:
    page = plan(make.now)
    save(planting, member, make.now + MORNING, damage="much", low_c=-4.0)

    found = outcomes.calibration(now=make.now + MORNING)

    (pair,) = found.pairs
    assert pair.plot == "N3"
    assert page.header is not None
    assert pair.said.mean == pytest.approx(page.header.low.mean)
    assert found.lows is not None
    assert found.lows.bias_k == pytest.approx(-4.0 - pair.said.mean)
    assert found.record_nights == 1
    assert found.offsets[0].nights == 1
    assert found.offsets[0].learnt.mean < 0
    assert found.score == pytest.approx((page.rows[0].share - 0.65) ** 2, abs=1e-3)
    assert [band.count for band in found.bands] == [1]


def felt(row: Outcome) -> tuple[float | None, ...]:
    return (row.felt_c, row.felt_sd_k, row.taken_t50_c, row.taken_sd_k)


def test_what_the_plants_felt_is_kept_beside_the_damage_so_that_the_crop_learns(
    make: Factory, member: Member, planting: Planting
) -> None:
    (story,) = plan(make.now).rows
    save(planting, member, make.now + MORNING, damage="none")

    (row,) = db.session.scalars(select(Outcome))
    assert felt(row) == (
        pytest.approx(story.temp.mean), pytest.approx(story.temp.sd),
        pytest.approx(story.curve_t50_c), pytest.approx(story.curve_sd_k),
    )  # fmt: skip
    (shift_k,) = crop_learning.learnt_shifts().values()
    assert shift_k < 0.0  # they stood what should have hurt them
    again = plan(make.now + timedelta(minutes=1)).rows[0]
    assert again.learnt_k == shift_k
    assert again.threshold_c == pytest.approx(story.threshold_c + shift_k, abs=0.002)
    assert again.share < story.share

    # What the second plan taught of itself does not count twice.
    save(planting, member, make.now + MORNING, damage="none")
    db.session.expire_all()
    (row,) = db.session.scalars(select(Outcome))
    assert row.taken_t50_c == pytest.approx(story.curve_t50_c, abs=0.002)


def test_a_night_without_a_plan_teaches_nothing_of_a_crop(
    make: Factory, member: Member, planting: Planting
) -> None:
    save(planting, member, make.now + MORNING, damage="dead")

    (row,) = db.session.scalars(select(Outcome))
    assert felt(row) == (None, None, None, None)
    assert crop_learning.learnt_shifts() == {}
