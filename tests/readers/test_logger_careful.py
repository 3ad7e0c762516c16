"""The row-by-row reader of loggers' files: pieces of the file, and rows cut short."""

from __future__ import annotations

import pytest

from gardenapp.readers import logger_careful, logger_fast
from gardenapp.readers.logger import read_logger
from gardenapp.readers.logger_careful import texts_of
from gardenapp.readers.records import UnreadableFile
from tests.readers.samples_at import LONDON


@pytest.fixture(autouse=True)
def _no_quick_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logger_fast, "parse", lambda data, start, layout: None)


def test_a_file_is_cut_into_pieces_of_whole_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logger_careful, "_CHUNK_BYTES", 6)

    assert list(texts_of(b"ab\ncd\nef\ngh", None)) == [(6, 0, "ab\ncd\n"), (11, 2, "ef\ngh")]
    assert list(texts_of(b"ab\ncd\nef\ng", None)) == [(6, 0, "ab\ncd\n"), (10, 2, "ef\ng")]
    # A line longer than a piece is cut where the piece ends.
    assert list(texts_of(b"abcdefgh\nij", None)) == [(6, 0, "abcdef"), (11, 0, "gh\nij")]
    # Empty lines are counted and not read.
    assert list(texts_of(b"ab\ncd\n\n\n\n\n\n\nef\ngh", None)) == [
        (6, 0, "ab\ncd\n"),
        (17, 8, "ef\ngh"),
    ]
    assert list(texts_of(b"abc", None)) == [(3, 0, "abc")]


def test_the_line_of_a_letter_that_cannot_be_is_that_of_the_whole_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(logger_careful, "_CHUNK_BYTES", 6)

    with pytest.raises(UnreadableFile) as refused:
        list(texts_of(b"ab\ncd\nef\n\xff\n", None))

    assert [fault.line for fault in refused.value.errors] == [4]


def refusal(*rows: str) -> list[str]:
    lines = ["Temperature (°C),Humidity (%),Time", *rows, ""]
    with pytest.raises(UnreadableFile) as refused:
        read_logger("\n".join(lines).encode(), filename="a.csv", time_zone=LONDON)
    return [str(fault) for fault in refused.value.errors]


ROWS = [f"{i}.0,80,2026-05-13 {i:02d}:00" for i in range(9)]


def test_a_row_that_ends_before_its_time_is_told_with_its_line() -> None:
    assert refusal(*ROWS[:4], "4.0,80", *ROWS[4:]) == ["line 6, Time: has no date"]
    assert refusal(*ROWS[:4], f"{ROWS[4]},1,2", *ROWS[5:]) == [
        "line 6: has 5 cells where the header has 3"
    ]


def test_words_under_the_last_row_are_left_out_and_told() -> None:
    text = "\n".join(["Temperature (°C),Humidity (%),Time", *ROWS, "Mean,,", ""])

    reading = read_logger(text.encode(), filename="a.csv", time_zone=LONDON)

    assert len(reading.at_s) == 9
    assert any("Line 11, “Mean”, has no date and is left out" in str(n) for n in reading.notes)


@pytest.mark.parametrize("code", ["-999", "-9999", "-999.0", "-9999.00"])
@pytest.mark.parametrize("is_quick", [True, False])
def test_a_loggers_code_for_a_missing_figure_is_no_figure(
    monkeypatch: pytest.MonkeyPatch, code: str, is_quick: bool
) -> None:
    if is_quick:
        monkeypatch.undo()
    rows = [*ROWS[:4], ROWS[4].replace("4.0,", f"{code},", 1), *ROWS[5:]]
    text = "\n".join(["Temperature (°C),Humidity (%),Time", *rows, ""])

    reading = read_logger(text.encode(), filename="a.csv", time_zone=LONDON)

    assert reading.temp_c.tolist() == [0.0, 1.0, 2.0, 3.0, 5.0, 6.0, 7.0, 8.0]


@pytest.mark.parametrize("code", ["999", "9999", "-998"])
def test_a_figure_that_only_looks_like_such_a_code_is_told(code: str) -> None:
    rows = [*ROWS[:4], ROWS[4].replace("4.0,", f"{code},", 1), *ROWS[5:]]

    (told,) = refusal(*rows)

    assert told.startswith("line 6, Temperature (°C): ")


HEADER = "Temperature (°C),Humidity (%),Time"


def notes_of(*rows: str) -> tuple[str, ...]:
    text = "\n".join([HEADER, *rows, ""])
    read = read_logger(text.encode(), filename="a.csv", time_zone=LONDON)
    return tuple(map(str, read.notes))


def test_a_header_that_comes_again_is_left_out_as_often_as_it_comes() -> None:
    assert notes_of(*ROWS[:3], HEADER, *ROWS[3:6], HEADER, *ROWS[6:]) == (
        "The header comes 2 times more and is left out.",
    )


def test_at_most_five_rows_of_words_at_the_end_are_told() -> None:
    words = ["Mean,,", "Least,,", "Most,,", "Spread,,", "Sum,,", "Count,,", "Signed,,"]

    assert notes_of(*ROWS, *words) == tuple(
        f"Line {11 + number}, “{word.rstrip(',')}”, has no date and is left out."
        for number, word in enumerate(words[:5])
    )


def test_words_with_a_digit_in_a_times_place_are_told_and_not_left_out() -> None:
    assert refusal(*ROWS[:4], "4.0,80,day 5", *ROWS[5:]) == [
        "line 6, Time: “day 5” is not a date and time that is known here"
    ]


def test_a_time_that_cannot_be_is_told_and_the_others_are_read_on() -> None:
    told = refusal(*ROWS[:4], "4.0,80,2026-05-13 25:00", "mild,80,2026-05-13 05:00", *ROWS[6:])

    assert len(told) == 2
    assert told[0].startswith("line 6, Time: ")
    assert told[1] == "line 7, Temperature (°C): “mild” is not a number"


def test_lines_that_begin_with_a_hash_are_no_rows() -> None:
    text = "\n".join([HEADER, *ROWS[:4], "#read out,,2026-05-13 05:00", *ROWS[4:], ""])

    reading = read_logger(text.encode(), filename="a.csv", time_zone=LONDON)

    assert len(reading.at_s) == 9
    assert tuple(map(str, reading.notes)) == ()


def test_a_quotation_mark_left_open_far_down_is_told_with_the_line_in_the_whole_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(logger_careful, "_CHUNK_BYTES", 80)

    (told,) = refusal(*ROWS[:7], '7.0,"80,2026-05-13 07:00', ROWS[8])

    assert told.startswith("line 9")


def test_progress_is_told_as_a_share_of_the_files_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[float] = []
    text = "\n".join([HEADER, *ROWS, ""]).encode()
    monkeypatch.setattr(logger_careful, "_CHUNK_BYTES", len(text) // 2)

    read_logger(text, filename="a.csv", time_zone=LONDON, progress=told.append)

    assert told[0] == 0.0
    assert 0.3 < told[1] <= 0.4  # reading is four fifths of the work
    assert told[-3:] == [0.8, 0.9, 1.0]
