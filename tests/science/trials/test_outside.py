"""What a trial is worked out with, held against a measured year, libraries and a textbook."""

from __future__ import annotations

import csv
import importlib.util
import sys
import types
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import psychrolib
import pytest

from gardenapp.science import humidity
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import normal_normal
from gardenapp.science.night import sun
from gardenapp.science.trials.humidity import absolute_gm3, dew_points_c, saturation_hpa
from gardenapp.science.trials.records import Floats


def _pvlib_folder() -> Path:
    found = importlib.util.find_spec("pvlib")
    if found is None or not found.submodule_search_locations:
        pytest.skip("pvlib is not installed")
    return Path(found.submodule_search_locations[0])


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
    path = _pvlib_folder() / "data" / "723170TYA.CSV"
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


@pytest.fixture(scope="module")
def pvlib() -> Iterator[Any]:
    """pvlib's clear-sky module; two imports that it needs for other things are stood in for.

    h5py reads its map of turbidity and pytz serves its places; neither is used here.
    """
    _pvlib_folder()
    pytest.importorskip("pandas")
    pytest.importorskip("scipy")
    stood_in = [
        name
        for name in ("h5py", "pytz")
        if name not in sys.modules and importlib.util.find_spec(name) is None
    ]
    for name in stood_in:
        sys.modules[name] = types.ModuleType(name)
    try:
        import pvlib.atmosphere
        import pvlib.clearsky
        import pvlib.irradiance
    except ImportError as error:
        pytest.skip(f"pvlib cannot be imported here: {error}")
    finally:
        for name in stood_in:
            del sys.modules[name]
    yield pvlib


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


PLACES = [
    (52.0, 0.0, 50.0, (2026, 4, 15)),
    (36.1, -79.95, 270.0, (2026, 6, 20)),
    (40.0, -105.0, 1600.0, (2026, 3, 1)),
    (-37.8, 145.0, 30.0, (2026, 9, 10)),
]


@pytest.mark.outside("pvlib, clear sky of Ineichen and Perez 2002 with a Linke turbidity of 3")
@pytest.mark.parametrize(
    ("latitude", "longitude", "elevation_m", "on"),
    PLACES,
    ids=["52 N", "36 N", "1600 m", "38 S"],
)
def test_clear_sky_sunshine_is_that_of_the_solar_library_where_the_sun_is_high(
    pvlib: Any, latitude: float, longitude: float, elevation_m: float, on: tuple[int, int, int]
) -> None:
    high = 0

    for hour in range(24):
        at = datetime(*on, hour, tzinfo=UTC)
        up_deg = sun.sun_elevation_deg(at, latitude, longitude)
        if up_deg < 12.0:
            continue
        zenith = np.array([90.0 - up_deg])
        air_mass = pvlib.atmosphere.get_absolute_airmass(
            pvlib.atmosphere.get_relative_airmass(zenith), pvlib.atmosphere.alt2pres(elevation_m)
        )
        theirs_wm2 = float(
            pvlib.clearsky.ineichen(
                zenith,
                air_mass,
                3.0,
                altitude=elevation_m,
                dni_extra=pvlib.irradiance.get_extra_radiation(at.timetuple().tm_yday),
            )["ghi"][0]
        )
        ours_wm2 = sun.clear_sky_wm2(at, latitude, longitude, elevation_m)
        if up_deg >= 32.0:
            high += 1
            assert ours_wm2 == pytest.approx(theirs_wm2, rel=0.08)
        else:
            # One share for every length of path: too bright when the sun is low, as is said there.
            assert theirs_wm2 * 0.98 < ours_wm2 < theirs_wm2 * 1.6

    assert high >= 3


@pytest.mark.outside("Box and Tiao 1973, section 1.2.3, two physicists (from memory)")
@pytest.mark.parametrize(
    ("prior", "seen", "mean", "sd"),
    [
        (Estimate(900.0, 20.0), [850.0], 890.0, 17.9),
        (Estimate(800.0, 80.0), [850.0], 840.0, 35.8),
        (Estimate(900.0, 20.0), [870.0] * 100, 871.2, 3.9),
        (Estimate(800.0, 80.0), [870.0] * 100, 869.8, 4.0),
    ],
    ids=["A, one reading", "B, one reading", "A, a hundred", "B, a hundred"],
)
def test_learning_a_mean_is_that_of_the_textbook(
    prior: Estimate, seen: list[float], mean: float, sd: float
) -> None:
    posterior = normal_normal(prior, seen, 40.0)

    assert posterior.estimate.mean == pytest.approx(mean, abs=0.05)
    assert posterior.estimate.sd == pytest.approx(sd, abs=0.05)
