"""From the screen to the plant: how far leaves fall below the forecast's air.

A forecast low is air in a screen 1.25 to 2 m up. On a clear calm night the air near the
ground is colder, and a leaf that sees the sky is colder still; cloud and wind undo both.
"""

from __future__ import annotations

import math
from enum import Enum

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate
from gardenapp.science.units import knots_to_mps

SCREEN_HEIGHT_M = 1.5
"""Between the 1.25 m (UK) and 2 m of the international range."""

CALM_MPS = 1.0
"""Below this, wind does not stir the layer near the ground. From memory."""
WINDY_MPS = 5.0
"""From here on nothing is left of the layer; the straight line from `CALM_MPS` passes half
at 3 m/s, the middle of the 5 to 7 knots up to which the Canterbury rule holds."""

_UNKNOWN_CLOUD = Estimate(0.65, 0.28)
_UNKNOWN_WIND = Estimate(0.70, 0.28)
"""Nothing said: leaning to clear and still, for those are the nights one asks about, and
wide, nearly a flat spread over 0 to 1 (whose deviation is 0.29)."""
_FORECAST_CLOUD_SD = 0.12
_FORECAST_WIND_SD = 0.12
"""Cloud and wind are forecasts too. From memory."""

_AIR_AT_10_CM_K = Estimate(-1.0, 0.5)
_LEAF_K = Estimate(-1.5, 0.5)


def cloud_share(cloud_fraction: float) -> float:
    """Share of a clear night's loss of heat that is left under cloud, 1 to 0.1.

    FAO-56 eq. 39 scales the net long-wave loss by 1.35 Rs/Rso − 0.35, and eq. 35 with the
    usual Ångström constants gives Rs/Rso from sunshine; with sunshine for 1 − cloud that
    is 1 − 0.9·cloud. The step from sunshine to night cloud is ours. Low cloud does more,
    thin high cloud less. Raises OutOfRange outside 0 to 1.
    """
    if not 0.0 <= cloud_fraction <= 1.0:
        raise OutOfRange(
            say(
                "%(name)s must be 0 to 1, not %(value)s",
                name="cloud_fraction",
                value=cloud_fraction,
            )
        )
    return 1.0 - 0.9 * cloud_fraction


def wind_share(wind_mps: float) -> float:
    """Share of the layer near the ground that is left in a wind, 1 calm to 0 windy.

    A straight line between 1 and 5 m/s. Raises OutOfRange below 0.
    """
    if not (math.isfinite(wind_mps) and wind_mps >= 0.0):
        raise OutOfRange(
            say("%(name)s must be 0 or more, not %(value)s", name="wind_mps", value=wind_mps)
        )
    return max(0.0, min(1.0, (WINDY_MPS - wind_mps) / (WINDY_MPS - CALM_MPS)))


def radiative_share(*, cloud_fraction: float | None, wind_mps: float | None) -> Estimate:
    """How much of a clear calm night tonight is: 1 all of it, 0 nothing.

    Parameters
    ----------
    cloud_fraction : sky covered, 0 to 1; None if not known.
    wind_mps : mean wind at forecast height; None if not known. [m/s]

    Returns
    -------
    The product of the cloud's share and the wind's, with its spread. Not knowing widens
    the spread; it does not pretend a middling night.

    Raises OutOfRange for cloud outside 0 to 1 or wind below 0.
    """
    cloud = (
        _UNKNOWN_CLOUD
        if cloud_fraction is None
        else Estimate(cloud_share(cloud_fraction), _FORECAST_CLOUD_SD)
    )
    wind = _UNKNOWN_WIND if wind_mps is None else Estimate(wind_share(wind_mps), _FORECAST_WIND_SD)
    return cloud.times(wind)


def _height_share(plant_height_m: float) -> float:
    """1 at 10 cm and below, falling with the logarithm of height to 0 at the screen."""
    if not (math.isfinite(plant_height_m) and plant_height_m >= 0.0):
        raise OutOfRange(
            say(
                "%(name)s must be 0 or more, not %(value)s",
                name="plant_height_m",
                value=plant_height_m,
            )
        )
    height_m = min(max(plant_height_m, 0.1), SCREEN_HEIGHT_M)
    return math.log(SCREEN_HEIGHT_M / height_m) / math.log(SCREEN_HEIGHT_M / 0.1)


def plant_air_k(share: Estimate, plant_height_m: float) -> Estimate:
    """Air at plant height minus air in the screen; negative on a clear calm night. [K]

    Parameters
    ----------
    share : from `radiative_share`.
    plant_height_m : 0 or more. [m]

    Notes
    -----
    −1.0 ± 0.5 K at 10 cm on a clear calm night, from memory: no published mean was found,
    only that grass is almost always colder than the screen and by up to 10 K over snow.
    Nothing is added above the screen, though trees in an inversion stand warmer.
    """
    return share.times(_AIR_AT_10_CM_K.scaled(_height_share(plant_height_m)))


def leaf_k(share: Estimate) -> Estimate:
    """A leaf under open sky minus the air beside it. [K]

    Published: 1 to 3 K below on frost nights (Leuning 1988), about 2 K on a clear night
    and none under cloud (an agrometeorology handbook). We take −1.5 ± 0.5 on a wholly
    clear calm night, a little less than their middle: thresholds found in gardens and
    fields are air readings and hold some of the leaf's fall already, laboratory ones are
    tissue and hold none. With the air near the ground that makes −2.5 K for low plants.
    """
    return share.times(_LEAF_K)


class FrostType(Enum):
    """What kind of frost a night brings, for the words on a page."""

    NONE = "none"
    GROUND_FROST = "ground frost"
    RADIATION_FROST = "radiation frost"
    WIND_FROST = "wind frost"
    AIR_FROST = "air frost"


RADIATION_FROST_BELOW_MPS = knots_to_mps(7.0)
"""The Canterbury rule holds up to 7 knots."""
WIND_FROST_FROM_MPS = knots_to_mps(10.0)
"""The UK severity classes change over to wind at 10 knots."""


def frost_type(
    *,
    air_low_c: float,
    plant_low_c: float,
    cloud_fraction: float | None,
    wind_mps: float | None,
) -> FrostType:
    """Name tonight's frost.

    Parameters
    ----------
    air_low_c : screen low. [°C]
    plant_low_c : low at plant level. [°C]
    cloud_fraction, wind_mps : None if not known.

    Notes
    -----
    Air frost is a screen temperature strictly below 0.0 °C (UK): exactly 0.0 is none.
    Ground frost is the same at the ground. An air frost is a radiation frost with at most
    half cloud and a light wind (up to 7 knots), a wind frost from 10 knots, and plain air
    frost where neither is known or it lies between.
    """
    if air_low_c >= 0.0:
        return FrostType.GROUND_FROST if plant_low_c < 0.0 else FrostType.NONE
    if wind_mps is not None and wind_mps >= WIND_FROST_FROM_MPS:
        return FrostType.WIND_FROST
    is_light = wind_mps is not None and wind_mps <= RADIATION_FROST_BELOW_MPS
    is_clear = cloud_fraction is not None and cloud_fraction <= 0.5
    return FrostType.RADIATION_FROST if is_light and is_clear else FrostType.AIR_FROST


_SMITH_CONSTANT_K = {5: 8.0, 9: 8.0, 10: 8.0, 6: 9.0, 8: 9.0}


def grass_minimum_c(*, afternoon_c: float, dew_point_c: float, month: int) -> float:
    """Tomorrow's grass minimum in Canterbury, New Zealand, from 15:00 today. [°C]

    (T + Td/2)/3 − c, with c = 8 in May, September and October, 9 in June and August; for
    little cloud and wind under 5 to 7 knots. A local rule of a southern winter, kept as a
    check on others. Raises OutOfRange for months it was not made for.

    References
    ----------
    Smith 1973, as quoted with its example on a public page.
    """
    if month not in _SMITH_CONSTANT_K:
        raise OutOfRange(say("month must be 5, 6, 8, 9 or 10, not %(month)s", month=month))
    return (afternoon_c + dew_point_c / 2.0) / 3.0 - _SMITH_CONSTANT_K[month]
