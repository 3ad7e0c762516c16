from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from gardenapp.readers.records import UnreadableFile
from tests.readers.malformed import dump, good_periods
from tests.readers.samples_at import CHICAGO, lows, only_night, read_bytes, read_sample

NWS_DOCUMENTED = "US National Weather Service API documentation and OpenAPI file 1.9.0"


def test_whole_degrees_fahrenheit_become_celsius() -> None:
    reading = read_sample("nws_forecast_hourly_handmade.json", zone=CHICAGO)

    assert reading.kind == "nws_hourly"
    assert lows(reading) == {"2026-05-03": 3.33, "2026-05-04": -1.11}  # 38 °F and 30 °F
    assert reading.issued_at == datetime(2026, 5, 3, 11, 42, 18, tzinfo=UTC)
    assert reading.nights[0].wind_mps == pytest.approx(0.89408)  # 2 mph
    assert reading.nights[0].cloud_fraction is None


def test_the_night_the_clocks_go_forward_keeps_its_order_and_length() -> None:
    night = only_night(read_sample("nws_forecast_hourly_dst_handmade.json", zone=CHICAGO))

    assert night.night_of.isoformat() == "2026-03-07"
    assert night.low_c == -2.0
    assert night.low_at == datetime(2026, 3, 8, 8, tzinfo=UTC)
    steps = {b.at - a.at for a, b in zip(night.hours, night.hours[1:], strict=False)}
    assert {step.total_seconds() for step in steps} == {3600.0}
    assert night.covers_night
    assert night.notes == ()


@pytest.mark.outside(f"{NWS_DOCUMENTED}: temperature as a number or a QuantitativeValue")
def test_temperatures_as_objects_and_as_numbers_are_the_same() -> None:
    plain = good_periods()
    as_objects = good_periods()
    for period in as_objects["properties"]["periods"]:
        celsius = (period["temperature"] - 32) * 5 / 9
        period["temperature"] = {"unitCode": "wmoUnit:degC", "value": celsius}
        period.pop("temperatureUnit")

    first, second = (only_night(read_bytes(dump(d))) for d in (plain, as_objects))

    assert first.low_c == pytest.approx(second.low_c)
    assert len(first.hours) == len(second.hours)


@pytest.mark.parametrize(
    ("words", "mps"),
    [("2 mph", 0.89408), ("5 to 10 mph", 3.3528), ("18 km/h", 5.0), ("10 kt", 5.14444)],
)
def test_wind_in_words_is_understood(words: str, mps: float) -> None:
    document = good_periods()
    for period in document["properties"]["periods"]:
        period["windSpeed"] = words

    assert only_night(read_bytes(dump(document))).wind_mps == pytest.approx(mps, abs=1e-5)


def test_wind_in_unknown_words_is_told_and_left_out() -> None:
    document = good_periods()
    document["properties"]["periods"][0]["windSpeed"] = "a light breeze"

    reading = read_bytes(dump(document))

    assert only_night(reading).hours[0].wind_mps is None
    assert tuple(map(str, reading.notes)) == (
        "Wind given as “a light breeze” is not understood and left out.",
    )


def test_a_period_with_a_null_temperature_is_passed_over() -> None:
    document = good_periods()
    document["properties"]["periods"][3]["temperature"] = None

    assert len(only_night(read_bytes(dump(document))).hours) == 14


@pytest.mark.parametrize(("minutes", "is_read"), [(60, True), (180, True), (181, False)])
def test_periods_of_up_to_three_hours_are_read(minutes: int, is_read: bool) -> None:
    document = good_periods()
    for period in document["properties"]["periods"]:
        start = datetime.fromisoformat(period["startTime"])
        period["endTime"] = (start + timedelta(minutes=minutes)).isoformat()

    if is_read:
        assert read_bytes(dump(document), zone=CHICAGO).nights
    else:
        with pytest.raises(UnreadableFile, match="twelve-hour periods"):
            read_bytes(dump(document), zone=CHICAGO)


def test_a_forecast_of_thirty_days_is_read_and_of_an_hour_more_is_not() -> None:
    def document(count: int) -> bytes:
        begin = datetime(2026, 5, 3, 12, tzinfo=UTC)
        return dump(
            {
                "properties": {
                    "periods": [
                        {
                            "startTime": (begin + timedelta(hours=hour)).isoformat(),
                            "temperature": 40,
                            "temperatureUnit": "F",
                        }
                        for hour in range(count)
                    ]
                }
            }
        )

    assert len(read_bytes(document(720)).nights) == 30
    with pytest.raises(UnreadableFile, match="has more than 720 periods"):
        read_bytes(document(721))


def test_all_that_a_period_says_is_read() -> None:
    document = good_periods()
    document["geometry"] = {"type": "Point", "coordinates": [-90.5, 40.1]}
    document["properties"] |= {
        "updateTime": "2026-05-03T11:42:18+00:00",
        "elevation": {"unitCode": "wmoUnit:m", "value": 182.9},
    }
    for period in document["properties"]["periods"]:
        period |= {
            "dewpoint": {"unitCode": "wmoUnit:degC", "value": -2.5},
            "relativeHumidity": {"unitCode": "wmoUnit:percent", "value": 71},
            "windSpeed": {"unitCode": "wmoUnit:km_h-1", "value": 18},
            "windGust": "20 mph",
        }
    document["properties"]["periods"][1]["windGust"] = None
    document["properties"]["periods"][2]["dewpoint"] = {"unitCode": "wmoUnit:degC", "value": None}

    reading = read_bytes(dump(document))

    first, second, third = only_night(reading).hours[:3]
    assert first.temp_c == pytest.approx(40.0 / 9.0)
    assert (first.dew_point_c, first.humidity_percent) == (-2.5, 71.0)
    assert (first.wind_mps, first.gust_mps) == (pytest.approx(5.0), pytest.approx(8.9408))
    assert second.gust_mps is None
    assert third.dew_point_c is not None and third.dew_point_c != -2.5
    assert (reading.latitude, reading.longitude, reading.elevation_m) == (40.1, -90.5, 182.9)
    assert reading.attribution == "Forecast: US National Weather Service (public domain)"


def test_an_hour_told_twice_is_read_once_and_twice_differently_is_refused() -> None:
    document = good_periods()
    periods = document["properties"]["periods"]
    periods.append(dict(periods[0]))

    assert len(only_night(read_bytes(dump(document))).hours) == 15
    periods[-1]["temperature"] = 41
    with pytest.raises(UnreadableFile) as refused:
        read_bytes(dump(document))

    assert str(refused.value) == (
        "properties.periods[15]: gives another temperature for 2026-05-03 18:00 UTC than an "
        "earlier period"
    )


def test_periods_without_any_temperature_or_night_are_refused() -> None:
    empty, afternoon = good_periods(), good_periods()
    for period in empty["properties"]["periods"]:
        period["temperature"] = {"unitCode": "wmoUnit:degC", "value": None}
    afternoon["properties"]["periods"] = afternoon["properties"]["periods"][:1]

    with pytest.raises(UnreadableFile, match=r"^properties\.periods: holds no temperatures at all"):
        read_bytes(dump(empty))
    with pytest.raises(UnreadableFile, match="No night is covered by these hours"):
        read_bytes(dump(afternoon))


def test_words_for_the_wind_that_are_blank_are_no_words() -> None:
    document = good_periods()
    for period in document["properties"]["periods"]:
        period["windSpeed"] = " "

    reading = read_bytes(dump(document))

    assert only_night(reading).wind_mps is None
    assert reading.notes == ()
