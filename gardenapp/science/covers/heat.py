"""Heat balance of a small covered space at night: a second opinion on a cover's lift.

The measured ranges come first; this says whether they make sense for a film, a soil and
a sky, and why covered ground can be warmer than open ground while the covered air
is colder than the air in the screen.

No page shows it: it keeps no heat from the day and does not reproduce measured and published
nights yet (of a glass frame it says −4.1 to +0.9 K, where 2.8 to 5.6 K are published). It ranks
ways of building in tests, and may stand beside a lift again once it reproduces such nights.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.humidity import dew_point_c, vapour_pressure_hpa

STEFAN_BOLTZMANN = 5.670374e-8  # [W m-2 K-4]
_KELVIN = 273.15
AIR_HEAT_J_M3K = 1200.0  # density times heat capacity of air, Moene and van Dam 2014, table 2.2


def black_body_wm2(temperature_c: float) -> float:
    """What a black surface sends out. [W m-2]"""
    return STEFAN_BOLTZMANN * (temperature_c + _KELVIN) ** 4


def radiative_coefficient_wm2k(temperature_c: float) -> float:
    """Long-wave exchange for each kelvin between near-equal surfaces, 4σT³. [W m-2 K-1]"""
    return 4.0 * STEFAN_BOLTZMANN * (temperature_c + _KELVIN) ** 3


def emissivity_brunt(vapour_hpa: float) -> float:
    """Clear sky; Brunt 1932, recalibrated 2017: 0.618 + 0.056·√e. [-]"""
    return 0.618 + 0.056 * math.sqrt(_vapour(vapour_hpa))


def emissivity_idso(vapour_hpa: float, temperature_c: float) -> float:
    """Clear sky; Idso 1981, recalibrated 2017: 0.685 + 3.2e-5·e·exp(1699/T). [-]"""
    return 0.685 + 3.2e-5 * _vapour(vapour_hpa) * math.exp(1699.0 / (temperature_c + _KELVIN))


def emissivity_clark_allen(dew_point_c: float) -> float:
    """Clear sky; Clark and Allen 1978: 0.787 + 0.764·ln(Td/273). [-]

    The 273 K is from memory.
    """
    return 0.787 + 0.764 * math.log((dew_point_c + _KELVIN) / 273.0)


def emissivity_brutsaert(vapour_hpa: float, temperature_c: float) -> float:
    """Clear sky; Brutsaert 1975: 1.24·(e/T)^(1/7). [-]"""
    return float(1.24 * (_vapour(vapour_hpa) / (temperature_c + _KELVIN)) ** (1.0 / 7.0))


def emissivity_swinbank(temperature_c: float) -> float:
    """Clear sky; Swinbank 1963, sky at 0.0552·T^1.5, as an emissivity. [-]"""
    kelvin = temperature_c + _KELVIN
    return float((0.0552 * kelvin**1.5 / kelvin) ** 4)


def _vapour(vapour_hpa: float) -> float:
    if not 0.0 < vapour_hpa < 200.0:
        raise OutOfRange(
            say(
                "%(name)s must be above 0 and below 200, not %(value)s",
                name="vapour_hpa",
                value=vapour_hpa,
            )
        )
    return vapour_hpa


def clear_sky_emissivities(temperature_c: float, humidity_percent: float) -> dict[str, float]:
    """All five formulas for one evening, by name; they differ, so show the range. [-]"""
    e = vapour_pressure_hpa(temperature_c, humidity_percent)
    return {
        "Brunt": emissivity_brunt(e),
        "Idso": emissivity_idso(e, temperature_c),
        "Clark-Allen": emissivity_clark_allen(dew_point_c(temperature_c, humidity_percent)),
        "Brutsaert": emissivity_brutsaert(e, temperature_c),
        "Swinbank": emissivity_swinbank(temperature_c),
    }


def cloudy_emissivity(clear: float, cloud_fraction: float) -> float:
    """A sky with cloud: times 1 + 0.17·cloud², at most 1 (Bras, as in VIC). [-]"""
    if not 0.0 <= cloud_fraction <= 1.0:
        raise OutOfRange(
            say(
                "%(name)s must be 0 to 1, not %(value)s",
                name="cloud_fraction",
                value=cloud_fraction,
            )
        )
    return min(1.0, clear * (1.0 + 0.17 * cloud_fraction**2))


def sky_radiation_wm2(temperature_c: float, emissivity: float) -> float:
    """What the sky sends down, ε·σ·T⁴ with the air's temperature. [W m-2]"""
    return emissivity * black_body_wm2(temperature_c)


def net_loss_wm2(temperature_c: float, emissivity: float) -> float:
    """What a black surface at air temperature loses to the sky. [W m-2]"""
    return (1.0 - emissivity) * black_body_wm2(temperature_c)


def net_long_wave_mj(
    *,
    highest_c: float,
    lowest_c: float,
    vapour_kpa: float,
    solar_mj: float,
    clear_sky_mj: float,
) -> float:
    """Net long-wave loss of a grass day, FAO-56 eq. 39. [MJ m-2 d-1]"""
    if not (clear_sky_mj > 0.0 and solar_mj >= 0.0):
        raise OutOfRange(say("clear_sky_mj must be above 0 and solar_mj 0 or more"))
    sigma_mj = 4.903e-9
    mean_fourth = ((highest_c + 273.16) ** 4 + (lowest_c + 273.16) ** 4) / 2.0
    share = min(1.0, solar_mj / clear_sky_mj)
    return sigma_mj * mean_fourth * (0.34 - 0.14 * math.sqrt(vapour_kpa)) * (1.35 * share - 0.35)


KON_DEW_G_CM2 = 2.0e-3


def dewy_film_emissivity(dry_emissivity: float, dew_g_cm2: float) -> float:
    """Emissivity of a polyethylene film as dew gathers under it (Kon 1985, field). [-]

    ε₀ + (1 − ε₀)·exp(−(C/W)²), C = 2.0e-3 g/cm². A few milligrams make a bag nearly
    opaque to the night's radiation.
    """
    if not 0.0 <= dry_emissivity <= 1.0:
        raise OutOfRange(
            say(
                "%(name)s must be 0 to 1, not %(value)s",
                name="dry_emissivity",
                value=dry_emissivity,
            )
        )
    if not dew_g_cm2 >= 0.0:
        raise OutOfRange(
            say("%(name)s must be 0 or more, not %(value)s", name="dew_g_cm2", value=dew_g_cm2)
        )
    if dew_g_cm2 == 0.0:
        return dry_emissivity
    return dry_emissivity + (1.0 - dry_emissivity) * math.exp(-((KON_DEW_G_CM2 / dew_g_cm2) ** 2))


def convection_wm2k(wind_mps: float) -> float:
    """Outside surface to air, 2.8 + 3.0 V, no radiation in it. [W m-2 K-1]

    Other published forms differ by a factor of two.
    """
    if not (math.isfinite(wind_mps) and wind_mps >= 0.0):
        raise OutOfRange(
            say("%(name)s must be 0 or more, not %(value)s", name="wind_mps", value=wind_mps)
        )
    return 2.8 + 3.0 * wind_mps


def leakage_w(volume_m3: float, changes_per_h: float, difference_k: float) -> float:
    """Heat carried off by air changing. [W]"""
    return AIR_HEAT_J_M3K * volume_m3 * changes_per_h * difference_k / 3600.0


def night_soil_flux_wm2(net_loss_wm2: float) -> float:
    """Heat the ground gives at night: half the net loss (FAO-56 eq. 46, short steps). [W m-2]"""
    return 0.5 * net_loss_wm2


def soil_fall_k(loss_wm2: float, hours: float, admittance: float) -> float:
    """How far bare deep soil cools at a constant loss, 2F√(t/π)/μ. [K]

    Textbook form, from memory. Ranks soils; too simple to forecast with.
    admittance : √(conductivity × heat capacity). [J m-2 K-1 s-½]
    """
    if admittance <= 0.0 or hours < 0.0:
        raise OutOfRange(say("admittance must be above 0 and hours 0 or more"))
    return 2.0 * loss_wm2 * math.sqrt(hours * 3600.0 / math.pi) / admittance


@dataclass(frozen=True)
class HeatBalance:
    """A steady clear night under and beside a cover. Temperatures in °C, lift in K.

    film_c, air_c, leaf_c, ground_c : under the cover; open_ground_c, open_leaf_c : beside
    it, with the same heat from below. lift_k : covered air minus the outside air named in the
    call.
    """

    film_c: float
    air_c: float
    leaf_c: float
    ground_c: float
    open_ground_c: float
    open_leaf_c: float
    lift_k: float


@dataclass(frozen=True)
class LiftRange:
    """The balance for the middle case, and the lift over all formulas and coefficients. [K]"""

    middle: HeatBalance
    low_k: float
    high_k: float


_INSIDE_CONVECTION_WM2K = 3.0
"""Ground to film through still air, about 2 to 4. From memory."""
_LEAF_CONVECTION_WM2K = 10.0
"""One side of a small leaf in slow air. From memory."""


def _solve(rows: list[list[float]]) -> list[float]:
    """Three linear equations by elimination with pivoting; rows are [a, b, c, right side]."""
    n = len(rows)
    for column in range(n):
        pivot = max(range(column, n), key=lambda r: abs(rows[r][column]))
        rows[column], rows[pivot] = rows[pivot], rows[column]
        for row in range(column + 1, n):
            factor = rows[row][column] / rows[column][column]
            for k in range(column, n + 1):
                rows[row][k] -= factor * rows[column][k]
    answer = [0.0] * n
    for row in reversed(range(n)):
        known = math.fsum(rows[row][k] * answer[k] for k in range(row + 1, n))
        answer[row] = (rows[row][n] - known) / rows[row][row]
    return answer


def _leaf_balance_c(from_above_wm2: float, from_below_wm2: float, air_c: float) -> float:
    """A thin level leaf, black on both sides, in air: found by Newton's steps. [°C]"""
    leaf_c = air_c
    for _ in range(30):
        gain = (
            from_above_wm2
            + from_below_wm2
            - 2.0 * black_body_wm2(leaf_c)
            + 2.0 * _LEAF_CONVECTION_WM2K * (air_c - leaf_c)
        )
        step = gain / (2.0 * radiative_coefficient_wm2k(leaf_c) + 2.0 * _LEAF_CONVECTION_WM2K)
        leaf_c += step
        if abs(step) < 1e-9:
            break
    return leaf_c


def heat_balance(
    *,
    outside_c: float,
    sky_wm2: float,
    ground_flux_wm2: float,
    transmittance: float,
    outside_wm2k: float,
    inside_wm2k: float = _INSIDE_CONVECTION_WM2K,
    air_height_m: float = 0.3,
    changes_per_h: float = 0.0,
    plant_air_k: float = 0.0,
) -> HeatBalance:
    """Steady temperatures under a level film over black ground.

    Parameters
    ----------
    outside_c : air outside, in the screen. [°C]
    sky_wm2 : from `sky_radiation_wm2`. [W m-2]
    ground_flux_wm2 : heat the ground gives, the same under the cover and beside it. [W m-2]
    transmittance : of the film for the night's radiation, 0 (glass, PET, wet film) to 1;
        the rest is absorbed, nothing reflected.
    outside_wm2k : convection outside, from `convection_wm2k`. [W m-2 K-1]
    inside_wm2k : convection ground to film in series, half of it each way. [W m-2 K-1]
    air_height_m, changes_per_h : of the air inside, for leakage.
    plant_air_k : outside air at plant height minus the screen's, from `exposure`; the lift
        is counted from there. With 0 it is counted from the screen. [K]

    Returns
    -------
    HeatBalance. Raises OutOfRange for arguments out of their range.

    Notes
    -----
    Ground, film and inside air each gain as much as they lose; fourth powers are solved
    by Newton's steps. No condensation and no heat stored in the film or the plants.
    """
    if not 0.0 <= transmittance <= 1.0:
        raise OutOfRange(
            say("transmittance must be 0 to 1, not %(transmittance)s", transmittance=transmittance)
        )
    for name, value in (("outside_wm2k", outside_wm2k), ("inside_wm2k", inside_wm2k)):
        if not (math.isfinite(value) and value > 0.0):
            raise OutOfRange(say("%(name)s must be above 0, not %(value)s", name=name, value=value))
    if not (air_height_m >= 0.0 and changes_per_h >= 0.0):
        raise OutOfRange(say("air_height_m and changes_per_h must be 0 or more"))
    if not 0.0 < sky_wm2 < 1000.0:
        raise OutOfRange(
            say(
                "%(name)s must be above 0 and below 1000, not %(value)s",
                name="sky_wm2",
                value=sky_wm2,
            )
        )
    absorbed = 1.0 - transmittance
    each_wm2k = 2.0 * inside_wm2k
    leak_wm2k = leakage_w(air_height_m, changes_per_h, 1.0)

    film_c = ground_c = air_c = outside_c
    for _ in range(60):
        film_wm2, ground_wm2 = black_body_wm2(film_c), black_body_wm2(ground_c)
        film_slope = radiative_coefficient_wm2k(film_c)
        ground_slope = radiative_coefficient_wm2k(ground_c)
        gains = (
            ground_flux_wm2
            + transmittance * sky_wm2
            + absorbed * film_wm2
            - ground_wm2
            - each_wm2k * (ground_c - air_c),
            absorbed * (sky_wm2 + ground_wm2 - 2.0 * film_wm2)
            + each_wm2k * (air_c - film_c)
            + outside_wm2k * (outside_c - film_c),
            each_wm2k * (ground_c + film_c - 2.0 * air_c) + leak_wm2k * (outside_c - air_c),
        )
        steps = _solve(
            [
                [ground_slope + each_wm2k, -absorbed * film_slope, -each_wm2k, gains[0]],
                [
                    -absorbed * ground_slope,
                    2.0 * absorbed * film_slope + each_wm2k + outside_wm2k,
                    -each_wm2k,
                    gains[1],
                ],
                [-each_wm2k, -each_wm2k, 2.0 * each_wm2k + leak_wm2k, gains[2]],
            ]
        )
        ground_c, film_c, air_c = ground_c + steps[0], film_c + steps[1], air_c + steps[2]
        if max(abs(step) for step in steps) < 1e-9:
            break

    open_ground_c = outside_c
    for _ in range(60):
        gain = (
            ground_flux_wm2
            + sky_wm2
            - black_body_wm2(open_ground_c)
            + outside_wm2k * (outside_c - open_ground_c)
        )
        step = gain / (radiative_coefficient_wm2k(open_ground_c) + outside_wm2k)
        open_ground_c += step
        if abs(step) < 1e-9:
            break

    above_wm2 = transmittance * sky_wm2 + absorbed * black_body_wm2(film_c)
    return HeatBalance(
        film_c=film_c,
        air_c=air_c,
        leaf_c=_leaf_balance_c(above_wm2, black_body_wm2(ground_c), air_c),
        ground_c=ground_c,
        open_ground_c=open_ground_c,
        open_leaf_c=_leaf_balance_c(sky_wm2, black_body_wm2(open_ground_c), outside_c),
        lift_k=air_c - (outside_c + plant_air_k),
    )


def lift_range(
    *,
    outside_c: float,
    humidity_percent: float,
    wind_mps: float,
    transmittance: float,
    ground_flux_wm2: float = 40.0,
    cloud_fraction: float = 0.0,
    air_height_m: float = 0.3,
    changes_per_h: float = 0.0,
    plant_air_k: float = 0.0,
) -> LiftRange:
    """The lift a heat balance gives, from the least to the most of what is published.

    Spread over five sky formulas, inside convection of 2 to 4 W m-2 K-1 and outside
    convection of 0.7 to 1.5 times 2.8 + 3.0 V. The middle case is Brunt's sky. The default
    40 W m-2 is half of an 80 W m-2 clear-night loss. A lift to compare with a measured one
    needs `plant_air_k`, for both thermometers hang at the plant. It is still a harsh judge:
    steady, black and without stored heat, it puts bare polyethylene some kelvins below the
    worst that was measured (−1.1 K), so it ranks covers and shows signs; it is no forecast.
    """
    convection = convection_wm2k(wind_mps)

    def balance(emissivity: float, outside_wm2k: float, inside_wm2k: float) -> HeatBalance:
        sky = sky_radiation_wm2(outside_c, cloudy_emissivity(emissivity, cloud_fraction))
        return heat_balance(
            outside_c=outside_c,
            sky_wm2=sky,
            ground_flux_wm2=ground_flux_wm2,
            transmittance=transmittance,
            outside_wm2k=outside_wm2k,
            inside_wm2k=inside_wm2k,
            air_height_m=air_height_m,
            changes_per_h=changes_per_h,
            plant_air_k=plant_air_k,
        )

    skies = clear_sky_emissivities(outside_c, humidity_percent)
    lifts = [
        balance(emissivity, convection * factor, inside).lift_k
        for emissivity in skies.values()
        for factor in (0.7, 1.0, 1.5)
        for inside in (2.0, 3.0, 4.0)
    ]
    middle = balance(skies["Brunt"], convection, _INSIDE_CONVECTION_WM2K)
    return LiftRange(middle=middle, low_k=min(lifts), high_k=max(lifts))
