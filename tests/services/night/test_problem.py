"""The question of a night, as the solver is asked it."""

from __future__ import annotations

from gardenapp.science.allocation.problem import FixedUse, check_problem
from gardenapp.science.allocation.weights import (
    FETCH_MINUTES,
    LEAST_GAIN,
    LEAST_SHARE,
    WALK_WORTH,
    WORTH,
)
from gardenapp.services.night import tonight
from gardenapp.services.night.problem import problem_of
from tests.factories import Factory
from tests.services.night.planning import enter, plan, prospect
from tests.services.night.small_garden import BEANS, LEEKS, LOW, small_garden


def test_the_whole_garden_is_asked_about(make: Factory) -> None:
    small_garden(make)
    make.garden(minutes_budget=90.0)
    enter(make.now, **LOW)

    problem = problem_of(prospect())

    check_problem(problem)
    needs = {need.id: need for need in problem.plantings}
    assert needs[BEANS].worth == WORTH["plant"]["dearly"]
    assert needs[BEANS].bare_damage > needs[LEEKS].bare_damage
    assert {site.id: site.minutes_away - FETCH_MINUTES for site in problem.plots} == {
        101: 0.5,
        102: 0.0,
    }
    assert problem.worth_per_minute == WALK_WORTH["lettuce"]
    assert (problem.least_gain, problem.least_share) == (LEAST_GAIN, LEAST_SHARE)
    beds = {need.bed for need in problem.plantings if not need.is_movable_pot}
    assert len(beds) == sum(not need.is_movable_pot for need in problem.plantings)
    assert {pool.id: pool.count for pool in problem.pools} == {"101": 2, "102": 1}
    assert (problem.shelter_spaces, problem.minutes_budget, problem.gust_mps) == (2, 90.0, 4.0)
    assert problem.fixed == ()


def test_what_is_safe_asks_for_nothing(make: Factory) -> None:
    small_garden(make)
    enter(make.now, 12.0)

    problem = problem_of(prospect())

    assert {need.bare_damage for need in problem.plantings} == {0.0}
    assert problem.damage == {}


def test_what_is_on_stays_where_it_is(make: Factory) -> None:
    odile = small_garden(make)
    enter(make.now, **LOW)
    (job,) = [job for job in plan(make.now).jobs if BEANS in job.plants]
    tonight.mark_on(job_id=job.id, member_id=odile.id, now=make.now)

    problem = problem_of(prospect())

    assert problem.fixed == (FixedUse(101, "101+102", ({BEANS: 4},)),)


def test_one_cover_goes_over_pots_and_mixed_beds_but_over_no_two_beds(make: Factory) -> None:
    rows, mixed = make.plot(label="rows"), make.plot(label="mixed", is_mixed=True)
    for plot in (rows, mixed):
        make.planting(plot)
        make.planting(plot)
        make.planting(plot, in_pot=True, is_movable=True)
        make.planting(plot, in_pot=True, is_movable=True)
    enter(make.now, -3.0)

    beds: dict[int, list[object]] = {}
    for need in problem_of(prospect()).plantings:
        beds.setdefault(int(need.plot_id), []).append(need.bed)

    assert len(set(beds[rows.id])) == 3
    assert len(set(beds[mixed.id])) == 2


def test_what_a_walk_is_worth_is_the_coordinators_to_say(make: Factory) -> None:
    make.garden(walk_worth="tomato")
    make.planting()
    enter(make.now, -3.0)

    assert problem_of(prospect()).worth_per_minute == WALK_WORTH["tomato"] == 0.1


def test_whoever_was_spared_less_counts_for_more(make: Factory) -> None:
    less, more = make.member("Ada"), make.member("Bo")
    make.planting(make.plot(label="A1", holders=(less,)))
    make.planting(make.plot(label="B1", holders=(more,)))
    enter(make.now, -3.0)

    first, second = problem_of(prospect(), shares={1: (1.0, 10.0), 2: (9.0, 10.0)}).plantings

    assert first.worth > 1.0 > second.worth
    assert first.worth <= 1.25
