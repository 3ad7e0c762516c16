from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.readers.pieces import read_pieces, read_stock
from gardenapp.readers.records import UnreadableFile
from gardenapp.science.timber.cutting import Piece, Stock
from tests.readers.malformed import MALFORMED


def test_pieces_with_and_without_a_section() -> None:
    data = b"name,length_mm,count,section\nrail,863.6,4,38 x 38\nleg,609.6,4,\n"

    assert read_pieces(data) == (Piece("rail", 863.6, 4, "38 x 38"), Piece("leg", 609.6, 4, ""))


def test_boards_with_everything() -> None:
    data = (
        "name,length_mm,count,section,is_offcut,price,defects\n"
        "shop,2400,,38 x 38,,7.50,\n"
        'knotty,2400,1,38 x 38,,,"100-140; 900–910"\n'
        "end,710,2,38 x 38,yes,,\n"
    ).encode()

    assert read_stock(data) == (
        Stock("shop", 2400.0, None, "38 x 38", False, 7.5),
        Stock("knotty", 2400.0, 1, "38 x 38", False, None, ((100.0, 140.0), (900.0, 910.0))),
        Stock("end", 710.0, 2, "38 x 38", True),
    )


def test_inches_with_fractions_become_exact_millimetres() -> None:
    data = b"name,length_in,count\nhalf,5 11/16,2\nwhole,34,1\n"

    assert [piece.length_mm for piece in read_pieces(data)] == [144.4625, 863.6]


def test_semicolons_and_decimal_commas_are_read() -> None:
    data = b"name;length_mm;count\nLatte;863,6;4\n"

    assert read_pieces(data) == (Piece("Latte", 863.6, 4),)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"name,length_mm\na,10\n", "line 1, count: is missing"),
        (b"name,count\na,10\n", "line 1, length_mm: give the length in one column"),
        (b"name,length_mm,length_in,count\na,1,1,1\n", "in one column"),
        (b"name,length_mm,count,colour\na,1,1,red\n", "line 1, “colour”: is not a column"),
        (b"name,length_mm,count\na,-5,1\n", "line 2, length_mm: “-5” is not a number"),
        (b"name,length_mm,count\na,nan,1\n", "line 2, length_mm: “nan” is not a number"),
        (b"name,length_mm,count\na,1_000,1\n", "is not a number of 0 or more"),
        (b"name,length_mm,count\na,0,1\n", "line 2, length_mm: 0 mm is outside"),
        (b"name,length_mm,count\na,90000,1\n", "90000 mm is outside"),
        (b"name,length_mm,count\n\na,10,1.5\n", "line 3, count: “1.5” is not a whole number"),
        (b"name,length_mm,count\na,10,0\n", "line 2, count: is 0"),
        (b"name,length_mm,count\na,10,\n", "count: “” is not a whole number"),
        (b"name,length_mm,count\n,10,1\n", "line 2, name: is empty"),
        (b"name,length_mm,count\na,10,10000\n", "asks for 10,000 pieces; at most 2,000"),
        (b"name,length_mm,count\na,10,1,2\n", "line 2: has 4 cells and the header 3"),
        (b"name,length_mm,count\n", "a header and no rows"),
        (b"", "empty"),
        (b",,\n", "empty"),
        ("\u00a0\n".encode(), "empty"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_faults_in_pieces_name_line_and_column(data: bytes, words: str) -> None:
    with pytest.raises(UnreadableFile) as caught:
        read_pieces(data)

    assert any(words in str(error) for error in caught.value.errors), caught.value.errors


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("a,100,,yes,,", "line 2, count: is empty, but offcuts are counted"),
        ("a,100,1,maybe,,", "line 2, is_offcut: “maybe” is neither yes nor no"),
        ("a,100,1,,-3,", "line 2, price: “-3” is not a number"),
        ("a,100,1,,,50", "line 2, defects: “50” is not a stretch"),
        ("a,100,1,,,50-200", "line 2, defects: “50-200” does not lie on the board"),
        ("a,100,1,,,60-50", "line 2, defects: “60-50” does not lie on the board"),
    ],
    ids=["offcut", "yes or no", "price", "one end", "too far", "backwards"],
)
def test_faults_in_boards_name_line_and_column(row: str, words: str) -> None:
    data = f"name,length_mm,count,is_offcut,price,defects\n{row}\n".encode()

    with pytest.raises(UnreadableFile) as caught:
        read_stock(data)

    assert [str(error) for error in caught.value.errors] == [
        next(str(e) for e in caught.value.errors if words in str(e))
    ]


@pytest.mark.parametrize("name", MALFORMED)
def test_other_files_are_refused_in_words(name: str) -> None:
    _, data = MALFORMED[name]

    for reader in (read_pieces, read_stock):
        with pytest.raises(UnreadableFile):
            reader(data)


def test_all_faults_are_told_at_once() -> None:
    with pytest.raises(UnreadableFile) as caught:
        read_pieces(b"name,length_mm,count\na,x,1\n,5,y\n")

    assert len(caught.value.errors) == 3


@given(st.binary(max_size=300) | st.text('name,length_mcount;\n0123456789-"', max_size=200))
def test_any_bytes_are_read_or_refused_in_words(data: bytes | str) -> None:
    raw = data if isinstance(data, bytes) else b"name,length_mm,count\n" + data.encode()
    for reader in (read_pieces, read_stock):
        try:
            rows = reader(raw)
        except UnreadableFile as error:
            assert all(len(str(e)) > 5 for e in error.errors)
        else:
            assert rows


@pytest.mark.parametrize(("last", "is_taken"), [("600", True), ("601", False)])
def test_two_thousand_pieces_are_taken_and_no_more(last: str, is_taken: bool) -> None:
    data = f"name,length_mm,count\na,10,1400\nb,10,{last}\n".encode()

    if is_taken:
        assert sum(piece.count for piece in read_pieces(data)) == 2_000
    else:
        with pytest.raises(UnreadableFile, match="asks for 2,001 pieces; at most 2,000"):
            read_pieces(data)


def test_a_row_without_a_count_adds_nothing_to_what_is_asked_for() -> None:
    data = b"name,length_mm,count\na,10,2000\nb,10,\n"

    with pytest.raises(UnreadableFile) as refused:
        read_pieces(data)

    assert [fault.line for fault in refused.value.errors] == [3]


@pytest.mark.parametrize(
    ("length", "is_taken"), [("0.1", True), ("0.09", False), ("30000", True), ("30000.1", False)]
)
def test_a_length_is_a_tenth_of_a_millimetre_to_thirty_metres(length: str, is_taken: bool) -> None:
    data = f"name,length_mm,count\na,{length},1\n".encode()

    if is_taken:
        assert read_pieces(data)[0].length_mm == float(length)
    else:
        with pytest.raises(UnreadableFile, match=r"outside 0\.1 mm to 30 m"):
            read_pieces(data)


def test_a_decimal_comma_is_a_comma_only_between_semicolons() -> None:
    with pytest.raises(UnreadableFile, match="line 2, length_mm: “863,6” is not a number"):
        read_pieces(b'name,length_mm,count\nrail,"863,6",4\n')


@pytest.mark.parametrize(
    ("written", "length_mm"),
    [("5 11/16", 144.4625), ("5-1/2", 139.7), ("3/4", 19.05), ("34", 863.6), ("1.5", 38.1)],
)
def test_a_length_in_inches_is_read_as_on_a_rule(written: str, length_mm: float) -> None:
    data = f"name,length_in,count\na,{written},1\n".encode()

    assert read_pieces(data)[0].length_mm == length_mm


@pytest.mark.parametrize(("column", "written"), [("length_mm", "1/2"), ("length_in", "1/0")])
def test_a_fraction_of_a_millimetre_or_of_nothing_is_no_length(column: str, written: str) -> None:
    with pytest.raises(UnreadableFile, match=f"{column}: “{written}” is not a number of 0 or more"):
        read_pieces(f"name,{column},count\na,{written},1\n".encode())


def test_defects_in_inches_are_brought_to_millimetres_and_may_reach_the_boards_ends() -> None:
    data = b"name,length_in,count,defects\na,10,1,0-1; 9-10; 5-5\n"

    assert read_stock(data)[0].defects == ((0.0, 25.4), (228.6, 254.0), (127.0, 127.0))


@pytest.mark.parametrize(
    ("word", "is_offcut"),
    [("1", True), ("yes", True), ("Y", True), ("TRUE", True), ("x", True), ("", False),
     ("0", False), ("No", False), ("n", False), ("false", False)],
)  # fmt: skip
def test_an_offcut_is_said_in_several_ways(word: str, is_offcut: bool) -> None:
    data = f"name,length_mm,count,is_offcut\na,100,1,{word}\n".encode()

    assert read_stock(data)[0].is_offcut is is_offcut


def test_a_row_may_leave_its_last_cells_out() -> None:
    data = b"name,length_mm,count,section,is_offcut,price,defects\na,100\n"

    assert read_stock(data) == (Stock("a", 100.0, None, "", False),)


def test_a_board_of_no_price_costs_none_and_of_nought_costs_nothing() -> None:
    data = b"name,length_mm,count,price\na,100,1,\nb,100,1,0\n"

    assert [board.price for board in read_stock(data)] == [None, 0.0]
