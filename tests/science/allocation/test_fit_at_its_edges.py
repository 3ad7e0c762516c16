"""What fits where, at the very edge: plants under covers, covers under covers, covers on beds."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from gardenapp.science.allocation.fit import (
    Member,
    Option,
    RoomUnder,
    area_on_plot_cm2,
    capacity_of,
    fits_together,
    footprint_cm,
    headroom_cm,
    is_over_gust,
    is_tall_enough,
    may_be_used_on,
    prepare,
    share_of,
    squares_go_in,
    stack_fits,
    stands_in,
    whole_times,
)
from gardenapp.science.allocation.problem import CoverPool, FixedUse, PlotSite, Treatment
from tests.science.allocation.gardens_made import (
    make_frame,
    make_planting,
    make_plot,
    make_problem,
)

FRAME = make_frame()  # 100 × 50 inside, 105 × 55 outside, 40 high


def sheet(**changes: Any) -> CoverPool:
    values: dict[str, Any] = {
        "id": "sheet",
        "is_rigid": False,
        "inner_length_cm": 200.0,
        "inner_width_cm": 120.0,
        "outer_length_cm": 200.0,
        "outer_width_cm": 120.0,
        "inner_height_cm": None,
    }
    return make_frame(**values | changes)


@pytest.mark.parametrize(
    ("side", "spread", "times"),
    [(140.0, 35.0, 4), (139.9, 35.0, 3), (0.3, 0.1, 3), (34.9, 35.0, 0), (0.0, 35.0, 0)],
)
def test_only_whole_plants_stand_along_a_side(side: float, spread: float, times: int) -> None:
    assert whole_times(side, spread) == times


def test_a_stack_covers_what_its_smallest_cover_does() -> None:
    wide = make_frame(inner_length_cm=40.0, inner_width_cm=120.0)

    assert footprint_cm([FRAME]) == (100.0, 50.0)
    assert footprint_cm([FRAME, wide]) == (100.0, 40.0)
    assert footprint_cm([]) == (math.inf, math.inf)


@pytest.mark.parametrize(
    ("pools", "spread", "height", "plants"),
    [
        ([FRAME], 25.0, 20.0, 8),
        ([FRAME], 25.1, 20.0, 3),
        ([FRAME], 50.0, 20.0, 2),
        ([FRAME], 51.0, 20.0, 0),
        # A sheet goes down to the ground on both sides, under a stiff cover it need not.
        ([sheet()], 20.0, 10.0, 9 * 5),
        ([sheet()], 20.0, 0.0, 10 * 6),
        ([FRAME, sheet()], 25.0, 20.0, 8),
        ([sheet()], 1.0, 59.5, 81),
        ([sheet()], 1.0, 59.8, 0),
        ([sheet()], 1.0, 70.0, 0),
        ([sheet()], 0.5, 150.0, 0),
    ],
)
def test_what_one_unit_holds(
    pools: list[CoverPool], spread: float, height: float, plants: int
) -> None:
    assert capacity_of(pools, spread, height) == plants


def test_only_an_outer_sheet_goes_down_to_the_ground() -> None:
    assert RoomUnder([sheet()]).drop_cm(15.0) == 30.0
    assert RoomUnder([FRAME, sheet()]).drop_cm(15.0) == 0.0
    assert RoomUnder([]).drop_cm(15.0) == 0.0


@pytest.mark.parametrize(
    ("changes", "fits"),
    [
        ({"outer_length_cm": 100.0, "outer_width_cm": 50.0, "inner_height_cm": 40.0}, True),
        ({"outer_length_cm": 50.0, "outer_width_cm": 100.0, "inner_height_cm": 40.0}, True),
        ({"outer_length_cm": 100.1, "outer_width_cm": 50.0}, False),
        ({"outer_length_cm": 100.0, "outer_width_cm": 50.1}, False),
        ({"outer_length_cm": 90.0, "outer_width_cm": 40.0, "inner_height_cm": 40.1}, False),
        ({"outer_length_cm": 90.0, "outer_width_cm": 40.0, "inner_height_cm": None}, True),
        (
            {
                "outer_length_cm": 900.0,
                "outer_width_cm": 900.0,
                "inner_height_cm": None,
                "is_rigid": False,
            },
            True,
        ),
    ],
)
def test_a_cover_goes_under_another_if_all_its_sides_do(
    changes: dict[str, Any], fits: bool
) -> None:
    assert stack_fits([FRAME, make_frame(**changes)]) is fits
    assert stack_fits([sheet(), FRAME, make_frame(**changes)]) is fits


def test_a_cover_of_no_known_height_takes_any_under_it() -> None:
    inner = make_frame(outer_length_cm=90.0, outer_width_cm=40.0, inner_height_cm=400.0)

    assert stack_fits([replace(FRAME, inner_height_cm=None), inner])
    assert not stack_fits([FRAME, inner])


def test_headroom_is_the_lowest_cover_less_its_clearance() -> None:
    close = make_frame(inner_height_cm=40.0, clearance_cm=5.0, may_touch=False)
    touching = replace(close, may_touch=True)
    low = replace(close, inner_height_cm=30.0)

    assert headroom_cm([close], 20.0) == 35.0
    assert headroom_cm([touching], 20.0) == 40.0
    assert headroom_cm([touching, low], 20.0) == 25.0
    assert headroom_cm([], 20.0) == math.inf
    # A sheet 120 wide over a plant of 20 has 50 for either side.
    assert headroom_cm([sheet()], 20.0) == 50.0
    assert headroom_cm([sheet()], 200.0) == 0.0
    assert headroom_cm([touching, sheet()], 20.0) == 40.0
    assert is_tall_enough([close], 35.0, 20.0)
    assert not is_tall_enough([close], 35.1, 20.0)


@pytest.mark.parametrize(
    ("plot", "stands"),
    [
        ({"bed_width_cm": 55.0}, True),
        ({"bed_width_cm": 54.9}, False),
        ({"bed_width_cm": None}, True),
        ({"length_cm": 105.0, "width_cm": 55.0}, True),
        ({"length_cm": 55.0, "width_cm": 105.0}, True),
        ({"length_cm": 104.9, "width_cm": 55.0}, False),
        ({"length_cm": 105.0, "width_cm": 54.9}, False),
        ({"length_cm": None, "width_cm": 55.0}, True),
        ({"length_cm": 54.9, "width_cm": None}, False),
        ({"length_cm": None, "width_cm": None}, True),
    ],
)
def test_a_stiff_cover_stands_where_bed_and_plot_take_it(
    plot: dict[str, Any], stands: bool
) -> None:
    site = make_plot(**plot)

    assert stands_in([FRAME], site) is stands
    assert stands_in([sheet(), FRAME], site) is stands
    assert stands_in([sheet()], site)


def test_the_ground_a_unit_takes_is_its_outer_sides_within_the_plot_for_a_sheet() -> None:
    def plot(length: float | None, width: float | None) -> PlotSite:
        return make_plot(length_cm=length, width_cm=width)

    assert area_on_plot_cm2([FRAME], plot(50.0, 50.0)) == 105.0 * 55.0
    assert area_on_plot_cm2([sheet()], plot(600.0, 300.0)) == 200.0 * 120.0
    assert area_on_plot_cm2([sheet()], plot(80.0, 150.0)) == 80.0 * 150.0
    assert area_on_plot_cm2([sheet()], plot(None, 150.0)) == 200.0 * 120.0
    assert area_on_plot_cm2([sheet(), FRAME], plot(600.0, 300.0)) == 200.0 * 120.0


def test_any_cover_over_its_gust_counts_and_at_its_gust_none() -> None:
    light, heavy = make_frame(gust_limit_mps=10.0), make_frame(gust_limit_mps=20.0)

    assert not is_over_gust([light, heavy], 10.0)
    assert is_over_gust([heavy, light], 10.1)
    assert not is_over_gust([light], None)
    assert not is_over_gust([make_frame(gust_limit_mps=None)], 99.0)


def test_every_owner_must_let_it_be_used() -> None:
    own = make_frame(allowed_plot_ids=frozenset({"A"}))

    assert may_be_used_on([FRAME, own], "A")
    assert not may_be_used_on([FRAME, own], "B")
    assert may_be_used_on([FRAME], "B")


@pytest.mark.parametrize(
    ("sides", "counts", "go_in"),
    [
        ((6.0, 6.0), {3.0: 3, 2.0: 1}, True),
        ((6.0, 6.0), {3.0: 3, 2.0: 2}, False),  # the module's own example
        ((6.0, 6.0), {3.0: 4}, True),
        ((6.0, 6.0), {3.0: 5}, False),
        ((6.0, 6.0), {3.0: 4, 2.0: 0}, True),
        ((5.0, 2.0), {2.0: 2, 1.0: 2}, True),
        ((5.0, 2.0), {2.0: 2, 1.0: 3}, False),
        ((7.0, 3.0), {3.0: 2, 1.0: 3}, True),
        ((7.0, 3.0), {3.0: 2, 1.0: 4}, False),
        ((4.0, 3.0), {2.0: 2, 1.0: 4}, True),
        ((4.0, 3.0), {2.0: 2, 1.0: 5}, False),
        ((6.0, 6.0), {}, True),
    ],
)
def test_squares_that_go_in_are_placed(
    sides: tuple[float, float], counts: dict[float, int], go_in: bool
) -> None:
    assert squares_go_in(sides, counts) is go_in
    assert squares_go_in(sides[::-1], counts) is go_in


def test_plants_stand_together_if_their_shares_and_their_squares_do() -> None:
    option = Option(
        0,
        "plot",
        "frame",
        False,
        (Member("big", 1.0, 4, 3.0), Member("small", 1.0, 9, 2.0)),
        (),
        1.0,
        36.0,
        1,
        (6.0, 6.0),
    )

    assert share_of(option, {"big": 2, "small": 3}) == pytest.approx(0.5 + 1 / 3)
    assert share_of(option, {"big": 0}) == 0.0
    assert fits_together(option, {"big": 4})
    assert not fits_together(option, {"big": 4, "small": 1})
    assert not fits_together(option, {"big": 3, "small": 2})
    assert fits_together(option, {"big": 3, "small": 1})


@pytest.mark.parametrize(
    ("length", "width", "units"), [(105.0, 55.0, 1), (210.0, 55.0, 2), (104.0, 55.0, 0)]
)
def test_no_more_units_are_offered_than_the_ground_takes(
    length: float, width: float, units: int
) -> None:
    prepared = prepare(
        make_problem(
            plots=(make_plot(length_cm=length, width_cm=width),),
            plantings=(make_planting(count=40),),
            pools=(make_frame(count=9),),
        )
    )

    assert [option.most_units for option in prepared.options] == ([units] if units else [])
    assert prepared.free_area_cm2 == {"plot": length * width}


def test_what_is_on_takes_its_plants_covers_ground_and_shelter_from_tonight() -> None:
    problem = make_problem(
        plots=(make_plot(length_cm=210.0, width_cm=55.0),),
        plantings=(make_planting(count=10, is_movable_pot=True), make_planting(id="kale", count=3)),
        pools=(make_frame(count=3),),
        treatments=(Treatment("frame", ("frame",)), Treatment("in", ())),
        damage={("lettuce", "frame"): 0.3, ("lettuce", "in"): 0.0, ("kale", "frame"): 0.3},
        shelter_spaces=5,
        fixed=(
            FixedUse("plot", "frame", ({"lettuce": 3}, {"kale": 2})),
            FixedUse("plot", "in", ({"lettuce": 2},)),
        ),
    )

    prepared = prepare(problem)

    assert prepared.bare_plants == {"lettuce": 5, "kale": 1}
    assert prepared.free_covers == {"frame": 1}
    assert prepared.free_area_cm2 == {"plot": pytest.approx(210.0 * 55.0 - 2 * 105.0 * 55.0)}
    assert prepared.free_spaces == 3
    assert prepared.fixed_objective == pytest.approx(5 * 0.5 + 2 * 0.8)
    assert (prepared.must_come_off, prepared.harmful_fixed) == ((), ())
    assert prepared.kept == problem.fixed


def test_more_on_than_was_counted_leaves_nothing_free_and_never_less() -> None:
    on = FixedUse("plot", "frame", ({"lettuce": 9}, {"lettuce": 9}))
    small = make_plot(length_cm=105.0, width_cm=55.0)

    prepared = prepare(make_problem(plots=(small,), pools=(make_frame(count=1),), fixed=(on,)))

    assert prepared.bare_plants == {"lettuce": 0}
    assert prepared.free_covers == {"frame": 0}
    assert prepared.free_area_cm2 == {"plot": 0.0}
    assert prepared.options == ()


@pytest.mark.parametrize(
    ("under", "plants", "is_harmful"), [(0.81, 1, True), (0.8, 1, False), (0.9, 0, False)]
)
def test_only_a_cover_that_is_worse_than_none_over_some_plant_does_harm(
    under: float, plants: int, is_harmful: bool
) -> None:
    on = FixedUse("plot", "frame", ({"lettuce": plants},))

    prepared = prepare(
        make_problem(pools=(FRAME,), fixed=(on,), damage={("lettuce", "frame"): under})
    )

    assert prepared.harmful_fixed == ((on,) if is_harmful else ())


def test_a_cover_without_a_figure_that_is_on_is_taken_to_do_nothing() -> None:
    on = FixedUse("plot", "frame", ({"lettuce": 4},))

    prepared = prepare(make_problem(pools=(FRAME,), fixed=(on,), damage={}))

    assert prepared.fixed_objective == 0.0
    assert prepared.harmful_fixed == ()
