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
from gardenapp.science.night.ground import DEFAULT_RULE
from gardenapp.science.units import knots_to_mps

clouds = st.one_of(st.none(), st.floats(0.0, 1.0))
winds = st.one_of(st.none(), st.floats(0.0, 30.0))


def test_a_clear_calm_night_is_all_of_one() -> None:
    assert radiative_share(cloud_fraction=0.0, wind_mps=0.0).mean == pytest.approx(1.0)


@pytest.mark.outside("German weather service, open data: minima at 2 m and 5 cm, ten stations")
@pytest.mark.parametrize(
    ("cloud", "wind", "fall_k", "within_k"),
    [(0.1, 1.5, -2.5, 0.5), (0.1, 2.5, -2.8, 0.5), (0.1, 3.5, -3.0, 0.5), (0.1, 5.0, -2.7, 0.5),
     (1.0, 2.5, -0.75, 0.4), (1.0, 5.0, -0.8, 0.4)],
)  # fmt: skip
def test_a_thermometer_at_the_ground_falls_as_far_as_they_were_read_to(
    cloud: float, wind: float, fall_k: float, within_k: float
) -> None:
    """Means of the lowland nights with such skies and winds; a wind of 5 m/s leaves most of it."""
    share = radiative_share(cloud_fraction=cloud, wind_mps=wind)

    assert plant_air_k(share, 0.05).plus(leaf_k(share)).mean == pytest.approx(fall_k, abs=within_k)


@given(clouds, winds)
def test_the_share_stays_between_0_and_1(cloud: float | None, wind: float | None) -> None:
    assert 0.0 <= radiative_share(cloud_fraction=cloud, wind_mps=wind).mean <= 1.0


@given(st.floats(0.0, 0.9), st.floats(0.0, 10.0))
def test_more_cloud_or_wind_never_makes_more_of_a_clear_night(cloud: float, wind: float) -> None:
    now = radiative_share(cloud_fraction=cloud, wind_mps=wind).mean

    assert radiative_share(cloud_fraction=cloud + 0.1, wind_mps=wind).mean <= now
    assert radiative_share(cloud_fraction=cloud, wind_mps=wind + 1.0).mean <= now


def test_not_knowing_is_wider_and_never_milder_than_what_is_usual() -> None:
    usual = radiative_share(cloud_fraction=0.75, wind_mps=3.0)  # the middle of measured nights
    unknown = radiative_share(cloud_fraction=None, wind_mps=None)

    for cloud, wind in ((None, 3.0), (0.75, None), (None, None)):
        half = radiative_share(cloud_fraction=cloud, wind_mps=wind)
        assert half.sd > usual.sd
    assert unknown.sd > 1.8 * usual.sd
    assert radiative_share(cloud_fraction=None, wind_mps=0.0).mean < 1.0
    assert unknown.interval(0.8)[1] > 1.0


def test_most_of_a_closed_sky_s_last_eighths() -> None:
    """A sky half covered is nearly an open one for a leaf."""
    assert exposure.open_sky(0.5) > 0.95
    assert exposure.open_sky(1.0) == 0.0


@pytest.mark.outside("Ker and others 2007 (Niagara): inversions need wind under 6 km/h")
def test_most_of_the_still_layer_is_left_where_inversions_were_found() -> None:
    assert exposure.stillness(6.0 / 3.6) > 0.8


@pytest.mark.outside("Leuning and Cremer 1988: leaves 1 to 3 °C below the air on frost nights")
def test_a_leaf_on_a_clear_calm_night_falls_as_leaves_were_measured_to() -> None:
    fall = leaf_k(radiative_share(cloud_fraction=0.0, wind_mps=0.0))

    assert -3.0 <= fall.mean <= -1.0
    low, high = fall.interval(0.8)
    assert low > -3.0
    assert high < 0.0


@pytest.mark.outside("Agrometeorology text: leaf and air hardly differ under cloud")
def test_a_leaf_under_cloud_is_about_as_warm_as_the_air() -> None:
    assert leaf_k(radiative_share(cloud_fraction=1.0, wind_mps=0.0)).mean > -0.25


def test_a_low_plant_on_a_clear_calm_night_is_two_to_three_degrees_below_the_screen() -> None:
    share = radiative_share(cloud_fraction=0.0, wind_mps=0.0)

    for height_m in (0.05, 0.1, 0.2, 0.3):
        total = plant_air_k(share, height_m).plus(leaf_k(share))
        assert -3.0 <= total.mean <= -2.0


@pytest.mark.outside("Brugge, Weather: grass is almost always colder than the screen, by up to 10")
def test_the_ground_is_colder_but_far_from_the_extreme_over_snow() -> None:
    share = radiative_share(cloud_fraction=0.0, wind_mps=0.0)
    ground = plant_air_k(share, 0.05).plus(leaf_k(share))

    assert -10.0 < ground.mean < 0.0
    assert ground.chance_below(0.0) > 0.95


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


def test_the_air_at_a_plant_is_between_the_ground_s_and_the_screen_s_by_the_logarithm() -> None:
    whole = Estimate(1.0, 0.0)
    half_way_m = (2.0 * 0.05) ** 0.5
    air_k = -DEFAULT_RULE.clear_k - leaf_k(whole).mean

    assert plant_air_k(whole, 0.0) == plant_air_k(whole, 0.05)
    assert plant_air_k(whole, 0.05).mean == pytest.approx(air_k)
    assert plant_air_k(whole, half_way_m).mean == pytest.approx(air_k / 2.0)
    assert plant_air_k(whole, 2.0).mean == pytest.approx(0.0)
    assert leaf_k(whole) == Estimate(-1.5, 0.5)


def test_what_leaf_and_air_have_in_common_is_counted_once() -> None:
    """At the ground: the share's own spread on the whole fall, and that of the measured nights."""
    share = Estimate(0.8, 0.2)

    both = plant_air_k(share, 0.05).plus(leaf_k(share))

    fall_k = DEFAULT_RULE.clear_k
    about_rule = DEFAULT_RULE.spread_of(0.8 * fall_k)
    assert both.mean == pytest.approx(-0.8 * fall_k)
    assert both.sd == pytest.approx(math.hypot(0.2 * fall_k, about_rule))


def test_dry_air_falls_further_and_unknown_air_as_usual() -> None:
    def dry(dew_point_c: float | None, cloud: float | None = 0.0) -> float:
        return exposure.dry_share(dew_point_c=dew_point_c, low_c=0.0, cloud_fraction=cloud)

    assert dry(None) == 1.0
    assert 1.0 < dry(-2.0) < dry(-3.0) <= 1.4
    assert 0.7 <= dry(3.0) < 1.0
    assert dry(-30.0) == 1.4
    assert dry(-2.0, 1.0) == pytest.approx(1.0)  # under a closed sky it does not matter
    assert dry(-2.0, None) < dry(-2.0)
    with pytest.raises(OutOfRange, match="dew_point_c"):
        dry(math.nan)


def test_a_radiation_frost_needs_a_sky_and_a_wind_that_are_known() -> None:
    def kind(cloud: float | None, wind: float | None) -> FrostType:
        return frost_type(air_low_c=-1.0, plant_low_c=-3.0, cloud_fraction=cloud, wind_mps=wind)

    assert kind(0.5, 1.0) is FrostType.RADIATION_FROST
    assert kind(0.51, 1.0) is FrostType.AIR_FROST
    assert kind(None, 1.0) is FrostType.AIR_FROST
    assert kind(0.0, None) is FrostType.AIR_FROST
    assert kind(None, 9.0) is FrostType.WIND_FROST


def test_a_plot_differs_as_far_as_the_night_is_clear_and_still() -> None:
    pocket = Estimate(-2.5, 0.5)

    clear, dull = (
        exposure.spot_k(radiative_share(cloud_fraction=cloud, wind_mps=wind), pocket, 0.05)
        for cloud, wind in ((0.0, 0.0), (1.0, 8.0))
    )

    assert clear.mean == pytest.approx(-2.5)
    assert dull.mean == pytest.approx(-2.5 * (1.0 - DEFAULT_RULE.cloud_takes))
    assert dull.sd < clear.sd
    assert exposure.spot_k(Estimate(0.0, 0.0), pocket, 0.05).mean == 0.0


@given(st.floats(-4.0, 3.0), st.floats(0.0, 2.0))
def test_plot_leaf_and_air_have_the_share_s_spread_on_the_whole_fall(
    offset_k: float, height_m: float
) -> None:
    """Cold spots are the surer the less of it is counted twice; a warm one is never surer bare."""
    share = Estimate(0.8, 0.2)
    air, leaf = plant_air_k(share, height_m), leaf_k(share)
    spot = exposure.spot_k(share, Estimate(offset_k, 0.5), height_m)

    whole_k = offset_k + (air.mean + leaf.mean) / 0.8
    about_rule = max(0.4, DEFAULT_RULE.spread_of(0.8 * DEFAULT_RULE.clear_k)
                     * exposure.height_share(height_m))  # fmt: skip
    together = math.hypot(0.2 * whole_k, about_rule, 0.4)
    total = air.plus(leaf, spot)
    assert total.sd >= together - 1e-9
    assert total.sd == pytest.approx(together) or offset_k > 0.0
