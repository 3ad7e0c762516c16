"""Pasted cells, CSV and workbooks as rows of text."""

from __future__ import annotations

from datetime import date, datetime, time

import pytest

from gardenapp.readers import cells
from gardenapp.readers.cells import CellSheet, address_of, read_file, read_pasted
from gardenapp.readers.records import UnreadableFile
from tests.workbooks import archive, ods, with_file, xlsx

ROWS = [["Plot", "Crop", "How many"], ["A1", "kale, curly", "12"], [], ["A2", "leek", "40"]]


def said(sheet: CellSheet) -> list[tuple[int, tuple[str, ...]]]:
    return [(row.number, row.cells) for row in sheet.rows]


WANTED = [
    (1, ("Plot", "Crop", "How many")),
    (2, ("A1", "kale, curly", "12")),
    (4, ("A2", "leek", "40")),
]


@pytest.mark.parametrize(
    "data",
    [
        xlsx([["Plot", "Crop", "How many"], ["A1", "kale, curly", 12], [], ["A2 ", "leek", 40.0]]),
        ods(ROWS),
        b'Plot,Crop,How many\r\nA1,"kale, curly",12\r\n\r\nA2,leek,40\r\n',
        b"\xef\xbb\xbfPlot;Crop;How many\nA1;kale, curly;12\n\nA2;leek;40\n",
        "Plot\tCrop\tHow many\nA1\tkale, curly\t12\n\nA2\tleek\t40\n".encode("utf-16"),
        b"Plot\tCrop\tHow many\rA1\tkale, curly\t12\r\rA2\tleek\t40",
    ],
)  # fmt: skip
def test_a_table_is_the_same_rows_however_it_comes(data: bytes) -> None:
    (sheet,) = read_file(data)
    assert said(sheet) == WANTED


def test_pasted_cells_keep_quotes_commas_and_their_places() -> None:
    (sheet,) = read_pasted('Plot\tNote\nA1\t"two\nlines"\nA2\t5" pots\n')
    assert said(sheet)[1] == (2, ("A1", "two\nlines"))
    (plain,) = read_pasted("Plot\tNote\nA1\t 1,5 m; wet \n\nA2\t\n")
    assert said(plain) == [(1, ("Plot", "Note")), (2, ("A1", "1,5 m; wet")), (4, ("A2", ""))]


def test_windows_text_of_a_spreadsheet_is_read() -> None:
    (sheet,) = read_file("Parcela;Cultivo\nA1;judía\n".encode("cp1252"))
    assert said(sheet)[1] == (2, ("A1", "judía"))


def test_values_are_told_as_somebody_would_type_them() -> None:
    moment = datetime(2026, 11, 26, 16, 30)  # noqa: DTZ001  (cells know no zone)
    (sheet,) = read_file(
        xlsx([["a", 1.0, 0.1 + 0.2, -2.5, True, date(2026, 3, 1), moment, time(7, 5), None, "z"]])
    )
    assert sheet.rows[0].cells == (
        "a", "1", "0.3", "-2.5", "yes", "2026-03-01", "2026-11-26 16:30", "07:05", "", "z",
    )  # fmt: skip


def test_merged_cells_and_macros_are_told() -> None:
    book = xlsx([["Plot", "Size", ""], ["A1", 3, 6], ["", 2, 1]], merged=["B1:C1", "A2:A3"])
    (sheet,) = read_file(book)
    assert sorted(sheet.merged) == [(1, 2, 1, 3), (2, 1, 3, 1)]

    (macro,) = read_file(with_file(book, "xl/vbaProject.bin", b"\0" * 100))
    assert said(macro) == said(sheet)
    assert "run nothing" in str(macro.notes[0])


def test_several_sheets_are_read_and_hidden_or_empty_ones_are_not() -> None:
    found = read_file(xlsx([["Plot"], ["A1"]], [], [["Name"], ["Ines"]]))
    assert [sheet.name for sheet in found] == ["Sheet1", "Sheet3"]


BOMB = b'<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
FAR = (
    BOMB + b'<sheetData><row r="1"><c r="A1"><v>1</v></c></row>'
    b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData></worksheet>'
)
REPEATED = (
    '<table:table-row table:number-rows-repeated="1048576"><table:table-cell '
    'office:value-type="string" table:number-columns-repeated="16384"><text:p>x</text:p>'
    "</table:table-cell></table:table-row>"
)
EMPTY_TAIL = (
    '<table:table-row table:number-rows-repeated="1048570"><table:table-cell '
    'table:number-columns-repeated="16384"/></table:table-row>'
)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (b" \n ", "empty"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 50, "picture"),
        (b"%PDF-1.7", "PDF"),
        (b"\xd0\xcf\x11\xe0" + b"\0" * 600, "old .xls workbook, or one with a password"),
        (b"PK\x03\x04" + b"\0" * 60, "broken"),
        (xlsx([["Plot"], ["A1"]])[:-40], "broken"),
        (archive({"word/document.xml": "<w/>"}), "no spreadsheet"),
        (archive({f"{n}.xml": "" for n in range(cells.MOST_FILES + 1)}), "too many files"),
        (with_file(xlsx([["Plot"]]), "xl/media/x.bin", b"\0" * 61_000_000), "over 60 MB"),
        (with_file(xlsx([["Plot"]]), "xl/worksheets/sheet1.xml", FAR), "XFD1048576"),
        (ods([["Plot"]], tail=REPEATED), "over 60 MB"),
        (xlsx([]), "nothing in it"),
        (b"a,\"b\nc", "quotation mark"),
        (b"x" * (cells.MOST_BYTES + 1), "at most 4,000,000"),
        (b"Plot\n" + b"A1\n" * (cells.MOST_ROWS + 1), "More than 20,000 lines"),
        (xlsx([["Plot"], ["x" * 2_001]]), "A2 holds more than"),
    ],
)  # fmt: skip
def test_what_is_no_table_is_refused_with_what_to_do(data: bytes, says: str) -> None:
    with pytest.raises(UnreadableFile) as refused:
        read_file(data)
    assert says in " ".join(str(error.message) for error in refused.value.errors)


def test_entities_of_a_workbook_are_not_resolved() -> None:
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]><x>&b;</x>'
    with pytest.raises(UnreadableFile):
        read_file(with_file(ods([["Plot"]]), "content.xml", bomb))


def test_the_empty_rest_of_a_sheet_is_no_size() -> None:
    (sheet,) = read_file(ods([["Plot"], ["A1"]], tail=EMPTY_TAIL))
    assert [row.cells for row in sheet.rows] == [("Plot",), ("A1",)]


@pytest.mark.outside("ECMA-376 part 1, 18.18.7 ST_CellRef: columns A to XFD are 1 to 16384")
@pytest.mark.parametrize(
    ("column", "row", "address"),
    [
        (1, 1, "A1"), (26, 3, "Z3"), (27, 9, "AA9"), (702, 1, "ZZ1"), (703, 1, "AAA1"),
        (16384, 1048576, "XFD1048576"),
    ],
)  # fmt: skip
def test_a_cell_has_the_address_its_spreadsheet_shows(column: int, row: int, address: str) -> None:
    assert address_of(column, row) == address
