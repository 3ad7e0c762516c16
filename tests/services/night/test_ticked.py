"""A ticked sheet typed in: what is marked, what is not and why, and never another job instead."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Deployment, Job, JobPart, Plan
from gardenapp.models.people import Member
from gardenapp.services.night import paper, ticked, tonight
from gardenapp.services.night.ticked import Ticked, mark_ticked
from tests.factories import Factory
from tests.services.night.planning import enter, plan
from tests.stored_night import JOBS, StoredNight, stored_night

MORNING = timedelta(hours=17)


@pytest.fixture
def night(make: Factory) -> StoredNight:
    return stored_night(make)


def type_in(
    sheet: int,
    member: Member,
    now: datetime,
    *,
    evening: Sequence[int] = (),
    morning: Sequence[int] = (),
    key: str = "k1",
) -> Ticked:
    return mark_ticked(
        sheet=sheet, evening=evening, morning=morning, member_id=member.id, now=now, key=key
    )


def states(plan_id: int, now: datetime) -> dict[int, str]:
    """The state of each number of a plan in force."""
    db.session.rollback()
    numbers = paper.numbers_of(plan_id)
    night_of = db.session.scalars(select(Plan.night_of).where(Plan.id == plan_id)).one()
    page = tonight.tonight_page(now=now, night_of=night_of)
    return {numbers[job.id]: job.state for job in page.jobs}


def job_of(plan_id: int, number: int) -> int:
    return next(job for job, found in paper.numbers_of(plan_id).items() if found == number)


def test_thirty_numbers_are_marked_in_one_go(make: Factory, night: StoredNight) -> None:
    found = type_in(night.plan_id, night.esme, make.now, evening=range(1, 31))

    assert found.on == tuple(range(1, 31))
    assert found.evening_refused == ()
    after = states(night.plan_id, make.now)
    assert [number for number, state in after.items() if state == "on"] != []
    assert {number for number, state in after.items() if state == "on"} == set(range(1, 31))


def test_what_came_off_in_the_morning_is_off(make: Factory, night: StoredNight) -> None:
    type_in(night.plan_id, night.esme, make.now, evening=[1, 2, 3])

    found = type_in(night.plan_id, night.other, make.now + MORNING, morning=[2, 3], key="k2")

    assert (found.off, found.morning_refused) == ((2, 3), ())
    after = states(night.plan_id, make.now + MORNING)
    assert (after[1], after[2], after[3], after[4]) == ("on", "off", "off", "free")


def test_both_columns_typed_in_the_morning_count_for_the_night(
    make: Factory, night: StoredNight
) -> None:
    """The covers stood at the night's low, whenever somebody sat down to type."""
    later = make.now + MORNING

    found = type_in(night.plan_id, night.esme, later, evening=[4, 5], morning=[4])

    assert (found.on, found.off) == ((4, 5), (4,))
    for deployment in db.session.scalars(select(Deployment)):
        job = db.session.get(Job, deployment.job_id)
        assert job is not None
        assert job.by_at is not None
        assert deployment.put_on_at == job.by_at < later
        assert deployment.taken_off_at in {None, later}


def test_a_tick_is_no_later_than_its_typing(make: Factory, night: StoredNight) -> None:
    type_in(night.plan_id, night.esme, make.now, evening=[1])

    deployment = db.session.scalars(select(Deployment)).one()
    assert deployment.put_on_at == make.now


def test_a_number_that_the_sheet_has_not_stops_no_other(make: Factory, night: StoredNight) -> None:
    found = type_in(night.plan_id, night.esme, make.now, evening=[1, 99, 2, 0])

    assert found.on == (1, 2)
    assert [line.number for line in found.evening_refused] == [99, 0]
    assert f"from 1 to {JOBS}" in found.evening_refused[0].why
    assert found.evening_refused[0].meaning is None


def test_a_job_whose_cover_is_elsewhere_is_named_with_what_it_meant(
    make: Factory, night: StoredNight
) -> None:
    job_id = job_of(night.plan_id, 2)
    cover_id = db.session.scalars(select(JobPart.cover_id).where(JobPart.job_id == job_id)).one()
    other = db.session.scalars(select(JobPart).where(JobPart.job_id == job_of(night.plan_id, 9)))
    part = other.one()
    part.cover_id = cover_id
    db.session.commit()
    type_in(night.plan_id, night.other, make.now, evening=[9])

    found = type_in(night.plan_id, night.esme, make.now, evening=[1, 2, 3], key="k2")

    assert found.on == (1, 3)
    (refused,) = found.evening_refused
    label = db.session.scalars(select(Cover.label).where(Cover.id == cover_id)).one()
    assert refused.number == 2
    assert f"{label} stands on plot" in refused.why
    assert refused.meaning is not None
    assert refused.meaning.labels == (label,)
    assert refused.meaning.plot
    assert refused.meaning.plants[0][0] > 0
    assert states(night.plan_id, make.now)[2] == "struck"


def test_off_without_on_is_refused_and_says_what_to_do(make: Factory, night: StoredNight) -> None:
    found = type_in(night.plan_id, night.esme, make.now + MORNING, morning=[7])

    (refused,) = found.morning_refused
    assert refused.number == 7
    assert "not marked as on" in refused.why
    assert states(night.plan_id, make.now + MORNING)[7] == "free"


def test_typed_again_nothing_changes_and_it_says_so(make: Factory, night: StoredNight) -> None:
    type_in(night.plan_id, night.esme, make.now, evening=[1, 2])
    type_in(night.plan_id, night.esme, make.now + MORNING, morning=[2], key="k2")

    found = type_in(
        night.plan_id, night.other, make.now + MORNING, evening=[1, 2], morning=[2], key="k3"
    )

    assert (found.on, found.off) == ((), ())
    assert (found.before, found.again) == ((1, 2), (2,))
    assert len(db.session.scalars(select(Deployment)).all()) == 2


def test_the_same_form_sent_twice_counts_once(make: Factory, night: StoredNight) -> None:
    for _time in range(2):
        type_in(night.plan_id, night.esme, make.now, evening=[1], morning=[1])

    assert len(db.session.scalars(select(Deployment)).all()) == 1


def test_what_the_sheet_says_to_take_off_is_off_when_ticked_in_the_evening(
    make: Factory, night: StoredNight
) -> None:
    type_in(night.plan_id, night.esme, make.now, evening=[3])
    job = db.session.get(Job, job_of(night.plan_id, 3))
    assert job is not None
    job.must_come_off = True
    db.session.commit()

    found = type_in(night.plan_id, night.other, make.now, evening=[3], key="k2")

    assert (found.on, found.off) == ((), (3,))
    assert states(night.plan_id, make.now)[3] == "off"


@pytest.mark.parametrize("sheet", [0, 999_999])
def test_a_sheet_that_is_not_there_marks_nothing(
    make: Factory, night: StoredNight, sheet: int
) -> None:
    with pytest.raises(FieldRefused) as refusal:
        type_in(sheet, night.esme, make.now, evening=[1])

    assert refusal.value.field == "sheet"
    assert db.session.scalars(select(Deployment)).all() == []


def test_a_sheet_of_long_ago_marks_nothing(make: Factory, night: StoredNight) -> None:
    with pytest.raises(FieldRefused, match="too long ago"):
        type_in(night.plan_id, night.esme, make.now + timedelta(days=9), evening=[1])


def test_last_nights_sheet_is_taken_after_sunrise(make: Factory, night: StoredNight) -> None:
    after = make.now + timedelta(hours=24)

    found = type_in(night.plan_id, night.esme, after, evening=[1])

    assert found.on == (1,)


# --- a plan that was replaced -------------------------------------------------------------------


def two_beds(make: Factory) -> tuple[Member, Any]:
    """Two plots with a tender planting each, and a cover for each."""
    member = make.member("Ines")
    kind = make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0)
    for label in ("A1", "B2"):
        make.planting(make.plot(label), name=f"beans of {label}")
    make.cover(kind, label="T1")
    make.cover(kind, label="T2")
    enter(make.now, -2.0)
    return member, plan(make.now)


def test_a_number_of_a_replaced_plan_is_the_same_work_in_the_one_in_force(make: Factory) -> None:
    member, old = two_beds(make)
    numbers = paper.numbers_of(old.plan_id)
    number = next(numbers[job.id] for job in old.jobs if job.plot == "B2")
    # A new plot whose jobs come before it: in the new plan its own number is another.
    make.planting(make.plot("A0", id=1_000_000), name="late beans")
    new = plan(make.now + timedelta(minutes=5))
    assert new.plan_id != old.plan_id

    found = type_in(old.plan_id, member, make.now + timedelta(minutes=9), evening=[number])

    assert found.on == (number,)
    assert not found.sheet.is_current
    assert found.in_force is not None
    assert found.in_force.number == new.plan_id
    after = tonight.tonight_page(now=make.now + timedelta(minutes=9))
    assert [job.plot for job in after.jobs if job.state == "on"] == ["B2"]


def test_what_is_not_in_the_plan_in_force_is_named_with_what_it_meant(make: Factory) -> None:
    member, old = two_beds(make)
    numbers = paper.numbers_of(old.plan_id)
    first = next(job for job in old.jobs if job.plot == "A1")
    other = next(job for job in old.jobs if job.plot == "B2")
    tonight.mark_on(job_id=other.id, member_id=member.id, now=make.now)
    lent = first.covers[0]
    cover = db.session.get(Cover, lent.id)
    assert cover is not None
    cover.status = "missing"
    db.session.commit()
    plan(make.now + timedelta(minutes=5))

    found = type_in(
        old.plan_id,
        member,
        make.now + timedelta(minutes=9),
        evening=[numbers[first.id], numbers[other.id]],
    )

    (refused,) = found.evening_refused
    assert refused.number == numbers[first.id]
    assert "plan has changed" in refused.why
    assert refused.meaning is not None
    assert (refused.meaning.labels, refused.meaning.plot) == ((lent.label,), "A1")
    assert refused.meaning.plants == ((4, "beans of A1"),)
    assert found.before == (numbers[other.id],)


def split(make: Factory, plan_id: int) -> int:
    """The same plan anew with the two parts of its one job as two jobs; gives its number."""
    old = db.session.get(Plan, plan_id)
    assert old is not None
    job = old.jobs[0]
    old.is_current = False
    db.session.flush()
    values = {c.name: getattr(old, c.name) for c in Plan.__table__.columns if c.name != "id"}
    new = Plan(**values | {"is_current": True, "made_at": make.now + timedelta(minutes=5)})
    db.session.add(new)
    db.session.flush()
    rows = {c.name: getattr(job, c.name) for c in Job.__table__.columns if c.name != "id"}
    for part in list(job.parts):
        one = Job(**rows | {"plan_id": new.id})
        db.session.add(one)
        db.session.flush()
        db.session.add(JobPart(job_id=one.id, cover_id=part.cover_id, plants=dict(part.plants)))
    db.session.commit()
    return new.id


def of_two_covers(make: Factory) -> tuple[Member, int]:
    member = make.member()
    kind = make.cover_kind(inner_length_cm=22.0, inner_width_cm=22.0)
    make.cover(kind, label="T1")
    make.cover(kind, label="T2")
    make.planting(count=2)
    enter(make.now, -2.0)
    page = plan(make.now)
    assert [job.units for job in page.jobs] == [2]
    assert page.plan_id is not None
    return member, page.plan_id


def test_one_number_may_be_two_jobs_by_now(make: Factory) -> None:
    member, old_id = of_two_covers(make)
    new_id = split(make, old_id)

    found = type_in(old_id, member, make.now + timedelta(minutes=9), evening=[1])

    assert found.on == (1,)
    assert states(new_id, make.now) == {1: "on", 2: "on"}


def test_two_numbers_may_be_one_job_by_now_and_are_marked_together_only(make: Factory) -> None:
    member, one_id = of_two_covers(make)
    two_id = split(make, one_id)
    for plan_id in (two_id, one_id):  # back to the plan of one job
        row = db.session.get(Plan, plan_id)
        assert row is not None
        row.is_current = plan_id == one_id
        db.session.commit()

    alone = type_in(two_id, member, make.now + timedelta(minutes=9), evening=[1])

    assert alone.on == ()
    assert "one job with 2 now" in alone.evening_refused[0].why
    both = type_in(two_id, member, make.now + timedelta(minutes=9), evening=[1, 2], key="k2")
    assert both.on == (1, 2)
    assert states(one_id, make.now) == {1: "on"}


def test_the_only_sheet_is_known_and_of_two_none_is(make: Factory) -> None:
    make.garden()
    assert ticked.only_sheet(now=make.now) is None
    _member, page = two_beds(make)
    assert ticked.only_sheet(now=make.now) == page.plan_id

    make.planting(make.plot("C3"), name="more beans")
    plan(make.now + timedelta(minutes=5))

    assert ticked.only_sheet(now=make.now) is None
