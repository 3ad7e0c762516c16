"""Each term of the heat balance by hand, and each limit at its very end."""

from __future__ import annotations

import math

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.covers import heat
from gardenapp.science.humidity import dew_point_c, vapour_pressure_hpa


@pytest.mark.outside("CODATA 2018: Stefan-Boltzmann constant 5.670374419e-8 (from memory)")
def test_a_black_surface_sends_out_by_the_fourth_power() -> None:
    assert pytest.approx(5.670374419e-8, rel=1e-6) == heat.STEFAN_BOLTZMANN
    assert heat.black_body_wm2(26.85) == pytest.approx(5.670374419e-8 * 300.0**4, rel=1e-6)
    assert heat.radiative_coefficient_wm2k(26.85) == pytest.approx(
        4.0 * 5.670374419e-8 * 300.0**3, rel=1e-6
    )


def test_each_formula_of_the_sky_is_asked_with_the_evenings_air() -> None:
    skies = heat.clear_sky_emissivities(5.0, 70.0)
    e_hpa, dew_c = vapour_pressure_hpa(5.0, 70.0), dew_point_c(5.0, 70.0)

    assert skies == {
        "Brunt": heat.emissivity_brunt(e_hpa),
        "Idso": heat.emissivity_idso(e_hpa, 5.0),
        "Clark-Allen": heat.emissivity_clark_allen(dew_c),
        "Brutsaert": heat.emissivity_brutsaert(e_hpa, 5.0),
        "Swinbank": heat.emissivity_swinbank(5.0),
    }


@pytest.mark.parametrize("vapour_hpa", [0.0, -1.0, 200.0, math.nan])
def test_a_vapour_pressure_that_no_air_has_is_refused(vapour_hpa: float) -> None:
    for formula in (
        heat.emissivity_brunt,
        lambda e: heat.emissivity_idso(e, 5.0),
        lambda e: heat.emissivity_brutsaert(e, 5.0),
    ):
        with pytest.raises(OutOfRange, match="vapour_hpa must be above 0 and below 200"):
            formula(vapour_hpa)


def test_a_cloudy_sky_sends_at_most_what_is_black() -> None:
    assert heat.cloudy_emissivity(0.8, 0.5) == pytest.approx(0.8 * (1.0 + 0.17 / 4.0))
    assert heat.cloudy_emissivity(0.95, 1.0) == 1.0
    for cloud in (-0.01, 1.01):
        with pytest.raises(OutOfRange, match="cloud_fraction must be 0 to 1"):
            heat.cloudy_emissivity(0.8, cloud)


def test_what_a_surface_loses_is_what_the_sky_does_not_send() -> None:
    for emissivity in (0.0, 0.7, 1.0):
        assert heat.sky_radiation_wm2(3.0, emissivity) + heat.net_loss_wm2(
            3.0, emissivity
        ) == pytest.approx(heat.black_body_wm2(3.0))
    assert heat.net_loss_wm2(3.0, 0.75) == pytest.approx(heat.black_body_wm2(3.0) / 4.0)


def net_mj(**changes: float) -> float:
    day = {
        "highest_c": 25.0, "lowest_c": 19.0, "vapour_kpa": 2.0, "solar_mj": 14.0,
        "clear_sky_mj": 18.0,
    }  # fmt: skip
    return heat.net_long_wave_mj(**(day | changes))


def test_a_days_loss_needs_a_sun_that_can_be() -> None:
    # No sky is clearer than the clear one.
    assert net_mj(solar_mj=20.0) == net_mj(solar_mj=18.0)
    # In the dark the last bracket of the formula is -0.35, against 1 under a clear sky.
    assert net_mj(solar_mj=0.0) == pytest.approx(-0.35 * net_mj(solar_mj=18.0))
    for changes in ({"solar_mj": -0.1}, {"clear_sky_mj": 0.0}):
        with pytest.raises(OutOfRange, match="clear_sky_mj must be above 0 and solar_mj 0 or more"):
            net_mj(**changes)


def test_dew_as_heavy_as_the_laws_own_leaves_one_part_in_e() -> None:
    kon = heat.KON_DEW_G_CM2

    assert heat.dewy_film_emissivity(0.2, kon) == pytest.approx(0.2 + 0.8 / math.e)
    assert heat.dewy_film_emissivity(0.2, kon / 2.0) == pytest.approx(0.2 + 0.8 * math.exp(-4.0))
    assert heat.dewy_film_emissivity(0.0, 0.0) == 0.0
    assert heat.dewy_film_emissivity(1.0, 1.0) == 1.0
    for emissivity in (-0.1, 1.1):
        with pytest.raises(OutOfRange, match="dry_emissivity must be 0 to 1"):
            heat.dewy_film_emissivity(emissivity, 0.0)
    with pytest.raises(OutOfRange, match="dew_g_cm2 must be 0 or more"):
        heat.dewy_film_emissivity(0.2, -1e-9)


def test_wind_that_is_none_is_refused_and_still_air_carries_heat_too() -> None:
    assert heat.convection_wm2k(0.0) == 2.8
    for wind in (-0.1, math.inf, math.nan):
        with pytest.raises(OutOfRange, match="wind_mps must be 0 or more"):
            heat.convection_wm2k(wind)


def test_air_that_changes_carries_its_heat_off() -> None:
    # Half a cubic metre, twice an hour, 9 K: 1200 J for each cubic metre and kelvin.
    assert heat.leakage_w(0.5, 2.0, 9.0) == pytest.approx(1200.0 * 0.5 * 2.0 * 9.0 / 3600.0)


def test_soil_falls_with_the_root_of_time() -> None:
    one, four = (heat.soil_fall_k(50.0, hours, 1000.0) for hours in (1.0, 4.0))

    assert four == pytest.approx(2.0 * one)
    assert one == pytest.approx(2.0 * 50.0 * math.sqrt(3600.0 / math.pi) / 1000.0)
    assert heat.soil_fall_k(50.0, 0.0, 1000.0) == 0.0
    for hours, admittance in ((-1.0, 1000.0), (1.0, 0.0)):
        with pytest.raises(OutOfRange, match="admittance must be above 0 and hours 0 or more"):
            heat.soil_fall_k(50.0, hours, admittance)


def balance(**changes: float) -> heat.HeatBalance:
    usual = {
        "outside_c": 2.0, "sky_wm2": 240.0, "ground_flux_wm2": 35.0, "transmittance": 0.3,
        "outside_wm2k": 6.0, "inside_wm2k": 3.0, "air_height_m": 0.4, "changes_per_h": 2.0,
    }  # fmt: skip
    return heat.heat_balance(**(usual | changes))


@pytest.mark.parametrize("transmittance", [0.0, 0.3, 1.0])
def test_ground_film_and_air_each_gain_what_they_lose(transmittance: float) -> None:
    b = balance(transmittance=transmittance)
    absorbed, half = 1.0 - transmittance, 2.0 * 3.0
    film_wm2, ground_wm2 = heat.black_body_wm2(b.film_c), heat.black_body_wm2(b.ground_c)
    leak_wm2k = 1200.0 * 0.4 * 2.0 / 3600.0

    into_ground = 35.0 + transmittance * 240.0 + absorbed * film_wm2
    assert ground_wm2 + half * (b.ground_c - b.air_c) == pytest.approx(into_ground)
    into_film = absorbed * (240.0 + ground_wm2) + half * (b.air_c - b.film_c)
    assert into_film == pytest.approx(2.0 * absorbed * film_wm2 + 6.0 * (b.film_c - 2.0))
    into_air = half * (b.ground_c + b.film_c - 2.0 * b.air_c)
    assert into_air == pytest.approx(leak_wm2k * (b.air_c - 2.0), abs=1e-6)
    # Beside the cover: open ground, and a leaf with ten watts to each side of it.
    assert 35.0 + 240.0 + 6.0 * (2.0 - b.open_ground_c) == pytest.approx(
        heat.black_body_wm2(b.open_ground_c)
    )
    for above_wm2, below_c, leaf_c, air_c in (
        (240.0, b.open_ground_c, b.open_leaf_c, 2.0),
        (transmittance * 240.0 + absorbed * film_wm2, b.ground_c, b.leaf_c, b.air_c),
    ):
        gained = above_wm2 + heat.black_body_wm2(below_c) + 2.0 * 10.0 * (air_c - leaf_c)
        assert gained == pytest.approx(2.0 * heat.black_body_wm2(leaf_c))
    assert b.lift_k == pytest.approx(b.air_c - 2.0)


def test_what_is_not_said_of_a_balance_is_a_tight_cover_a_foot_high() -> None:
    said = heat.heat_balance(
        outside_c=2.0, sky_wm2=240.0, ground_flux_wm2=35.0, transmittance=0.3, outside_wm2k=6.0,
        inside_wm2k=3.0, air_height_m=0.3, changes_per_h=0.0, plant_air_k=0.0,
    )  # fmt: skip
    unsaid = heat.heat_balance(
        outside_c=2.0, sky_wm2=240.0, ground_flux_wm2=35.0, transmittance=0.3, outside_wm2k=6.0
    )
    leaky = heat.heat_balance(
        outside_c=2.0, sky_wm2=240.0, ground_flux_wm2=35.0, transmittance=0.3, outside_wm2k=6.0,
        changes_per_h=5.0,
    )  # fmt: skip

    assert unsaid == said
    assert leaky == balance(air_height_m=0.3, changes_per_h=5.0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"transmittance": 1.01}, "transmittance must be 0 to 1, not 1.01"),
        ({"inside_wm2k": 0.0}, "inside_wm2k must be above 0, not 0.0"),
        ({"outside_wm2k": math.inf}, "outside_wm2k must be above 0, not inf"),
        ({"air_height_m": -0.1}, "air_height_m and changes_per_h must be 0 or more"),
        ({"changes_per_h": -0.1}, "air_height_m and changes_per_h must be 0 or more"),
    ],
)
def test_a_balance_of_impossible_things_is_refused_in_words(
    changes: dict[str, float], words: str
) -> None:
    with pytest.raises(OutOfRange) as refused:
        balance(**changes)

    assert str(refused.value) == words


def test_the_range_is_over_the_published_skies_and_convections() -> None:
    found = heat.lift_range(outside_c=2.0, humidity_percent=70.0, wind_mps=1.5, transmittance=0.4)

    def lift_k(emissivity: float, factor: float, inside: float) -> heat.HeatBalance:
        return heat.heat_balance(
            outside_c=2.0,
            sky_wm2=heat.sky_radiation_wm2(2.0, emissivity),
            ground_flux_wm2=40.0,
            transmittance=0.4,
            outside_wm2k=(2.8 + 3.0 * 1.5) * factor,
            inside_wm2k=inside,
        )

    skies = heat.clear_sky_emissivities(2.0, 70.0)
    lifts = [
        lift_k(sky, factor, inside).lift_k
        for sky in skies.values()
        for factor in (0.7, 1.0, 1.5)
        for inside in (2.0, 3.0, 4.0)
    ]
    assert (found.low_k, found.high_k) == (min(lifts), max(lifts))
    assert found.middle == lift_k(skies["Brunt"], 1.0, 3.0)
