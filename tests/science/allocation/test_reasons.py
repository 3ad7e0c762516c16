"""Plants that stay bare, and covers that do no good, have their reason said."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from gardenapp.science.allocation.reasons import words_of
from gardenapp.science.allocation.solve import (
    FixedUse,
    Reason,
    Treatment,
    solve,
)
from tests.science.allocation.gardens_made import (
    make_frame,
    make_planting,
    make_plot,
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


def reason_of(
    *, planting: dict[str, Any] | None = None, frame: dict[str, Any] | None = None, **extra: Any
) -> Reason:
    problem = make_problem(
        plantings=(make_planting(**(planting or {})),),
        pools=(make_frame(**(frame or {})),),
        **extra,
    )
    answer = solve(problem)
    assert answer.uses == ()
    return answer.reasons["lettuce"]


def test_a_cover_that_is_no_better_than_none_is_told_as_that() -> None:
    for share in (0.8, 0.9):
        reason = reason_of(damage={("lettuce", "frame"): share})

        assert (reason.code, reason.params, reason.plants) == ("no_better", {}, 4)
        assert words_of(reason.code, reason.params) == (
            "a cover would leave it no better than bare"
        )


def test_a_cover_without_a_figure_for_the_plant_is_none() -> None:
    reason = reason_of(damage={})

    assert reason.code == "no_cover"
    assert (reason.needs_height_cm, reason.needs_spread_cm) == (20.0, 25.0)


def test_a_plant_neither_short_nor_narrow_enough_for_any_one_cover_is_told_both() -> None:
    # One cover is tall enough, another wide enough, none is both.
    problem = make_problem(
        plantings=(make_planting(height_cm=50.0, spread_cm=40.0),),
        pools=(
            make_frame(id="tall", inner_height_cm=60.0, inner_width_cm=30.0),
            make_frame(id="wide", inner_height_cm=30.0),
        ),
    )

    reason = solve(problem).reasons["lettuce"]

    assert (reason.code, reason.params) == ("too_big", {"height_cm": 50.0, "spread_cm": 40.0})
    assert reason.units_wanted == 1
    assert words_of(reason.code, reason.params) == (
        "no cover is both tall and wide enough: needs 50 cm of height and 40 cm of width"
    )


def test_the_tallest_and_the_widest_of_several_covers_are_named() -> None:
    pools = (
        make_frame(id="low", inner_height_cm=30.0, inner_width_cm=40.0),
        make_frame(id="high", inner_height_cm=45.0, inner_width_cm=35.0),
    )
    tall = make_problem(plantings=(make_planting(height_cm=60.0),), pools=pools)
    wide = make_problem(plantings=(make_planting(spread_cm=80.0),), pools=pools)

    too_tall, too_wide = (solve(each).reasons["lettuce"] for each in (tall, wide))

    assert (too_tall.code, too_tall.params) == ("too_tall", {"needs_cm": 60.0, "tallest_cm": 45.0})
    assert (too_wide.code, too_wide.params) == ("too_wide", {"needs_cm": 80.0, "widest_cm": 40.0})


def test_of_covers_too_big_for_a_bed_the_narrowest_is_told() -> None:
    pools = (
        make_frame(id="one", outer_width_cm=95.0),
        make_frame(id="two", outer_width_cm=90.0, outer_length_cm=130.0),
    )
    bed = make_problem(
        plots=(make_plot(bed_width_cm=80.0),), plantings=(make_planting(count=20),), pools=pools
    )
    plot = make_problem(plots=(make_plot(length_cm=80.0, bed_width_cm=None),), pools=pools)

    in_bed, in_plot = (solve(each).reasons["lettuce"] for each in (bed, plot))

    assert (in_bed.code, in_bed.params) == ("wider_than_bed", {"cover_cm": 90.0, "bed_cm": 80.0})
    assert in_bed.units_wanted == 3  # eight of 25 cm under each
    assert words_of(in_bed.code, in_bed.params) == (
        "every cover that would fit over it is too big for the bed: the smallest is 90 cm across, "
        "the bed 80 cm"
    )
    assert (in_plot.code, in_plot.params) == ("wider_than_bed", {"cover_cm": 90.0})
    assert words_of(in_plot.code, in_plot.params) == (
        "every cover that would fit over it is too big for the plot"
    )


def test_a_cover_that_may_not_be_lent_is_told_before_the_wind() -> None:
    terms = {"allowed_plot_ids": frozenset({"other"}), "gust_limit_mps": 5.0}

    reason = reason_of(frame=terms, gust_mps=9.0)

    assert (reason.code, reason.params, reason.units_wanted) == ("not_lent", {}, 1)
    assert words_of(reason.code, reason.params) == (
        "covers that would fit may only be used on their owner's plots"
    )


def test_a_full_shelter_is_told_where_only_the_shelter_would_serve() -> None:
    problem = make_problem(
        plantings=(make_planting(is_movable_pot=True),),
        pools=(),
        treatments=(Treatment("in", ()),),
        damage={("lettuce", "in"): 0.0},
        shelter_spaces=3,
    )

    reason = solve(problem).reasons["lettuce"]

    assert (reason.code, reason.plants, reason.units_wanted) == ("no_shelter_space", 1, 1)
    assert words_of(reason.code, reason.params) == "the shelter is full"


def test_a_plant_in_the_ground_is_not_carried_to_shelter() -> None:
    problem = make_problem(
        plantings=(make_planting(),),
        pools=(),
        treatments=(Treatment("in", ()),),
        damage={("lettuce", "in"): 0.0},
        shelter_spaces=9,
    )

    assert solve(problem).reasons["lettuce"].code == "no_cover"


def test_a_plot_that_is_full_is_told_though_covers_are_left() -> None:
    # The plot takes one frame of 105 by 55 cm and no second one.
    problem = make_problem(
        plots=(make_plot(length_cm=110.0, width_cm=60.0),),
        plantings=(make_planting(count=10),),
        pools=(make_frame(count=2),),
    )

    reason = solve(problem).reasons["lettuce"]

    assert (reason.code, reason.plants) == ("no_room", 2)
    assert words_of(reason.code, reason.params) == (
        "no room left in the plot for another cover that would fit"
    )


def test_the_shortest_way_and_what_is_left_of_the_time_are_told() -> None:
    problem = make_problem(
        plots=(make_plot(minutes_away=3.0),),
        pools=(make_frame(id="slow", minutes=9.0), make_frame(id="quick", minutes=4.0)),
        minutes_budget=6.5,
    )

    reason = solve(problem).reasons["lettuce"]

    assert (reason.code, reason.params) == ("no_minutes", {"needs_min": 7.0, "left_min": 6.5})


def test_what_would_be_lost_under_the_best_cover_is_told_where_none_is_worth_the_effort() -> None:
    problem = make_problem(
        pools=(make_frame(id="good"), make_frame(id="poor")),
        damage={("lettuce", "good"): 0.25, ("lettuce", "poor"): 0.5},
        worth_per_minute=5.0,
    )

    reason = solve(problem).reasons["lettuce"]

    assert (reason.code, reason.params) == ("little_help", {"lost_percent": 25.0})


@pytest.mark.parametrize(("share", "code"), [(0.0099, "safe"), (0.01, "little_help")])
def test_a_plant_that_loses_under_a_hundredth_is_safe(share: float, code: str) -> None:
    reason = reason_of(
        planting={"bare_damage": share}, damage={("lettuce", "frame"): 0.001}, worth_per_minute=2.0
    )

    assert reason.code == code
    if code == "safe":
        assert reason.params == {"lost_percent": 100 * share}
        assert (reason.plants, reason.units_wanted, reason.needs_height_cm) == (4, 0, None)


def test_a_planting_that_is_all_covered_wants_nothing() -> None:
    problem = make_problem(pools=(make_frame(),))

    reason = solve(problem).reasons["lettuce"]

    assert reason == Reason(code="covered", params={"plants": 4})
    assert words_of(reason.code, reason.params) == "covered"
