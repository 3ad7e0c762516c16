"""What wind does to a cover: pressure, ballast, and the gust at which it goes.

These are comfort checks for knee-high covers. Anything people walk under needs an
engineer and the local rules.
"""

from __future__ import annotations

import math

from gardenapp.errors import OutOfRange
from gardenapp.messages import say

GRAVITY_MPS2 = 9.81
AIR_DENSITY_KGM3 = 1.225  # standard atmosphere at sea level, 15 °C


def _not_negative(name: str, value: float) -> float:
    if not (math.isfinite(value) and value >= 0.0):
        raise OutOfRange(say("%(name)s must be 0 or more, not %(value)s", name=name, value=value))
    return value


def _positive(name: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0.0):
        raise OutOfRange(say("%(name)s must be above 0, not %(value)s", name=name, value=value))
    return value


def dynamic_pressure_pa(wind_mps: float, rho_kgm3: float = AIR_DENSITY_KGM3) -> float:
    """Pressure of the wind brought to rest, q = ½ρV². [Pa]

    Give it the gust, not the mean: covers leave in gusts.

    Examples
    --------
    >>> round(dynamic_pressure_pa(10.0), 6)
    61.25
    """
    return 0.5 * _positive("rho_kgm3", rho_kgm3) * _not_negative("wind_mps", wind_mps) ** 2


def wind_at_height(wind_mps: float, *, height_m: float, measured_at_m: float = 10.0) -> float:
    """Wind at another height above short grass, by the FAO-56 log form. [m/s]

    FAO-56 eq. 47 brings a wind to 2 m with 4.87/ln(67.8 z - 5.42); two such factors
    give any pair of heights. Meant for 0.2 to 200 m over open short grass: hedges and
    sheds make it less, corners more. Raises OutOfRange outside that.
    """
    for name, value in (("height_m", height_m), ("measured_at_m", measured_at_m)):
        if not 0.2 <= value <= 200.0:
            raise OutOfRange(
                say("%(name)s must be 0.2 to 200 m, not %(value)s", name=name, value=value)
            )
    speed = _not_negative("wind_mps", wind_mps)
    return speed * math.log(67.8 * height_m - 5.42) / math.log(67.8 * measured_at_m - 5.42)


def uplift_ballast_kg(
    *,
    gust_mps: float,
    area_m2: float,
    own_mass_kg: float,
    coefficient: float = 1.2,
    safety: float = 1.5,
    rho_kgm3: float = AIR_DENSITY_KGM3,
) -> float:
    """Mass to add so that a gust does not lift a cover off: safety·qCA/g − own mass. [kg]

    `coefficient` is the net suction; with an open side the wind also pushes from inside
    and about doubles it, so close every opening. Never negative.
    """
    lift_n = (
        dynamic_pressure_pa(gust_mps, rho_kgm3)
        * _not_negative("coefficient", coefficient)
        * _positive("area_m2", area_m2)
    )
    needed = _positive("safety", safety) * lift_n / GRAVITY_MPS2
    return max(0.0, needed - _not_negative("own_mass_kg", own_mass_kg))


def sliding_ballast_kg(
    *,
    gust_mps: float,
    area_m2: float,
    own_mass_kg: float = 0.0,
    drag: float = 1.3,
    friction: float = 0.3,
    safety: float = 1.5,
    rho_kgm3: float = AIR_DENSITY_KGM3,
) -> float:
    """Mass to add so that a gust on its side does not push a cover away. [kg]

    safety·qCA/(μg) − own mass, with published friction 0.25 to 0.5 on ground, and no
    uplift counted. Never negative.
    """
    push_n = (
        dynamic_pressure_pa(gust_mps, rho_kgm3)
        * _not_negative("drag", drag)
        * _positive("area_m2", area_m2)
    )
    needed = _positive("safety", safety) * push_n / (_positive("friction", friction) * GRAVITY_MPS2)
    return max(0.0, needed - _not_negative("own_mass_kg", own_mass_kg))


def gust_limit_mps(
    *,
    mass_kg: float,
    area_m2: float,
    coefficient: float = 1.2,
    safety: float = 1.5,
    rho_kgm3: float = AIR_DENSITY_KGM3,
) -> float:
    """The gust up to which this mass, own and ballast, holds the cover down. [m/s]

    The inverse of `uplift_ballast_kg`. Past it the cover is not offered.
    """
    force_n = _not_negative("mass_kg", mass_kg) * GRAVITY_MPS2 / _positive("safety", safety)
    q = force_n / (_positive("coefficient", coefficient) * _positive("area_m2", area_m2))
    return math.sqrt(2.0 * q / _positive("rho_kgm3", rho_kgm3))
