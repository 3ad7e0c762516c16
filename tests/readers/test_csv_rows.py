"""A table's text cut into rows: separators, lines, limits and names, each at its edge."""

from __future__ import annotations

import pytest

from gardenapp.readers import csv_rows
from gardenapp.readers.csv_rows import Row, headers_of, rows_of, separator_of
from gardenapp.readers.records import UnreadableFile


def refusal(text: str) -> str:
    with pytest.raises(UnreadableFile) as refused:
        rows_of(text, ",")
    return "\n".join(map(str, refused.value.errors))


@pytest.mark.parametrize(
    ("lines", "separator"),
    [
        (["a;b", "1;2"], ";"),
        (["a;b", "1 2"], ";"),  # half of the lines
        (["a;b", "1 2", "3 4"], ","),
        (["a\tb", "1\t2"], "\t"),
        (["a;b\tc", "1;2\t3"], ";"),  # both: decimal commas need the semicolon
        (["a,b", "1,2"], ","),
        (["alone"], ","),
        ([], ";"),
        (["", " ", "a;b", "", "1;2", ""], ";"),  # empty lines do not count
        # Only the first twenty lines judge.
        ([*["a;b"] * 10, *["a,b"] * 90], ";"),
        ([*["a;b"] * 9, *["a,b"] * 11, *["a;b"] * 90], ","),
    ],
    ids=repr,
)
def test_the_separator_is_what_half_of_the_first_lines_hold(
    lines: list[str], separator: str
) -> None:
    assert separator_of("\n".join(lines)) == separator


def test_rows_keep_the_line_they_begin_on() -> None:
    text = 'a, b \n\n , \n"two\nlines",2\nlast,3\n'

    assert rows_of(text, ",") == [
        Row(1, ("a", "b")),
        Row(4, ("two\nlines", "2")),
        Row(6, ("last", "3")),
    ]


def test_a_quotation_mark_left_open_is_told_with_the_line_it_is_on() -> None:
    assert refusal('a,b\n1,"2\n3,4\n').startswith("line 2: A quotation mark is opened here")
    assert refusal('a,b\n\n1,"2"x\n').startswith("line 3: A quotation mark is opened here")


def test_limits_are_reached_and_not_passed(monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(rows_of(",".join(["1"] * 200), ",")[0].cells) == 200
    assert "line 2: has 201 columns; at most 200" in refusal("a\n" + ",".join(["1"] * 201))
    assert rows_of("x" * 2_000, ",")
    long = refusal("a\n" + "x" * 2_001 + "\nb\n" + "y" * 2_001)
    assert "line 2: has a cell of over 2,000 characters" in long
    assert "line 4: has a cell of over 2,000 characters" in long
    monkeypatch.setattr(csv_rows, "MOST_ROWS", 3)
    assert len(rows_of("a\nb\n\nc\n\n", ",")) == 3
    assert "line 5: The table goes on past 3 rows" in refusal("a\nb\n\nc\nd\n")


def test_each_column_has_one_name_of_its_own() -> None:
    assert headers_of([Row(1, ("t", "", "t", "t", "x"))]) == (
        "t",
        "column 2",
        "t (2)",
        "t (3)",
        "x",
    )
    # Two lines of headers, the upper one shorter.
    assert headers_of([Row(1, ("air", "")), Row(2, ("low", "high", ""))]) == (
        "air low",
        "high",
        "column 3",
    )
    assert headers_of([Row(1, ("x" * 100, "y" * 101))]) == ("x" * 100, "y" * 100)
