from __future__ import annotations

import itertools
import math

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science import humidity

FAO = "FAO-56 {}, as tested in PyETo"
temperatures = st.floats(-30.0, 45.0)
humidities = st.floats(5.0, 100.0)


@pytest.fixture(autouse=True)
def _si_units() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.outside(FAO.format("examples 3, 4 and 5, p. 69 to 72"))
@pytest.mark.parametrize(
    ("temperature_c", "kpa"),
    [(15.0, 1.705), (24.5, 3.075), (18.0, 2.064), (25.0, 3.168), (19.5, 2.267)],
)
def test_saturation_pressure_is_that_of_the_fao_examples(temperature_c: float, kpa: float) -> None:
    hpa = humidity.saturation_vapour_pressure_hpa(temperature_c)

    assert hpa / 10.0 == pytest.approx(kpa, abs=0.0005)


@pytest.mark.outside("NCAR NCL documentation, satvpr_temp_fao56 example")
@pytest.mark.parametrize(("temperature_c", "kpa"), [(15.0, 1.70535), (24.5, 3.07465)])
def test_saturation_pressure_agrees_to_five_places(temperature_c: float, kpa: float) -> None:
    hpa = humidity.saturation_vapour_pressure_hpa(temperature_c)

    assert hpa / 10.0 == pytest.approx(kpa, abs=1e-5)


@pytest.mark.outside("ASHRAE Fundamentals 2017 ch. 1 table 3, as quoted by PsychroLib")
@pytest.mark.parametrize(
    ("temperature_c", "pascal"), [(-20.0, 103.24), (-5.0, 401.74)], ids=["-20", "-5"]
)
def test_ice_pressure_is_that_of_the_ashrae_table(temperature_c: float, pascal: float) -> None:
    hpa = humidity.saturation_vapour_pressure_ice_hpa(temperature_c)

    assert hpa * 100.0 == pytest.approx(pascal, rel=3e-4)


@pytest.mark.outside("ASHRAE Fundamentals ch. 6 table 3, older edition, as quoted by humidr")
def test_ice_pressure_is_that_of_the_older_ashrae_table() -> None:
    hpa = humidity.saturation_vapour_pressure_ice_hpa(-10.0)

    assert hpa * 100.0 == pytest.approx(259.9, rel=2e-4)


@pytest.mark.outside("ASHRAE Fundamentals 2017 ch. 1 table 3, as quoted by PsychroLib")
@pytest.mark.parametrize(
    ("temperature_c", "pascal", "share"),
    [(5.0, 872.6, 5e-4), (25.0, 3169.7, 1e-3), (50.0, 12351.3, 1.5e-3)],
)
def test_the_fao_water_curve_strays_little_from_ashrae_in_a_garden_s_range(
    temperature_c: float, pascal: float, share: float
) -> None:
    # Two different fits to the same water: they part slowly as it gets hot.
    hpa = humidity.saturation_vapour_pressure_hpa(temperature_c)

    assert hpa * 100.0 == pytest.approx(pascal, rel=share)


@pytest.mark.outside(FAO.format("example 20, p. 121"))
def test_vapour_pressure_of_a_dew_point() -> None:
    assert humidity.saturation_vapour_pressure_hpa(14.8) / 10.0 == pytest.approx(1.68, abs=0.005)


@pytest.mark.outside(FAO.format("example 3, p. 69"))
def test_mean_saturation_pressure_of_a_day() -> None:
    mean = (
        humidity.saturation_vapour_pressure_hpa(15.0)
        + humidity.saturation_vapour_pressure_hpa(24.5)
    ) / 20.0

    assert mean == pytest.approx(2.39, abs=0.005)


@pytest.mark.outside(FAO.format("example 5, p. 72"))
def test_actual_pressure_from_the_day_s_extremes_of_humidity() -> None:
    vapour = (
        humidity.vapour_pressure_hpa(18.0, 82.0) + humidity.vapour_pressure_hpa(25.0, 54.0)
    ) / 20.0

    assert vapour == pytest.approx(1.70, abs=0.005)


@pytest.mark.outside(FAO.format("example 4, p. 70"))
def test_wet_bulb_of_the_air_that_a_pair_of_thermometers_was_read_in() -> None:
    # Dry 25.6, wet 19.5, at 87.9 kPa: 1.91 kPa of vapour, printed to 0.005, which is 0.03 K here.
    humidity_percent = 100.0 * 19.1 / humidity.saturation_vapour_pressure_hpa(25.6)

    assert humidity.wet_bulb_c(25.6, humidity_percent, 879.0) == pytest.approx(19.5, abs=0.03)


@pytest.mark.outside(FAO.format("example 2, p. 63"))
def test_pressure_and_psychrometric_constant_at_1800_m() -> None:
    pressure = humidity.pressure_hpa(1800.0)

    assert pressure / 10.0 == pytest.approx(81.8, abs=0.05)
    assert humidity.psychrometric_constant_hpa_per_k(pressure) / 10.0 == pytest.approx(
        0.054, abs=0.0005
    )


@pytest.mark.outside("FAO-56 eq. 11 with 17.27 and 237.3, inverted by hand (derived)")
def test_dew_point_of_a_mild_evening() -> None:
    assert humidity.dew_point_c(25.0, 54.0) == pytest.approx(15.0478, abs=1e-4)


@pytest.mark.outside("Secondary reproduction of the frost handbook: two other published formulas")
def test_dew_point_lies_where_other_published_formulas_put_it() -> None:
    assert 14.992 - 0.001 <= humidity.dew_point_c(25.0, 54.0) <= 15.049 + 0.001


@pytest.mark.outside("Saturated absolute humidity, 20 to 40 °C, medical table")
@pytest.mark.parametrize(
    ("temperature_c", "gm3"), [(20.0, 17.3), (25.0, 23.0), (30.0, 30.4), (40.0, 51.1)]
)
def test_saturated_air_holds_what_the_table_says(temperature_c: float, gm3: float) -> None:
    assert humidity.absolute_humidity_gm3(temperature_c, 100.0) == pytest.approx(gm3, rel=0.005)


def test_the_same_humidity_is_far_more_water_in_warm_air() -> None:
    ratio = humidity.absolute_humidity_gm3(30.0, 90.0) / humidity.absolute_humidity_gm3(10.0, 90.0)

    assert ratio == pytest.approx(3.23, abs=0.02)


@pytest.mark.outside("ASHRAE Fundamentals ch. 6 table 2, as quoted by PsychroLib and humidr")
@pytest.mark.parametrize(
    ("temperature_c", "ratio"),
    [(-20.0, 0.0006373), (-10.0, 0.0016062), (-5.0, 0.0024863), (5.0, 0.005425), (20.0, 0.014758)],
)
def test_humidity_ratio_of_saturated_air(temperature_c: float, ratio: float) -> None:
    saturation = (
        humidity.saturation_vapour_pressure_ice_hpa
        if temperature_c < 0
        else humidity.saturation_vapour_pressure_hpa
    )

    # By its definition (the same handbook, eq. 20): vapour to dry air, 0.621945 times as heavy.
    vapour_hpa = saturation(temperature_c)
    assert 0.621945 * vapour_hpa / (1013.25 - vapour_hpa) == pytest.approx(ratio, rel=0.01)


@pytest.mark.outside("PsychroLib test_TWetBulb_RelHum: 7 °C, 61 %, 1000 hPa")
def test_wet_bulb_of_a_cool_evening() -> None:
    # The two psychrometer equations differ by a few hundredths of a degree here.
    assert humidity.wet_bulb_c(7.0, 61.0, 1000.0) == pytest.approx(3.9267, abs=0.06)


@pytest.mark.outside("PsychroLib 2.5 (ASHRAE 2017) over a grid of 1 to 35 °C and 40 to 100 %")
@pytest.mark.parametrize(
    ("temperature_c", "humidity_percent"),
    [
        (t, rh)
        for t, rh in itertools.product((1.0, 5.0, 10.0, 20.0, 35.0), (40.0, 70.0, 90.0, 100.0))
    ],
)
def test_dew_point_agrees_with_the_ashrae_library(
    temperature_c: float, humidity_percent: float
) -> None:
    theirs = psychrolib.GetTDewPointFromRelHum(temperature_c, humidity_percent / 100.0)
    # Below 0 °C their saturation is over ice: that is our frost point.
    ours = (
        humidity.dew_point_c(temperature_c, humidity_percent)
        if theirs >= 0.0
        else humidity.frost_point_c(temperature_c, humidity_percent)
    )

    # Where the dew point falls to 0 °C the two water curves differ by 0.1 %, or 0.02 K.
    assert ours == pytest.approx(theirs, abs=0.03)


@pytest.mark.outside("PsychroLib 2.5, humidity from dew point, 2 to 35 °C")
@pytest.mark.parametrize(("temperature_c", "dew_c"), [(35.0, 20.0), (20.0, 5.0), (10.0, 2.0)])
def test_humidity_from_dew_point_agrees_with_the_ashrae_library(
    temperature_c: float, dew_c: float
) -> None:
    theirs = 100.0 * psychrolib.GetRelHumFromTDewPoint(temperature_c, dew_c)

    assert humidity.relative_humidity_percent(temperature_c, dew_c) == pytest.approx(
        theirs, abs=0.1
    )


@given(temperatures)
def test_saturated_air_is_at_its_dew_point(temperature_c: float) -> None:
    assert humidity.dew_point_c(temperature_c, 100.0) == pytest.approx(temperature_c, abs=1e-9)


@given(temperatures, humidities)
def test_humidity_to_dew_point_and_back_is_home(
    temperature_c: float, humidity_percent: float
) -> None:
    dew = min(temperature_c, humidity.dew_point_c(temperature_c, humidity_percent))

    assert humidity.relative_humidity_percent(temperature_c, dew) == pytest.approx(
        humidity_percent, rel=1e-9
    )


@given(temperatures, humidities)
def test_wet_bulb_lies_between_dew_point_and_air(
    temperature_c: float, humidity_percent: float
) -> None:
    wet = humidity.wet_bulb_c(temperature_c, humidity_percent)

    assert humidity.dew_point_c(temperature_c, humidity_percent) - 1e-6 <= wet
    assert wet <= temperature_c + 1e-6


def test_a_frost_point_is_warmer_than_the_dew_point_below_zero() -> None:
    dew = humidity.dew_point_c(-2.0, 70.0)
    frost = humidity.frost_point_c(-2.0, 70.0)

    assert dew < frost < 0.0
    assert humidity.saturation_vapour_pressure_ice_hpa(frost) == pytest.approx(
        humidity.vapour_pressure_hpa(-2.0, 70.0), rel=1e-6
    )


def test_drier_air_has_a_lower_dew_point() -> None:
    dews = [humidity.dew_point_c(4.0, rh) for rh in (100.0, 80.0, 60.0, 40.0, 20.0)]

    assert dews == sorted(dews, reverse=True)


@pytest.mark.parametrize(
    ("temperature_c", "humidity_percent"),
    [(10.0, 0.0), (10.0, -5.0), (10.0, 100.1), (10.0, math.nan), (70.0, 50.0), (math.nan, 50.0)],
    ids=["dry as nothing", "negative", "over 100", "nan humidity", "oven", "nan temperature"],
)
def test_impossible_air_is_refused(temperature_c: float, humidity_percent: float) -> None:
    with pytest.raises(OutOfRange):
        humidity.dew_point_c(temperature_c, humidity_percent)


def test_a_dew_point_above_the_air_is_refused() -> None:
    with pytest.raises(OutOfRange, match="dew_point_c"):
        humidity.relative_humidity_percent(5.0, 6.0)


@pytest.mark.parametrize("dew_c", [-60.0, -59.5, 59.5, 60.0])
def test_a_dew_point_at_either_end_of_the_formula_comes_home(dew_c: float) -> None:
    pressure_hpa = humidity.saturation_vapour_pressure_hpa(dew_c)

    assert humidity.dew_point_from_vapour_pressure_c(pressure_hpa) == pytest.approx(dew_c)


@pytest.mark.parametrize("factor", [0.99, 1.01])
def test_a_pressure_past_either_end_of_the_formula_is_refused(factor: float) -> None:
    end_c = -60.0 if factor < 1.0 else 60.0

    with pytest.raises(OutOfRange, match="vapour pressure must be "):
        humidity.dew_point_from_vapour_pressure_c(
            factor * humidity.saturation_vapour_pressure_hpa(end_c)
        )
