"""What headers say of a column: its role and its unit."""

from __future__ import annotations

import pytest

from gardenapp.readers.csv_columns import role_of, unit_of


@pytest.mark.parametrize(
    ("header", "role", "unit"),
    [
        ("Temp (°C)", "temperature", "C"),
        ("Temp °F", "temperature", "F"),
        ("temp_f", "temperature", "F"),
        ("Temp [c]", "temperature", "C"),
        ("Temp deg F", "low", "F"),
        ("Temp", "temperature", "unknown"),
        ("Temp °C (°F)", "temperature", "unknown"),
        ("Wind km/h", "wind", "km/h"),
        ("wind_mph", "wind", "mph"),
        ("Gust (m/s)", "gust", "m/s"),
        ("Gust knots", "gust", "kn"),
        ("Wind", "wind", "unknown"),
        ("Wind m/s (mph)", "wind", "unknown"),
        ("Humidity", "humidity", "percent"),
        ("Cloud %", "cloud", "percent"),
        ("Cloud percent", "cloud", "percent"),
        ("Cloud (oktas)", "cloud", "oktas"),
        ("cloud_fraction", "cloud", "fraction"),
        ("Cloud", "cloud", "unknown"),
        ("Time", "time", ""),
    ],
)
def test_a_header_names_its_unit_or_it_is_not_known(header: str, role: str, unit: str) -> None:
    assert unit_of(header, role) == unit


@pytest.mark.parametrize(
    ("header", "role"),
    [
        ("Outdoor Temperature", "temperature"),
        ("Lufttemperatur", "temperature"),
        ("Indoor Temperature", ""),
        ("Soil Temp", ""),
        ("Temp Min", "low"),
        ("Max", "high"),
        ("low °C", "low"),
        ("min wind", "wind"),
        ("High Wind", ""),
        ("Wind Direction", ""),
        ("Wind Gust", "gust"),
        ("Gust Direction", ""),
        ("Dew Point", "dew_point"),
        ("Max Dew Point", ""),
        ("Humidity", "humidity"),
        ("Min Humidity", ""),
        ("Sky Cover", "cloud"),
        ("MinTemp", "low"),
        ("Minimum of the pressure", ""),
        ("Pressure", ""),
    ],
)
def test_a_header_speaks_for_a_role_or_for_none(header: str, role: str) -> None:
    assert role_of(header) == role
