"""Plants that stay bare, and covers that do no good, have their reason said."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from gardenapp.science.allocation.reasons import words_of
from gardenapp.science.allocation.solve import (
    FixedUse,
    Reason,
    solve,
)
from tests.science.allocation.gardens_made import (
    make_frame,
    make_planting,
    make_problem,
)


def test_a_gust_takes_a_fixed_cover_off_and_the_reason_says_so() -> None:
    on = FixedUse("plot", "frame", ({"lettuce": 4},))
    problem = make_problem(pools=(make_frame(gust_limit_mps=15.0),), fixed=(on,), gust_mps=20.0)

    answer = solve(problem)

    assert answer.must_come_off == (on,)
    assert answer.uses == ()
    assert words_of(answer.reasons["lettuce"].code, answer.reasons["lettuce"].params) == (
        "gust 20 m/s is over the limit of every cover that would fit"
    )


def test_a_fixed_cover_that_does_harm_stays_and_is_told() -> None:
    on = FixedUse("plot", "frame", ({"lettuce": 4},))
    problem = make_problem(pools=(make_frame(),), fixed=(on,), damage={("lettuce", "frame"): 0.9})

    answer = solve(problem)

    assert answer.harmful_fixed == (on,)
    assert answer.objective == pytest.approx(-0.4)


@pytest.mark.parametrize(
    ("planting", "frame", "extra", "said"),
    [
        (
            {"height_cm": 60.0},
            {"inner_height_cm": 45.0},
            {},
            "no cover is tall enough: needs 60 cm, tallest takes 45 cm",
        ),
        (
            {"height_cm": 38.0},
            {"may_touch": False, "clearance_cm": 5.0},
            {},
            "no cover is tall enough: needs 38 cm, tallest takes 35 cm",
        ),
        (
            {"spread_cm": 80.0},
            {},
            {},
            "wider than every cover: needs 80 cm, widest takes 50 cm",
        ),
        (
            {},
            {},
            {"minutes_budget": 1.0},
            "no helper time left: needs 2 min, 1 min left",
        ),
        (
            {},
            {},
            {"worth_per_minute": 2.0},
            "a cover would not help enough tonight: about 10 % expected lost even covered",
        ),
        ({}, {"count": 0}, {}, "the garden has no cover for it"),
        (
            {"bare_damage": 0.002},
            {},
            {"worth_per_minute": 2.0},
            "little risk tonight: about 0 % expected lost uncovered",
        ),
    ],
    ids=["too tall", "clearance", "too wide", "no time", "little help", "no cover", "safe"],
)
def test_the_reason_says_what_is_missing(
    planting: dict[str, Any], frame: dict[str, Any], extra: dict[str, Any], said: str
) -> None:
    problem = make_problem(
        plantings=(make_planting(**planting),), pools=(make_frame(**frame),), **extra
    )
    if planting.get("bare_damage"):
        problem = replace(problem, damage={("lettuce", "frame"): 0.001})

    answer = solve(problem)

    assert answer.uses == ()
    assert words_of(answer.reasons["lettuce"].code, answer.reasons["lettuce"].params) == said


def test_a_reason_tells_what_would_change_it() -> None:
    problem = make_problem(plantings=(make_planting(count=20),), pools=(make_frame(),))

    reason = solve(problem).reasons["lettuce"]

    assert reason == Reason(
        code="all_in_use",
        params={},
        plants=12,
        needs_height_cm=20.0,
        needs_spread_cm=25.0,
        units_wanted=2,
    )
