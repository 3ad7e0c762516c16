"""The question of a night, as the solver is asked it."""

from __future__ import annotations

from gardenapp.science.allocation.problem import FixedUse, check_problem
from gardenapp.science.allocation.weights import WORTH
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
    assert {site.id: site.minutes_away for site in problem.plots} == {101: 0.5, 102: 0.0}
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
