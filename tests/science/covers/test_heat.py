from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.covers import heat
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import plant_air_k

SKY = "Sky emissivity formulas of Brunt and Idso (recalibrated, LBNL), Clark-Allen, Brutsaert, "
SKY += "Swinbank; numbers computed from them"
NAMES = ("Brunt", "Idso", "Clark-Allen", "Brutsaert", "Swinbank")


@pytest.mark.outside(SKY)
@pytest.mark.parametrize(
    ("air_c", "humidity", "name", "expected"),
    [
        (air_c, humidity, name, value)
        for air_c, humidity, values in (
            (0.0, 80.0, (0.7418, 0.7636, 0.7789, 0.6979, 0.6927)),
            (10.0, 70.0, (0.7822, 0.7960, 0.8007, 0.7527, 0.7444)),
        )
        for name, value in zip(NAMES, values, strict=True)
    ],
)
def test_clear_skies_send_what_the_formulas_say(
    air_c: float, humidity: float, name: str, expected: float
) -> None:
    assert heat.clear_sky_emissivities(air_c, humidity)[name] == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize(
    ("name", "loss", "sky_c"),
    [
        ("Brunt", 81.5, -19.7),
        ("Idso", 74.6, -17.8),
        ("Clark-Allen", 69.8, -16.5),
        ("Brutsaert", 95.4, -23.5),
        ("Swinbank", 97.0, -24.0),
    ],
)
def test_the_loss_to_a_clear_sky_at_freezing(name: str, loss: float, sky_c: float) -> None:
    emissivity = heat.clear_sky_emissivities(0.0, 80.0)[name]

    assert heat.net_loss_wm2(0.0, emissivity) == pytest.approx(loss, abs=0.3)
    # A black surface as cold as that sky sends down as much; a tenth of a kelvin is 0.4 W.
    assert heat.sky_radiation_wm2(0.0, emissivity) == pytest.approx(
        heat.black_body_wm2(sky_c), abs=0.4
    )


def test_a_surface_at_freezing_gains_and_loses_315_66_watts() -> None:
    assert heat.black_body_wm2(0.0) == pytest.approx(315.66, abs=0.05)


@pytest.mark.parametrize(("temperature_c", "expected"), [(0.0, 4.622), (10.0, 5.149)])
def test_the_linear_coefficient_of_radiation(temperature_c: float, expected: float) -> None:
    assert heat.radiative_coefficient_wm2k(temperature_c) == pytest.approx(expected, abs=0.005)


@pytest.mark.outside("VIC long-wave form (Bras): 1 + 0.17 cloud²")
@pytest.mark.parametrize(("cloud", "factor"), [(0.0, 1.0), (0.5, 1.0425), (1.0, 1.17)])
def test_cloud_sends_more(cloud: float, factor: float) -> None:
    assert heat.cloudy_emissivity(0.7, cloud) == pytest.approx(0.7 * factor)


@pytest.mark.outside("FAO-56 example 11, p. 87, as tested in PyETo")
def test_net_long_wave_loss_of_a_day_in_rio() -> None:
    loss = heat.net_long_wave_mj(
        highest_c=25.1, lowest_c=19.1, vapour_kpa=2.1, solar_mj=14.5, clear_sky_mj=18.8
    )

    assert loss == pytest.approx(3.5, abs=0.05)
    assert loss * 1e6 / 86400.0 == pytest.approx(40.9, abs=0.1)


@pytest.mark.outside("Kon and others 1985, dew law of polyethylene, e0 = 0.2 chosen")
@pytest.mark.parametrize(
    ("milligrams", "expected"), [(1, 0.215), (2, 0.494), (3, 0.713), (5, 0.882), (10, 0.969)]
)
def test_dew_makes_a_bag_opaque(milligrams: float, expected: float) -> None:
    got = heat.dewy_film_emissivity(0.2, milligrams / 1000.0)

    assert got == pytest.approx(expected, abs=0.001)


def test_a_dry_film_keeps_its_own_emissivity() -> None:
    assert heat.dewy_film_emissivity(0.2, 0.0) == 0.2


@pytest.mark.outside("Wind coefficient 2.8 + 3.0 V, public thread citing Kumar and others")
@pytest.mark.parametrize(
    ("wind", "expected"), [(0, 2.8), (1, 5.8), (2, 8.8), (5, 17.8), (10, 32.8)]
)
def test_wind_carries_heat_off(wind: float, expected: float) -> None:
    assert heat.convection_wm2k(wind) == pytest.approx(expected)


def test_a_leaky_tote_loses_a_watt() -> None:
    assert heat.leakage_w(0.1, 10.0, 3.0) == pytest.approx(1.0, abs=0.01)


@pytest.mark.outside("FAO-56 short-step rule for soil heat flux at night, MeTo manual page")
def test_the_ground_gives_half_of_the_night_s_loss() -> None:
    assert heat.night_soil_flux_wm2(80.0) == pytest.approx(40.0)


@pytest.mark.outside("Moene and van Dam 2014 table 2.2 soils; fall by the textbook form (memory)")
@pytest.mark.parametrize(
    ("admittance", "fall"),
    [(554, 21.2), (1429, 8.2), (2110, 5.6)],
    ids=["dry sand", "moist clay", "moist sand"],
)
def test_dry_soil_cools_most(admittance: float, fall: float) -> None:
    assert heat.soil_fall_k(50.0, 12.0, admittance) == pytest.approx(fall, rel=0.01)


def make_balance(**changes: float) -> heat.HeatBalance:
    """A black film over ground giving 40 W m-2, clear sky, air at 0 °C, wind 1 m/s."""
    arguments = {
        "outside_c": 0.0,
        "sky_wm2": heat.sky_radiation_wm2(0.0, 0.7418),
        "ground_flux_wm2": 40.0,
        "transmittance": 0.0,
        "outside_wm2k": 5.8,
    } | changes
    return heat.heat_balance(**arguments)


def test_covered_ground_is_warmer_than_open_ground_while_covered_air_is_below_the_screen() -> None:
    balance = make_balance()

    # The same case worked by hand with one linear coefficient of radiation.
    assert balance.film_c == pytest.approx(-4.1, abs=0.2)
    assert balance.open_ground_c == pytest.approx(-4.1, abs=0.2)
    assert balance.ground_c == pytest.approx(1.5, abs=0.3)
    assert balance.air_c == pytest.approx(-1.3, abs=0.2)
    assert balance.lift_k < 0.0 < balance.ground_c - balance.open_ground_c


@given(
    st.floats(-15.0, 15.0),
    st.floats(0.65, 1.0),
    st.floats(0.0, 120.0),
    st.floats(0.0, 0.95),
    st.floats(3.0, 30.0),
    st.floats(1.0, 6.0),
    st.floats(0.0, 20.0),
)
def test_what_comes_in_goes_out(
    outside_c: float,
    emissivity: float,
    flux: float,
    transmittance: float,
    outside: float,
    inside: float,
    changes: float,
) -> None:
    sky = heat.sky_radiation_wm2(outside_c, emissivity)

    b = heat.heat_balance(
        outside_c=outside_c,
        sky_wm2=sky,
        ground_flux_wm2=flux,
        transmittance=transmittance,
        outside_wm2k=outside,
        inside_wm2k=inside,
        changes_per_h=changes,
    )

    # All the ground gives leaves through the film, the window in it, and the leaks.
    absorbed = 1.0 - transmittance
    through_film = outside * (b.film_c - outside_c) + absorbed * (
        heat.black_body_wm2(b.film_c) - sky
    )
    through_window = transmittance * (heat.black_body_wm2(b.ground_c) - sky)
    leaks = heat.leakage_w(0.3, changes, b.air_c - outside_c)
    assert through_film + through_window + leaks == pytest.approx(flux, abs=1e-4)


def test_in_balance_with_a_black_sky_at_air_temperature_nothing_differs() -> None:
    balance = make_balance(sky_wm2=heat.black_body_wm2(0.0), ground_flux_wm2=0.0)

    for temperature_c in (balance.film_c, balance.air_c, balance.ground_c, balance.leaf_c):
        assert temperature_c == pytest.approx(0.0, abs=1e-6)


@pytest.mark.outside("OSU 1988 and Sugiyama 1967: thin polyethylene colder inside on clear nights")
def test_a_bag_open_to_the_night_ends_colder_than_the_air_at_plant_height() -> None:
    balance = make_balance(transmittance=0.75, plant_air_k=-1.0)

    assert balance.lift_k < 0.0
    assert balance.ground_c < balance.open_ground_c


@pytest.mark.outside("EVA 1968: PVC tunnels warmest, EVA between, polyethylene coldest (order)")
def test_the_more_a_film_lets_through_the_colder_it_is_inside() -> None:
    airs = [make_balance(transmittance=t).air_c for t in (0.05, 0.4, 0.75)]

    assert airs == sorted(airs, reverse=True)


@pytest.mark.outside("Sugiyama 1967: under cloud polyethylene and PVC tunnels alike (sign)")
def test_under_cloud_it_matters_less_what_a_film_lets_through() -> None:
    def gap(cloud: float) -> float:
        emissivity = heat.cloudy_emissivity(0.7418, cloud)
        night = {
            "sky_wm2": heat.sky_radiation_wm2(0.0, emissivity),
            # Less is lost under cloud, and the ground gives less.
            "ground_flux_wm2": heat.night_soil_flux_wm2(heat.net_loss_wm2(0.0, emissivity)),
        }
        opaque = make_balance(**night, transmittance=0.05)
        thin = make_balance(**night, transmittance=0.75)
        return opaque.air_c - thin.air_c

    assert gap(1.0) < 0.7 * gap(0.0)


@pytest.mark.outside("Sugiyama 1967 and cloud-cover trial: films warmer inside under cloud (sign)")
def test_a_film_is_warmer_inside_than_outside_on_a_cloudy_night() -> None:
    clear = heat.lift_range(outside_c=3.0, humidity_percent=85.0, wind_mps=1.0, transmittance=0.3)
    cloudy = heat.lift_range(
        outside_c=3.0, humidity_percent=85.0, wind_mps=1.0, transmittance=0.3, cloud_fraction=1.0
    )

    assert cloudy.middle.lift_k > 0.0
    assert cloudy.middle.lift_k > clear.middle.lift_k


@pytest.mark.outside("Savage 1980: inside colder until the film was wet, then warmer (sign)")
def test_dew_on_the_film_warms_what_is_under_it() -> None:
    dry = make_balance(transmittance=1.0 - heat.dewy_film_emissivity(0.2, 0.0))
    wet = make_balance(transmittance=1.0 - heat.dewy_film_emissivity(0.2, 0.005))

    assert wet.air_c > dry.air_c + 1.0


@pytest.mark.outside("Leuning and Cremer 1988: open leaves 1 to 3 °C below the air on frost nights")
def test_an_open_leaf_falls_below_the_air_about_as_measured() -> None:
    assert -4.0 < make_balance().open_leaf_c < -1.0


def test_a_leaf_under_an_opaque_film_hardly_falls_below_its_air() -> None:
    balance = make_balance()

    assert abs(balance.leaf_c - balance.air_c) < 0.5
    assert balance.open_leaf_c < -2.0


def test_the_range_holds_its_middle_and_shows_that_formulas_disagree() -> None:
    lifts = heat.lift_range(outside_c=0.0, humidity_percent=80.0, wind_mps=1.0, transmittance=0.1)

    assert lifts.low_k < lifts.middle.lift_k < lifts.high_k
    assert lifts.high_k - lifts.low_k > 2.0


def test_counted_from_plant_height_a_lift_is_larger_than_from_the_screen() -> None:
    air_k = plant_air_k(Estimate(1.0, 0.0), 0.1).mean

    from_screen = make_balance()
    from_plant = make_balance(plant_air_k=air_k)

    assert from_plant.lift_k - from_screen.lift_k == pytest.approx(-air_k)


def test_more_heat_from_the_ground_and_less_leakage_make_more_lift() -> None:
    assert make_balance(ground_flux_wm2=60.0).lift_k > make_balance().lift_k
    warm = {"ground_flux_wm2": 90.0}
    assert make_balance(**warm).lift_k > make_balance(**warm, changes_per_h=20.0).lift_k > 0.0


@pytest.mark.parametrize(
    "changes",
    [
        {"transmittance": 1.1},
        {"transmittance": -0.1},
        {"outside_wm2k": 0.0},
        {"inside_wm2k": math.nan},
        {"sky_wm2": -5.0},
        {"changes_per_h": -1.0},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_a_balance_of_impossible_things_is_refused(changes: dict[str, float]) -> None:
    with pytest.raises(OutOfRange):
        make_balance(**changes)


# --- covers against each other ----------------------------------------------------------------


def judged(leaf_shield: float, *, is_cloudy: bool = False) -> heat.LiftRange:
    """A sealed cover in air of 0 °C: clear with hardly a breath, or overcast and windy.

    Soil gives about half of what the surface loses by night (short-step rule of FAO-56): the
    loss is some 80 W/m² under a clear sky and half of that under full cloud. One change of air
    an hour is from memory.
    """
    return heat.lift_range(
        outside_c=0.0,
        humidity_percent=80.0,
        wind_mps=4.0 if is_cloudy else 1.0,
        transmittance=1.0 - leaf_shield,
        ground_flux_wm2=20.0 if is_cloudy else 40.0,
        cloud_fraction=1.0 if is_cloudy else 0.0,
        changes_per_h=1.0,
        plant_air_k=plant_air_k(Estimate(0.0 if is_cloudy else 1.0, 0.0), 0.3).mean,
    )


@pytest.mark.outside(
    "Hanson 1963, night radiation protection index: polyethylene 26 %, glass 93 % (as quoted in "
    "its abstract)"
)
def test_glass_is_judged_warmer_than_bare_polyethylene_on_a_clear_night() -> None:
    film, glass = judged(0.26), judged(0.93)

    assert glass.middle.air_c > film.middle.air_c
    assert glass.middle.leaf_c > film.middle.leaf_c
    assert glass.high_k > film.high_k


@pytest.mark.outside(
    "North Willamette, 1988, row cover effects on minimum air temperature: film and fabric colder "
    "than open air on clear nights"
)
def test_thin_bare_film_may_be_colder_than_outside_on_a_clear_night() -> None:
    assert judged(0.26).low_k < 0


def test_a_leaf_under_thin_film_is_colder_than_its_air_and_under_glass_hardly() -> None:
    film, glass = judged(0.26).middle, judged(0.93).middle

    assert film.leaf_c < film.air_c - 0.5
    assert glass.air_c - glass.leaf_c < film.air_c - film.leaf_c


def test_cloud_and_wind_leave_less_between_the_covers() -> None:
    clear = [judged(shield).middle.air_c for shield in (0.26, 0.93)]
    cloudy = [judged(shield, is_cloudy=True).middle.air_c for shield in (0.26, 0.93)]

    assert cloudy[1] - cloudy[0] < clear[1] - clear[0]


@pytest.mark.parametrize("sky_wm2", [0.0, -1.0, 1000.0, float("nan")])
def test_a_sky_that_no_night_has_is_refused(sky_wm2: float) -> None:
    with pytest.raises(OutOfRange, match="sky_wm2"):
        heat.heat_balance(
            outside_c=0.0, sky_wm2=sky_wm2, ground_flux_wm2=20.0, transmittance=0.5,
            outside_wm2k=10.0, inside_wm2k=3.0,
        )  # fmt: skip
