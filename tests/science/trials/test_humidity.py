"""Moisture of a whole record: the tables agree with the formulas, hours and means are exact."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science import humidity as formulas
from gardenapp.science.trials import humidity
from gardenapp.science.trials.records import Matched

STEP_S = 600


def record(
    inside_c: float, inside_percent: float, outside_c: float, outside_percent: float
) -> Matched:
    """A day of still air on both sides."""
    at_s = np.arange(0, 86_400 + STEP_S, STEP_S, dtype=np.int64)
    same = np.ones(len(at_s))
    return Matched(
        at_s,
        same * inside_c,
        same * outside_c,
        same * inside_percent,
        same * outside_percent,
        STEP_S,
        2 * STEP_S,
    )


@pytest.mark.outside("FAO-56 example 5, p. 72: saturation of 2.064 and 3.168 kPa at 18 and 25 °C")
def test_the_air_s_thirst_is_what_is_missing_to_saturation() -> None:
    compared = humidity.compared(record(25.0, 50.0, 18.0, 100.0))

    assert compared is not None
    assert compared.inside.mean_vapour_pressure_deficit_hpa == pytest.approx(15.84, abs=0.005)
    assert compared.outside.mean_vapour_pressure_deficit_hpa == pytest.approx(0.0, abs=1e-9)
    assert compared.hours == pytest.approx(24.0)


@given(st.lists(st.floats(-59.0, 59.0), min_size=1, max_size=20), st.floats(5.0, 100.0))
def test_a_record_s_moisture_is_that_of_the_formulas_one_by_one(
    temperatures: list[float], percent: float
) -> None:
    temp_c = np.array(temperatures)
    vapour = humidity.saturation_hpa(temp_c) * percent / 100.0

    dew_c = humidity.dew_points_c(vapour)
    grams = humidity.absolute_gm3(temp_c, vapour)

    for index, one_c in enumerate(temperatures):
        expected_hpa = formulas.vapour_pressure_hpa(one_c, percent)
        expected_gm3 = formulas.absolute_humidity_gm3(one_c, percent)
        assert vapour[index] == pytest.approx(expected_hpa, rel=5e-6)
        assert grams[index] == pytest.approx(expected_gm3, rel=5e-6)
        if expected_hpa > 0.02:  # else its dew point lies below the table
            assert dew_c[index] == pytest.approx(formulas.dew_point_c(one_c, percent), abs=1e-4)


def test_what_no_table_holds_is_unknown() -> None:
    assert np.isnan(humidity.saturation_hpa(np.array([-61.0, 61.0]))).all()
    assert np.isnan(humidity.dew_points_c(np.array([0.0, 1e-6]))).all()


def test_hours_at_a_limit_go_by_straight_lines_and_stop_at_gaps() -> None:
    # Up through 90 half-way between the first two, level, then unknown over a gap of two hours.
    at_s = np.array([0, 3600, 7200, 14_400, 18_000])
    percent = np.array([80.0, 100.0, 100.0, 100.0, 80.0])

    so_far = humidity.hours_so_far(at_s, percent, 90.0, gap_s=3600.0)

    assert so_far.tolist() == pytest.approx([0.0, 0.5, 1.5, 1.5, 2.0])


def test_without_both_sides_nothing_is_compared() -> None:
    both = record(10.0, 80.0, 5.0, 80.0)
    one = Matched(
        both.at_s, both.inside_c, both.outside_c, both.inside_percent, None, STEP_S, 2 * STEP_S
    )

    assert humidity.compared(one) is None
