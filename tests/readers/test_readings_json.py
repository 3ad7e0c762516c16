"""What loggers send by themselves."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from gardenapp.readers.readings_json import (
    MOST_READINGS,
    SentReading,
    UnreadableFile,
    read_readings,
)

GOOD = {"id": "a-1", "at": "2026-11-24T18:40:00+01:00", "temp_c": -0.4, "humidity_percent": 93}


def sent(**changes: object) -> bytes:
    return json.dumps(GOOD | changes).encode()


def test_one_reading_comes_in_utc() -> None:
    assert read_readings(sent()) == (
        SentReading("a-1", datetime(2026, 11, 24, 17, 40, tzinfo=UTC), -0.4, 93.0),
    )


def test_a_list_keeps_its_order_and_humidity_may_be_missing() -> None:
    rows = [GOOD | {"id": str(n), "humidity_percent": None} for n in (2, 1)]

    found = read_readings(json.dumps(rows).encode())

    assert [reading.key for reading in found] == ["2", "1"]
    assert found[0].humidity_percent is None


def test_z_and_whole_numbers_are_taken() -> None:
    (found,) = read_readings(sent(at="2026-11-24T18:40:00Z", temp_c=3))

    assert found.at == datetime(2026, 11, 24, 18, 40, tzinfo=UTC)
    assert found.temp_c == 3.0


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"id": 7}, "id"),
        ({"id": ""}, "id"),
        ({"id": "x" * 81}, "id"),
        ({"id": "\ud800"}, "id"),
        ({"id": "a\n"}, "id"),
        ({"at": "2026-11-24T18:40:00"}, "at"),
        ({"at": "2026-11-24"}, "at"),
        ({"at": 1764009600}, "at"),
        ({"at": "0001-01-01T00:00:00+23:59"}, "at"),
        ({"at": "yesterday at noon"}, "at"),
        ({"temp_c": "3"}, "temp_c"),
        ({"temp_c": True}, "temp_c"),
        ({"temp_c": None}, "temp_c"),
        ({"temp_c": 85.1}, "temp_c"),
        ({"temp_c": -60.1}, "temp_c"),
        ({"temp_c": 10**400}, "temp_c"),
        ({"humidity_percent": 101}, "humidity_percent"),
        ({"humidity_percent": "wet"}, "humidity_percent"),
        ({"temperature": 3}, ""),
    ],
    ids=lambda value: ascii(value)[:34],
)
def test_a_wrong_value_is_refused_with_its_place(changes: dict[str, object], where: str) -> None:
    with pytest.raises(UnreadableFile) as refusal:
        read_readings(sent(**changes))

    assert refusal.value.errors[0].column == where


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"[]",
        b"null",
        b"3",
        b'"text"',
        b"{",
        b"[[]]",
        b'{"id": "a"}',
        b"\xff\xfe",
        b'{"id":"a","id":"b","at":"2026-11-24T18:40:00Z","temp_c":1}',
        b'{"id":"a","at":"2026-11-24T18:40:00Z","temp_c":NaN}',
        b'{"id":"a","at":"2026-11-24T18:40:00Z","temp_c":Infinity}',
        b'{"id":"a","at":"2026-11-24T18:40:00Z","temp_c":1e999}',
        b'{"id":"a","at":"2026-11-24T18:40:00Z","temp_c":' + b"9" * 5000 + b"}",
        b"[" * 100_000,
        b" " * 256_001,
    ],
    ids=range(16),
)
def test_what_is_no_reading_is_refused(data: bytes) -> None:
    with pytest.raises(UnreadableFile):
        read_readings(data)


def test_too_many_readings_are_refused() -> None:
    with pytest.raises(UnreadableFile, match="500"):
        read_readings(json.dumps([GOOD] * (MOST_READINGS + 1)).encode())


def test_an_error_in_a_list_says_which() -> None:
    rows = [GOOD, GOOD | {"temp_c": "x"}]

    with pytest.raises(UnreadableFile) as refusal:
        read_readings(json.dumps(rows).encode())

    assert refusal.value.errors[0].column == "[1].temp_c"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"id": "x"}, "x"),
        ({"id": "x" * 80}, "x" * 80),
        ({"temp_c": -60}, -60.0),
        ({"temp_c": 85.0}, 85.0),
        ({"humidity_percent": 0}, 0.0),
        ({"humidity_percent": 100}, 100.0),
    ],
)
def test_what_lies_just_inside_the_limits_is_taken(
    changes: dict[str, object], expected: object
) -> None:
    (found,) = read_readings(sent(**changes))

    assert expected in (found.key, found.temp_c, found.humidity_percent)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"id": ""}, "id: Give each reading an id of 1 to 80 characters."),
        ({"id": "ä"}, "id: Use letters, digits and signs of ASCII only."),
        ({"id": "a\t"}, "id: Use letters, digits and signs of ASCII only."),
        ({"temp_c": None}, "temp_c: This must be a number, without quotes."),
        ({"temp_c": True}, "temp_c: This must be a number, without quotes."),
        ({"temp_c": 86}, "temp_c: This must lie between -60 and 85."),
        ({"humidity_percent": -1}, "humidity_percent: This must lie between 0 and 100."),
        (
            {"at": "2026-11-24T18:40"},
            "at: The moment has no offset from UTC. Write the moment as "
            "2026-11-24T18:40:00+00:00 or with Z at its end.",
        ),
        (
            {"at": "2026-11-24T18Z"},
            "at: Write the moment as 2026-11-24T18:40:00+00:00 or with Z at its end.",
        ),
        (
            {"at": "2026-13-24T18:40:00Z"},
            "at: Write the moment as 2026-11-24T18:40:00+00:00 or with Z at its end.",
        ),
        (
            {"colour": 1},
            "“colour” is not known; known are id, at, temp_c, humidity_percent.",
        ),
    ],
)
def test_a_sender_is_told_what_to_write(changes: dict[str, object], words: str) -> None:
    with pytest.raises(UnreadableFile) as refusal:
        read_readings(sent(**changes))

    assert str(refusal.value) == words


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b" " * 256_001, "At most 256,000 bytes are taken in one call."),
        (b"\xff", "The text is not UTF-8."),
        (b"[" * 100_000, "The JSON is nested too deep."),
        (b"[]", "The list is empty."),
        (b"[3]", "[0]: A reading is an object."),
        (b"3", "A reading is an object."),
        (b'{"temp_c": NaN}', "This is not JSON that can be taken: NaN."),
        (
            b'{"a":1,"a":2}',
            "This is not JSON that can be taken: a name stands twice in one object.",
        ),
    ],
    ids=range(8),
)
def test_what_is_no_reading_is_refused_in_words(data: bytes, words: str) -> None:
    with pytest.raises(UnreadableFile) as refusal:
        read_readings(data)

    assert str(refusal.value) == words


def test_five_hundred_readings_and_a_quarter_of_a_megabyte_are_taken() -> None:
    rows = [GOOD | {"id": str(n)} for n in range(MOST_READINGS)]
    data = json.dumps(rows).encode()

    assert len(read_readings(data)) == 500
    assert len(read_readings(data + b" " * (256_000 - len(data)))) == 500
    with pytest.raises(UnreadableFile, match="At most 500 readings are taken in one call, not 501"):
        read_readings(json.dumps([*rows, GOOD]).encode())


def test_a_moment_of_sixteen_characters_is_the_shortest_and_of_forty_the_longest() -> None:
    def with_digits(count: int) -> bytes:
        return sent(at=f"2026-11-24T18:40:00.{'0' * count}+01:00")

    (short,) = read_readings(sent(at="20261124T184000Z"))
    (long,) = read_readings(with_digits(14))

    assert short.at == datetime(2026, 11, 24, 18, 40, tzinfo=UTC)
    assert long.at == datetime(2026, 11, 24, 17, 40, tzinfo=UTC)
    with pytest.raises(UnreadableFile, match="Write the moment as"):
        read_readings(with_digits(15))
