from __future__ import annotations

from datetime import UTC, datetime

import pytest

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
