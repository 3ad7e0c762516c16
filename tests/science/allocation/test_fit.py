"""What goes under a cover, and on a bed, is what goes there in a garden too."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science.allocation.fit import squares_go_in
from gardenapp.science.allocation.reasons import words_of
from gardenapp.science.allocation.solve import (
    Treatment,
    solve,
)
from tests.science.allocation.gardens_made import (
    PATIENT,
    make_frame,
    make_planting,
    make_plot,
    make_problem,
)


def test_a_gust_at_the_limit_is_not_over_it() -> None:
    problem = make_problem(pools=(make_frame(gust_limit_mps=20.0),), gust_mps=20.0)

    answer = solve(problem)

    assert answer.covered == {"lettuce": {"frame": 4}}


def test_a_stack_whose_inner_cover_does_not_go_under_is_not_offered() -> None:
    wide = make_frame(id="wide", outer_width_cm=60.0)
    problem = make_problem(
        pools=(make_frame(), wide), treatments=(Treatment("both", ("frame", "wide")),)
    )

    answer = solve(problem)

    assert answer.uses == ()


def test_plants_in_the_ground_are_not_carried() -> None:
    problem = make_problem(treatments=(Treatment("shed", ()),), shelter_spaces=3)

    assert solve(problem).uses == ()


def test_no_more_covers_than_the_plot_has_ground_for() -> None:
    problem = make_problem(
        plots=(make_plot(length_cm=110.0, width_cm=60.0),),
        plantings=(make_planting(count=16),),
        pools=(make_frame(count=2),),
    )

    answer = solve(problem)

    assert answer.covered == {"lettuce": {"frame": 8}}
    assert answer.reasons["lettuce"].code == "no_room"


@pytest.mark.outside("common practice, no source: a 42 x 56 in frame goes on a 48 in bed")
@pytest.mark.parametrize(
    ("bed_in", "goes"), [(48, True), (42, True), (41, False)], ids=["48 in", "42 in", "41 in"]
)
def test_a_frame_goes_on_a_bed_as_wide_as_its_shorter_side(bed_in: int, goes: bool) -> None:
    inch = 2.54
    frame = make_frame(
        inner_length_cm=54 * inch,
        inner_width_cm=40 * inch,
        outer_length_cm=56 * inch,
        outer_width_cm=42 * inch,
    )
    problem = make_problem(plots=(make_plot(bed_width_cm=bed_in * inch),), pools=(frame,))

    assert bool(solve(problem).uses) is goes


def test_mixed_plants_that_overlap_are_not_put_under_one_cover() -> None:
    # Shares add up to 3/4 + 2/9 < 1, yet the last corner takes one small plant only.
    frame = make_frame(inner_length_cm=60.0, inner_width_cm=60.0, outer_length_cm=60.0)
    problem = make_problem(
        plantings=(
            make_planting(id="large", count=3, spread_cm=30.0, worth=5.0),
            make_planting(id="small", count=2, spread_cm=20.0),
        ),
        pools=(frame,),
    )

    answer = solve(problem)

    assert answer.covered == {"large": {"frame": 3}, "small": {"frame": 1}}


@PATIENT
@given(
    sides=st.tuples(st.integers(1, 6), st.integers(1, 6)),
    counts=st.dictionaries(st.integers(1, 4), st.integers(0, 5), max_size=3),
)
def test_squares_said_to_go_in_can_be_placed_on_a_board(
    sides: tuple[int, int], counts: dict[int, int]
) -> None:
    squares = sorted((side for side, n in counts.items() for _ in range(n)), reverse=True)

    if squares_go_in((float(sides[0]), float(sides[1])), {float(s): n for s, n in counts.items()}):
        assert _board_takes(sides, squares)


def _board_takes(sides: tuple[int, int], squares: list[int]) -> bool:
    """Place squares at whole positions by trying all; small boards only."""
    if sum(side * side for side in squares) > sides[0] * sides[1]:
        return False
    board = np.zeros(sides, dtype=bool)

    def place(at: int) -> bool:
        if at == len(squares):
            return True
        side = squares[at]
        for x in range(sides[0] - side + 1):
            for y in range(sides[1] - side + 1):
                if board[x : x + side, y : y + side].any():
                    continue
                board[x : x + side, y : y + side] = True
                if place(at + 1):
                    return True
                board[x : x + side, y : y + side] = False
        return False

    return place(0)


def test_a_sheet_that_cannot_reach_the_ground_over_a_tall_plant_is_not_offered() -> None:
    sheet = make_frame(
        id="sheet",
        is_rigid=False,
        inner_height_cm=None,
        inner_length_cm=400.0,
        inner_width_cm=150.0,
        may_touch=True,
    )
    tree = make_planting(id="tree", count=1, height_cm=260.0, spread_cm=90.0)
    problem = make_problem(
        plantings=(tree,),
        pools=(sheet,),
        treatments=(Treatment("sheet", ("sheet",)),),
        damage={("tree", "sheet"): 0.0},
    )

    answer = solve(problem)

    assert answer.uses == ()
    assert answer.reasons["tree"].code == "too_tall"
    assert "260 cm" in words_of(answer.reasons["tree"].code, answer.reasons["tree"].params)


def test_a_sheet_covers_less_ground_the_taller_the_plants_are() -> None:
    sheet = make_frame(
        id="sheet",
        is_rigid=False,
        inner_height_cm=None,
        inner_length_cm=200.0,
        inner_width_cm=100.0,
        may_touch=True,
    )
    covered = []
    for height_cm in (5.0, 25.0, 40.0):
        rows = make_planting(id="rows", count=100, height_cm=height_cm, spread_cm=20.0)
        problem = make_problem(
            plantings=(rows,),
            pools=(sheet,),
            treatments=(Treatment("sheet", ("sheet",)),),
            damage={("rows", "sheet"): 0.0},
        )
        covered.append(sum(solve(problem).covered["rows"].values()))

    # 190 x 90, 150 x 50 and 120 x 20 cm of ground, by hand.
    assert covered == [9 * 4, 7 * 2, 6 * 1]
