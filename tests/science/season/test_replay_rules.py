"""Rules of thumb do what the gardener who follows them would."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from gardenapp.science.allocation.problem import CoverPool, Id
from gardenapp.science.estimate import Estimate
from gardenapp.science.season.replay import (
    night_outlook,
    problem_of,
)
from gardenapp.science.season.replay_forecasts import (
    ReplayNight,
)
from gardenapp.science.season.replay_rules import RuleAnswer, by_rule, prepare_for_rules
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
