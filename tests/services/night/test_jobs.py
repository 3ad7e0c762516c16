"""Jobs with real covers, from the solver's answer."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.nights import Deployment, Job
from gardenapp.science.allocation.solve import solve
from gardenapp.science.allocation.weights import SAFE_BELOW, WALK_M_PER_MINUTE
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.morning import day_air_c, plant_below_air_k
from gardenapp.services.night import tonight
from gardenapp.services.night.jobs import jobs_of
from gardenapp.services.night.latest import MOST_EARLY
from gardenapp.services.night.problem import problem_of
from tests.factories import Factory
from tests.services.night.planning import enter, plan, prospect


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


def test_two_covers_of_a_job_are_told_with_their_places(make: Factory) -> None:
    kind = make.cover_kind(inner_length_cm=22.0, inner_width_cm=22.0)
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


def test_the_holders_own_and_the_sound_covers_are_fetched_first(make: Factory) -> None:
    owner, other = make.member("Ada"), make.member("Tom")
    plot = make.plot("own", holders=(owner,))
    kind = make.cover_kind(inner_length_cm=22.0, inner_width_cm=22.0)
    make.cover(kind, label="A theirs", owner_id=other.id)
    make.cover(kind, label="B worn", owner_id=owner.id, condition="worn")
    make.cover(kind, label="C hers", owner_id=owner.id)
    make.planting(plot, count=2)
    enter(make.now, -1.0)

    (job,) = plan(make.now).jobs

    assert sorted(cover.label for cover in job.covers) == ["B worn", "C hers"]


def test_what_is_on_and_what_is_new_are_two_jobs(make: Factory) -> None:
    member = make.member()
    kind = make.cover_kind(inner_length_cm=22.0, inner_width_cm=22.0)
    make.cover(kind, label="T1")
    planting = make.planting(count=2)
    enter(make.now, -1.0)
    tonight.mark_on(job_id=plan(make.now).jobs[0].id, member_id=member.id, now=make.now)
    make.cover(kind, label="T2")

    jobs = plan(make.now + timedelta(minutes=5)).jobs

    assert sorted((job.state, [c.label for c in job.covers]) for job in jobs) == [
        ("free", ["T2"]),
        ("on", ["T1"]),
    ]
    assert [job.plants for job in jobs] == [{planting.id: 1}] * 2


def test_jobs_say_when_and_how_long(make: Factory) -> None:
    plot = make.plot(distance_m=120.0)
    make.planting(plot)
    make.cover(make.cover_kind(minutes=3.0))
    enter(make.now, -1.0)
    found = prospect()

    (job,) = jobs_of(found, solve(problem_of(found)))

    assert job.minutes == 3.0 + 120.0 / WALK_M_PER_MINUTE
    night = found.site.night
    assert night.sunset_at - MOST_EARLY <= job.by_at < found.site.curve.low[0]
    assert (job.mass_kg, job.is_icy) == (None, False)
    assert job.safe_from_at > found.site.night.sunset_at
    assert (job.claim_id, job.must_come_off) == (None, False)
    assert sum(job.plants.values()) == 4


def test_a_plant_is_called_safe_bare_only_when_it_would_be_itself(make: Factory) -> None:
    planting = make.planting()
    make.cover()
    enter(make.now, -2.0, cloud_fraction=0.0, wind_mps=0.5)
    found = prospect()
    (job,) = jobs_of(found, solve(problem_of(found)))
    bare, site = found.bare[planting.id], found.site
    below_air_k = bare.parts.air.mean + bare.parts.leaf.mean

    air_c = day_air_c(site.curve, site.night, job.safe_from_at) + bare.parts.offset.mean
    plant_c = air_c + plant_below_air_k(below_air_k, site.night, job.safe_from_at)

    assert below_air_k < -1.0
    assert bare.bearing.shares(Estimate(plant_c, bare.temp.sd))[2] <= SAFE_BELOW
    # In screen air, without a margin, the same plant was called safe a good hour earlier.
    by_air = site.curve.last_below(bare.threshold_c) or site.night.sunrise_at
    assert job.safe_from_at > by_air


def test_what_is_too_heavy_for_one_takes_two_peoples_minutes(make: Factory) -> None:
    make.planting(make.plot(distance_m=120.0))
    make.cover(make.cover_kind(minutes=3.0, mass_kg=30.0))
    enter(make.now, -1.0)
    found = prospect()

    (job,) = jobs_of(found, solve(problem_of(found)))

    assert job.mass_kg == 30.0
    assert job.minutes == 2 * (3.0 + 120.0 / WALK_M_PER_MINUTE)
    assert [pool.minutes for pool in problem_of(found).pools] == [6.0]


def test_there_may_be_ice_where_it_is_freezing_by_then(make: Factory) -> None:
    # A plant that bears much frost can wait until well into the night.
    make.planting(stage=make.stage(threshold_c=-9.0))
    make.cover()
    enter(make.now, -9.0)
    found = prospect()

    (job,) = jobs_of(found, solve(problem_of(found)))

    assert found.site.curve.at(job.by_at) < 0.0
    assert job.is_icy


def test_whoever_owns_a_cover_of_the_kind_is_given_it_first(make: Factory) -> None:
    ada = make.member("Ada")
    other, own = make.plot(label="other"), make.plot(label="own", holders=(ada,))
    make.planting(other, mind="dearly")
    make.planting(own)
    kind = make.cover_kind()
    make.cover(kind, label="A-1", owner=ada)
    make.cover(kind, label="Z-9")
    enter(make.now, -2.0)
    found = prospect()

    jobs = jobs_of(found, solve(problem_of(found)))

    labels = {cover.id: cover.label for cover in found.gathered.covers}
    given = {job.plot_id: labels[job.parts[0].covers[0]] for job in jobs}
    assert given == {other.id: "Z-9", own.id: "A-1"}
