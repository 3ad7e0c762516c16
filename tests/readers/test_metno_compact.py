from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from gardenapp.science.humidity import dew_point_c
from tests.readers.malformed import dump, good_series
from tests.readers.samples_at import only_night, read_bytes, read_sample

OSLO = ZoneInfo("Europe/Oslo")
NEW_YORK = ZoneInfo("America/New_York")
METNO_2020 = (
    "MET Norway Locationforecast 2.0 compact, 40.7 N 74.0 W, response of 2020-07-20, CC BY 4.0"
)
METNO_DOCUMENTED = "MET Norway Locationforecast 2.0, JSON format page"


@pytest.mark.outside(f"{METNO_2020}, timeseries")
def test_a_real_response_gives_the_step_values() -> None:
    reading = read_sample("metno_compact_real_2020-07-20.json", zone=NEW_YORK)

    night = next(n for n in reading.nights if n.night_of.isoformat() == "2020-07-22")
    assert reading.kind == "metno_compact"
    assert [hour.temp_c for hour in night.hours] == [26.7, 24.9, 26.4]
    assert night.low_c == 24.9
    assert night.low_at == datetime(2020, 7, 23, 6, tzinfo=UTC)


@pytest.mark.outside(f"{METNO_2020}, geometry, meta, terms of service")
def test_a_real_response_says_when_where_and_whose_it_is() -> None:
    reading = read_sample("metno_compact_real_2020-07-20.json", zone=NEW_YORK)

    assert (reading.latitude, reading.longitude, reading.elevation_m) == (40.7, -74.0, 10.0)
    assert reading.issued_at == datetime(2020, 7, 20, 1, 30, 57, tzinfo=UTC)
    assert "Data from MET Norway" in reading.attribution


@pytest.mark.outside(f"{METNO_2020}: cut to 25 steps, so that two evenings have no morning")
def test_an_evening_without_its_morning_is_left_out_and_told() -> None:
    reading = read_sample("metno_compact_real_2020-07-20.json", zone=NEW_YORK)

    assert {night.night_of.isoformat() for night in reading.nights} == {"2020-07-22", "2020-07-28"}
    assert any("night of 20 July 2020 is left out" in str(note) for note in reading.notes)


def test_hourly_nights_are_whole_and_six_hourly_ones_say_what_they_may_miss() -> None:
    reading = read_sample("metno_compact_handmade.json", zone=OSLO)

    assert reading.nights[0].low_c == 0.4
    assert reading.nights[0].low_at == datetime(2026, 5, 4, 3, tzinfo=UTC)
    whole = [night.covers_night for night in reading.nights]
    assert whole == [True, True] + [False] * (len(whole) - 2)
    assert len(whole) > 5
    for night in reading.nights[2:]:
        assert "Steps of 6 hours: a dip between may be missed." in map(str, night.notes)


def test_the_dew_point_comes_from_temperature_and_humidity() -> None:
    night = read_sample("metno_compact_handmade.json", zone=OSLO).nights[0]

    for hour in night.hours:
        assert hour.humidity_percent is not None
        assert hour.dew_point_c == dew_point_c(hour.temp_c, hour.humidity_percent)


def _six_hourly(*, with_lows: bool) -> bytes:
    document = good_series()
    series = document["properties"]["timeseries"]
    kept = []
    for index in (0, 6, 12):
        step = series[index]
        if with_lows:
            step["data"]["next_6_hours"] = {"details": {"air_temperature_min": -1.5 + index}}
        kept.append(step)
    document["properties"]["timeseries"] = kept
    return dump(document)


@pytest.mark.outside(f"{METNO_DOCUMENTED}: complete has air_temperature_min in next_6_hours")
def test_complete_states_the_lowest_between_its_steps() -> None:
    bare = only_night(read_bytes(_six_hourly(with_lows=False)))
    reading = read_bytes(_six_hourly(with_lows=True))

    assert bare.low_c == 2.0
    assert not bare.covers_night
    assert reading.kind == "metno_complete"
    assert only_night(reading).low_c == -1.5
    assert only_night(reading).covers_night


def test_a_stored_response_and_its_body_alone_are_the_same() -> None:
    bare = good_series()
    stored = {"status": 200, "headers": {}, "body": bare}

    assert read_bytes(dump(bare)) == read_bytes(dump(stored))
