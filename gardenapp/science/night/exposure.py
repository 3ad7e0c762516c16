"""From the screen to the plant: how far leaves fall below the forecast's air.

A forecast low is air in a screen 1.25 to 2 m up. On a clear calm night the air near the
ground is colder, and a leaf that sees the sky is colder still; cloud and wind undo both. How much
both together are at the ground is measured (`ground`); how it is shared between leaf and air, and
how it fades with height, is not, and is said below.
"""

from __future__ import annotations

import math
from enum import Enum

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.ground import (
    DEFAULT_RULE,
    GROUND_HEIGHT_M,
    SCREEN_HEIGHT_M,
    UNKNOWN_OPEN,
    UNKNOWN_STILL,
    dryness_of,
)
from gardenapp.science.units import knots_to_mps

_FORECAST_OPEN_SD = 0.12
_FORECAST_STILL_SD = 0.08
"""Cloud and wind are forecasts too. From memory."""

UNKNOWN_CLOUD_FRACTION = 0.5
"""For the dryness of the air alone, which matters less the more cloud there is."""

_LEAF_K = Estimate(-1.5, 0.5)
_GROUND_K = -DEFAULT_RULE.clear_k


def open_sky(cloud_fraction: float) -> float:
    """How far the sky is open to a leaf, 1 clear to 0 closed. Raises OutOfRange outside 0 to 1.

    Fitted with the rule for the ground: half a sky of cloud takes hardly anything, the last
    eighths take most.
    """
    if not 0.0 <= cloud_fraction <= 1.0:
        raise OutOfRange(
            say(
                "%(name)s must be 0 to 1, not %(value)s",
                name="cloud_fraction",
                value=cloud_fraction,
            )
        )
    return DEFAULT_RULE.open_sky(cloud_fraction)


def stillness(wind_mps: float) -> float:
    """What a wind leaves of the layer near the ground, 1 calm to 0 in a storm.

    Fitted with the rule for the ground on daily mean winds. Raises OutOfRange below 0.
    """
    if not (math.isfinite(wind_mps) and wind_mps >= 0.0):
        raise OutOfRange(
            say("%(name)s must be 0 or more, not %(value)s", name="wind_mps", value=wind_mps)
        )
    return DEFAULT_RULE.stillness(wind_mps)


def share_of(open_sky_share: float, still_share: float) -> float:
    """What is left of a clear calm night under so open a sky in so still air, each 0 to 1."""
    return DEFAULT_RULE.share(open_sky_share, still_share)


def radiative_share(*, cloud_fraction: float | None, wind_mps: float | None) -> Estimate:
    """How much of a clear calm night tonight is: 1 all of it, 0.15 the least there is.

    Parameters
    ----------
    cloud_fraction : sky covered, 0 to 1; None if not known.
    wind_mps : mean wind at forecast height; None if not known. [m/s]

    Returns
    -------
    The share with its spread. Not knowing widens the spread and leans to clear and still, which
    is the cold side; it does not pretend a middling night.

    Raises OutOfRange for cloud outside 0 to 1 or wind below 0.
    """
    sky = (
        UNKNOWN_OPEN
        if cloud_fraction is None
        else Estimate(open_sky(cloud_fraction), _FORECAST_OPEN_SD)
    )
    still = UNKNOWN_STILL if wind_mps is None else Estimate(stillness(wind_mps), _FORECAST_STILL_SD)
    both = sky.times(still)
    return Estimate(share_of(both.mean, 1.0), DEFAULT_RULE.cloud_takes * both.sd)


def dry_share(*, dew_point_c: float | None, low_c: float, cloud_fraction: float | None) -> float:
    """What the dryness of the air makes of the fall to the leaf: above 1 in dry air, 1 not known.

    From the dew point beside the low, by the rule for the ground; held to 0.7 to 1.4, within
    which nine in ten of its nights lie. Raises OutOfRange for a dew point that is no number.
    """
    if dew_point_c is None:
        return 1.0
    if not math.isfinite(dew_point_c):
        raise OutOfRange(say("dew_point_c must be a finite number"))
    cloud = UNKNOWN_CLOUD_FRACTION if cloud_fraction is None else cloud_fraction
    factor = DEFAULT_RULE.dryness_factor(dryness_of(dew_point_c, low_c), cloud)
    return min(1.4, max(0.7, factor))


def height_share(plant_height_m: float) -> float:
    """1 at 5 cm and below, falling with the logarithm of height to 0 at the screen.

    The logarithm is the profile of a steady layer near the ground (any text on micrometeorology);
    that it holds up to the screen on a still night is from memory.
    """
    if not (math.isfinite(plant_height_m) and plant_height_m >= 0.0):
        raise OutOfRange(
            say(
                "%(name)s must be 0 or more, not %(value)s",
                name="plant_height_m",
                value=plant_height_m,
            )
        )
    height_m = min(max(plant_height_m, GROUND_HEIGHT_M), SCREEN_HEIGHT_M)
    return math.log(SCREEN_HEIGHT_M / height_m) / math.log(SCREEN_HEIGHT_M / GROUND_HEIGHT_M)


def plant_air_k(share: Estimate, plant_height_m: float, *, beyond_k: float = 0.0) -> Estimate:
    """Air at plant height minus air in the screen; negative on a clear calm night. [K]

    Parameters
    ----------
    share : from `radiative_share`, times `dry_share` where the dew point is known.
    plant_height_m : 0 or more. [m]
    beyond_k : how far the garden's own ground falls beyond the rule on a clear calm night. [K]

    Notes
    -----
    A thermometer at 5 cm over short grass is open to the sky and as cold as the blades beside it;
    what it reads below the screen on a clear calm night is measured, −2.8 K (`ground`). A leaf is
    some 1.5 K of that (`leaf_k`), the rest is the air's. Nothing is added above the screen, though
    trees in an inversion stand warmer.

    Leaf and air rise and fall with the same share, so their spreads do not add as if each had its
    own: what they have in common stands with the air. The sum of both has the share's spread once,
    and the spread of the measured nights about the rule.
    """
    height = height_share(plant_height_m)
    air_k = _clear_air_k(height, beyond_k)
    leaf = leaf_k(share)
    both_k = air_k + _LEAF_K.mean
    own_sd = share.mean * _LEAF_K.sd
    about_rule = DEFAULT_RULE.spread_of(share.mean * _GROUND_K) * height
    whole = (share.sd * both_k) ** 2 + max(own_sd**2, about_rule**2)
    return Estimate(share.mean * air_k, math.sqrt(max(0.0, whole - leaf.variance)))


def _clear_air_k(height: float, beyond_k: float = 0.0) -> float:
    """Air at a plant minus the screen's on a clear calm night, by `height_share`. [K]"""
    return (_GROUND_K - _LEAF_K.mean + beyond_k) * height


def spot_k(share: Estimate, clear_night: Estimate, plant_height_m: float) -> Estimate:
    """A plot against the screen tonight, from what it is on a clear calm night. [K]

    Cold air gathers in a hollow, and a tree keeps the sky off, as far as the night is clear and
    still: a plot's offset is scaled by `share`. What it has in common with leaf and air, which
    are too, is counted once: the sum of all three has the share's spread on the whole fall.
    """
    others_k = _clear_air_k(height_share(plant_height_m)) + _LEAF_K.mean
    whole = share.sd**2 * ((clear_night.mean + others_k) ** 2 - others_k**2)
    own = (share.mean * clear_night.sd) ** 2
    return Estimate(share.mean * clear_night.mean, math.sqrt(max(own, own + whole)))


def leaf_k(share: Estimate) -> Estimate:
    """A leaf under open sky minus the air beside it. [K]

    Published: 1 to 3 K below on frost nights (Leuning 1988), about 2 K on a clear night
    and none under cloud (an agrometeorology handbook). We take −1.5 ± 0.5 on a wholly
    clear calm night, a little less than their middle: thresholds found in gardens and
    fields are air readings and hold some of the leaf's fall already, laboratory ones are
    tissue and hold none.
    """
    return Estimate(
        share.mean * _LEAF_K.mean, math.hypot(share.sd * _LEAF_K.mean, share.mean * _LEAF_K.sd)
    )


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
