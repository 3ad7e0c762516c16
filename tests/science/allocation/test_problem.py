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


LEAST = {  # each figure of each record, and the least that is taken; None: only what is above 0
    make_plot: {"length_cm": None, "width_cm": None, "bed_width_cm": None, "minutes_away": 0.0},
    make_planting: {
        "count": 0, "spread_cm": None, "height_cm": 0.0, "worth": None, "bare_damage": 0.0,
    },
    make_frame: {
        "count": 0, "inner_length_cm": None, "inner_width_cm": None, "inner_height_cm": None,
        "outer_length_cm": None, "outer_width_cm": None, "clearance_cm": 0.0, "minutes": 0.0,
        "gust_limit_mps": 0.0,
    },
}  # fmt: skip
MAY_BE_UNKNOWN = {
    "length_cm", "width_cm", "bed_width_cm", "inner_height_cm", "gust_limit_mps",
    "minutes_budget", "gust_mps",
}  # fmt: skip
NAMES = {make_plot: "plot", make_planting: "planting", make_frame: "cover"}
FIGURES = [
    (make, name, least) for make, figures in LEAST.items() for name, least in figures.items()
]


@pytest.mark.parametrize(
    ("make", "name", "least"), FIGURES, ids=[f"{NAMES[m]} {name}" for m, name, _ in FIGURES]
)
def test_each_figure_of_each_record_has_its_least(
    make: Any, name: str, least: float | None
) -> None:
    def problem(value: object) -> Any:
        field = {make_plot: "plots", make_planting: "plantings", make_frame: "pools"}[make]
        made: dict[str, Any] = {"pools": (make_frame(),), field: (make(**{name: value}),)}
        return make_problem(**made)

    where = f"{NAMES[make]} {make().id}: {name}"
    least_said = "above 0" if least is None else "0 or more"

    check_problem(problem(1 if least is None else least))
    for bad in (-1, *(() if least is not None else (0.0,)), math.inf):
        if name == "count" and bad == math.inf:
            continue
        with pytest.raises(OutOfRange) as refused:
            check_problem(problem(bad))
        assert str(refused.value).startswith(where)
        assert least_said in str(refused.value)
    if name in MAY_BE_UNKNOWN:
        check_problem(problem(None))
    elif name != "count":
        with pytest.raises(OutOfRange, match=f"{where} is missing"):
            check_problem(problem(None))


@pytest.mark.parametrize(
    "name", ["shelter_minutes_per_pot", "minutes_budget", "worth_per_minute", "gust_mps"]
)
def test_each_figure_of_the_whole_problem_is_nought_or_more(name: str) -> None:
    def check(value: float | None) -> None:
        figures: dict[str, Any] = {name: value}
        check_problem(make_problem(pools=(make_frame(),), **figures))

    check(0.0)
    for bad in (-0.1, math.nan):
        with pytest.raises(OutOfRange, match=f"problem: {name} must be 0 or more, not {bad}"):
            check(bad)
    if name in MAY_BE_UNKNOWN:
        check(None)
    else:
        with pytest.raises(OutOfRange, match=f"problem: {name} is missing"):
            check(None)


def test_a_share_of_damage_is_at_most_all_of_it() -> None:
    frame = (make_frame(),)

    check_problem(make_problem(pools=frame, damage={("lettuce", "frame"): 1.0}))
    with pytest.raises(OutOfRange) as refused:
        check_problem(make_problem(pools=frame, damage={("lettuce", "frame"): 1.1}))
    assert str(refused.value) == (
        "damage of lettuce under frame: share must be 0 or more and at most 1, not 1.1"
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"plantings": (make_planting(), make_planting())},
            "two records share one planting id: each planting needs its own",
        ),
        (
            {"treatments": (Treatment("t", ()), Treatment("t", ()))},
            "two records share one treatment id: each treatment needs its own",
        ),
        (
            {"plantings": (make_planting(plot_id="elsewhere"),)},
            "planting lettuce: plot_id 'elsewhere' is not in the problem",
        ),
        (
            {"fixed": (FixedUse("elsewhere", "frame", ()),)},
            "fixed use in plot elsewhere: plot_id 'elsewhere' is not in the problem",
        ),
        (
            {"fixed": (FixedUse("plot", "frame", ({"lettuce": -1},)),)},
            "fixed use in plot plot: plants of lettuce must be a whole number, 0 or more, not -1",
        ),
        (
            {"shelter_spaces": 1.5},
            "problem: shelter_spaces must be a whole number, 0 or more, not 1.5",
        ),
    ],
)
def test_a_refusal_names_the_record_and_what_is_allowed(
    changes: dict[str, Any], words: str
) -> None:
    with pytest.raises(OutOfRange) as refused:
        check_problem(make_problem(**{"pools": (make_frame(),), **changes}))

    assert str(refused.value) == words


def test_a_fixed_cover_over_plants_that_stand_there_is_taken() -> None:
    check_problem(
        make_problem(
            pools=(make_frame(),), fixed=(FixedUse("plot", "frame", ({"lettuce": 4}, {})),)
        )
    )


def test_a_gap_below_a_thousand_millionth_of_the_bound_is_rounding() -> None:
    assert relative_gap_of(1e9 - 0.9, 1e9) == 0.0
    assert relative_gap_of(1e9 - 2.0, 1e9) == pytest.approx(2e-9)
    assert relative_gap_of(0.1 - 0.9e-9, 0.1) == 0.0
    assert relative_gap_of(0.1 - 2e-9, 0.1) == pytest.approx(2e-8)
