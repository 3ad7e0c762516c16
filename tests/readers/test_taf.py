from __future__ import annotations

from datetime import UTC, datetime

import pytest

from gardenapp.readers.records import UnreadableFile
from tests.readers.samples_at import BERLIN, LONDON, only_night, read_bytes, sample

WMO_306 = "WMO-No. 306, Manual on Codes, FM 51 TAF, groups TXTFTF/YFYFGFGFZ and TNTFTF/YFYFGFGFZ"
NOW = datetime(2026, 5, 3, 16, 45, tzinfo=UTC)


def messages() -> dict[str, str]:
    found = {}
    for line in sample("taf_tx_tn_handmade.txt").decode().splitlines():
        if not line.startswith("#"):
            label, message, _ = line.split("\t")
            found[label] = message.replace("\\n", "\n")
    return found


MESSAGES = messages()


def at(day: int, hour: int, month: int = 5) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=UTC)


@pytest.mark.outside(WMO_306)
@pytest.mark.parametrize(
    ("label", "expected"),
    [
        ("base", [("2026-05-03", 1.0, at(4, 5))]),
        ("minus", [("2026-05-03", -2.0, at(4, 4))]),
        ("minus_zero", [("2026-05-03", -0.25, at(4, 4))]),
        ("two_lows", [("2026-05-02", 3.0, at(3, 6)), ("2026-05-03", -1.0, at(4, 4))]),
        ("amended", [("2026-05-03", 0.0, at(4, 6))]),
        ("hour_24", [("2026-05-03", 2.0, at(4, 0))]),
        ("multiline", [("2026-05-03", -1.0, at(4, 5))]),
    ],
)
def test_the_lows_of_a_message_are_read(
    label: str, expected: list[tuple[str, float, datetime]]
) -> None:
    reading = read_bytes(MESSAGES[label], now=NOW)

    found = [(n.night_of.isoformat(), n.low_c, n.low_at) for n in reading.nights]
    assert reading.kind == "taf"
    assert found == expected


@pytest.mark.outside(f"{WMO_306}; day of the month only")
def test_a_message_at_the_end_of_a_month_reaches_into_the_next() -> None:
    now = datetime(2026, 5, 30, 23, 20, tzinfo=UTC)

    reading = read_bytes(MESSAGES["month_end"], now=now)

    assert reading.issued_at == datetime(2026, 5, 30, 23, 0, tzinfo=UTC)
    assert only_night(reading).low_at == at(1, 4, month=6)
    assert only_night(reading).night_of.isoformat() == "2026-05-31"


def test_a_message_of_the_old_year_is_read_in_the_new() -> None:
    message = "TAF ZZAA 312300Z 0100/0206 CAVOK TN02/0104Z="

    reading = read_bytes(message, now=datetime(2027, 1, 1, 0, 10, tzinfo=UTC))

    assert reading.issued_at == datetime(2026, 12, 31, 23, 0, tzinfo=UTC)
    assert only_night(reading).low_at == datetime(2027, 1, 1, 4, tzinfo=UTC)


@pytest.mark.parametrize("label", ["no_temps", "cancelled", "nil"])
def test_a_message_without_a_low_says_so(label: str) -> None:
    with pytest.raises(UnreadableFile, match="no low in this message"):
        read_bytes(MESSAGES[label], now=NOW)


def test_just_under_zero_is_told() -> None:
    night = only_night(read_bytes(MESSAGES["minus_zero"], now=NOW))

    assert "M00 stands for just under zero; −0.25 °C is taken." in map(str, night.notes)


def test_a_message_that_ends_in_the_night_says_it_may_get_colder() -> None:
    message = "TAF ZZAA 031100Z 0312/0400 CAVOK TN04/0400Z="

    night = only_night(read_bytes(message, now=NOW))

    assert not night.covers_night
    assert any("may get colder after" in str(note) for note in night.notes)


def test_a_message_that_begins_at_dawn_says_it_may_have_been_colder() -> None:
    first, second = read_bytes(MESSAGES["two_lows"], now=NOW).nights

    assert any("may have been colder before" in str(note) for note in first.notes)
    assert second.notes == ()


def test_of_two_messages_for_a_place_the_later_counts() -> None:
    both = (
        MESSAGES["amended"]
        + "\n"
        + MESSAGES["amended"]
        .replace("031640Z", "031100Z")
        .replace("TN00", "TN05")
        .replace("0317/0412", "0312/0412")
    )

    reading = read_bytes(both, now=NOW)

    assert only_night(reading).low_c == 0.0
    assert "Of 2 messages the latest is read." in map(str, reading.notes)


def test_the_night_is_that_of_the_gardens_zone() -> None:
    message = "TAF ZZAA 031100Z 0306/0406 CAVOK TN04/0311Z="

    assert only_night(read_bytes(message, now=NOW, zone=LONDON)).night_of.day == 3
    assert only_night(read_bytes(message, now=NOW, zone=BERLIN)).night_of.day == 3
    assert only_night(read_bytes(message.replace("0311Z", "0310Z"), now=NOW)).night_of.day == 2
