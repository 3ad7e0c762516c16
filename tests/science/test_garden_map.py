"""The map of a garden: text to cells and back, what is wrong with a text, and walks on it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science.garden_map import (
    EMPTY,
    GATE,
    LONGEST_NAME,
    MOST_CHARACTERS,
    MOST_COLUMNS,
    MOST_ROWS,
    PATH,
    PLOT,
    SHED,
    STORE,
    WATER,
    Cell,
    GardenMap,
    distances,
    first_map,
    map_of,
    natural,
    read_map,
    renamed,
    steps_from,
    walk_order,
    write_map,
)

GARDEN = """
G  =  A1 A2 A3 .
W  =  A4 A5 A6 shed:Long shed
=  =  =  =  =  =
.  B1 B2 B3 store:Tea hut loft .
"""


def read(text: str) -> GardenMap:
    """The map of a text that has nothing wrong with it."""
    reading = read_map(text)
    assert reading.errors == ()
    return reading.garden_map


def wrongs(text: str, **known: set[str]) -> list[tuple[int, str]]:
    return [(error.line, str(error.message)) for error in read_map(text, **known).errors]


def names(text: str) -> list[str]:
    """The cells of a text of one line: names, and signs for the rest."""
    return [cell.name or cell.kind for cell in read(text).rows[0]]


# --- from text to cells -----------------------------------------------------------------------


def test_each_word_is_a_cell_of_its_line() -> None:
    garden_map = read(GARDEN)

    assert (len(garden_map.rows), garden_map.columns) == (4, 6)
    assert garden_map.rows[0][:3] == (Cell(GATE), Cell(PATH), Cell(PLOT, "A1"))
    assert garden_map.rows[1][0] == Cell(WATER)
    assert garden_map.rows[1][5] == Cell(SHED, "Long shed")
    assert garden_map.rows[3] == (
        EMPTY,
        Cell(PLOT, "B1"),
        Cell(PLOT, "B2"),
        Cell(PLOT, "B3"),
        Cell(STORE, "Tea hut loft"),
        EMPTY,
    )
    assert garden_map.plots["A5"] == ((1, 3),)
    assert garden_map.places == {"Long shed": ((1, 5),), "Tea hut loft": ((3, 4),)}


def test_a_name_in_several_cells_that_touch_is_one_larger_plot() -> None:
    garden_map = read("A1 A1 =\nA1 A2 =")

    assert garden_map.plots == {"A1": ((0, 0), (0, 1), (1, 0)), "A2": ((1, 1),)}


def test_shorter_lines_are_filled_up_with_nothing() -> None:
    assert read("A1\n= = A2").rows[0] == (Cell(PLOT, "A1"), EMPTY, EMPTY)


def test_an_empty_line_between_is_a_row_of_nothing_and_those_around_are_left_out() -> None:
    garden_map = read("\n  \nA1\n\nA2\n\n")

    assert garden_map.rows == ((Cell(PLOT, "A1"),), (EMPTY,), (Cell(PLOT, "A2"),))


def test_an_empty_text_is_an_empty_map() -> None:
    assert read(" \n\n") == GardenMap()


@pytest.mark.parametrize(
    ("line", "cells"),
    [
        # the name of a place runs over single blanks, up to two blanks
        ("shed:Long shed  A1", ["Long shed", "A1"]),
        ("A1 store:Tea hut loft", ["A1", "Tea hut loft"]),
        # … or a word that can be no part of a name
        ("shed:Long shed = A1", ["Long shed", "path", "A1"]),
        ("shed:Long shed G", ["Long shed", "gate"]),
        ("shed:Long shed .", ["Long shed", "nothing"]),
        ("shed:Long shed store:Tea hut", ["Long shed", "Tea hut"]),
        ('shed:Long shed "South bed" A1', ["Long shed", "South bed", "A1"]),
        # without two blanks a plot's name is taken for a part of the place's
        ("shed:Long shed A1", ["Long shed A1"]),
        # quotes hold anything
        ('"South bed" A1', ["South bed", "A1"]),
        ('"G" G "=" "shed:x"', ["G", "gate", "=", "shed:x"]),
        ('shed:"Shed W" A1', ["Shed W", "A1"]),
        ('"the ""old"" bed" A1', ['the "old" bed', "A1"]),
        ("“South bed” «Old bed» A1", ["South bed", "Old bed", "A1"]),
        # as phones write it: a capital letter, a blank behind the colon
        ("Shed: Long shed  A1", ["Long shed", "A1"]),
        # blanks of another width are blanks
        ("A1\u00a0A2\u2003A3", ["A1", "A2", "A3"]),
        # marks are whole words, and in their own case
        ("g Gate w == ..", ["g", "Gate", "w", "==", ".."]),
    ],
)
def test_how_a_line_is_cut_into_cells(line: str, cells: list[str]) -> None:
    assert names(line) == cells


def test_a_line_from_a_spreadsheet_is_cut_at_its_tabs() -> None:
    assert names("G\t\tSouth bed\tshed:Long shed A1\t=") == [
        "gate",
        "nothing",
        "South bed",
        "Long shed A1",
        "path",
    ]


def test_lines_may_end_as_any_computer_ends_them() -> None:
    assert read("A1 =\r\nA2 =\rA3 =").rows == read("A1 =\nA2 =\nA3 =").rows


# --- what is wrong with a text ----------------------------------------------------------------


def test_everything_wrong_is_told_at_once_with_its_line() -> None:
    found = wrongs(
        'A1 = A2\nshed: =\n"South\nA9 B1 A1\nshed:Hut  "x"y',
        plots={"A1", "A2", "B1", "x"},
        places={"Long shed"},
    )

    assert found == [
        (2, "There is no name at shed:; write it behind the colon or in the quotes."),
        (3, 'A quote is opened at "South and not closed; close it.'),
        (
            4,
            "There is no plot A9. Add the plot first, or put names with blanks in quotes, and "
            "shed: or store: before a place.",
        ),
        (
            4,
            "A1 lies in two pieces, here and in line 1; its cells must touch side to side.",
        ),
        (5, 'Something sticks to the closing quote of "x"y; put a blank between.'),
        (
            5,
            "Nothing is kept in Hut. Add the place first; its name ends at two blanks.",
        ),
    ]


def test_lines_are_counted_from_the_first_that_draws_something() -> None:
    assert wrongs("\n\nA1\nA2", plots={"A1"})[0][0] == 2


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("a1", "There is no plot a1; A1 may be meant."),
        ('"South  bed"', "There is no plot South  bed; South bed may be meant."),
        (
            "shed:Long shed A1",
            "Nothing is kept in Long shed A1; Long shed may be meant. The name of a place ends at "
            "two blanks.",
        ),
    ],
)
def test_the_name_that_may_be_meant_is_told(text: str, meant: str) -> None:
    known = {"plots": {"A1", "South bed"}, "places": {"Long shed", "Long"}}

    assert wrongs(text, **known) == [(1, meant)]


def test_cells_that_touch_at_a_corner_are_in_two_pieces() -> None:
    assert [line for line, _ in wrongs("A1 =\n= A1")] == [2]


def test_a_place_is_a_shed_or_a_store() -> None:
    assert wrongs("shed:Hut\nstore:Hut") == [
        (2, "Hut is a shed in one cell and a store in another; choose one.")
    ]


def test_a_plot_and_a_place_may_have_the_same_name() -> None:
    garden_map = read("Hut shed:Hut")

    assert garden_map.plots == {"Hut": ((0, 0),)}
    assert garden_map.places == {"Hut": ((0, 1),)}


def test_a_character_that_cannot_be_seen_is_told() -> None:
    assert wrongs("A\u200b1 =") == [
        (1, "There is a character here that cannot be seen (U+200B). Type the line again.")
    ]


def test_the_largest_map_is_read_and_a_larger_one_told() -> None:
    row = "= " * MOST_COLUMNS
    assert wrongs("\n".join([row] * MOST_ROWS)) == []

    assert wrongs("\n".join([f"{row} ="] + [row] * MOST_ROWS)) == [
        (1, "This line has 61 cells; it may have 60. Let each cell stand for more."),
        (61, "The map has 61 lines; it may have 60. Let each cell stand for more."),
    ]


def test_a_text_of_great_length_is_not_looked_into() -> None:
    reading = read_map("A" * (MOST_CHARACTERS + 1))

    assert reading.garden_map == GardenMap()
    assert [error.line for error in reading.errors] == [1]


def test_a_name_longer_than_names_are_is_told() -> None:
    assert read("A" * LONGEST_NAME).plots
    assert [line for line, _ in wrongs("=\n" + "A" * (LONGEST_NAME + 1))] == [2]


# --- there and back ---------------------------------------------------------------------------


def test_the_text_of_a_map_has_its_columns_one_under_another_but_for_places() -> None:
    assert write_map(read(GARDEN)) == "\n".join(
        (
            "G  =   A1  A2  A3  .",
            "W  =   A4  A5  A6  shed:Long shed",
            "=  =   =   =   =   =",
            ".  B1  B2  B3  store:Tea hut loft  .",
        )
    )


def test_names_are_quoted_where_they_would_be_taken_for_something_else() -> None:
    garden_map = read('"South bed" "G" "." "shed:x" shed:"Hut W" shed:"a  b"  shed:Long shed')

    assert write_map(garden_map) == (
        '"South bed"  "G"  "."  "shed:x"  shed:"Hut W"  shed:"a  b"  shed:Long shed'
    )


NAMES = st.text(
    alphabet=st.one_of(st.sampled_from('AG=W."“”«» sheto:12'), st.characters(codec="utf-8")),
    min_size=1,
    max_size=12,
).filter(lambda name: name.isprintable() and name == name.strip() and name)
CELLS = st.one_of(
    st.builds(Cell, st.sampled_from([PATH, GATE, WATER, EMPTY.kind])),
    st.builds(Cell, st.sampled_from([PLOT, SHED, STORE]), NAMES),
)


@given(st.lists(st.lists(CELLS, min_size=1, max_size=5), min_size=1, max_size=5))
def test_a_map_written_and_read_again_is_the_same_map(rows: list[list[Cell]]) -> None:
    garden_map = map_of(rows)

    text = write_map(garden_map)

    again = read_map(text).garden_map
    assert again.rows == garden_map.rows
    assert again == garden_map
    assert write_map(again) == text


@given(st.text(max_size=400))
def test_any_text_is_read_without_an_accident(text: str) -> None:
    reading = read_map(text, plots={"A1"}, places={"Hut"})

    assert all(1 <= error.line <= MOST_ROWS + 1 for error in reading.errors)
    assert len({len(row) for row in reading.garden_map.rows}) <= 1


def test_a_plot_or_place_that_gets_another_name_keeps_its_cells() -> None:
    garden_map = read("Hut A1 A1 shed:Hut")

    assert renamed(garden_map, PLOT, "Hut", "C1") == read("C1 A1 A1 shed:Hut")
    assert renamed(garden_map, SHED, "Hut", "New hut") == read("Hut A1 A1 shed:New hut")


# --- a map to begin with ----------------------------------------------------------------------


def test_a_map_to_begin_with_has_the_plots_in_rows_by_their_letters() -> None:
    begun = first_map(["A1", "A10", "A2", "B1"], ["Long shed", "Tea hut"])

    assert write_map(begun) == "\n".join(
        (
            "=  =   =   =",
            "=  A1  A2  A10",
            "=  =   =   =",
            "=  B1  .   .",
            "=  =   =   G",
            ".  store:Long shed  store:Tea hut  .",
        )
    )


def test_rows_of_a_map_to_begin_with_are_no_wider_than_a_phone_shows() -> None:
    begun = first_map([f"A{number}" for number in range(1, 20)], [])

    assert begun.columns == 9  # eight plots and the path down the side
    assert set(begun.plots) == {f"A{number}" for number in range(1, 20)}


@pytest.mark.parametrize("number", [0, 1, 8, 9, 240, 1_000, 3_000])
def test_a_map_to_begin_with_can_be_read_back_whatever_its_size(number: int) -> None:
    plots = [f"{'ABCDEFGHIJ'[n % 10]}{n}" for n in range(number)]

    begun = first_map(plots, ["Long shed"])

    assert read(write_map(begun)) == begun
    assert len(begun.rows) <= MOST_ROWS
    assert len(begun.plots) == min(number, 28 * (MOST_COLUMNS - 1))


def test_from_a_map_to_begin_with_every_plot_is_walked_to_along_paths() -> None:
    begun = first_map(["A1", "A2", "B1", "B2"], ["Hut"])

    walked = steps_from(begun, begun.places["Hut"])

    for spots in begun.plots.values():
        assert any(beside in walked for spot in spots for beside in begun.beside(spot))


# --- walking ----------------------------------------------------------------------------------

# Counted by hand. From the shed (row 2, column 4) the first step is onto the path at (1, 4).
#   column 0   1   2   3   4
#   row 0  A1  A2  A3  A4  .
#   row 1  =   =   =   =   =
#   row 2  B1  .   .   W   shed
#   row 3  B2  B3  .   G   .
BLOCK = "A1 A2 A3 A4 .\n= = = = =\nB1 . . W shed:Hut\nB2 B3 . G ."


def test_steps_are_counted_along_the_paths() -> None:
    garden_map = read(BLOCK)

    found = distances(garden_map, garden_map.places["Hut"], garden_map.plots)

    # A4: out onto (1, 4), along to (1, 3), up into A4. A1: on to (1, 0) in five, and up.
    assert {name: found[name] for name in ("A4", "A3", "A2", "A1", "B1")} == {
        "A4": 3,
        "A3": 4,
        "A2": 5,
        "A1": 6,
        "B1": 6,
    }


def test_water_and_the_gate_are_walked_on_and_beds_are_not() -> None:
    garden_map = read(BLOCK)

    walked = steps_from(garden_map, garden_map.places["Hut"])

    assert walked == {
        (1, 4): 1,
        (2, 3): 1,  # the water stands beside the shed
        (1, 3): 2,
        (3, 3): 2,  # the gate behind it
        (1, 2): 3,
        (1, 1): 4,
        (1, 0): 5,
    }


def test_where_no_path_leads_cells_are_counted_straight_over() -> None:
    garden_map = read(BLOCK)

    found = distances(garden_map, garden_map.places["Hut"], garden_map.plots)

    # B2 at (3, 0) and B3 at (3, 1) touch no path; the shed is at (2, 4).
    assert found["B2"] == 1 + 4
    assert found["B3"] == 1 + 3


def test_a_larger_plot_is_reached_at_its_nearest_cell() -> None:
    garden_map = read("shed:Hut = = = =\n. A1 A1 A1 B1")

    found = distances(garden_map, garden_map.places["Hut"], garden_map.plots)

    # Out onto (0, 1), down into A1; for B1 on to (0, 4) in four, and down.
    assert found == {"A1": 2, "B1": 5}


def test_a_walk_goes_on_to_the_nearest_each_time() -> None:
    # The shed lies between: B1 is three steps away, A1 four; from B1 on to B2, and back to the A's.
    garden_map = read("A2 A1 . B1 B2\n= = = = =\n. . shed:Hut . .")

    order = walk_order(garden_map, "Hut", ["A1", "A2", "B1", "B2"])

    # Three steps to A1 and to B1 alike: the one that sorts first. A2 is then three steps away and
    # B1 four.
    assert order == ["A1", "A2", "B1", "B2"]
    assert walk_order(garden_map, "Hut", ["B2", "A2", "B1"]) == ["B1", "B2", "A2"]


def test_a_walk_is_the_same_whatever_the_order_it_is_asked_in() -> None:
    garden_map = read(BLOCK)
    plots = sorted(garden_map.plots)

    assert walk_order(garden_map, "Hut", plots) == walk_order(garden_map, "Hut", plots[::-1])
    assert sorted(walk_order(garden_map, "Hut", plots)) == plots


def test_a_walk_from_a_place_that_is_not_on_the_map_begins_at_the_gate() -> None:
    garden_map = read("G = = =\n. A1 . B1")

    assert walk_order(garden_map, "Nowhere", ["B1", "A1"]) == ["A1", "B1"]
    # The gate at the other end: the other way round.
    assert walk_order(read("= = = G\nA1 . B1 ."), "Nowhere", ["A1", "B1"]) == ["B1", "A1"]


def test_plots_that_are_not_on_the_map_come_last() -> None:
    garden_map = read("shed:Hut = A2")

    assert walk_order(garden_map, "Hut", ["C10", "A2", "C9"]) == ["A2", "C9", "C10"]
    assert walk_order(GardenMap(), "Hut", ["A10", "A9"]) == ["A9", "A10"]
    assert walk_order(garden_map, "Hut", []) == []


def test_names_sort_by_their_numbers() -> None:
    assert sorted(["B1", "A10", "A2", "a2", "South bed", "10", "9"], key=natural) == [
        "9",
        "10",
        "A2",
        "a2",
        "A10",
        "B1",
        "South bed",
    ]
