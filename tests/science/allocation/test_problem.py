"""A problem that makes no sense is refused by the name of what is wrong."""

from __future__ import annotations

import math
from typing import Any

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.allocation.solve import (
    solve,
)
from tests.science.allocation.gardens_made import (
    make_frame,
    make_planting,
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
