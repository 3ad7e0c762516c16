"""What a plan says of the night and of each planting."""

from __future__ import annotations

import pytest

from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.science.allocation.solve import solve
from gardenapp.science.allocation.weights import MOST_OPTIONS
from gardenapp.science.estimate import Estimate
from gardenapp.services.night.jobs import jobs_of
from gardenapp.services.night.problem import problem_of
from gardenapp.services.night.snapshot import Snapshot, snapshot_of
from tests.factories import Factory
from tests.services.night.planning import enter, prospect
from tests.services.night.small_garden import BASIL, BEANS, DAHLIA, LEEKS, LEMON, LOW, small_garden


def snapshot() -> Snapshot:
    found = prospect()
    allocation = solve(problem_of(found))
    return snapshot_of(found, allocation, jobs_of(found, allocation))


def test_a_cold_night_is_told_whole(make: Factory) -> None:
    small_garden(make)
    enter(make.now, **LOW)

    found = snapshot()
    stories = {story.planting_id: story for story in found.stories}

    assert [story.margin_k for story in found.stories] == sorted(s.margin_k for s in found.stories)
    assert {key: story.status for key, story in stories.items()} == {
        BEANS: "short",
        DAHLIA: "short",
        LEMON: "short",
        LEEKS: "watch",
        BASIL: "short",
    }
    (gift,) = stories[BEANS].given
    assert found.jobs[gift.job_id].plants[BEANS] == gift.plants == 4
    assert gift.name.label == "Film frame with Loose fleece under it"
    assert stories[BEANS].left == 0
    assert stories[BEANS].after == pytest.approx(gift.share)
    tall = stories[DAHLIA]
    assert (tall.left, tall.after, tall.given) == (1, tall.share, ())
    assert stories[BEANS].chilling is not None
    assert stories[LEMON].root is not None


def test_losses_are_those_of_what_is_covered_and_what_is_left(make: Factory) -> None:
    small_garden(make)
    enter(make.now, **LOW)

    basil = next(story for story in snapshot().stories if story.planting_id == BASIL)

    (gift,) = basil.given
    assert gift.plants + basil.left == basil.count == 9
    expected = (gift.plants * gift.share + basil.left * basil.share) / 9
    assert basil.after == pytest.approx(expected, abs=2e-4)


def test_ways_are_listed_best_first_and_not_all(make: Factory) -> None:
    make.planting()
    for number in range(MOST_OPTIONS + 2):
        make.cover(make.cover_kind(f"kind {number}", clear_mean_k=1.0 + 0.3 * number))
    enter(make.now, -2.0, cloud_fraction=0.0, wind_mps=0.5)

    (story,) = snapshot().stories

    assert len(story.options) == MOST_OPTIONS
    assert story.options[0].name.label == f"kind {MOST_OPTIONS + 1}"
    shares = [option.share for option in story.options]
    assert shares == sorted(shares)


def test_the_header_says_what_the_night_is_and_what_trials_taught(make: Factory) -> None:
    small_garden(make)
    enter(make.now, **LOW)

    found = snapshot()
    header = found.header

    assert header.forecast_low_c == -3.0
    assert dict(header.counts) == {"short": 4, "watch": 1}
    assert header.put_on_by == min(job.by_at for job in found.jobs)
    assert set(header.names) == {job.treatment for job in found.jobs}
    (story,) = header.lift_stories("101+102")
    assert (story.kind, story.trials, story.nights) == ("Film frame", 1, 3)
    assert story.clear.prior == Estimate(3.0, 0.8)
    assert story.clear.result.mean > 3.0
    assert header.curve[0][0] < header.curve[-1][0]


def test_the_same_garden_tells_the_same(make: Factory) -> None:
    small_garden(make)
    enter(make.now, **LOW)

    first, second = snapshot(), snapshot()

    assert first.stories == second.stories
    assert first.jobs == second.jobs


def test_each_cover_is_told_once_whoever_it_belongs_to(make: Factory) -> None:
    odile = small_garden(make)
    own = make.cover(
        db.session.get(CoverKind, 101), id=104, label="F9", owner_id=odile.id, lending="own plots"
    )
    enter(make.now, **LOW)

    beans = next(story for story in snapshot().stories if story.planting_id == BEANS)

    names = [option.name.label for option in beans.options]
    assert own.owner_id == odile.id
    assert "Film frame" in names
    assert len(names) == len(set(names))
