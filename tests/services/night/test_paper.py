"""The night on paper: every job, numbered by its plan alone, by the place of its covers."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Job
from gardenapp.models.plots import Plot
from gardenapp.services.night import paper, tonight
from tests.factories import Factory
from tests.services.night.planning import enter, plan
from tests.stored_night import AT_RISK, JOBS, NO_COVER, PLACES, stored_night


def test_every_job_is_on_the_sheet_once_under_the_place_of_its_covers(make: Factory) -> None:
    stored_night(make)

    sheet = paper.gate_sheet(now=make.now)

    jobs = [job for place in sheet.places for job in place.jobs]
    assert sorted(job.id for job in jobs) == sorted(sheet.numbers)
    assert sorted(sheet.numbers.values()) == list(range(1, JOBS + 1))
    for place in sheet.places:
        assert {job.covers[0].place if job.covers else None for job in place.jobs} == {place.place}
    assert {place.place for place in sheet.places} == {*PLACES, None}
    assert len(sheet.no_cover) == NO_COVER
    assert len(sheet.at_risk) == AT_RISK


def test_places_come_as_one_walks_and_pots_to_carry_in_last(make: Factory) -> None:
    stored_night(make)
    way = dict(db.session.execute(select(Plot.id, Plot.distance_m)).all())

    sheet = paper.gate_sheet(now=make.now)

    assert sheet.places[-1].place is None
    nearest = [min(way[job.plot_id] for job in place.jobs) for place in sheet.places[:-1]]
    assert nearest == sorted(nearest)
    for place in sheet.places:
        distances = [way[job.plot_id] for job in place.jobs]
        assert distances == sorted(distances)


def test_numbers_stay_when_covers_move_and_jobs_are_marked(make: Factory) -> None:
    night = stored_night(make)
    before = paper.numbers_of(night.plan_id)
    away = make.place("Far away")
    for cover in db.session.scalars(select(Cover)):
        cover.place_id = away.id
    for plot in db.session.scalars(select(Plot)):
        plot.distance_m = 500.0 - plot.distance_m
    db.session.commit()
    tonight.mark_on(job_id=min(before), member_id=night.esme.id, now=make.now)

    after = paper.gate_sheet(now=make.now + timedelta(hours=2))

    assert after.numbers == before


def test_jobs_of_one_plot_have_numbers_in_a_row(make: Factory) -> None:
    night = stored_night(make)
    numbers = paper.numbers_of(night.plan_id)

    plots = dict(db.session.execute(select(Job.id, Job.plot_id)).all())
    in_order = [plots[job_id] for job_id in sorted(numbers, key=numbers.__getitem__)]

    assert in_order == sorted(in_order)


def test_slips_leave_out_what_needs_nobody_any_more(make: Factory) -> None:
    night = stored_night(make)
    numbers = paper.numbers_of(night.plan_id)
    done = sorted(numbers)[:5]
    for job_id in done:
        tonight.mark_on(job_id=job_id, member_id=night.esme.id, now=make.now)

    found = paper.slips(now=make.now)

    on_slips = [job.id for walk in found.walks for job in walk.jobs]
    assert sorted(on_slips) == sorted(set(numbers) - set(done))
    assert found.left_out == 5


def test_what_is_claimed_is_on_a_slip_still(make: Factory) -> None:
    night = stored_night(make)
    job_id = min(paper.numbers_of(night.plan_id))
    tonight.claim_job(job_id=job_id, member_id=night.esme.id, now=make.now)

    found = paper.slips(now=make.now)

    assert job_id in {job.id for walk in found.walks for job in walk.jobs}


def test_a_job_of_covers_from_two_places_names_the_other(make: Factory) -> None:
    kind = make.cover_kind(inner_length_cm=22.0, inner_width_cm=22.0)
    make.cover(kind, label="T1", place_id=make.place("near shed").id)
    make.cover(kind, label="T2", place_id=make.place("far shed").id)
    make.planting(count=2)
    enter(make.now, -2.0)
    plan(make.now)

    (place,) = paper.gate_sheet(now=make.now).places

    (job,) = place.jobs
    other = {"near shed": ("far shed", ("T2",)), "far shed": ("near shed", ("T1",))}
    assert paper.from_elsewhere(job, place.place) == (other[place.place or ""],)


def test_without_a_plan_there_is_a_sheet_without_jobs(make: Factory) -> None:
    make.garden()

    sheet = paper.gate_sheet(now=make.now)

    assert (sheet.places, dict(sheet.numbers), sheet.page.plan_id) == ((), {}, None)
    assert paper.slips(now=make.now).walks == ()
