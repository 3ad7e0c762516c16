"""Headings in people's own words, in two languages, wherever the table begins."""

from __future__ import annotations

import pytest

from gardenapp.readers.cells import read_pasted
from gardenapp.services.tables.columns import HOLDS, RawTable, guess, guess_columns, tables_of
from gardenapp.services.tables.outgoing import TITLES
from gardenapp.words import speaking


def tables(text: str) -> tuple[RawTable, ...]:
    (sheet,) = read_pasted(text)
    return tables_of(sheet)


@pytest.mark.parametrize(
    ("headings", "holds", "columns"),
    [
        ("Plot\tHolder\tCrop\tHow many", "garden", ["plot", "holder", "crop", "count"]),
        ("Parcela\tTitular\tCultivo\tCantidad", "garden", ["plot", "holder", "crop", "count"]),
        ("PLOT NO.\tPlants\tQty", "garden", ["plot", "crop", "count"]),
        ("Bed\tSize (m)\tVegetable", "garden", ["plot", "size", "crop"]),
        ("Name\tPlots\tLanguage", "members", ["name", "plots", "language"]),
        ("Nombre\tIdioma", "members", ["name", "language"]),
        ("Kind of cover\tHow many\tKept in", "covers", ["kind", "count", "place"]),
        ("Tipo\tCantidad\tLugar", "covers", ["kind", "count", "place"]),
        ("Material\tQuantity\tUnit", "materials", ["name", "quantity", "unit"]),
        ("Plots\tCropp\tHolderr", "garden", ["plot", "crop", "holder"]),
    ],
)
def test_headings_are_found_in_both_languages_and_with_slips(
    headings: str, holds: str, columns: list[str]
) -> None:
    (table,) = tables(headings + "\nA1" + "\tx" * headings.count("\t"))
    found, by_number = guess(table)
    assert (found, list(by_number.values())) == (holds, columns)


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("holds", HOLDS)
def test_what_goes_out_is_known_again(app: object, language: str, holds: str) -> None:
    with app.app_context(), speaking(language):  # type: ignore[attr-defined]
        titles = {name: str(title) for name, title in TITLES[holds].items()}
    (table,) = tables("\t".join(titles.values()) + "\n" + "\t".join("x" for _ in titles))
    assert list(guess_columns(table, holds).values()) == list(titles)
    assert guess(table)[0] == holds


def test_several_tables_lines_above_and_headings_printed_again() -> None:
    first, second = tables(
        "Our garden 2026\nas of March\nPlot\tCrop\nA1\tkale\nPlot\tCrop\nA2\tleek\n\n"
        "Name\tPlots\nInes\tA1"
    )
    assert (first.above, [row.cells[0] for row in first.rows]) == (2, ["A1", "A2"])
    assert [row.number for row in second.rows] == [9]


def test_units_stand_in_the_heading_or_in_a_line_below() -> None:
    (heading,) = tables("Plot\tLength (m)\tWidth [ft]\nA1\t6\t9")
    assert [column.unit for column in heading.columns] == ["", "m", "ft"]
    (below,) = tables("Plot\tLength\tWidth\n\tm\tcm\nA1\t6\t90")
    assert [column.unit for column in below.columns] == ["", "m", "cm"]
    assert len(below.rows) == 1


def test_two_rows_of_headings_are_told_apart() -> None:
    (table,) = tables("Plot\tSize\tSize\tCrop\n\tlength\twidth\t\nA1\t6\t3\tkale")
    assert table.second_header == 2


def test_figures_without_headings_hold_nothing_known() -> None:
    (table,) = tables("1\t2\n3\t4")
    assert table.header is None
    assert guess(table)[1] == {}
