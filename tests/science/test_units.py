from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science import units


@pytest.mark.outside("USDA plant hardiness zones: bounds printed in °F and °C")
@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    [
        (-60, -51.1),
        (-55, -48.3),
        (-15, -26.1),
        (-10, -23.3),
        (0, -17.8),
        (5, -15.0),
        (15, -9.4),
        (20, -6.7),
        (25, -3.9),
        (30, -1.1),
        (35, 1.7),
        (65, 18.3),
        (70, 21.1),
    ],
)
def test_zone_bounds_convert_as_printed(fahrenheit: float, celsius: float) -> None:
    assert units.f_to_c(fahrenheit) == pytest.approx(celsius, abs=0.05)


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"), [(28, -2.2), (29, -1.7), (32, 0.0), (33, 0.6), (36, 2.2), (37, 2.8)]
)
def test_warning_limits_convert(fahrenheit: float, celsius: float) -> None:
    assert units.f_to_c(fahrenheit) == pytest.approx(celsius, abs=0.05)


@pytest.mark.outside("US row-cover trials printed in °F: OSU 1988, Purdue 2018; converted")
@pytest.mark.parametrize(
    ("fahrenheit", "kelvin"), [(3.3, 1.8), (5.4, 3.0), (15.0, 8.3), (20.0, 11.1), (-2.0, -1.1)]
)
def test_a_measured_lift_in_fahrenheit_is_not_a_temperature(
    fahrenheit: float, kelvin: float
) -> None:
    assert units.difference_f_to_k(fahrenheit) == pytest.approx(kelvin, abs=0.05)


@pytest.mark.outside("common practice, no source: a film box frame adds 4.4 °F, or 2.4 °C")
def test_the_usual_gain_of_a_film_box_frame_converts_as_a_difference() -> None:
    assert units.difference_f_to_k(4.4) == pytest.approx(2.4, abs=0.05)


def test_2_k_of_lift_is_3_point_6_fahrenheit() -> None:
    assert units.difference_k_to_f(2.0) == pytest.approx(3.6)


@given(st.floats(-100.0, 100.0))
def test_a_difference_never_gains_32(difference_k: float) -> None:
    as_difference = units.difference_k_to_f(difference_k)
    as_temperature = units.c_to_f(difference_k)

    assert units.difference_k_to_f(0.0) == 0.0
    assert as_temperature - as_difference == pytest.approx(32.0)


@given(st.floats(-60.0, 60.0), st.floats(-60.0, 60.0))
def test_the_difference_of_two_temperatures_converts_as_a_difference(a: float, b: float) -> None:
    assert units.c_to_f(a) - units.c_to_f(b) == pytest.approx(
        units.difference_k_to_f(a - b), abs=1e-9
    )


@pytest.mark.parametrize(
    ("there", "back"),
    [
        (units.c_to_f, units.f_to_c),
        (units.difference_k_to_f, units.difference_f_to_k),
        (units.mph_to_mps, units.mps_to_mph),
        (units.inch_to_cm, units.cm_to_inch),
        (units.ft_to_m, units.m_to_ft),
    ],
    ids=["temperature", "difference", "mph", "inch", "foot"],
)
@given(value=st.floats(-500.0, 500.0))
def test_there_and_back_is_home(
    there: Callable[[float], float], back: Callable[[float], float], value: float
) -> None:
    assert back(there(value)) == pytest.approx(value, abs=1e-9)


@pytest.mark.outside("SI Brochure, 1959 yard and pound agreement: definitions (from memory)")
@pytest.mark.parametrize(
    ("actual", "expected"),
    [
        (units.knots_to_mps(1.0), 1852.0 / 3600.0),
        (units.mph_to_mps(1.0), 0.44704),
        (units.kmh_to_mps(36.0), 10.0),
        (units.inch_to_cm(1.0), 2.54),
        (units.ft_to_m(1.0), 0.3048),
    ],
    ids=["knot", "mile an hour", "km/h", "inch", "foot"],
)
def test_defined_units_are_exact(actual: float, expected: float) -> None:
    assert actual == pytest.approx(expected, rel=1e-12)
