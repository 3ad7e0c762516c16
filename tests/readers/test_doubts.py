"""Whose forecast, of when, and a lone cold hour."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers import doubts
from gardenapp.readers.nights import nights_from_hours
from gardenapp.readers.records import ForecastReading, HourForecast, NightForecast, ReadOptions

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 11, 25, 15, tzinfo=UTC)
HOME = doubts.Home(latitude=49.88, longitude=10.92, height_m=240.0)
NIGHT = NightForecast(night_of=date(2026, 11, 25), low_c=-3.4)
READING = ForecastReading(kind="open_model", nights=(NIGHT,))


def asks(reading: ForecastReading, home: doubts.Home = HOME) -> list[str]:
    found = doubts.doubts_about(reading, home=home, time_zone=BERLIN, now=NOW)
    return [one.ask for one in found]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, []),
        # Published: a degree of latitude is 111.1 km on the mean sphere (6 371 km x pi / 180).
        ({"latitude": 49.88 + 29 / 111.2, "longitude": 10.92}, []),
        ({"latitude": 49.88 + 31 / 111.2, "longitude": 10.92}, ["place"]),
        ({"elevation_m": 530.0}, []),
        ({"elevation_m": 545.0}, ["height"]),
        ({"issued_at": NOW - timedelta(hours=35)}, []),
        ({"issued_at": NOW - timedelta(days=4)}, ["issue"]),
        ({"issued_at": NOW + timedelta(hours=3)}, ["issue"]),
        ({"nights": (replace(NIGHT, night_of=date(2027, 11, 25)),)}, ["nights"]),
    ],
)
def test_a_person_is_asked_whose_forecast_this_is(
    changes: dict[str, object], expected: list[str]
) -> None:
    assert asks(replace(READING, **changes)) == expected  # type: ignore[arg-type]


def test_a_height_that_nobody_has_said_is_not_held_against_a_forecast() -> None:
    home = replace(HOME, height_m=None)

    assert asks(replace(READING, elevation_m=1600.0), home) == []


def test_what_is_over_is_not_doubted_for_its_age() -> None:
    past = replace(NIGHT, night_of=date(2026, 11, 1))

    assert asks(replace(READING, nights=(past,), issued_at=NOW - timedelta(days=24))) == []


def spiked(value_c: float) -> ForecastReading:
    begin = datetime(2026, 11, 25, 12, tzinfo=BERLIN)
    hours = [
        HourForecast(
            at=(begin + timedelta(hours=n)).astimezone(UTC), temp_c=value_c if n == 14 else -1.0
        )
        for n in range(24)
    ]
    nights, _ = nights_from_hours(hours, time_zone=BERLIN)
    return replace(READING, nights=tuple(nights))


def test_a_lone_cold_hour_is_asked_about_dropped_or_kept() -> None:
    reading = spiked(-40.0)

    same, found = doubts.without_spikes(reading, time_zone=BERLIN, options=ReadOptions())
    assert [one.ask for one in found] == ["spikes"]
    assert same is reading
    dropped, found = doubts.without_spikes(
        reading, time_zone=BERLIN, options=ReadOptions(spikes="drop")
    )
    assert found == ()
    assert dropped.nights[0].low_c == -1.0
    assert "02:00" in str(dropped.nights[0].notes[-1])
    kept, found = doubts.without_spikes(
        reading, time_zone=BERLIN, options=ReadOptions(spikes="keep")
    )
    assert (kept.nights[0].low_c, found) == (-40.0, ())


def test_a_cold_hour_among_cold_hours_is_none() -> None:
    """A real front takes more than one hour; -7.9 K against both neighbours is still weather."""
    assert doubts.spikes_of(spiked(-8.9).nights[0].hours) == ()
    assert len(doubts.spikes_of(spiked(-9.1).nights[0].hours)) == 1


def test_a_stated_low_stays_when_a_spike_goes() -> None:
    reading = spiked(-40.0)
    night = replace(reading.nights[0], stated_low_c=-2.0)

    dropped, _ = doubts.without_spikes(
        replace(reading, nights=(night,)), time_zone=BERLIN, options=ReadOptions(spikes="drop")
    )

    assert dropped.nights[0].low_c == -2.0
