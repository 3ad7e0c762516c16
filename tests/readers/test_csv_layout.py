"""How a table lies in its file: separators, headers, sections, units beside the figures."""

from __future__ import annotations

import pytest

from gardenapp.readers import csv_layout
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import ReadOptions, UnreadableFile

ROWS = "2026-11-25 18:00,1.0\n2026-11-25 19:00,0.4\n2026-11-25 20:00,-0.2\n"


def layout(text: str, options: ReadOptions | None = None) -> csv_layout.Table:
    return csv_layout.table_of(text, options or ReadOptions())


def test_lines_above_the_header_are_kept_apart() -> None:
    table = layout("Station,Lantern Lane\n\nTime,Temperature (°C)\n" + ROWS)

    assert table.headers == ("Time", "Temperature (°C)")
    assert table.above[0] == ("Station", "Lantern Lane")
    assert [row.line for row in table.rows] == [4, 5, 6]


def test_a_second_row_of_units_belongs_to_the_header() -> None:
    table = layout("Time,Temperature\n,°F\n" + ROWS)

    assert table.temperature_unit(table.rows[0], "temperature", "") == "F"


def test_a_header_further_down_brings_its_own_units() -> None:
    table = layout(
        "Time,Temperature (°C)\n" + ROWS + "Time,Temperature (°F)\n2026-11-25 21:00,30.9\n"
    )

    assert table.temperature_unit(table.rows[0], "temperature", "") == "C"
    assert table.temperature_unit(table.rows[-1], "temperature", "") == "F"


def test_a_header_further_down_with_other_columns_is_refused_with_its_line() -> None:
    with pytest.raises(UnreadableFile, match=r"line 5.*other columns"):
        layout("Time,Temperature (°C)\n" + ROWS + "Time,Humidity,Low\n2026-11-25 21:00,30.9,2\n")


def test_a_units_column_speaks_for_its_row() -> None:
    table = layout(
        "Time,Temperature,Unit\n2026-11-25 18:00,33.8,F\n2026-11-25 19:00,0.4,C\n"
        "2026-11-25 20:00,-0.2,C\n"
    )

    assert table.temperature_unit(table.rows[0], "temperature", "") == "F"
    assert table.temperature_unit(table.rows[1], "temperature", "") == "C"
    with pytest.raises(BadFigure, match="one place of the file"):
        table.temperature_unit(table.rows[1], "temperature", "F")


def test_a_choice_against_the_header_is_a_contradiction() -> None:
    table = layout("Time,Temperature (°C)\n" + ROWS, ReadOptions(temperature_unit="F"))

    with pytest.raises(BadFigure, match="Leave the choice open"):
        table.temperature_unit(table.rows[0], "temperature", "")


def test_a_silent_file_needs_a_choice() -> None:
    silent = layout("Time,Temperature\n" + ROWS)
    with pytest.raises(BadFigure, match="whether °C or °F"):
        silent.temperature_unit(silent.rows[0], "temperature", "")
    chosen = layout("Time,Temperature\n" + ROWS, ReadOptions(temperature_unit="C"))
    assert chosen.temperature_unit(chosen.rows[0], "temperature", "") == "C"


def test_year_month_and_day_in_columns_of_their_own_make_a_date() -> None:
    table = layout("Year,Month,Day,Low (°C)\n2026,11,25,1.1\n2026,11,26,-3.4\n")

    assert [row.cells[0] for row in table.rows] == ["2026-11-25", "2026-11-26"]


@pytest.mark.parametrize(
    ("cell", "separator", "value", "unit"),
    [
        ("1.1 °C", ",", 1.1, "C"),
        ("33.8°F", ",", 33.8, "F"),
        ("−3.4", ",", -3.4, ""),
        ("–3.4", ",", -3.4, ""),
        ("-3,4", ";", -3.4, ""),
        ("NaN", ",", None, ""),
        ("", ",", None, ""),
    ],
)
def test_a_figure_is_read_with_its_unit(
    cell: str, separator: str, value: float | None, unit: str
) -> None:
    assert csv_layout.figure_in(cell, separator) == (value, unit)


def test_a_sentence_is_no_table_and_the_way_on_is_told() -> None:
    with pytest.raises(UnreadableFile, match="type it in by hand"):
        layout("lows around 28 tonight")
