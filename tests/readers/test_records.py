"""What a refusal says: every fault with its place, the first fifty in full."""

from __future__ import annotations

import pytest

from gardenapp.readers.records import (
    ColumnGuess,
    Faults,
    LineError,
    UnreadableFile,
    quoted,
    refuse,
)


@pytest.mark.parametrize(
    ("line", "column", "shown"),
    [
        (3, "Time", "line 3, Time: is late"),
        (3, "", "line 3: is late"),
        (None, "Time", "Time: is late"),
        (None, "", "is late"),
        (0, "", "line 0: is late"),
    ],
)
def test_a_fault_names_its_place(line: int | None, column: str, shown: str) -> None:
    assert str(LineError(line, column, "is late")) == shown
    assert str(refuse("is late", line=line, column=column)) == shown


def test_the_first_three_faults_are_the_errors_own_words() -> None:
    error = UnreadableFile([LineError(n, "", "bad") for n in range(1, 5)])

    assert str(error) == "line 1: bad; line 2: bad; line 3: bad"
    assert len(error.errors) == 4
    assert error.columns == ()


@pytest.mark.parametrize(("count", "shown", "last"), [(50, 50, "bad"), (51, 51, "and 1 more")])
def test_past_fifty_only_their_number_is_told(count: int, shown: int, last: str) -> None:
    faults = Faults()
    for _ in range(count):
        faults.add("bad")

    with pytest.raises(UnreadableFile) as gathered:
        faults.raise_if_any()
    straight = UnreadableFile([LineError(None, "", "bad")] * count)

    for error in (gathered.value, straight):
        assert len(error.errors) == shown
        assert str(error.errors[-1]) == last


def test_what_was_left_uncounted_and_what_was_cut_are_added_up() -> None:
    error = UnreadableFile([LineError(None, "", "bad")] * 52, more=3)

    assert str(error.errors[-1]) == "and 5 more"


def test_without_a_fault_nothing_is_raised_and_with_one_the_columns_come_along() -> None:
    columns = (ColumnGuess("Time", "time", "", ("1",)),)
    faults = Faults()
    faults.raise_if_any(columns=columns)
    faults.add("bad", line=2, column="Time")

    with pytest.raises(UnreadableFile) as refused:
        faults.raise_if_any(columns=columns)

    assert refused.value.columns == columns
    assert refused.value.errors == (LineError(2, "Time", "bad"),)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("mild", "“mild”"),
        (7, "“7”"),
        ("x" * 40, f"“{'x' * 40}”"),
        ("x" * 41, f"“{'x' * 40}…”"),
        ("a\nb\x00c", "“a?b?c”"),
        ("\ud800", "“?”"),
    ],
)
def test_a_piece_of_a_file_is_short_and_printable(text: object, shown: str) -> None:
    assert quoted(text) == shown
