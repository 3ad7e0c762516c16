"""Twelve-hour periods. Every document here is made by hand: right shape, invented values."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.records import ForecastReading, UnreadableFile
from gardenapp.readers.registry import read_forecast

CHICAGO = ZoneInfo("America/Chicago")


def period(name: str, start: str, end: str, temperature: Any, **changes: Any) -> dict[str, Any]:
    return {
        "name": name,
        "startTime": start,
        "endTime": end,
        "isDaytime": False,
        "temperature": temperature,
        "temperatureUnit": "F",
        "temperatureTrend": None,
        "windSpeed": "5 to 10 mph",
        "shortForecast": "Mostly Clear",
    } | changes


def document() -> dict[str, Any]:
    return {
        "geometry": {"type": "Point", "coordinates": [-88.0, 41.9]},
        "properties": {
            "updateTime": "2026-11-25T20:00:00+00:00",
            "periods": [
                period("Tonight", "2026-11-25T18:00:00-06:00", "2026-11-26T06:00:00-06:00", 28),
                period(
                    "Thursday", "2026-11-26T06:00:00-06:00", "2026-11-26T18:00:00-06:00", 44,
                    isDaytime=True,
                ),
                period(
                    "Thursday Night", "2026-11-26T18:00:00-06:00", "2026-11-27T06:00:00-06:00",
                    {"unitCode": "wmoUnit:degC", "value": -4.0}, windGust="20 mph",
                ),
            ],
        },
    }  # fmt: skip


def read(content: Any) -> ForecastReading:
    return read_forecast(
        json.dumps(content).encode(),
        filename="forecast.json",
        time_zone=CHICAGO,
        now=datetime(2026, 11, 25, 21, tzinfo=UTC),
    )


def test_a_period_of_night_states_the_low_of_the_evening_it_begins_on() -> None:
    reading = read(document())
    assert reading.kind == "nws_periods"
    lows = {night.night_of: round(night.low_c, 2) for night in reading.nights}
    assert lows == {date(2026, 11, 25): -2.22, date(2026, 11, 26): -4.0}
    assert reading.nights[0].wind_mps == pytest.approx(3.3528)
    assert reading.nights[1].gust_mps == pytest.approx(8.9408)
    assert reading.issued_at == datetime(2026, 11, 25, 20, tzinfo=UTC)
    assert (reading.latitude, reading.longitude) == (41.9, -88.0)


def test_overnight_belongs_to_the_evening_before() -> None:
    content = document()
    content["properties"]["periods"][0] |= {
        "name": "Overnight",
        "startTime": "2026-11-26T01:00:00-06:00",
    }
    first, later = read(content).nights
    assert first.night_of == date(2026, 11, 25)
    assert (first.covers_night, later.covers_night) == (False, True)
    assert "after midnight" in str(first.notes[0])


def test_of_two_lows_for_a_night_the_colder_counts_and_an_unknown_one_does_not() -> None:
    content = document()
    again = period("Tonight", "2026-11-25T18:00:00-06:00", "2026-11-26T06:00:00-06:00", 20)
    content["properties"]["periods"].append(again)
    content["properties"]["periods"][2]["temperature"] = {"unitCode": "wmoUnit:degC", "value": None}
    nights = read(content).nights
    assert [(n.night_of.day, round(n.low_c, 1)) for n in nights] == [(25, -6.7)]


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("isDaytime", "no", "not true or false"),
        ("temperature", "cold", "expected a number"),
        ("temperatureUnit", "K", "not °C or °F"),
        ("temperature", 300, "outside −60 to +60"),
        ("startTime", "2026-11-25T18:00:00", "offset"),
    ],
)
def test_a_period_that_cannot_be_is_refused_with_its_place(
    name: str, value: Any, says: str
) -> None:
    content = document()
    content["properties"]["periods"][0][name] = value
    with pytest.raises(UnreadableFile) as refused:
        read(content)
    assert says in str(refused.value.errors[0])


def test_days_alone_hold_no_night() -> None:
    content = document()
    for one in content["properties"]["periods"]:
        one["isDaytime"] = True
    with pytest.raises(UnreadableFile, match="no period of night"):
        read(content)
