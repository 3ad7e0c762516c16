"""When a cover must be vented or lifted, before the sun behind it does what the frost did not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.curve import NightCurve
from gardenapp.science.night.sun import Night, clear_sky_wm2, mean_solar_noon_at

# Day gains are published for full winter sun; this is the radiation they are taken to belong to.
# From memory: a clear winter noon at middle latitudes brings about this much on the level.
GAIN_REFERENCE_WM2 = 400.0
# Published for closed clear covers by winter days: from 4.2 K (mean maxima of a film tunnel,
# Savage 1980) to 32.2 K (an unvented tunnel in sun, about 90 °F inside at 32 °F, University of
# Maryland Extension). Read as an 80 % interval that is 18.2 ± 10.9 K; a frame recorded in
# January, 17.8 K, lies at its middle.
CLOSED_CLEAR_GAIN_K = 18.2
# The spread of any day gain that was not measured here, as a share of it: that of the range above.
DAY_GAIN_SPREAD = 0.6
# The largest gain published, and the end of what stronger sun can add: the same tunnel gained
# less, 22 K, on a spring day of 80 °F.
MOST_GAIN_K = 32.2
LIKELY = 0.8
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

    `safe_from_at`: from then on the plant itself would be warm enough to stand bare.
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


@dataclass(frozen=True)
class DayGain:
    """What a closed cover may gain at the strongest sun of a day, inside minus outside. [K]

    `high_k` is the end to act on: a cover that is opened too early costs nothing by day.
    """

    low_k: float
    high_k: float


def gain_in_full_sun(day_gain_k: float | None) -> Estimate:
    """A kind's published day gain with its spread, in full winter sun. [K]

    `day_gain_k` None: nobody said what the cover is made of, so it counts as clear and closed.
    Raises OutOfRange for a negative gain.
    """
    mean_k = CLOSED_CLEAR_GAIN_K if day_gain_k is None else day_gain_k
    if mean_k < 0:
        raise OutOfRange(
            say("%(name)s must be 0 or more, not %(value)s", name="day_gain_k", value=mean_k)
        )
    return Estimate(mean_k, DAY_GAIN_SPREAD * mean_k)


def warm_end_k(full_sun: Estimate) -> float:
    """The warm end of a day gain's 80 % interval, which the plan reckons with. [K]"""
    return max(0.0, full_sun.interval(LIKELY)[1])


def sun_through(cloud_fraction: float | None) -> float:
    """The share of a clear sky's sunshine that comes through; None counts as clear.

    Thin cloud is let through as in a clear sky and full cloud as a third of it (from memory).
    """
    return 1.0 if cloud_fraction is None else 1.0 - 0.67 * cloud_fraction


def gain_at_k(full_sun_gain_k: float, sun_wm2: float) -> float:
    """The gain under so much sunshine on the level ground. [K]

    Proportional to it, with no delay, up to `MOST_GAIN_K` or the gain itself if that is more.
    """
    grown_k = full_sun_gain_k * sun_wm2 / GAIN_REFERENCE_WM2
    return min(grown_k, max(MOST_GAIN_K, full_sun_gain_k))


def strongest_sun_wm2(
    on: date, latitude: float, longitude: float, elevation_m: float, time_zone: ZoneInfo
) -> float:
    """The strongest clear-sky sunshine of a day at the garden, at the sun's noon. [W m-2]

    The true noon is within 17 minutes of the mean one; three moments are within 0.1 % of it.
    """
    noon_at = mean_solar_noon_at(on, longitude, time_zone)
    return max(
        clear_sky_wm2(noon_at + timedelta(minutes=late), latitude, longitude, elevation_m)
        for late in (-12, 0, 12)
    )


def day_gain(full_sun: Estimate, sun_wm2: float) -> DayGain:
    """What a closed cover may gain under the day's strongest sun, as an 80 % interval.

    sun_wm2 : on the level ground, cloud already taken off. [W m-2]
    """
    low_k = max(0.0, full_sun.interval(LIKELY)[0])
    return DayGain(gain_at_k(low_k, sun_wm2), gain_at_k(warm_end_k(full_sun), sun_wm2))


SKY_FELT_UNTIL = timedelta(hours=1)
SKY_GONE_BY = timedelta(hours=3)
"""After sunrise: until when a plant stays as far below the plot's air as in the night, and when
nothing is left of that. The surface gains more from the sun than it loses from about an hour after
sunrise (Oke, Boundary Layer Climates, ch. 1; from memory), and then the layer is stirred away."""


def plant_below_air_k(night_k: float, night: Night, moment: datetime) -> float:
    """A bare plant less the air of its plot, after a night in which that was `night_k`. [K]"""
    gone = (moment - night.sunrise_at - SKY_FELT_UNTIL) / (SKY_GONE_BY - SKY_FELT_UNTIL)
    return night_k * (1.0 - min(1.0, max(0.0, gone)))


def _safe_from(
    curve: NightCurve, night: Night, below_air_k: float, needs_c: float, end: datetime
) -> datetime:
    """The first step from sunrise on after which the bare plant is never colder than it needs."""
    safe_from_at = moment = night.sunrise_at
    while moment <= end:
        plant_c = day_air_c(curve, night, moment) + plant_below_air_k(below_air_k, night, moment)
        if plant_c < needs_c:
            safe_from_at = moment + STEP
        elif moment > curve.ends_at:
            break
        moment += STEP
    return safe_from_at


def lift_off(
    *,
    night: Night,
    curve: NightCurve,
    threshold_c: float,
    heat_max_c: float | None,
    day_gain_k: float,
    below_air_k: float = 0.0,
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
    threshold_c : what a bare plant must have to be safe, its margin in it. [°C]
    below_air_k : the bare plant less the plot's air in the night. [K]
    heat_max_c : the warmest its cover should get; None takes `GENERAL_HEAT_MAX_C`. [°C]
    day_gain_k : what the cover may gain in full winter sun, inside minus outside: the warm end
        of what is believed (`warm_end_k`). [K]
    cloud_fraction : of the morning; None counts as clear, which is the cautious way here.

    Returns
    -------
    LiftOff. With a polar night the sunrise is the stand-in that `Night` gives.

    Notes
    -----
    The gain follows the sun as in `gain_at_k`, and cloud as in `sun_through`: the rule that the
    pages show. Raises OutOfRange for a negative gain.
    """
    if day_gain_k < 0:
        raise OutOfRange(
            say("%(name)s must be 0 or more, not %(value)s", name="day_gain_k", value=day_gain_k)
        )
    limit_c = GENERAL_HEAT_MAX_C if heat_max_c is None else heat_max_c
    through = sun_through(cloud_fraction)
    must_by_at: datetime | None = None
    moment = night.sunrise_at
    end = night.sunrise_at + timedelta(hours=12)
    while moment <= end:
        sun = clear_sky_wm2(moment, latitude, longitude, elevation_m) * through
        inside = day_air_c(curve, night, moment) + gain_at_k(day_gain_k, sun)
        if inside > limit_c:
            must_by_at = moment
            break
        moment += STEP
    return LiftOff(_safe_from(curve, night, below_air_k, threshold_c, end), must_by_at)
