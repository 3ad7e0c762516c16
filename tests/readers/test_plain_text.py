"""A file's bytes become text, or the reason is told in words with the line."""

from __future__ import annotations

import pytest

from gardenapp.readers.plain_text import LARGEST_BYTES, SAVE_AS_UTF8, decode
from gardenapp.readers.records import UnreadableFile


def refusal(data: bytes, *, encoding: str | None = None, largest_bytes: int = 100) -> str:
    with pytest.raises(UnreadableFile) as refused:
        decode(data, encoding=encoding, largest_bytes=largest_bytes)
    (fault,) = refused.value.errors
    return str(fault)


def test_utf_8_is_read_with_its_mark_or_without() -> None:
    assert decode("5 °C\n".encode(), encoding=None) == "5 °C\n"
    assert decode(b"\xef\xbb\xbf" + "5 °C\n".encode(), encoding=None) == "5 °C\n"
    # The mark says UTF-8 whatever was chosen.
    assert decode(b"\xef\xbb\xbf" + "5 °C\n".encode(), encoding="cp1252") == "5 °C\n"


def test_windows_1252_is_read_where_it_was_chosen() -> None:
    assert decode("5 °C\n".encode("cp1252"), encoding="cp1252") == "5 °C\n"


def test_bytes_that_are_no_such_text_are_told_with_their_line() -> None:
    assert refusal(b"a\nb\nc \xb0\n") == f"line 3: This is not UTF-8 text. {SAVE_AS_UTF8}"
    assert refusal(b"a\nb \x81\n", encoding="cp1252") == "line 2: This is not Windows-1252 text."
    assert refusal("a".encode("utf-16")[:-1]) == f"This is not UTF-16 text. {SAVE_AS_UTF8}"
    assert refusal(b"\xef\xbb\xbfa\n\xb0", encoding="cp1252").startswith(
        "line 2: This is not UTF-8"
    )


def test_control_characters_are_told_each_with_its_line() -> None:
    with pytest.raises(UnreadableFile) as refused:
        decode(b"a\tb\r\n\x00c\n\nd\x1b\x7f\n", encoding=None)

    assert [str(fault).partition(";")[0] for fault in refused.value.errors] == [
        "line 2: holds the control character U+0000",
        "line 4: holds the control character U+001B",
        "line 4: holds the control character U+007F",
    ]
    assert decode(b"a\n\x00\x00", encoding=None) == "a\n"  # a block filled up
    assert refusal(b"\n\x00a").startswith("line 2: holds the control character U+0000")


def test_a_file_of_the_largest_size_is_read_and_one_byte_more_is_not() -> None:
    assert decode(b"x" * 100, encoding=None, largest_bytes=100) == "x" * 100
    assert refusal(b"x" * 1101, largest_bytes=1100) == (
        "The file has 1,101 bytes; at most 1,100 are read. Export fewer days."
    )
    assert LARGEST_BYTES == 2_000_000


@pytest.mark.parametrize(
    ("start", "what"),
    [
        (b"\x89PNG\r\n", "a picture"),
        (b"\xff\xd8\xff\xe0", "a picture"),
        (b"GIF89a", "a picture"),
        (b"%PDF-1.7", "a PDF document"),
        (b"PK\x03\x04", "a spreadsheet workbook or a zip archive"),
        (b"\xd0\xcf\x11\xe0", "a spreadsheet workbook"),
        (b"\x1f\x8b\x08", "a compressed file"),
        (b"SQLite format 3\x00", "a database"),
    ],
)
def test_another_kind_of_file_is_called_by_its_name(start: bytes, what: str) -> None:
    assert refusal(start) == f"This is {what}, not a table or a forecast. Export it as CSV."


@pytest.mark.parametrize("text", ["<!DOCTYPE html>", "  <HTML>", "\n<head>", "<body ", "<?xml "])
def test_a_web_page_is_called_one(text: str) -> None:
    assert refusal(text.encode()) == (
        "line 1: This is a web page, not a forecast. Was the wrong address saved?"
    )


@pytest.mark.parametrize("data", [b"", b" \n\t\r\n"])
def test_an_empty_file_is_called_empty(data: bytes) -> None:
    assert refusal(data) == "The file is empty."
