"""Numbers typed off a ticked sheet, whatever keyboard they come from."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.readers.job_numbers import read_numbers, shortly


@pytest.mark.parametrize(
    ("typed", "numbers"),
    [
        ("", ()),
        (" \n ", ()),
        ("7", (7,)),
        ("1-5, 8 12", (1, 2, 3, 4, 5, 8, 12)),
        ("1–3", (1, 2, 3)),
        ("1 — 3", (1, 2, 3)),
        ("1 −3;9", (1, 2, 3, 9)),
        ("1,2,,3 ,", (1, 2, 3)),
        ("1. 2. 3.", (1, 2, 3)),
        ("4\r\n5\n6", (4, 5, 6)),
        ("12 3", (12, 3)),
        ("007", (7,)),
        ("5-5", (5,)),
    ],
)
def test_what_people_type_is_read(typed: str, numbers: tuple[int, ...]) -> None:
    found = read_numbers(typed)

    assert found.numbers == numbers
    assert found.unread == ()
    assert found.twice == ()


def test_a_number_typed_twice_is_named_and_counts_once() -> None:
    found = read_numbers("3, 1-4 9 9")

    assert found.numbers == (3, 1, 2, 4, 9)
    assert found.twice == (3, 9)


@pytest.mark.parametrize(
    ("typed", "pieces"),
    [
        ("1 x 2", ["x"]),
        ("1-", ["1-"]),
        ("-4", ["-4"]),
        ("9-6", ["9-6"]),
        ("1-2-3", ["1-2-3"]),
        ("12345", ["12345"]),
        ("²", ["²"]),
        ("٣", ["٣"]),
        ("<b>", ["<b>"]),
    ],
)
def test_what_is_no_number_is_named_as_it_was_typed(typed: str, pieces: list[str]) -> None:
    found = read_numbers(typed)

    assert [piece.text for piece in found.unread] == pieces
    assert all(str(piece.why) for piece in found.unread)


def test_a_range_that_runs_backwards_says_so() -> None:
    (piece,) = read_numbers("9-6").unread

    assert "larger" in str(piece.why)


def test_numbers_are_written_shortly() -> None:
    assert shortly([]) == ""
    assert shortly([8, 1, 2, 3, 12, 13, 3]) == "1–3, 8, 12, 13"


@given(st.sets(st.integers(1, 9999), max_size=200))
def test_what_is_written_shortly_reads_back_the_same(numbers: set[int]) -> None:
    found = read_numbers(shortly(numbers))

    assert found.numbers == tuple(sorted(numbers))
    assert found.unread == ()


@given(st.text(max_size=60))
def test_nothing_typed_makes_it_fall(text: str) -> None:
    found = read_numbers(text)

    assert len(set(found.numbers)) == len(found.numbers)
