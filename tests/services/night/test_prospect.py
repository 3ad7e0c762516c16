"""What the night does to each planting, bare and under each way."""

from __future__ import annotations

from datetime import timedelta

import pytest

from gardenapp.services.night import tonight
from gardenapp.services.night.outlook import SHELTER
from gardenapp.services.night.prospect import Prospect
from tests.factories import Factory
from tests.services.night.planning import enter, plan, prospect
from tests.services.night.small_garden import BEANS, LEMON, LOW, small_garden


def test_only_pots_that_can_be_carried_may_go_into_the_shelter(make: Factory) -> None:
    small_garden(make)
    enter(make.now, **LOW)

    found: Prospect = prospect()

    sheltered = {planting for planting, treatment in found.covered if treatment == SHELTER}
    assert sheltered == {LEMON}
    assert set(found.bare) == {planting.id for planting in found.gathered.plantings}


def test_plantings_that_are_alike_share_one_outlook(make: Factory) -> None:
    plot, stage = make.plot(), make.stage()
    alike = [make.planting(plot, stage), make.planting(plot, stage)]
    taller = make.planting(plot, stage, height_cm=60.0)
    enter(make.now, -2.0)

    bare = prospect().bare

    assert bare[alike[0].id] is bare[alike[1].id]
    assert bare[taller.id] is not bare[alike[0].id]


def test_what_is_safe_is_looked_at_under_covers_only_where_one_is_on(make: Factory) -> None:
    odile = small_garden(make)
    enter(make.now, **LOW)
    page = plan(make.now)
    (job,) = [job for job in page.jobs if BEANS in job.plants]
    tonight.mark_on(job_id=job.id, member_id=odile.id, now=make.now)
    enter(make.now, 12.0)

    found = prospect()

    assert {planting for planting, _treatment in found.covered} == {BEANS}
    assert found.is_under_something(BEANS)
    assert not found.is_under_something(LEMON)


def test_a_cover_put_on_late_adds_less_and_one_that_stands_since_sunset_does_not(
    make: Factory,
) -> None:
    member = make.member()
    planting = make.planting()
    make.cover()
    enter(make.now, -2.0)
    first = plan(make.now)
    in_time = prospect()
    sunset_at = in_time.site.night.sunset_at
    late = prospect(now=sunset_at + timedelta(hours=6))
    (key,) = (key for key in in_time.covered if key[0] == planting.id)
    kept = in_time.site.late_share(sunset_at + timedelta(hours=6))

    assert 0.6 < kept < 0.9
    assert late.covered[key].lift.mean == pytest.approx(kept * in_time.covered[key].lift.mean)
    assert late.covered[key].harm.share > in_time.covered[key].harm.share

    tonight.mark_on(job_id=first.jobs[0].id, member_id=member.id, now=sunset_at)
    stands = prospect(now=sunset_at + timedelta(hours=6))

    assert stands.covered[key].lift.mean == pytest.approx(in_time.covered[key].lift.mean)
