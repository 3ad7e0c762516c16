"""Moisture of a whole record: held against a measured year, a library, the formulas and a hand."""

from __future__ import annotations

import csv
from dataclasses import dataclass

import numpy as np
import psychrolib
import pytest

from gardenapp.science import humidity
from gardenapp.science.trials.humidity import (
    absolute_gm3,
    compared,
    dew_points_c,
    hours_so_far,
    saturation_hpa,
)
from gardenapp.science.trials.records import Floats, Matched
from tests.science.pvlib_files import pvlib_folder

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
    found = compared(record(25.0, 50.0, 18.0, 100.0))

    assert found is not None
    assert found.inside.mean_vapour_pressure_deficit_hpa == pytest.approx(15.84, abs=0.005)
    assert found.outside.mean_vapour_pressure_deficit_hpa == pytest.approx(0.0, abs=1e-9)
    assert found.hours == pytest.approx(24.0)


def test_hours_at_a_limit_go_by_straight_lines_and_stop_at_gaps() -> None:
    # Up through 90 half-way between the first two, level, then unknown over a gap of two hours.
    at_s = np.array([0, 3600, 7200, 14_400, 18_000])
    percent = np.array([80.0, 100.0, 100.0, 100.0, 80.0])

    so_far = hours_so_far(at_s, percent, 90.0, gap_s=3600.0)

    assert so_far.tolist() == pytest.approx([0.0, 0.5, 1.5, 1.5, 2.0])


def test_without_both_sides_nothing_is_compared() -> None:
    both = record(10.0, 80.0, 5.0, 80.0)
    one = Matched(
        both.at_s, both.inside_c, both.outside_c, both.inside_percent, None, STEP_S, 2 * STEP_S
    )

    assert compared(one) is None


@dataclass(frozen=True, eq=False)
class Year:
    """8760 measured hours; the joints of its months, which are smoothed by hand, are left out."""

    month: Floats
    dry_c: Floats
    dew_c: Floats
    percent: Floats

    def only(self, which: np.ndarray) -> Year:
        return Year(self.month[which], self.dry_c[which], self.dew_c[which], self.percent[which])


@pytest.fixture(scope="module")
def year() -> Year:
    path = pvlib_folder() / "data" / "723170TYA.CSV"
    if not path.exists():
        pytest.skip("this pvlib does not carry the hourly TMY3 year")
    with path.open(newline="") as lines:
        next(lines)
        rows = list(csv.DictReader(lines))
    assert len(rows) == 8760
    names = ("Dry-bulb (C)", "Dew-point (C)", "RHum (%)")
    columns = [np.array([float(row[name]) for row in rows]) for name in names]
    month = np.array([float(row["Date (MM/DD/YYYY)"][:2]) for row in rows])
    smoothed = np.zeros(len(rows), dtype=bool)
    for joint in np.flatnonzero(np.diff(month)):
        smoothed[joint - 7 : joint + 8] = True
    return Year(month, *columns).only(~smoothed)


TMY3 = "TMY3 hourly year of Greensboro, North Carolina, station 723170"


def _percent_over_water(hours: Year) -> Floats:
    return 100.0 * saturation_hpa(hours.dew_c) / saturation_hpa(hours.dry_c)


@pytest.mark.outside(TMY3)
def test_humidity_of_a_measured_year_is_what_its_dew_points_give(year: Year) -> None:
    # The file rounds humidity to whole percent and temperatures to 0.6 K or 0.1 K.
    warm = year.only(year.dew_c >= 0.0)
    # November 1994 and February 1996 come from the first automatic stations: see below.
    cold = year.only((year.dew_c < 0.0) & ~np.isin(year.month, (2.0, 11.0)))

    warm_error = np.abs(_percent_over_water(warm) - warm.percent)
    cold_error = np.abs(_percent_over_water(cold) - cold.percent)

    assert len(warm.dry_c) > 6000
    assert warm_error.max() < 1.2
    assert warm_error.mean() < 0.5
    assert len(cold.dry_c) > 1300
    assert cold_error.max() < 1.4


@pytest.mark.outside(TMY3)
def test_dew_points_of_a_measured_year_are_what_its_humidity_gives(year: Year) -> None:
    warm = year.only(year.dew_c >= 0.0)

    worked_out_c = dew_points_c(saturation_hpa(warm.dry_c) * warm.percent / 100.0)

    assert np.abs(worked_out_c - warm.dew_c).mean() < 0.15
    assert np.percentile(np.abs(worked_out_c - warm.dew_c), 99) < 0.5


@pytest.mark.outside(TMY3)
def test_frosty_dew_points_of_november_1994_are_frost_points(year: Year) -> None:
    # Those hours fit the ice curve and not the water curve: the two are worth telling apart.
    frosty = year.only((year.dew_c < 0.0) & (year.month == 11.0))
    over_ice = np.array([humidity.saturation_vapour_pressure_ice_hpa(d) for d in frosty.dew_c])

    ice_error = np.abs(100.0 * over_ice / saturation_hpa(frosty.dry_c) - frosty.percent)
    water_error = np.abs(_percent_over_water(frosty) - frosty.percent)

    assert ice_error.mean() < 0.3
    assert water_error.mean() > 1.5


@pytest.mark.outside(TMY3 + "; PsychroLib 2.5 (ASHRAE 2017)")
def test_vapour_of_a_measured_year_is_that_of_the_ashrae_library(
    year: Year,
) -> None:
    above_freezing = year.only(year.dry_c >= 0.0)  # below, the library goes over to ice
    dry_c, percent = above_freezing.dry_c[::7], above_freezing.percent[::7]
    psychrolib.SetUnitSystem(psychrolib.SI)

    ours = saturation_hpa(dry_c) * percent / 100.0

    theirs = [
        psychrolib.GetVapPresFromRelHum(t, h / 100.0) / 100.0
        for t, h in zip(dry_c.tolist(), percent.tolist(), strict=True)
    ]
    assert ours == pytest.approx(np.array(theirs), rel=2e-3)


@pytest.mark.outside("PsychroLib 2.5 (ASHRAE 2017), over a grid")
@pytest.mark.parametrize("percent", [10.0, 30.0, 60.0, 90.0, 100.0])
def test_dew_point_and_deficit_are_those_of_the_ashrae_library_over_a_grid(
    percent: float,
) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    temp_c = np.arange(1.0, 50.0, 1.5)
    share = np.full(len(temp_c), percent / 100.0)

    vapour = saturation_hpa(temp_c) * share
    dew_c = dew_points_c(vapour)

    for row, t in enumerate(temp_c.tolist()):
        theirs_c = psychrolib.GetTDewPointFromRelHum(t, percent / 100.0)
        saturated = psychrolib.GetSatVapPres(t) / 100.0
        if theirs_c > 0.0:
            assert dew_c[row] == pytest.approx(theirs_c, abs=0.06)
        deficit_hpa = saturation_hpa(temp_c)[row] - vapour[row]
        assert deficit_hpa == pytest.approx(saturated * (1 - percent / 100.0), rel=2e-3, abs=1e-9)


def test_a_whole_record_gives_what_the_formulas_give_one_by_one() -> None:
    temp_c = np.linspace(-30.0, 55.0, 173)
    percent = np.linspace(8.0, 100.0, 173)

    vapour = saturation_hpa(temp_c) * percent / 100.0
    dew_c, water = dew_points_c(vapour), absolute_gm3(temp_c, vapour)

    for row, (t, h) in enumerate(zip(temp_c.tolist(), percent.tolist(), strict=True)):
        assert saturation_hpa(temp_c)[row] == pytest.approx(
            humidity.saturation_vapour_pressure_hpa(t), rel=1e-5
        )
        assert dew_c[row] == pytest.approx(humidity.dew_point_c(t, h), abs=1e-4)
        assert water[row] == pytest.approx(humidity.absolute_humidity_gm3(t, h), rel=1e-5)


def test_air_too_hot_or_too_dry_for_the_formulas_is_unknown_and_not_invented() -> None:
    assert np.isnan(saturation_hpa(np.array([70.0, -70.0]))).all()
    assert np.isnan(dew_points_c(np.array([0.0, 1e-6]))).all()
