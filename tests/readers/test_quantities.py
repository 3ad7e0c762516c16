"""A forecast's figures in our units, and refused where nothing on earth is so."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest

from gardenapp.readers.quantities import (
    BadFigure,
    cloud_fraction,
    humidity_percent,
    moment_utc,
    temperature_c,
    wind_mps,
    with_dew_point,
)
from gardenapp.readers.records import HourForecast
from gardenapp.science.humidity import dew_point_c

AT = datetime(2026, 5, 3, 18, tzinfo=UTC)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [(-60.0, "C", -60.0), (60.0, "C", 60.0), (-76.0, "F", -60.0), (140.0, "F", 60.0)],
)
def test_temperatures_are_taken_from_sixty_below_to_sixty_above(
    value: float, unit: str, expected: float
) -> None:
    assert temperature_c(value, unit) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (-60.1, "C", "-60.1 °C is outside −60 to +60 °C"),
        (60.1, "C", "60.1 °C is outside −60 to +60 °C"),
        (-77.0, "F", "-77 °F is -60.6 °C, outside −60 to +60 °C"),
        (141.0, "F", "141 °F is 60.6 °C, outside −60 to +60 °C"),
        (math.nan, "C", "is not a finite number"),
        (-math.inf, "F", "is not a finite number"),
    ],
)
def test_other_temperatures_are_refused_in_the_files_own_unit(
    value: float, unit: str, words: str
) -> None:
    with pytest.raises(BadFigure) as refused:
        temperature_c(value, unit)

    assert str(refused.value) == words


@pytest.mark.parametrize(("value", "expected"), [(0.0, 0.0), (99.5, 99.5), (105.0, 100.0)])
def test_a_sensors_small_overshoot_in_fog_is_a_hundred_percent(
    value: float, expected: float
) -> None:
    assert humidity_percent(value) == expected


@pytest.mark.parametrize("value", [-0.1, 105.1, math.nan])
def test_humidity_below_none_or_far_above_all_is_refused(value: float) -> None:
    with pytest.raises(BadFigure, match=f"humidity of {value:g} % is outside 0 to 100"):
        humidity_percent(value)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (0.0, "percent", 0.0),
        (25.0, "percent", 0.25),
        (100.0, "percent", 1.0),
        (1.0, "fraction", 1.0),
        (0.4, "fraction", 0.4),
        (8.0, "oktas", 1.0),
        (2.0, "oktas", 0.25),
    ],
)
def test_cloud_is_a_share_of_the_sky(value: float, unit: str, expected: float) -> None:
    assert cloud_fraction(value, unit) == expected


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (-1.0, "percent", "cloud of -1 is outside 0 to 100"),
        (101.0, "percent", "cloud of 101 is outside 0 to 100"),
        (1.1, "fraction", "cloud of 1.1 is outside 0 to 1"),
        (9.0, "oktas", "cloud of 9 is outside 0 to 8"),  # 9 oktas: the sky cannot be seen
    ],
)
def test_more_cloud_than_sky_is_refused(value: float, unit: str, words: str) -> None:
    with pytest.raises(BadFigure) as refused:
        cloud_fraction(value, unit)

    assert str(refused.value) == words


@pytest.mark.outside("SI Brochure, 8th edition: 1 kn = 1852/3600 m/s (from memory)")
@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (3.0, "m/s", 3.0),
        (36.0, "km/h", 10.0),
        (1.0, "mph", 0.44704),
        (3600.0 / 1852.0 * 7.0, "kn", 7.0),
        (115.0, "m/s", 115.0),
        (0.0, "kn", 0.0),
    ],
)
def test_wind_is_in_metres_a_second(value: float, unit: str, expected: float) -> None:
    assert wind_mps(value, unit) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (-0.1, "m/s", "wind of -0.1 m/s is outside 0 to 115 m/s"),
        (115.1, "m/s", "wind of 115.1 m/s is outside 0 to 115 m/s"),
        (500.0, "km/h", "wind of 500 km/h is outside 0 to 115 m/s"),
        (math.nan, "kn", "is not a finite number"),
    ],
)
def test_wind_that_never_blew_is_refused(value: float, unit: str, words: str) -> None:
    with pytest.raises(BadFigure) as refused:
        wind_mps(value, unit)

    assert str(refused.value) == words


def test_a_moment_is_brought_to_utc() -> None:
    assert moment_utc("2026-05-03T20:00:00+02:00") == AT
    assert moment_utc("2026-05-03T18:00:00Z") == AT
    assert moment_utc("1900-01-01T00:00:00Z").year == 1900
    assert moment_utc("2200-12-31T00:00:00Z").year == 2200


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("tomorrow", "“tomorrow” is not a date and time"),
        ("2026-05-03T18:00:00", "“2026-05-03T18:00:00” does not say its offset from UTC"),
        ("1899-12-31T23:00:00Z", "the year 1899 is outside 1900 to 2200"),
        ("2201-01-01T00:00:00Z", "the year 2201 is outside 1900 to 2200"),
    ],
)
def test_what_is_no_moment_is_refused(text: str, words: str) -> None:
    with pytest.raises(BadFigure) as refused:
        moment_utc(text)

    assert str(refused.value) == words


def test_a_missing_dew_point_is_worked_out_and_a_given_one_kept() -> None:
    bare = HourForecast(AT, 10.0)
    humid = HourForecast(AT, 10.0, humidity_percent=50.0)
    given = HourForecast(AT, 10.0, dew_point_c=-3.0, humidity_percent=50.0)
    bone_dry = HourForecast(AT, 10.0, humidity_percent=0.0)

    assert with_dew_point(bare) == bare
    assert with_dew_point(humid).dew_point_c == dew_point_c(10.0, 50.0)
    assert with_dew_point(humid).humidity_percent == 50.0
    assert with_dew_point(given) == given
    assert with_dew_point(bone_dry) == bone_dry
