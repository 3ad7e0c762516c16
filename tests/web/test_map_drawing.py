"""Where shapes of the map lie, worked out by hand: a cell is 44 wide, a thin one 22."""

from __future__ import annotations

from typing import Any

import pytest

from gardenapp.science.garden_map import read_map
from gardenapp.web.map_drawing import MapDrawing, draw_map, wrapped

NEED, SAFE = ("need", "needs a cover"), ("safe", "safe")


def drawn(text: str, *args: Any, **kwargs: Any) -> MapDrawing:
    reading = read_map(text)
    assert reading.errors == ()
    return draw_map(reading.garden_map, *args, **kwargs)


def test_cells_with_plots_are_wide_and_the_rest_is_thin() -> None:
    drawing = drawn("= A1 =\n= = =\n. A2 G")

    assert (drawing.width, drawing.height) == (22 + 44 + 22, 44 + 22 + 44)


def test_a_plot_is_outlined_a_little_within_its_cell_and_its_whole_cell_takes_the_tap() -> None:
    (plot,) = drawn("= A1").plots

    assert plot.outline == "M24 2L64 2L64 42L24 42Z"
    assert plot.ground == "M22 0L66 0L66 44L22 44Z"


def test_a_larger_plot_has_one_outline_round_all_its_cells() -> None:
    #  A1 A1
    #  A1 .
    (plot,) = drawn("A1 A1\nA1 .").plots

    assert plot.ground == "M0 0L88 0L88 44L44 44L44 88L0 88Z"
    assert plot.outline == "M2 2L86 2L86 42L42 42L42 86L2 86Z"


def test_a_plot_around_something_else_has_a_second_edge_within() -> None:
    plots = {plot.label: plot for plot in drawn("A A A\nA B A\nA A A").plots}

    assert plots["A"].ground == "M0 0L132 0L132 132L0 132ZM88 44L44 44L44 88L88 88Z"
    assert plots["A"].outline == "M2 2L130 2L130 130L2 130ZM90 42L42 42L42 90L90 90Z"
    assert plots["B"].ground == "M44 44L88 44L88 88L44 88Z"


def test_cells_of_a_plot_that_meet_at_a_corner_keep_their_edges_apart() -> None:
    #  A A A
    #  A . A     at (88, 88) two cells touch at a corner alone
    #  A A .
    (plot,) = drawn("A A A\nA . A\nA A .").plots

    assert plot.outline == (
        "M2 2L130 2L130 86L90 86L90 42L42 42L42 90L86 90L86 130L2 130Z"  # never through (88, 88)
    )


def test_what_is_walked_on_is_one_shape_of_stretches() -> None:
    assert drawn("= = A1\n. G .").path == "M0 0H44V44H0ZM22 44H44V66H22Z"


def test_gates_and_water_stand_in_the_middle_of_their_cells() -> None:
    signs = drawn("A1 W\n. G").signs

    assert [(sign.kind, sign.x, sign.y) for sign in signs] == [
        ("water", 55.0, 22.0),
        ("gate", 55.0, 55.0),
    ]


def test_a_shed_has_a_roof_and_a_store_a_lid() -> None:
    shed, store = drawn("shed:Hut store:Box").places

    assert (shed.is_shed, shed.roof) == (True, "M2 9L22 1L42 9Z")
    assert (store.is_shed, store.roof) == (False, "M46 6H86")


def test_each_plot_has_its_state_word_and_link() -> None:
    drawing = drawn("A1 A2 A3", {"A1": NEED, "A2": SAFE}, {"A1": "/tonight?plot=1"})

    assert [(plot.label, plot.state, plot.word, plot.href) for plot in drawing.plots] == [
        ("A1", "need", "needs a cover", "/tonight?plot=1"),
        ("A2", "safe", "safe", ""),
        ("A3", "none", "", ""),
    ]
    assert drawing.has_links


def test_plots_are_told_by_state_what_asks_for_hands_first() -> None:
    states = {"A10": SAFE, "A2": SAFE, "A1": ("risk", "no cover free"), "A3": NEED}

    told = drawn("A10 A2 A1 A3", states, {"A2": "/p"}).told

    assert [(one.state, one.word, one.plots) for one in told] == [
        ("need", "needs a cover", (("A3", ""),)),
        ("risk", "no cover free", (("A1", ""),)),
        ("safe", "safe", (("A2", "/p"), ("A10", ""))),
    ]


def test_without_states_a_map_says_nothing_of_its_plots() -> None:
    drawing = drawn("A1")

    assert drawing.told == ()
    assert drawing.plots[0].state == "plain"
    assert not drawing.has_links


def test_the_mark_stands_under_the_name_within_the_cell() -> None:
    (plot,) = drawn("A1", {"A1": NEED}).plots

    assert plot.lines[0].x == plot.mark_x == 22
    assert plot.lines[0].y < plot.mark_y - 7  # marks are 7 high on either side of their middle
    assert plot.mark_y + 7 <= 42


@pytest.mark.parametrize(
    ("text", "width", "height", "lines"),
    [
        ("A1", 38, 22, ["A1"]),
        ("Tea hut loft", 80, 40, ["Tea hut loft"]),
        ("Pallet stack, north end", 80, 40, ["Pallet stack,", "north end"]),
        ("Pallet stack, north end", 80, 12, ["Pallet stack…"]),
        ("Conservatory", 38, 40, ["Conse…"]),
        ("x", 1, 1, ["x"]),
        ("xy", 1, 1, ["x…"]),
    ],
)
def test_a_name_is_written_in_the_room_there_is(
    text: str, width: float, height: float, lines: list[str]
) -> None:
    assert wrapped(text, width, height, is_small=True) == lines


@pytest.mark.parametrize(
    ("north", "word"),
    [
        (None, ""),
        (0.0, "at the top"),
        (22.0, "at the top"),
        (23.0, "at the top right"),
        (90.0, "on the right"),
        (180.0, "at the bottom"),
        (315.0, "at the top left"),
        (350.0, "at the top"),
    ],
)
def test_where_north_is_told_in_words(north: float | None, word: str) -> None:
    assert drawn("A1", north=north).north_word == word


@pytest.mark.parametrize(("columns", "size"), [(4, "small"), (9, "middle"), (10, "large")])
def test_small_maps_are_not_blown_up_to_the_width_of_the_page(columns: int, size: str) -> None:
    assert drawn(" ".join(f"A{n}" for n in range(columns))).size == size
