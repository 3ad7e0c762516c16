"""A problem that makes no sense is refused by the name of what is wrong."""

from __future__ import annotations

import math
from typing import Any

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.allocation.problem import (
    FixedUse,
    Treatment,
    check_problem,
    relative_gap_of,
)
from gardenapp.science.allocation.solve import solve
from tests.science.allocation.gardens_made import (
    make_frame,
    make_planting,
    make_plot,
    make_problem,
)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"plantings": (make_planting(worth=math.nan),)}, "worth"),
        ({"plantings": (make_planting(bare_damage=1.2),)}, "bare_damage"),
        ({"plantings": (make_planting(spread_cm=0.0),)}, "spread_cm"),
        ({"plantings": (make_planting(plot_id="elsewhere"),)}, "plot_id"),
        ({"pools": (make_frame(), make_frame())}, "cover id"),
        ({"damage": {("lettuce", "frame"): -0.1}}, "damage of lettuce"),
    ],
    ids=["not a number", "over one", "no spread", "unknown plot", "twin ids", "negative share"],
)
def test_a_problem_that_makes_no_sense_is_refused_by_name(
    changes: dict[str, Any], named: str
) -> None:
    problem = make_problem(**{"pools": (make_frame(),), **changes})

    with pytest.raises(OutOfRange, match=named):
        solve(problem)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"plots": (make_plot(bed_width_cm=0.0),)}, "plot plot: bed_width_cm"),
        ({"plots": (make_plot(), make_plot())}, "plot id"),
        ({"plantings": (make_planting(count=-1),)}, "planting lettuce: count"),
        ({"plantings": (make_planting(count=1.5),)}, "planting lettuce: count"),
        ({"pools": (make_frame(clearance_cm=-1.0),)}, "cover frame: clearance_cm"),
        ({"pools": (make_frame(gust_limit_mps=math.inf),)}, "cover frame: gust_limit_mps"),
        ({"treatments": (Treatment("t", ("tent",)),)}, "treatment t: pool_ids 'tent'"),
        ({"shelter_spaces": -1}, "problem: shelter_spaces"),
        ({"minutes_budget": math.nan}, "problem: minutes_budget"),
        ({"fixed": (FixedUse("plot", "lid", ()),)}, "treatment_id 'lid'"),
        (
            {"fixed": (FixedUse("plot", "frame", ({"kale": 1},)),)},
            "planting kale does not stand there",
        ),
    ],
)
def test_each_record_and_field_is_looked_at(changes: dict[str, Any], named: str) -> None:
    problem = make_problem(**{"pools": (make_frame(),), **changes})

    with pytest.raises(OutOfRange, match=named):
        check_problem(problem)


def test_a_problem_at_the_edge_of_what_is_allowed_is_taken() -> None:
    check_problem(
        make_problem(
            plots=(make_plot(length_cm=None, width_cm=None, bed_width_cm=None),),
            plantings=(make_planting(count=0, height_cm=0.0, bare_damage=1.0),),
            pools=(make_frame(count=0, minutes=0.0, gust_limit_mps=None, inner_height_cm=None),),
            damage={("lettuce", "frame"): 0.0},
            minutes_budget=0.0,
        )
    )


@pytest.mark.parametrize(
    ("objective", "bound", "gap"),
    [
        (9.0, 10.0, 0.1),
        (10.0, 10.0, 0.0),
        (10.0 - 1e-12, 10.0, 0.0),
        (11.0, 10.0, 0.0),
        (-12.0, -10.0, 0.2),
        (-1.0, 0.0, math.inf),
        (0.0, 0.0, 0.0),
    ],
)
def test_a_gap_is_a_share_of_the_bound(objective: float, bound: float, gap: float) -> None:
    assert relative_gap_of(objective, bound) == pytest.approx(gap)
