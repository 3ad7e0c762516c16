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
    assert tuple(map(str, second.notes)) == ()


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


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ("TAF ZZAA 031160Z 0312/0412 CAVOK TN04/0405Z=", "has no such day or time"),
        ("TAF ZZAA 321100Z 0312/0412 CAVOK TN04/0405Z=", "has no such day or time"),
        ("TAF ZZAA 032500Z 0312/0412 CAVOK TN04/0405Z=", "has no such day or time"),
        ("TAF ZZAA 031100Z 0312/0312 CAVOK TN04/0312Z=", "“0312/0312” is not a validity"),
        ("TAF ZZAA 031100Z 0312/0501 CAVOK TN04/0405Z=", "“0312/0501” is not a validity"),
        ("TAF ZZAA 031100Z 0413/0512 CAVOK TN04/0505Z=", "“0413/0512” is not a validity"),
        ("TAF ZZAA 031100Z 0312/0412 CAVOK TN04/0411Z TN03/0413Z=", "lies outside the message's"),
        ("TAF ZZAA 031100Z 0312/0412 CAVOK TN04/0311Z=", "lies outside the message's validity"),
        ("TAF ZZAA 031100Z 0312/0412 CAVOK TN61/0405Z=", "is outside −60 to +60 °C"),
        ("TAF ZZAA 031100Z 0312/0412 CAVOK TNM61/0405Z=", "is outside −60 to +60 °C"),
        ("TAF ZZAA 031100Z 0312/0412 CAVOK TN4/0405Z=", "“TN4/0405Z” is not a temperature group"),
        ("TAF ZZAA 031100Z 0312/0412 CAVOK TX14/0315Z=", "it carries no TN group"),
        ("TAF ZZAA 031100Z 0312/0412 CNL=", "it cancels an earlier one"),
        ("TAF ZZAA 031100Z NIL=", "it is a NIL message"),
    ],
)
def test_what_a_message_cannot_say_is_told_in_words(message: str, words: str) -> None:
    with pytest.raises(UnreadableFile) as refused:
        read_bytes(message, now=NOW)

    (fault,) = refused.value.errors
    assert words in str(fault)
    assert fault.line == 1


@pytest.mark.parametrize(
    ("message", "low_c", "low_at"),
    [
        ("taf zzaa 031100z 0312/0412 cavok tn60/0405z=", 60.0, at(4, 5)),
        ("TAF ZZAA 031100Z 0312/0412 CAVOK TNM60/0405Z=", -60.0, at(4, 5)),
        ("TAF ZZAA 031100Z 0318/0500 CAVOK TN04/0500Z=", 4.0, at(5, 0)),
        ("TAF ZZAA 031159Z 0312/0500 CAVOK TN04/0412Z=", 4.0, at(4, 12)),
        ("TAF ZZAA 031100Z 0411/0512 CAVOK TN04/0505Z=", 4.0, at(5, 5)),
        ("TAF ZZAA 031100Z 0312/0412 CAVOK TN00/0412Z=", 0.0, at(4, 12)),
    ],
)
def test_what_lies_at_the_edge_of_a_message_is_read(
    message: str, low_c: float, low_at: datetime
) -> None:
    night = only_night(read_bytes(message, now=NOW))

    assert (night.low_c, night.low_at) == (low_c, low_at)


def test_a_message_says_when_it_was_sent_and_for_whom() -> None:
    reading = read_bytes("TAF AMD ZZ9A 031642Z 0317/0412 CAVOK TN04/0405Z=", now=NOW)

    assert reading.issued_at == datetime(2026, 5, 3, 16, 42, tzinfo=UTC)
    assert reading.attribution == "Aerodrome forecast (TAF) for ZZ9A"
    assert tuple(map(str, reading.notes)) == (
        "A low in a TAF is in whole degrees and for the airfield; cloud and wind are not read.",
    )


def test_of_two_lows_of_a_night_the_colder_counts() -> None:
    for groups in ("TN04/0402Z TN02/0405Z", "TN02/0405Z TN04/0402Z", "TN02/0405Z TN02/0406Z"):
        night = only_night(read_bytes(f"TAF ZZAA 031100Z 0312/0412 {groups}=", now=NOW))

        assert (night.low_c, night.low_at) == (2.0, at(4, 5))


@pytest.mark.parametrize(
    ("validity", "notes"),
    [
        ("0401/0406", ()),  # from two to seven in the morning by London's clock
        (
            "0401/0405",
            ("The message ends at 06:00 on 4 May 2026, before the night does; it may get colder "
             "after.",),
        ),
        (
            "0402/0406",
            ("The message begins at 03:00 on 4 May 2026; it may have been colder before.",),
        ),
    ],
)  # fmt: skip
def test_a_message_that_covers_two_to_seven_in_the_morning_covers_the_night(
    validity: str, notes: tuple[str, ...]
) -> None:
    night = only_night(read_bytes(f"TAF ZZAA 031100Z {validity} TN02/0404Z=", now=NOW))

    assert tuple(map(str, night.notes)) == notes
    assert night.covers_night is (not notes)


def test_messages_of_several_places_are_refused_by_name() -> None:
    both = "TAF ZZBB 031100Z 0312/0412 TN02/0404Z=\n" + MESSAGES["base"]

    with pytest.raises(UnreadableFile, match=r"messages for ZZAA, ZZBB\. Paste those of one"):
        read_bytes(both, now=NOW)


def test_a_fault_in_the_second_message_is_told_with_its_line() -> None:
    first = "TAF ZZAA 031100Z 0312/0412 CAVOK TN05/0405Z="
    second = "TAF ZZAA 031700Z 0318/0418 CAVOK TN99/0405Z="

    with pytest.raises(UnreadableFile) as refused:
        read_bytes(f"\n{first}\n{second}\n", now=NOW)

    assert [fault.line for fault in refused.value.errors] == [3]


def test_only_what_stands_before_the_equals_sign_belongs_to_a_message() -> None:
    text = "TAF ZZAA 031100Z 0312/0412 CAVOK TN05/0405Z= TN01/0404Z"

    assert only_night(read_bytes(text, now=NOW)).low_c == 5.0


def test_a_day_that_the_month_beside_lacks_is_sought_in_the_next_but_one() -> None:
    # Read on 1 March: the last 31st was in January, as the next one is this very month.
    message = "TAF ZZAA 312300Z 0100/0206 CAVOK TN02/0104Z="

    reading = read_bytes(message, now=datetime(2026, 2, 1, 0, 10, tzinfo=UTC))

    assert reading.issued_at == datetime(2026, 1, 31, 23, tzinfo=UTC)
    assert only_night(reading).low_at == datetime(2026, 2, 1, 4, tzinfo=UTC)
