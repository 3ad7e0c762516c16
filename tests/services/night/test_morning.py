"""The morning after: what comes off first, and who writes down what."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import func, select

from gardenapp.errors import NotAllowed, NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import ObservedLow
from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.models.trials import Outcome
from gardenapp.services.night import morning, tonight
from gardenapp.services.store import ledger
from tests.factories import Factory
from tests.services.night.mornings import MORNING, plan, save
from tests.services.night.planning import EVENING


def test_a_second_entry_replaces_the_first(
    make: Factory, member: Member, planting: Planting
) -> None:
    plan(make.now)
    save(planting, member, make.now + MORNING)

    save(planting, member, make.now + MORNING, damage="dead", low_c=-3.0)

    assert db.session.scalars(select(Outcome.damage)).all() == ["dead"]
    assert db.session.scalars(select(ObservedLow.low_c)).all() == [-3.0]


def test_a_refused_damage_takes_the_low_back_with_it(
    make: Factory, member: Member, planting: Planting
) -> None:
    with pytest.raises(Refused):
        save(planting, member, make.now + MORNING, damage="eaten")

    assert db.session.scalar(select(func.count()).select_from(ObservedLow)) == 0


def test_another_members_plot_is_refused_and_a_coordinator_may(
    make: Factory, planting: Planting
) -> None:
    with pytest.raises(NotAllowed):
        save(planting, make.member("Wes"), make.now + MORNING)

    save(planting, make.coordinator(), make.now + MORNING)


@pytest.mark.parametrize("days", [1, -9], ids=["to come", "long ago"])
def test_a_night_out_of_reach_is_refused(
    make: Factory, member: Member, planting: Planting, days: int
) -> None:
    with pytest.raises((OutOfRange, NotFound)):
        save(planting, member, make.now + MORNING, night_of=EVENING + timedelta(days=days))


def test_covers_come_back_with_their_condition_in_the_ledger(
    make: Factory, member: Member, planting: Planting
) -> None:
    cover = make.cover(label="T7")
    page = plan(make.now)
    tonight.mark_on(job_id=page.jobs[0].id, member_id=member.id, now=make.now)
    at = make.now + MORNING

    changed = morning.bring_back(
        job_id=page.jobs[0].id, conditions={cover.id: "broken"}, member_id=member.id, now=at
    )

    assert changed == 1
    assert db.session.get(Cover, cover.id).condition == "broken"  # type: ignore[union-attr]
    assert morning.morning_page(member=member, now=at).jobs == ()
    assert ledger.differences() == []


def test_a_cover_of_another_job_is_not_taken(
    make: Factory, member: Member, planting: Planting
) -> None:
    make.cover()
    page = plan(make.now)
    tonight.mark_on(job_id=page.jobs[0].id, member_id=member.id, now=make.now)
    other = make.cover()

    with pytest.raises(NotFound):
        morning.bring_back(
            job_id=page.jobs[0].id,
            conditions={other.id: "broken"},
            member_id=member.id,
            now=make.now + MORNING,
        )

    assert len(morning.morning_page(member=member, now=make.now + MORNING).jobs) == 1


def test_a_cover_left_on_is_still_to_lift_two_mornings_later(
    make: Factory, member: Member, planting: Planting
) -> None:
    make.cover()
    page = plan(make.now)
    tonight.mark_on(job_id=page.jobs[0].id, member_id=member.id, now=make.now)

    later = morning.morning_page(member=member, now=make.now + MORNING + timedelta(days=1))

    assert later.night_of == EVENING + timedelta(days=1)
    assert [job.id for job in later.jobs] == [page.jobs[0].id]


def test_the_most_pressing_cover_comes_first(make: Factory, member: Member) -> None:
    for label, heat_max_c in (("A1", 26.0), ("B2", 12.0)):
        plot = make.plot(label, holders=(member,))
        make.planting(plot, make.stage(f"crop {label}", heat_max_c=heat_max_c))
    kind = make.cover_kind(day_gain_k=20.0, clear_mean_k=4.0, cloudy_mean_k=4.0)
    make.cover(kind)
    make.cover(kind)
    page = plan(make.now)
    for job in page.jobs:
        tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)

    jobs = morning.morning_page(member=member, now=make.now + MORNING).jobs

    assert jobs[0].plot == "B2"
    times = [job.lift_by_at for job in jobs if job.lift_by_at]
    assert times == sorted(times)


@pytest.mark.parametrize(
    ("hours", "waits"), [(1, True), (12, True), (17, False)], ids=["dusk", "night", "morning"]
)
def test_a_cover_put_on_for_the_coming_night_waits_for_that_nights_sun(
    make: Factory, member: Member, planting: Planting, hours: int, waits: bool
) -> None:
    """At dusk the page is still about the night before; the cover is about the one to come."""
    make.cover(make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0), label="T7")
    (job,) = plan(make.now).jobs
    tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)

    page = morning.morning_page(member=member, now=make.now + timedelta(hours=hours))

    assert [one.id for one in page.jobs] == [job.id]
    assert (job.id in page.stays_until) is waits
    assert all(at.date() == EVENING + timedelta(days=1) for at in page.stays_until.values())
