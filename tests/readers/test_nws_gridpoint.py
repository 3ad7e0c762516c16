from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pytest

from gardenapp.readers.records import ForecastReading, UnreadableFile
from tests.readers.malformed import dump, good_grid
from tests.readers.samples_at import CHICAGO, lows, only_night, read_bytes, read_sample

NWS_2022 = (
    "US National Weather Service API, gridpoint TAE 58,65, response of 2022-02-04T03:15:41Z, "
    "public domain"
)
NWS_DOCUMENTED = "US National Weather Service API documentation and OpenAPI file 1.9.0"


def real() -> ForecastReading:
    return read_sample("nws_gridpoints_real_2022-02-04.json", zone=CHICAGO)


@pytest.mark.outside(f"{NWS_2022}, layer minTemperature")
def test_a_real_response_gives_the_services_own_low_for_each_night() -> None:
    reading = real()

    assert reading.kind == "nws_gridpoint"
    assert lows(reading) == {"2022-02-03": 17.78, "2022-02-04": 3.89, "2022-02-05": 3.33}


@pytest.mark.outside(f"{NWS_2022}, layers temperature, dewpoint, skyCover, windSpeed, windGust")
def test_a_real_responses_merged_hours_are_spread_out_again() -> None:
    first = real().nights[0]

    by_hour = {hour.at: hour for hour in first.hours}
    merged = [by_hour[datetime(2022, 2, 4, hour, tzinfo=UTC)] for hour in range(1, 11)]
    assert [round(hour.temp_c, 4) for hour in merged] == [18.8889] * 10
    start = by_hour[datetime(2022, 2, 3, 21, tzinfo=UTC)]
    assert start.temp_c == 22.77777777777778
    assert start.dew_point_c == 17.77777777777778
    assert start.humidity_percent == 73.0
    assert start.cloud_fraction == 0.71
    assert start.wind_mps == pytest.approx(20.372 / 3.6)
    assert start.gust_mps == pytest.approx(29.632 / 3.6)


@pytest.mark.outside(f"{NWS_2022}, updateTime, elevation, geometry")
def test_a_real_response_says_when_and_where() -> None:
    reading = real()

    assert reading.issued_at == datetime(2022, 2, 4, 3, 15, 41, tzinfo=UTC)
    assert reading.elevation_m == 3.9624
    assert (reading.latitude, reading.longitude) == (
        pytest.approx(30.0194, abs=1e-3),
        pytest.approx(-84.9803, abs=1e-3),
    )
    assert "National Weather Service" in reading.attribution


def test_the_colder_of_a_stated_low_and_the_hours_is_planned_by_and_told() -> None:
    reading = read_sample("nws_gridpoints_handmade.json", zone=CHICAGO)

    assert lows(reading) == {"2026-05-03": 0.56, "2026-05-04": -1.11, "2026-05-05": -1.11}
    notes = map(str, reading.nights[1].notes)
    assert any("coldest hour, −1.1 °C at" in note and "milder, 3.3 °C" in note for note in notes)


def test_a_morning_that_is_left_of_the_night_before_is_no_night() -> None:
    reading = read_sample("nws_gridpoints_handmade.json", zone=CHICAGO)

    assert reading.nights[0].night_of == date(2026, 5, 3)
    assert tuple(map(str, reading.notes)) == (
        "The night of 2 May 2026 is left out: its figures begin at 07:00, when most of it is over.",
    )


@pytest.mark.outside(f"{NWS_DOCUMENTED}: FR.Y is a frost advisory")
def test_a_frost_advisory_is_told_on_its_night_only() -> None:
    reading = read_sample("nws_gridpoints_handmade.json", zone=CHICAGO)

    told = [any("frost advisory" in str(note) for note in night.notes) for night in reading.nights]
    assert told == [True, False, False]


def test_null_gusts_stay_unknown() -> None:
    night = read_sample("nws_gridpoints_handmade.json", zone=CHICAGO).nights[0]

    assert night.gust_mps == pytest.approx(25.928 / 3.6)  # 15:00 to 17:00 only
    assert night.hours[-6].gust_mps is None


@pytest.mark.outside(f"{NWS_DOCUMENTED}: prefixes of unit codes")
@pytest.mark.parametrize("unit", ["wmoUnit:degC", "wmo:degC", "uc:degC", "nwsUnit:degC", "degC"])
def test_any_prefix_of_a_unit_code_is_the_same_unit(unit: str) -> None:
    document = good_grid()
    document["properties"]["temperature"]["uom"] = unit

    assert only_night(read_bytes(dump(document))).low_c == 1.5


def test_a_layer_in_fahrenheit_is_converted() -> None:
    document = good_grid()
    layer = document["properties"]["temperature"]
    layer["uom"] = "wmoUnit:degF"
    for entry in layer["values"]:
        entry["value"] = entry["value"] * 9 / 5 + 32

    assert only_night(read_bytes(dump(document))).low_c == pytest.approx(1.5)


@pytest.mark.outside(f"{NWS_DOCUMENTED}: ISO8601Interval")
@pytest.mark.parametrize(
    ("interval", "hours"),
    [
        ("2026-05-03T18:00:00+00:00/PT6H", 6),
        ("2026-05-03T18:00:00+00:00/2026-05-04T00:00:00+00:00", 6),
        ("PT6H/2026-05-04T00:00:00+00:00", 6),
        ("2026-05-03T12:00:00-06:00/PT360M", 6),
        ("NOW/PT12H", 12),
    ],
    ids=["start and length", "start and end", "length and end", "minutes", "now"],
)
def test_every_documented_interval_is_spread_over_its_hours(interval: str, hours: int) -> None:
    document = good_grid()
    document["properties"]["temperature"]["values"][0]["validTime"] = interval

    night = only_night(read_bytes(dump(document)))

    assert sum(hour.temp_c == 9.5 for hour in night.hours) == hours


def test_a_layer_of_days_is_spread_over_all_of_them() -> None:
    document = good_grid()
    document["properties"]["windSpeed"]["values"] = [
        {"validTime": "2026-05-02T00:00:00+00:00/P2DT3H", "value": 7.2}
    ]

    night = only_night(read_bytes(dump(document)))

    assert [hour.wind_mps for hour in night.hours[:9]] == [2.0] * 9
    assert night.hours[9].wind_mps is None


def test_without_a_stated_low_the_hours_give_it() -> None:
    night = only_night(read_bytes(dump(good_grid())))

    assert night.low_c == 1.5
    assert night.low_at == datetime(2026, 5, 4, 8, tzinfo=UTC)
    assert night.evening_c == 9.5


@pytest.mark.parametrize("hazards", [None, 5, {"values": 5}, {"values": [5, {"validTime": "x"}]}])
def test_notices_in_a_new_shape_do_not_cost_the_forecast(hazards: Any) -> None:
    document = good_grid()
    document["properties"]["hazards"] = hazards

    assert only_night(read_bytes(dump(document))).notes == ()


def test_a_places_document_says_what_to_fetch_instead() -> None:
    with pytest.raises(UnreadableFile, match=r"gridpoints/ZZZ/31,80 or .*/forecast/hourly"):
        read_sample("nws_points_handmade.json", zone=CHICAGO)


def test_a_layer_covers_thirty_days_and_no_more() -> None:
    def days(*spans: tuple[str, int]) -> bytes:
        document = good_grid()
        document["properties"]["temperature"]["values"] = [
            {"validTime": f"{start}T00:00:00+00:00/PT{hours}H", "value": 3.5}
            for start, hours in spans
        ]
        return dump(document)

    assert read_bytes(days(("2026-05-03", 720)), zone=CHICAGO).nights
    for wrong in (days(("2026-05-03", 721)), days(("2026-05-03", 720), ("2026-06-02", 1))):
        with pytest.raises(UnreadableFile):
            read_bytes(wrong, zone=CHICAGO)
    with pytest.raises(UnreadableFile, match="covers more than 720 hours"):
        read_bytes(days(("2026-05-03", 700), ("2026-06-03", 21)), zone=CHICAGO)


def with_interval(interval: str) -> bytes:
    document = good_grid()
    document["properties"]["temperature"]["values"].append({"validTime": interval, "value": 1.5})
    return dump(document)


PLACE = "properties.temperature.values[3].validTime: "


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        ("2026-05-04T17:00:00+00:00", " is not an interval of time"),
        ("2026-05-04T17:00:00+00:00/P", "“P” is not a length of time"),
        ("2026-05-04T17:00:00+00:00/PT", "“PT” is not a length of time"),
        ("2026-05-04T17:00:00+00:00/P1Y", "“P1Y” is not a length of time"),
        ("2026-05-04T17:00:00+00:00/PT0H", " is not a length of time that a forecast has"),
        ("2026-05-04T17:00:00+00:00/P31D", " is not a length of time that a forecast has"),
        ("2026-05-04T17:00:00/PT1H", " does not say its offset from UTC"),
        ("soon/PT1H", "“soon” is not a date and time"),
    ],
)
def test_an_interval_that_is_none_is_told_with_its_place(interval: str, words: str) -> None:
    with pytest.raises(UnreadableFile) as refused:
        read_bytes(with_interval(interval))

    assert str(refused.value).startswith(PLACE)
    assert str(refused.value).endswith(words)


def test_all_layers_are_read_hour_by_hour_in_our_units() -> None:
    document = good_grid()
    whole = "2026-05-03T18:00:00+00:00/PT23H"

    def layer(unit: str, value: float) -> dict[str, Any]:
        return {"uom": unit, "values": [{"validTime": whole, "value": value}]}

    document["properties"] |= {
        "dewpoint": layer("wmoUnit:degF", 23.0),
        "relativeHumidity": layer("wmoUnit:percent", 81.0),
        "skyCover": layer("wmoUnit:percent", 40.0),
        "windGust": layer("wmoUnit:km_h-1", 36.0),
    }

    reading = read_bytes(dump(document))

    hour = only_night(reading).hours[0]
    assert (hour.temp_c, hour.dew_point_c) == (9.5, pytest.approx(-5.0))
    assert (hour.humidity_percent, hour.cloud_fraction) == (81.0, 0.4)
    assert (hour.wind_mps, hour.gust_mps) == (pytest.approx(1.0), pytest.approx(10.0))
    assert (reading.latitude, reading.longitude, reading.elevation_m) == (40.1, -90.5, 182.9)
    assert reading.issued_at == datetime(2026, 5, 3, 11, 42, 18, tzinfo=UTC)


def test_an_hour_with_two_values_is_told_by_its_layer() -> None:
    with pytest.raises(UnreadableFile) as refused:
        read_bytes(with_interval("2026-05-03T18:00:00+00:00/PT1H"))

    assert str(refused.value) == (
        "properties.temperature: has two different values for 2026-05-03 18:00 UTC"
    )


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (("FR", "Y"), "a frost advisory"),
        (("FZ", "W"), "a freeze warning"),
        (("FZ", "A"), "a freeze watch"),
        (("HZ", "W"), "a hard freeze warning"),
        (("HZ", "A"), "a hard freeze watch"),
        (("WI", "Y"), None),
    ],
)
def test_each_notice_of_cold_is_told_once_in_words(
    code: tuple[str, str], words: str | None
) -> None:
    document = good_grid()
    notice = {"phenomenon": code[0], "significance": code[1]}
    document["properties"]["hazards"] = {
        "values": [
            {"validTime": "2026-05-04T02:00:00+00:00/PT6H", "value": [notice, notice]},
        ]
    }

    notes = list(map(str, only_night(read_bytes(dump(document))).notes))

    told = f"The weather service has {words} out for the night of 3 May 2026."
    assert [note for note in notes if "weather service" in note] == ([told] if words else [])
