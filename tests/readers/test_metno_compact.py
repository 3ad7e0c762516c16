from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.records import UnreadableFile
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


def test_a_low_of_the_next_six_hours_counts_for_six_hours_and_not_for_seven() -> None:
    def lows_with(time: str) -> list[float]:
        series = good_series()
        step = next(s for s in series["properties"]["timeseries"] if s["time"] == time)
        step["data"]["next_6_hours"] = {"details": {"air_temperature_min": -9.0}}
        return [night.low_c for night in read_bytes(dump(series), zone=OSLO).nights]

    times = [step["time"] for step in good_series()["properties"]["timeseries"]]
    inside = [time for time in times if -9.0 in lows_with(time)]

    # A night's low is sought from 15:00 to 11:00; what is told of six hours stands at their middle.
    assert inside == [
        time
        for time in times
        if not 11 < (datetime.fromisoformat(time) + timedelta(hours=3)).astimezone(OSLO).hour < 15
    ]
    assert 0 < len(inside) < len(times)


def test_steps_without_any_temperature_are_refused() -> None:
    series = good_series()
    for step in series["properties"]["timeseries"]:
        step["data"]["instant"]["details"].pop("air_temperature", None)

    with pytest.raises(UnreadableFile, match="holds no temperatures at all"):
        read_bytes(dump(series), zone=OSLO)


def test_all_that_a_step_says_is_read_in_our_units() -> None:
    document = good_series()
    document["properties"]["meta"]["units"]["air_temperature"] = "fahrenheit"
    for step in document["properties"]["timeseries"]:
        step["data"]["instant"]["details"] = {
            "air_temperature": 41.0,
            "dew_point_temperature": 32.0,
            "relative_humidity": 70.5,
            "cloud_area_fraction": 25.0,
            "wind_speed": 2.5,
            "wind_speed_of_gust": 6.0,
        }

    reading = read_bytes(dump(document), zone=OSLO)

    hour = only_night(reading).hours[0]
    assert (hour.temp_c, hour.dew_point_c) == (pytest.approx(5.0), pytest.approx(0.0))
    assert (hour.humidity_percent, hour.cloud_fraction) == (70.5, 0.25)
    assert (hour.wind_mps, hour.gust_mps) == (2.5, 6.0)
    assert (reading.latitude, reading.longitude, reading.elevation_m) == (60.0, 10.0, 120.0)
    assert reading.issued_at == datetime(2026, 5, 3, 11, 27, 40, tzinfo=UTC)


def test_lows_ahead_in_fahrenheit_are_converted_too() -> None:
    document = good_series()
    document["properties"]["meta"]["units"]["air_temperature"] = "Fahrenheit"
    series = document["properties"]["timeseries"]
    for step in series:
        step["data"]["instant"]["details"]["air_temperature"] = 41.0
    series[6]["data"]["next_6_hours"] = {"details": {"air_temperature_min": 23.0}}

    assert only_night(read_bytes(dump(document))).low_c == pytest.approx(-5.0)


@pytest.mark.parametrize(
    ("unit", "value", "words"),
    [
        ("air_temperature", "kelvin", "is not celsius or fahrenheit"),
        ("wind_speed", "km/h", "is not m/s"),
    ],
)
def test_another_unit_is_refused_by_its_place(unit: str, value: str, words: str) -> None:
    document = good_series()
    document["properties"]["meta"]["units"][unit] = value

    with pytest.raises(UnreadableFile) as refused:
        read_bytes(dump(document))

    assert str(refused.value) == f"properties.meta.units.{unit}: {words}"


def test_without_units_the_documented_ones_are_taken() -> None:
    bare = good_series()
    del bare["properties"]["meta"]["units"]

    assert read_bytes(dump(bare)).nights == read_bytes(dump(good_series())).nights


def test_a_bad_figure_is_told_with_its_path() -> None:
    document = good_series()
    document["properties"]["timeseries"][2]["data"]["instant"]["details"]["wind_speed"] = -3.0

    with pytest.raises(UnreadableFile) as refused:
        read_bytes(dump(document))

    assert str(refused.value) == (
        "properties.timeseries[2].data.instant.details.wind_speed: wind of -3 m/s is outside 0 to "
        "115 m/s"
    )


def test_a_step_told_twice_is_read_once_and_twice_differently_is_refused() -> None:
    document = good_series()
    series = document["properties"]["timeseries"]
    series.append(series[0])
    assert len(only_night(read_bytes(dump(document))).hours) == 15
    series[-1] = {
        "time": series[0]["time"],
        "data": {"instant": {"details": {"air_temperature": 9.0}}},
    }

    with pytest.raises(UnreadableFile) as refused:
        read_bytes(dump(document))

    assert str(refused.value) == (
        "properties.timeseries[15]: gives another temperature than an earlier step of the same time"
    )


def test_two_thousand_steps_are_read_and_no_more() -> None:
    def document(count: int) -> bytes:
        begin = datetime(2026, 5, 3, 12, tzinfo=UTC)
        series = good_series()
        series["properties"]["timeseries"] = [
            {
                "time": (begin + timedelta(hours=hour)).isoformat(),
                "data": {"instant": {"details": {"air_temperature": 5.0}}},
            }
            for hour in range(count)
        ]
        return dump(series)

    assert len(read_bytes(document(2_000)).nights) == 83  # and eight hours
    with pytest.raises(UnreadableFile, match=r"^properties\.timeseries: has more than 2000 steps"):
        read_bytes(document(2_001))


@pytest.mark.parametrize(
    ("coordinates", "elevation_m"), [([10.0, 60.0], None), ([10.0, 60.0, 0], 0.0), ("north", None)]
)
def test_the_height_is_the_third_number_of_the_position(
    coordinates: object, elevation_m: float | None
) -> None:
    document = good_series()
    document["geometry"]["coordinates"] = coordinates

    assert read_bytes(dump(document)).elevation_m == elevation_m


def test_an_afternoon_alone_is_no_night() -> None:
    document = good_series()
    document["properties"]["timeseries"] = document["properties"]["timeseries"][:1]

    with pytest.raises(UnreadableFile, match="No night is covered by these steps"):
        read_bytes(dump(document))
