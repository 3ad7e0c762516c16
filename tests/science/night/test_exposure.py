from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.night import exposure
from gardenapp.science.night.exposure import (
    FrostType,
    frost_type,
    leaf_k,
    plant_air_k,
    radiative_share,
)
from gardenapp.science.units import knots_to_mps

clouds = st.one_of(st.none(), st.floats(0.0, 1.0))
winds = st.one_of(st.none(), st.floats(0.0, 30.0))


def test_a_clear_calm_night_is_all_of_one() -> None:
    assert radiative_share(cloud_fraction=0.0, wind_mps=0.5).mean == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("cloud", "wind", "most"),
    [(1.0, 0.0, 0.1), (0.0, 6.0, 0.0), (1.0, 10.0, 0.0)],
    ids=["overcast", "windy", "both"],
)
def test_little_is_left_under_cloud_and_nothing_in_wind(
    cloud: float, wind: float, most: float
) -> None:
    assert radiative_share(cloud_fraction=cloud, wind_mps=wind).mean <= most + 1e-12


@given(clouds, winds)
def test_the_share_stays_between_0_and_1(cloud: float | None, wind: float | None) -> None:
    assert 0.0 <= radiative_share(cloud_fraction=cloud, wind_mps=wind).mean <= 1.0


@given(st.floats(0.0, 0.9), st.floats(0.0, 10.0))
def test_more_cloud_or_wind_never_makes_more_of_a_clear_night(cloud: float, wind: float) -> None:
    now = radiative_share(cloud_fraction=cloud, wind_mps=wind).mean

    assert radiative_share(cloud_fraction=cloud + 0.1, wind_mps=wind).mean <= now
    assert radiative_share(cloud_fraction=cloud, wind_mps=wind + 1.0).mean <= now


def test_not_knowing_widens_and_leans_to_the_clear_side() -> None:
    known = radiative_share(cloud_fraction=0.3, wind_mps=2.0)
    unknown = radiative_share(cloud_fraction=None, wind_mps=None)

    assert unknown.sd > known.sd
    assert unknown.mean > radiative_share(cloud_fraction=0.6, wind_mps=3.0).mean


@pytest.mark.outside("FAO-56 eq. 35 and 39: long-wave loss of an overcast day, Rs/Rso = 1/3")
@pytest.mark.parametrize("sunshine", [0.0, 0.25, 0.5, 1.0])
def test_cloud_takes_from_the_loss_what_the_fao_formulas_take(sunshine: float) -> None:
    relative_sunshine = (0.25 + 0.50 * sunshine) / 0.75

    assert exposure.cloud_share(1.0 - sunshine) == pytest.approx(1.35 * relative_sunshine - 0.35)


@pytest.mark.outside("Ker and others 2007 (Niagara): inversions need wind under 6 km/h")
def test_most_of_the_still_layer_is_left_where_inversions_were_found() -> None:
    assert exposure.wind_share(6.0 / 3.6) > 0.8


@pytest.mark.outside("Leuning and Cremer 1988: leaves 1 to 3 °C below the air on frost nights")
def test_a_leaf_on_a_clear_calm_night_falls_as_leaves_were_measured_to() -> None:
    fall = leaf_k(radiative_share(cloud_fraction=0.0, wind_mps=0.0))

    assert -3.0 <= fall.mean <= -1.0
    low, high = fall.interval(0.8)
    assert low > -3.0
    assert high < 0.0


@pytest.mark.outside("Agrometeorology text: leaf and air hardly differ under cloud")
def test_a_leaf_under_cloud_is_about_as_warm_as_the_air() -> None:
    assert leaf_k(radiative_share(cloud_fraction=1.0, wind_mps=0.0)).mean > -0.2


def test_a_low_plant_on_a_clear_calm_night_is_two_to_three_degrees_below_the_screen() -> None:
    share = radiative_share(cloud_fraction=0.0, wind_mps=0.0)

    for height_m in (0.1, 0.2, 0.3):
        total = plant_air_k(share, height_m).plus(leaf_k(share))
        assert -3.0 <= total.mean <= -2.0


@pytest.mark.outside("Brugge, Weather: grass is almost always colder than the screen, by up to 10")
def test_the_air_at_the_ground_is_colder_but_far_from_the_extreme_over_snow() -> None:
    near_ground = plant_air_k(radiative_share(cloud_fraction=0.0, wind_mps=0.0), 0.05)

    assert -10.0 < near_ground.mean < 0.0
    assert near_ground.chance_below(0.0) > 0.95


@given(st.floats(0.0, 3.0), st.floats(0.0, 2.0))
def test_a_taller_plant_never_stands_in_colder_air(height_m: float, taller_m: float) -> None:
    share = Estimate(1.0, 0.1)

    assert plant_air_k(share, height_m).mean <= plant_air_k(share, height_m + taller_m).mean <= 0.0


def test_at_the_screen_and_above_the_air_is_the_screen_s() -> None:
    assert plant_air_k(Estimate(1.0, 0.1), 2.5).mean == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("cloud", "wind"), [(1.1, 0.0), (-0.1, 0.0), (0.0, -1.0), (math.nan, 1.0), (0.5, math.inf)]
)
def test_impossible_weather_is_refused(cloud: float, wind: float) -> None:
    with pytest.raises(OutOfRange):
        radiative_share(cloud_fraction=cloud, wind_mps=wind)


def test_a_plant_below_the_ground_is_refused() -> None:
    with pytest.raises(OutOfRange, match="plant_height_m"):
        plant_air_k(Estimate(1.0, 0.0), -0.1)


@pytest.mark.outside("UK definition of air frost: strictly below 0.0 °C in the screen")
@pytest.mark.parametrize(
    ("air_low_c", "is_frost"), [(0.0, False), (-0.1, True)], ids=["exactly 0.0", "-0.1"]
)
def test_an_air_frost_is_strictly_below_zero(air_low_c: float, is_frost: bool) -> None:
    kind = frost_type(air_low_c=air_low_c, plant_low_c=5.0, cloud_fraction=None, wind_mps=None)

    assert (kind is FrostType.AIR_FROST) == is_frost
    assert (kind is FrostType.NONE) != is_frost


@pytest.mark.outside("UK definition of ground frost: grass minimum below 0.0 °C (Brugge)")
def test_a_frost_on_the_ground_alone_is_a_ground_frost() -> None:
    kind = frost_type(air_low_c=3.0, plant_low_c=-0.1, cloud_fraction=0.0, wind_mps=0.0)

    assert kind is FrostType.GROUND_FROST


@pytest.mark.outside("Extension definitions (UGA B1479, UC FP005): radiation and advection frost")
@pytest.mark.parametrize(
    ("cloud", "wind", "kind"),
    [
        (0.1, 1.5, FrostType.RADIATION_FROST),
        (0.1, 8.0, FrostType.WIND_FROST),
        (1.0, 8.0, FrostType.WIND_FROST),
        (None, 8.0, FrostType.WIND_FROST),
        (1.0, 1.0, FrostType.AIR_FROST),
        (None, 1.0, FrostType.AIR_FROST),
        (0.0, None, FrostType.AIR_FROST),
        (0.0, 4.5, FrostType.AIR_FROST),
    ],
    ids=[
        "clear, light",
        "clear, windy",
        "overcast, windy",
        "cloud unknown, windy",
        "overcast, light",
        "cloud unknown, light",
        "wind unknown",
        "between the winds",
    ],
)
def test_a_frost_is_named_by_its_sky_and_wind(
    cloud: float | None, wind: float | None, kind: FrostType
) -> None:
    got = frost_type(air_low_c=-2.0, plant_low_c=-4.0, cloud_fraction=cloud, wind_mps=wind)

    assert got is kind


@pytest.mark.outside("Smith 1973, Canterbury, worked example quoted on a public page")
def test_the_canterbury_rule_gives_its_own_example() -> None:
    assert exposure.grass_minimum_c(afternoon_c=6.0, dew_point_c=3.0, month=9) == pytest.approx(
        -5.5
    )


def test_the_canterbury_rule_is_a_degree_colder_in_june() -> None:
    assert exposure.grass_minimum_c(afternoon_c=6.0, dew_point_c=3.0, month=6) == pytest.approx(
        -6.5
    )


@pytest.mark.parametrize("month", [1, 7, 12])
def test_the_canterbury_rule_is_not_stretched_to_other_months(month: int) -> None:
    with pytest.raises(OutOfRange, match="month"):
        exposure.grass_minimum_c(afternoon_c=6.0, dew_point_c=3.0, month=month)


@pytest.mark.parametrize(
    ("knots", "kind"),
    [(7.0, FrostType.RADIATION_FROST), (7.01, FrostType.AIR_FROST), (9.99, FrostType.AIR_FROST),
     (10.0, FrostType.WIND_FROST)],
)  # fmt: skip
def test_up_to_seven_knots_it_radiates_and_from_ten_it_blows(knots: float, kind: FrostType) -> None:
    found = frost_type(
        air_low_c=-2.0, plant_low_c=-4.0, cloud_fraction=0.5, wind_mps=knots_to_mps(knots)
    )

    assert found is kind


def test_what_is_taken_where_the_sky_is_known_or_not() -> None:
    unknown = radiative_share(cloud_fraction=None, wind_mps=None)
    known = radiative_share(cloud_fraction=0.5, wind_mps=3.0)

    assert unknown == Estimate(0.65, 0.28).times(Estimate(0.70, 0.28))
    assert known == Estimate(0.55, 0.12).times(Estimate(0.5, 0.12))
    assert radiative_share(cloud_fraction=0.5, wind_mps=None) == Estimate(0.55, 0.12).times(
        Estimate(0.70, 0.28)
    )


@pytest.mark.parametrize(
    ("wind_mps", "share"), [(0.0, 1.0), (1.0, 1.0), (2.0, 0.75), (4.0, 0.25), (5.0, 0.0), (9.0, 0)]
)
def test_the_still_layer_goes_in_a_straight_line_from_one_to_five_metres_a_second(
    wind_mps: float, share: float
) -> None:
    assert exposure.wind_share(wind_mps) == share


def test_the_air_at_a_plant_is_between_the_ground_s_and_the_screen_s_by_the_logarithm() -> None:
    whole = Estimate(1.0, 0.0)
    half_way_m = (1.5 * 0.1) ** 0.5

    assert plant_air_k(whole, 0.0) == plant_air_k(whole, 0.1) == Estimate(-1.0, 0.5)
    assert plant_air_k(whole, half_way_m).mean == pytest.approx(-0.5)
    assert plant_air_k(whole, half_way_m).sd == pytest.approx(0.25)
    assert plant_air_k(whole, 1.5).mean == pytest.approx(0.0)
    assert leaf_k(whole) == Estimate(-1.5, 0.5)


@pytest.mark.parametrize(("month", "less"), [(5, 8), (6, 9), (8, 9), (9, 8), (10, 8)])
def test_the_canterbury_rule_by_month(month: int, less: float) -> None:
    low_c = exposure.grass_minimum_c(afternoon_c=12.0, dew_point_c=6.0, month=month)

    assert low_c == pytest.approx(5.0 - less)


def test_a_radiation_frost_needs_a_sky_and_a_wind_that_are_known() -> None:
    def kind(cloud: float | None, wind: float | None) -> FrostType:
        return frost_type(air_low_c=-1.0, plant_low_c=-3.0, cloud_fraction=cloud, wind_mps=wind)

    assert kind(0.5, 1.0) is FrostType.RADIATION_FROST
    assert kind(0.51, 1.0) is FrostType.AIR_FROST
    assert kind(None, 1.0) is FrostType.AIR_FROST
    assert kind(0.0, None) is FrostType.AIR_FROST
    assert kind(None, 9.0) is FrostType.WIND_FROST
