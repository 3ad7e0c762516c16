"""When a cover must be vented or lifted, before the sun behind it does what the frost did not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.night.curve import NightCurve
from gardenapp.science.night.sun import Night, clear_sky_wm2

# Day gains are quoted for full winter sun; this is the radiation they are taken to belong to.
# From memory: a clear winter noon at middle latitudes brings about this much on the level.
GAIN_REFERENCE_WM2 = 400.0
# Used where no maximum is published for the crop; tomato fruit set is best up to 32 °C
# (Purdue Extension), leaf crops sit lower. From memory.
GENERAL_HEAT_MAX_C = 28.0
# Rise of the air from dawn to the warmest hour where no forecast of the day is known. From memory.
USUAL_DAY_RISE_K = 8.0
WARMEST_HOURS_AFTER_SUNRISE = 7.0
STEP = timedelta(minutes=10)


@dataclass(frozen=True)
class LiftOff:
    """The two times of a cover's morning, in UTC.

    `safe_from_at`: the air outside is back above the threshold, so the plant may stand bare.
    `must_by_at`: by then the inside would pass the crop's maximum; None if it does not today.
    """

    safe_from_at: datetime
    must_by_at: datetime | None


def day_air_c(curve: NightCurve, night: Night, moment: datetime) -> float:
    """Air after sunrise: the curve where it reaches, then the usual rise. [°C]

    The rise is a quarter sine from the air at sunrise to `USUAL_DAY_RISE_K` above it.
    """
    if moment <= curve.ends_at or moment <= night.sunrise_at:
        return curve.at(min(max(moment, curve.starts_at), curve.ends_at))
    start_at = max(curve.ends_at, night.sunrise_at)
    hours = (moment - start_at).total_seconds() / 3600
    share = min(1.0, hours / WARMEST_HOURS_AFTER_SUNRISE)
    return curve.at(curve.ends_at) + USUAL_DAY_RISE_K * math.sin(share * math.pi / 2)


def lift_off(
    *,
    night: Night,
    curve: NightCurve,
    threshold_c: float,
    heat_max_c: float | None,
    day_gain_k: float,
    latitude: float,
    longitude: float,
    elevation_m: float = 0.0,
    cloud_fraction: float | None = None,
) -> LiftOff:
    """Find when a cover may come off and when it must.

    Parameters
    ----------
    curve : air at the plot through the night, in UTC; hours after sunrise are used where it
        has them. [°C]
    threshold_c : what the plant bears. [°C]
    heat_max_c : the warmest its cover should get; None takes `GENERAL_HEAT_MAX_C`. [°C]
    day_gain_k : what the cover gains in full sun, inside minus outside. [K]
    cloud_fraction : of the morning; None counts as clear, which is the cautious way here.

    Returns
    -------
    LiftOff. With a polar night the sunrise is the stand-in that `Night` gives.

    Notes
    -----
    The gain is taken as proportional to the radiation on the level, with no delay. Thin cloud
    is let through as in a clear sky and full cloud as a third of it (from memory).
    Raises OutOfRange for a negative gain.
    """
    if day_gain_k < 0:
        raise OutOfRange(
            say("%(name)s must be 0 or more, not %(value)s", name="day_gain_k", value=day_gain_k)
        )
    limit_c = GENERAL_HEAT_MAX_C if heat_max_c is None else heat_max_c
    cloud = 0.0 if cloud_fraction is None else cloud_fraction
    through = 1.0 - 0.67 * cloud
    last_below = curve.last_below(threshold_c)
    safe_from_at = max(night.sunrise_at, last_below or night.sunrise_at)
    must_by_at: datetime | None = None
    moment = night.sunrise_at
    end = night.sunrise_at + timedelta(hours=12)
    while moment <= end:
        sun = clear_sky_wm2(moment, latitude, longitude, elevation_m) * through
        inside = day_air_c(curve, night, moment) + day_gain_k * sun / GAIN_REFERENCE_WM2
        if inside > limit_c:
            must_by_at = moment
            break
        moment += STEP
    if curve.ends_below(threshold_c):
        # Still too cold at the last known hour: follow the day's rise to where it passes.
        moment = safe_from_at
        while moment <= end and day_air_c(curve, night, moment) < threshold_c:
            moment += STEP
        safe_from_at = moment
    return LiftOff(safe_from_at, must_by_at)
