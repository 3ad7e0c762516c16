"""Rules of thumb do what the gardener who follows them would."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from gardenapp.science.allocation.problem import CoverPool, Id, Treatment
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.estimate import Estimate
from gardenapp.science.season.replay import Outlook, night_outlook, problem_of
from gardenapp.science.season.replay_forecasts import (
    ReplayNight,
)
from gardenapp.science.season.replay_garden import ReplayTreatment
from gardenapp.science.season.replay_rules import (
    COVER_ALL_BELOW_C,
    RULE_MARGIN_K,
    Rule,
    RuleAnswer,
    by_rule,
    prepare_for_rules,
)
from tests.science.season.replay_made import (
    FIRST,
    LOW_ERROR,
    SETTINGS,
    make_garden,
    make_planting,
    make_pool,
)


def rule_answer(
    wanted: list[int], pools: tuple[CoverPool, ...], warmth: Mapping[Id, float]
) -> RuleAnswer:
    garden = make_garden(
        make_planting(1, kill_c=-1.0, plot="A"),
        make_planting(2, kill_c=-1.0, plot="B"),
        make_planting(3, kill_c=-1.0, plot="B"),
        pools=pools,
    )
    outlook = night_outlook(
        garden, ReplayNight(FIRST, -3.0, FIRST), Estimate(-3.0, LOW_ERROR), SETTINGS
    )
    problem = problem_of(garden, outlook, gust_mps=9.0, safe_below=0.05)
    return by_rule(prepare_for_rules(problem), wanted=wanted, warmth=warmth)


def test_who_comes_first_gets_the_warmest_cover_that_fits() -> None:
    pools = (make_pool("cool", 1), make_pool("warm", 1), make_pool("low", 1, inner_height_cm=10.0))

    answer = rule_answer([2, 1], pools, {"cool": 1.0, "warm": 3.0, "low": 9.0})

    assert answer.covered == {2: {"warm": 4}, 1: {"cool": 4}}
    assert answer.minutes == pytest.approx(2.0)


def test_a_rule_stops_when_the_covers_run_out() -> None:
    assert rule_answer([1, 2, 3], (make_pool("box", 1),), {"box": 1.0}).covered == {1: {"box": 4}}


def test_a_rule_leaves_a_cover_in_the_shed_that_the_wind_would_take() -> None:
    pools = (make_pool("kite", 5, gust_limit_mps=8.0), make_pool("brick", 1, gust_limit_mps=9.0))

    answer = rule_answer([1, 2], pools, {"kite": 9.0, "brick": 1.0})

    assert answer.covered == {1: {"brick": 4}}


def test_room_left_under_a_cover_goes_to_the_neighbours_in_line() -> None:
    wide = make_pool("wide", 1, inner_length_cm=80.0, outer_length_cm=84.0)

    assert rule_answer([3, 2], (wide,), {"wide": 1.0}).covered == {3: {"wide": 4}, 2: {"wide": 4}}
    assert rule_answer([3], (wide,), {"wide": 1.0}).covered == {3: {"wide": 4}}


def test_pots_go_to_shelter_while_there_is_room_and_the_rest_under_covers() -> None:
    garden = replace(
        make_garden(make_planting(1, kill_c=-1.0, is_movable_pot=True), pools=(make_pool(),)),
        shelter_spaces=3,
        shelter_minutes_per_pot=2.0,
    )
    shelter = ReplayTreatment(
        Treatment("in", ()), LiftPrior(Estimate(3.0, 1.0), Estimate(3.0, 1.0), 1.0)
    )
    garden = replace(garden, treatments=(*garden.treatments, shelter))
    outlook = Outlook({1: 1.0}, {(1, "box"): 0.0, (1, "in"): 0.0})
    problem = problem_of(garden, outlook, gust_mps=None, safe_below=0.05)

    answer = by_rule(prepare_for_rules(problem), wanted=[1], warmth={"box": 1.0, "in": 9.0})

    assert answer.covered == {1: {"in": 3, "box": 1}}
    assert answer.minutes == pytest.approx(3 * 2.0 + 1.0)


def test_who_is_not_wanted_gets_nothing() -> None:
    answer = rule_answer([], (make_pool("box", 3),), {"box": 1.0})

    assert (answer.covered, answer.minutes) == ({}, 0.0)


def test_the_rules_of_thumb_are_those_that_are_told() -> None:
    assert COVER_ALL_BELOW_C == RULE_MARGIN_K == 2.0
    assert [rule.value for rule in Rule] == [
        "everything below 2 °C", "most tender first", "first come, first served",
    ]  # fmt: skip


def test_a_rule_of_thumb_puts_on_one_cover_and_looks_only_at_what_fits() -> None:
    garden = make_garden(make_planting(1, kill_c=-1.0), pools=(make_pool("a", 2), make_pool("b")))
    both = ReplayTreatment(Treatment("a over b", ("a", "b")), garden.treatments[0].lift)
    garden = replace(garden, treatments=(*garden.treatments, both), worth_per_minute=99.0)
    problem = problem_of(garden, Outlook({1: 0.0}, {}), gust_mps=None, safe_below=0.05)

    prepared = prepare_for_rules(problem)

    assert {option.treatment_id for option in prepared.options} == {"a", "b"}
    assert {member.gain for option in prepared.options for member in option.members} == {1.0}
    assert prepared.problem.worth_per_minute == 0.0
