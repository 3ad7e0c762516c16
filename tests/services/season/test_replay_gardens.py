"""Gardens to replay a record through: the one in the database, or the invented one."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import pytest
from sqlalchemy import select

from gardenapp.errors import NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.plants import Planting
from gardenapp.science.allocation.weights import WORTH
from gardenapp.science.season.replay import ReplaySettings, night_outlook
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.services.kept_plans import header_of, stories_of
from gardenapp.services.night import forecasts
from gardenapp.services.night.plan_night import plan_night
from gardenapp.services.season.replay_gardens import (
    Covers,
    check_covers,
    current_garden,
    invented_garden,
    with_covers,
)
from tests.conftest import NOW
from tests.factories import Factory

EVENING = date(2026, 11, 24)


def test_the_garden_as_it_stands_is_what_a_plan_would_see(planted: Factory) -> None:
    garden = current_garden(before=EVENING)

    assert [p.need.count for p in garden.plantings] == [4, 4, 2]
    assert garden.plantings[0].need.worth == WORTH["plant"]["dearly"]
    assert garden.plantings[1].offset.mean == -1.0
    own, shared = (
        next(p for p in garden.pools if (p.allowed_plot_ids is not None) is is_own)
        for is_own in (True, False)
    )
    assert (own.count, shared.count) == (1, 1)  # the broken one stays out
    assert own.allowed_plot_ids == frozenset({garden.plots[0].id})
    assert garden.shelter_spaces == 2


def test_a_replayed_night_expects_what_the_evenings_plan_expected(planted: Factory) -> None:
    forecasts.enter_by_hand(
        night_of=EVENING, low_c=-1.5, member_id=None, now=NOW, cloud_fraction=0.3, wind_mps=2.0
    )
    plan = db.session.get(Plan, plan_night(night_of=EVENING, member_id=None, now=NOW))
    assert plan is not None
    stories = {story.planting_id: story for story in stories_of(plan)}
    garden = current_garden(before=EVENING)
    night = ReplayNight(EVENING, -1.5, EVENING, cloud_fraction=0.3, wind_mps=2.0)

    outlook = night_outlook(garden, night, header_of(plan).low, ReplaySettings())

    assert outlook.bare == {
        key: pytest.approx(story.frost, abs=2e-4) for key, story in stories.items()
    }
    covered = 0
    for key, story in stories.items():
        for option in story.options:
            covered += 1
            assert outlook.covered[key, option.treatment] == pytest.approx(option.share, abs=2e-4)
    assert covered >= 4


def test_a_garden_with_nothing_in_it_is_refused_in_words(make: Factory) -> None:
    with pytest.raises(NotFound, match="invented one"):
        current_garden(before=EVENING)
    make.garden()
    with pytest.raises(Refused, match="Nothing grows"):
        current_garden(before=EVENING)


def test_the_invented_garden_is_always_the_same_and_holds_tender_and_hardy_plants() -> None:
    garden = invented_garden()

    assert garden == invented_garden()
    assert min(p.hardiness.at(1.0).bears_c for p in garden.plantings) < -6
    assert max(p.threshold_c for p in garden.plantings) >= 1
    assert any(len(t.treatment.pool_ids) == 2 for t in garden.treatments)
    assert any(t.treatment.is_shelter for t in garden.treatments)


NIGHTS = tuple(
    ReplayNight(day, low_c, day)
    for n in range(30)
    for day, low_c in [(date(2026, 1, 1) + timedelta(days=n), 3.0 - 0.3 * n)]
)


def test_covers_are_all_half_a_number_or_a_table() -> None:
    garden = invented_garden(plots=4)
    own = sum(pool.count for pool in garden.pools)

    def covers(text: str) -> Covers:
        return with_covers(garden, text, nights=NIGHTS, settings=ReplaySettings())

    needed = covers("half").needed_factor
    assert covers("all").count == own
    assert covers("2").count == 2 * own
    assert covers("0").count == 0
    assert covers("half").count == sum(
        math.floor(pool.count * needed / 2 + 0.5) for pool in garden.pools
    )
    named = covers(f"kind,count\n{garden.pools[0].label},7\n")
    assert [pool.count for pool in named.garden.pools] == [7] + [0] * (len(garden.pools) - 1)


@pytest.mark.parametrize(
    "text", ["", "some", "-1", "nan", "inf", "1_0", "101", "٣", "1e9", "\ud800"], ids=repr
)
def test_covers_that_mean_nothing_are_refused(text: str) -> None:
    with pytest.raises(Refused, match="“all”, “half”"):
        check_covers(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("no such kind,3\n", "no kind called"),
        ("kind,count\n", "empty"),
        ("box\nbox\n", "not a kind, a comma"),
        ("Cotton sheet,-1\n", "not a kind, a comma"),
        ("Cotton sheet,99999\n", "four figures"),
        ('"Cotton sheet,1\n', "could not read"),
    ],
    ids=["unknown", "empty", "no number", "negative", "too many", "open quote"],
)
def test_a_table_of_covers_is_refused_with_its_line(text: str, words: str) -> None:
    with pytest.raises(Refused, match=words):
        with_covers(invented_garden(plots=1), text, nights=NIGHTS, settings=ReplaySettings())


def test_the_garden_changes_nothing_but_its_number_of_covers() -> None:
    garden = invented_garden(plots=2)

    doubled = with_covers(garden, " 2 ", nights=NIGHTS, settings=ReplaySettings())
    none = with_covers(garden, "0", nights=NIGHTS, settings=ReplaySettings())

    assert [pool.count for pool in doubled.garden.pools] == [2 * p.count for p in garden.pools]
    assert all(pool.count == 0 for pool in none.garden.pools)
    assert replace(doubled.garden, pools=garden.pools) == garden
    assert str(doubled.words) == "2 times the garden’s covers"
    assert doubled.needed_factor == none.needed_factor > 0.0


def test_a_table_is_read_as_people_write_it(planted: Factory) -> None:
    planted.cover(planted.cover_kind("Fleece, 1.5 m"))
    garden = current_garden(before=EVENING)

    def counts(text: str) -> dict[tuple[str, bool], int]:
        found = with_covers(garden, text, nights=NIGHTS, settings=ReplaySettings())
        return {
            (pool.label, pool.allowed_plot_ids is not None): pool.count
            for pool in found.garden.pools
        }

    commas = counts("Kind,Count\n\nfleece, 1.5 m , 4\n")
    quoted = counts('"Fleece, 1.5 m",4\nBOX,2\n')

    assert commas["Fleece, 1.5 m", False] == quoted["Fleece, 1.5 m", False] == 4
    assert sum(n for (label, _), n in commas.items() if label == "box") == 0
    # Somebody's own boxes are a pool with the same name: two boxes stay two.
    assert sum(n for (label, _), n in quoted.items() if label == "box") == 2


@pytest.mark.parametrize("text", ["half", " ALL ", "0", "100", "0.5", "box,3", "kind,count\n"])
def test_what_may_mean_covers_is_left_for_the_garden_to_judge(text: str) -> None:
    check_covers(text)


@pytest.mark.parametrize("asked", [{"plots": 0}, {"plantings_per_plot": 0}, {"plots": -3}])
def test_an_invented_garden_without_plots_or_plants_is_none(asked: dict[str, int]) -> None:
    with pytest.raises(OutOfRange, match="at least one plot and one planting"):
        invented_garden(**asked)


def test_where_there_is_no_shelter_nothing_is_carried_to_it(make: Factory) -> None:
    make.garden(shelter_spaces=0)
    make.planting(make.plot("A1"), in_pot=True, is_movable=True)

    without = current_garden(before=EVENING)
    make.garden(shelter_spaces=3, minutes_budget=45.0)
    with_ = current_garden(before=EVENING)

    assert not any(t.treatment.is_shelter for t in without.treatments)
    assert [t.treatment.is_shelter for t in with_.treatments] == [True]
    assert (with_.shelter_spaces, with_.minutes_budget) == (3, 45.0)


def test_plants_that_ended_are_endangered_no_more(planted: Factory) -> None:
    ended = db.session.scalars(select(Planting).order_by(Planting.id)).first()
    assert ended is not None
    ended.ended_at = NOW
    db.session.commit()

    found = current_garden(before=EVENING)

    assert ended.id not in {p.need.id for p in found.plantings}
    assert len(found.plantings) == 2


def test_a_sheet_goes_under_a_cover_and_a_cover_under_nothing(make: Factory) -> None:
    make.planting(make.plot("A1"))
    make.cover(make.cover_kind("crate"))
    make.cover(make.cover_kind("fleece", goes_under=True, clear_mean_k=1.0))

    labels = {t.treatment.label: t for t in current_garden(before=EVENING).treatments}

    assert set(labels) == {"crate", "fleece", "crate with fleece under it"}
    stack = labels["crate with fleece under it"].lift.clear.mean
    assert max(labels[one].lift.clear.mean for one in ("crate", "fleece")) < stack
