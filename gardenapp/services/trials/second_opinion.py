"""What a heat balance says of a cover, beside what was measured and never instead of it."""

from __future__ import annotations

from dataclasses import dataclass

from gardenapp.science.covers.heat import LiftRange, lift_range
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import plant_air_k

# The night it is worked out for: freezing, fairly moist, hardly a breath; or overcast and windy.
OUTSIDE_C = 0.0
HUMIDITY_PERCENT = 80.0
CALM_MPS, WINDY_MPS = 1.0, 4.0
LOGGER_HEIGHT_M = 0.3
# Air changes an hour. From memory: no figure was found for small covers on soil.
SEALED_CHANGES_PER_H, OPEN_CHANGES_PER_H = 1.0, 10.0


@dataclass(frozen=True)
class NightOpinion:
    """One kind of night: lift from least to most, and the four things easily confused. [K, °C]"""

    low_k: float
    high_k: float
    film_c: float
    air_c: float
    leaf_c: float
    ground_c: float


@dataclass(frozen=True)
class SecondOpinion:
    """Both kinds of night for one cover, for air of 0 °C outside."""

    clear: NightOpinion
    cloudy: NightOpinion


def second_opinion(*, leaf_shield: float, is_sealed: bool) -> SecondOpinion:
    """Balance sky, film, air, leaf and soil under a cover on two kinds of night.

    The film lets through what its shield from the sky does not stop. Raises OutOfRange for a
    shield outside 0 to 1.
    """
    changes = SEALED_CHANGES_PER_H if is_sealed else OPEN_CHANGES_PER_H

    def night(
        cloud_fraction: float, wind_mps: float, share: float, flux_wm2: float
    ) -> NightOpinion:
        found: LiftRange = lift_range(
            outside_c=OUTSIDE_C,
            humidity_percent=HUMIDITY_PERCENT,
            wind_mps=wind_mps,
            transmittance=1.0 - leaf_shield,
            ground_flux_wm2=flux_wm2,
            cloud_fraction=cloud_fraction,
            changes_per_h=changes,
            plant_air_k=plant_air_k(Estimate(share, 0.0), LOGGER_HEIGHT_M).mean,
        )
        middle = found.middle
        return NightOpinion(
            low_k=found.low_k,
            high_k=found.high_k,
            film_c=middle.film_c,
            air_c=middle.air_c,
            leaf_c=middle.leaf_c,
            ground_c=middle.ground_c,
        )

    # Soil gives about half of what the surface loses by night (short-step rule of FAO-56): the
    # loss is some 80 W/m² under a clear sky and half of that under full cloud.
    return SecondOpinion(night(0.0, CALM_MPS, 1.0, 40.0), night(1.0, WINDY_MPS, 0.0, 20.0))
