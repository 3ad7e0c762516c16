"""The open model API's JSON. Every document here is made by hand: right shape, invented values."""

from __future__ import annotations

import itertools
import json
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.records import ForecastReading, UnreadableFile
from gardenapp.readers.registry import read_forecast

BERLIN = ZoneInfo("Europe/Berlin")
EVENING = date(2026, 11, 25)


def document(hours: int = 24, **changes: Any) -> dict[str, Any]:
    """Twenty-four hours from six in the evening, -3.4 °C at four in the morning."""
    first = datetime(2026, 11, 25, 18)  # noqa: DTZ001  (the API's times carry no zone)
    temps = [round(1.5 - 0.49 * min(n, 20 - n), 2) if n <= 20 else 2.0 for n in range(hours)]
    return {
        "latitude": 49.88,
        "longitude": 10.92,
        "utc_offset_seconds": 3600,
        "timezone": "Europe/Berlin",
        "timezone_abbreviation": "CET",
        "elevation": 240.0,
        "hourly_units": {
            "time": "iso8601",
            "temperature_2m": "°C",
            "cloud_cover": "%",
            "wind_speed_10m": "km/h",
        },
        "hourly": {
            "time": [f"{first + timedelta(hours=n):%Y-%m-%dT%H:%M}" for n in range(hours)],
            "temperature_2m": temps,
            "cloud_cover": [20] * hours,
            "wind_speed_10m": [3.6] * hours,
        },
    } | changes


def read(content: Any, zone: ZoneInfo = BERLIN) -> ForecastReading:
    return read_forecast(
        json.dumps(content).encode(),
        filename="forecast.json",
        time_zone=zone,
        now=datetime(2026, 11, 25, 15, tzinfo=UTC),
    )


def test_hours_in_the_documents_zone_become_a_night() -> None:
    reading = read(document())
    night = reading.nights[0]
    assert (reading.kind, reading.elevation_m, reading.latitude) == ("open_model", 240.0, 49.88)
    assert "CC BY 4.0" in reading.attribution
    assert (night.night_of, night.low_c) == (EVENING, pytest.approx(-3.4))
    assert night.low_at == datetime(2026, 11, 26, 3, tzinfo=UTC)
    assert (night.cloud_fraction, night.wind_mps) == (pytest.approx(0.2), pytest.approx(1.0))


def test_every_unit_is_read_from_its_block() -> None:
    other = document()
    other["hourly_units"] |= {"temperature_2m": "°F", "wind_speed_10m": "mp/h", "time": "unixtime"}
    other["hourly"]["temperature_2m"] = [
        c * 9 / 5 + 32 for c in document()["hourly"]["temperature_2m"]
    ]
    other["hourly"]["wind_speed_10m"] = [2.2369363] * 24
    first = datetime(2026, 11, 25, 17, tzinfo=UTC)
    other["hourly"]["time"] = [int((first + timedelta(hours=n)).timestamp()) for n in range(24)]

    here, there = read(document()).nights[0], read(other).nights[0]
    assert there.low_c == pytest.approx(here.low_c)
    assert there.low_at == here.low_at
    assert there.wind_mps == pytest.approx(here.wind_mps, abs=1e-6)


def test_times_without_a_named_zone_are_in_utc_or_at_the_offset() -> None:
    gmt = read(document(timezone="GMT", utc_offset_seconds=0)).nights[0]
    assert gmt.low_at == datetime(2026, 11, 26, 4, tzinfo=UTC)
    shifted = read(document(timezone="Nowhere/Atlantis", utc_offset_seconds=-18_000)).nights[0]
    assert shifted.low_at == datetime(2026, 11, 26, 9, tzinfo=UTC)


def test_the_hour_told_twice_when_clocks_go_back_is_two_hours() -> None:
    content = document(26)
    first = datetime(2026, 10, 24, 18, tzinfo=BERLIN).astimezone(UTC)
    content["hourly"]["time"] = [
        f"{(first + timedelta(hours=n)).astimezone(BERLIN):%Y-%m-%dT%H:%M}" for n in range(26)
    ]
    hours = read(content).nights[0].hours
    steps = {b.at - a.at for a, b in itertools.pairwise(hours)}
    assert steps == {timedelta(hours=1)}


def test_what_is_null_is_left_out_and_never_nought() -> None:
    content = document()
    content["hourly"]["temperature_2m"][3] = None
    content["hourly"]["cloud_cover"] = [None] * 24
    night = read(content).nights[0]
    assert len(night.hours) == 18 - 1  # to noon
    assert night.cloud_fraction is None


def test_days_minima_alone_are_taken_for_the_mornings_of_their_dates() -> None:
    content = document()
    del content["hourly"], content["hourly_units"]
    content["daily_units"] = {"time": "iso8601", "temperature_2m_min": "°C"}
    content["daily"] = {
        "time": ["2026-11-25", "2026-11-26", "2026-11-27"],
        "temperature_2m_min": [-0.6, -3.4, None],
    }
    reading = read(content)
    assert {n.night_of: n.low_c for n in reading.nights} == {
        date(2026, 11, 24): -0.6,
        EVENING: -3.4,
    }
    assert "calendar" in str(reading.notes[0]) or "day it" in str(reading.notes[0])


def test_a_days_minimum_colder_than_its_hours_wins() -> None:
    content = document(
        daily_units={"time": "iso8601", "temperature_2m_min": "°C"},
        daily={"time": ["2026-11-26"], "temperature_2m_min": [-9.0]},
    )
    assert read(content).nights[0].low_c == pytest.approx(-9.0)
    content["daily"]["temperature_2m_min"] = [-1.0]
    assert read(content).nights[0].low_c == pytest.approx(-3.4)


def without(block: str, name: str) -> dict[str, Any]:
    content = document()
    del content[block][name]
    return content


def with_models() -> dict[str, Any]:
    content = document()
    content["hourly"]["temperature_2m_model_a"] = content["hourly"].pop("temperature_2m")
    return content


def changed(block: str, name: str, value: Any) -> dict[str, Any]:
    content = document()
    content[block][name] = value
    return content


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"error": True, "reason": "Latitude must be in range"}, "Latitude must be in range"),
        ([document(), document()], "holds 2 places"),
        (with_models(), "several models or members"),
        (without("hourly", "temperature_2m"), "is missing"),
        (without("hourly_units", "temperature_2m"), "is missing"),
        (changed("hourly_units", "temperature_2m", "K"), "not °C or °F"),
        (changed("hourly_units", "wind_speed_10m", "bft"), "not a unit of wind"),
        (changed("hourly", "cloud_cover", [1, 2]), "2 entries where there are 24 times"),
        (changed("hourly", "temperature_2m", [None] * 24), "no temperatures at all"),
        (changed("hourly", "temperature_2m", [85.0] * 24), "outside −60 to +60"),
        (changed("hourly", "time", ["soon"] * 24), "no date and time"),
        (changed("hourly_units", "time", "unixtime"), "expected a number"),
        (document(timezone="Nowhere/Atlantis", utc_offset_seconds=None), "no time zone"),
        (document(utc_offset_seconds=1e9, timezone="GMT"), "no offset"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_place(content: Any, says: str) -> None:
    with pytest.raises(UnreadableFile) as refused:
        read(content)
    assert says in str(refused.value.errors[0])


def test_a_list_of_one_place_is_that_place() -> None:
    assert read([document()]).nights[0].night_of == EVENING
