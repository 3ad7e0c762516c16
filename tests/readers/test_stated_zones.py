"""Time zones as files state them, against the IANA database and RFC 5322."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.stated_zones import meanings_in, name_of, same_zone, zone_beside, zone_in

DENVER, LONDON, BERLIN = (
    ZoneInfo(name) for name in ("America/Denver", "Europe/London", "Europe/Berlin")
)
WINTER = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("Time (UTC)", 0),
        ("Date Time, GMT-05:00", -5),
        ("Date Time, GMT−05:00", -5),
        ("(EST)", -5),  # RFC 5322, section 4.3
        ("PDT", -7),  # RFC 5322, section 4.3
        ("Timestamp (America/Los_Angeles)", -8),  # IANA, winter
        ("Asia/Kolkata", 5.5),  # IANA
        ("time utc+05:45", 5.75),
        ("+0100", 1),
        ("Zeit (MEZ)", 1),
        ("timestamp_utc", 0),
    ],
)
def test_a_zone_is_read(text: str, hours: float) -> None:
    zone = zone_in(text, BERLIN)

    assert zone is not None
    assert WINTER.astimezone(zone).utcoffset() == timedelta(hours=hours)


@pytest.mark.parametrize(
    "text", ["Time", "Temperature", "Date/Time", "Uhrzeit", "Temp -3.4", "2026-11-25"]
)
def test_no_zone_is_made_up(text: str) -> None:
    assert zone_in(text, BERLIN) is None


def test_an_abbreviation_of_the_garden_means_what_it_means_there() -> None:
    summer = zone_in("Time (BST)", LONDON)

    assert summer is not None
    assert WINTER.astimezone(summer).utcoffset() == timedelta(hours=1)


@pytest.mark.parametrize("word", ["BST", "IST", "AST"])
def test_an_abbreviation_of_several_zones_is_asked_about(word: str) -> None:
    with pytest.raises(BadFigure, match="several time zones"):
        zone_in(f"Time ({word})", DENVER)
    assert len(meanings_in(f"{word} stands for several")) >= 2


def test_an_offset_that_is_none_is_refused() -> None:
    with pytest.raises(BadFigure, match="offset"):
        zone_in("GMT+25:00", DENVER)


@pytest.mark.parametrize(
    ("cells", "hours"),
    [
        (("timezone", "GMT"), 0),
        (("utc_offset_seconds", "-25200"), -7),
        (("UTC offset hours", "2"), 2),
        (("# All times are in UTC",), 0),
        (("Zeitzone:", "Europe/Berlin"), 1),
    ],
)
def test_a_line_above_the_table_names_the_zone(cells: tuple[str, ...], hours: float) -> None:
    zone = zone_beside([("Station", "Lantern Lane"), cells], DENVER)

    assert zone is not None
    assert WINTER.astimezone(zone).utcoffset() == timedelta(hours=hours)


def test_lines_without_a_zone_name_none() -> None:
    assert zone_beside([("Station", "Lantern Lane"), ("Height", "240")], DENVER) is None


def test_local_means_the_gardens() -> None:
    assert zone_in("Local time", DENVER) is DENVER


def test_two_names_of_one_time_are_the_same() -> None:
    assert same_zone(ZoneInfo("Etc/GMT+7"), DENVER, WINTER)
    assert not same_zone(UTC, DENVER, WINTER)
    assert name_of(DENVER) == "America/Denver"
