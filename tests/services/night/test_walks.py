"""Walks: about half an hour each, every free job in one, and taken by the first to ask."""

from __future__ import annotations

import pytest

from gardenapp.errors import NotFound
from gardenapp.services.night import tonight, walks
from gardenapp.services.night.walks import WALK_MINUTES, Way, hands_needed, walks_of
from tests.factories import Factory
from tests.stored_night import StoredNight, stored_night


@pytest.fixture
def night(make: Factory) -> StoredNight:
    return stored_night(make)


def test_walks_are_of_about_half_an_hour_and_hold_every_free_job(
    make: Factory, night: StoredNight
) -> None:
    hands = hands_needed(now=make.now)

    assert sorted(i for walk in hands.walks for i in walk.job_ids) == sorted(
        job.id for job in hands.free
    )
    assert max(walk.minutes for walk in hands.walks) <= 1.5 * WALK_MINUTES
    # Pots to carry in come last.
    assert hands.walks[-1].place is None


def test_a_walk_goes_by_how_far_the_plots_are_where_nobody_drew_a_map(
    make: Factory, night: StoredNight
) -> None:
    jobs = tonight.tonight_page(now=make.now).jobs
    back = Way({job.plot_id: -float(job.plot_id) for job in jobs})

    for walk in walks_of(jobs, back):
        assert [job.plot_id for job in walk.jobs] == sorted(
            (job.plot_id for job in walk.jobs), reverse=True
        )


def test_who_takes_a_walk_twice_has_it_once_and_another_is_told(
    make: Factory, night: StoredNight
) -> None:
    walk = hands_needed(now=make.now).walks[-1]

    first = walks.take_walk(job_ids=walk.job_ids, member=night.esme, now=make.now)
    again = walks.take_walk(job_ids=walk.job_ids, member=night.esme, now=make.now)
    other = walks.take_walk(job_ids=walk.job_ids, member=night.other, now=make.now)

    assert first.job_ids == again.job_ids == walk.job_ids
    assert other.job_ids == ()
    assert len(other.refused) == 1
    (taken,) = hands_needed(now=make.now).taken
    assert (taken.name, len(taken.jobs), taken.done) == ("Esme Orchard", len(walk.jobs), 0)


def test_a_walk_is_put_down_only_for_somebody_of_the_garden(
    make: Factory, night: StoredNight
) -> None:
    walk = hands_needed(now=make.now).walks[0]

    with pytest.raises(NotFound):
        walks.put_down(job_ids=walk.job_ids, member_id=9_999, now=make.now)
