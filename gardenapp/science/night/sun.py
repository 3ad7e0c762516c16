"""When a night begins and ends, and how strongly the sun shines between."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from astral import Observer
from astral import sun as astral_sun

from gardenapp.errors import OutOfRange
from gardenapp.messages import say

SOLAR_CONSTANT_MJ = 0.0820  # FAO-56 eq. 21 [MJ m-2 min-1]
SOLAR_CONSTANT_WM2 = SOLAR_CONSTANT_MJ * 1e6 / 60.0


@dataclass(frozen=True)
class Night:
    """The night of an evening's date, in UTC.

    `is_polar` says that the sun did not both set and rise, so that the two moments are
    a stand-in (18:00 and 06:00 by mean local sun).
    """

    night_of: date
    sunset_at: datetime
    sunrise_at: datetime
    is_polar: bool

    def __post_init__(self) -> None:
        for name in ("sunset_at", "sunrise_at"):
            moment: datetime = getattr(self, name)
            if moment.tzinfo is None or moment.utcoffset() != timedelta(0):
                raise OutOfRange(say("%(name)s must be an aware moment in UTC", name=name))
        if self.sunrise_at <= self.sunset_at:
            raise OutOfRange(say("sunrise_at must come after sunset_at"))

    @property
    def length_h(self) -> float:
        """Hours from sunset to sunrise; both are UTC, so a clock change cannot shift it."""
        return (self.sunrise_at - self.sunset_at).total_seconds() / 3600.0


def _place_in_range(latitude: float, longitude: float) -> None:
    if not -90.0 <= latitude <= 90.0:
        raise OutOfRange(say("latitude must be -90 to 90, not %(latitude)s", latitude=latitude))
    if not -180.0 <= longitude <= 180.0:
        raise OutOfRange(
            say("longitude must be -180 to 180, not %(longitude)s", longitude=longitude)
        )


def mean_solar_noon_at(on: date, longitude: float, time_zone: ZoneInfo) -> datetime:
    """The mean-sun noon nearest to noon on the clock, on the local date `on`.

    Going by the clock's date first matters where zone and sun disagree by many hours, as
    on both sides of the date line.
    """
    clock_noon_at = datetime.combine(on, time(12), tzinfo=time_zone).astimezone(UTC)
    offset = timedelta(hours=12.0 - longitude / 15.0)
    candidates = [
        datetime.combine(on + timedelta(days=days), time(0), tzinfo=UTC) + offset
        for days in (-1, 0, 1)
    ]
    return min(candidates, key=lambda noon_at: abs(noon_at - clock_noon_at))


def _events(observer: Observer, around: date, *, rising: bool) -> list[datetime]:
    """Sunrises or sunsets on the UTC dates around one, in order; polar days give none.

    Where an event drifts across midnight in UTC, as near 90 degrees east or west at the
    equinoxes, astral gives none for one of the dates. The event between two that lie two
    days apart is then put midway, which is right to the seconds by which the drift changes.
    """
    find = astral_sun.sunrise if rising else astral_sun.sunset
    given: set[datetime] = set()
    for days in (-2, -1, 0, 1, 2, 3):
        try:
            given.add(find(observer, around + timedelta(days=days), tzinfo=UTC))
        except ValueError:
            continue
    found: list[datetime] = []
    for at in sorted(given):
        if found and timedelta(hours=47) <= at - found[-1] <= timedelta(hours=49):
            found.append(found[-1] + (at - found[-1]) / 2)
        if not found or at - found[-1] > timedelta(hours=1):
            found.append(at)
    return found


def night_for(
    night_of: date,
    *,
    latitude: float,
    longitude: float,
    elevation_m: float = 0.0,
    time_zone: ZoneInfo,
) -> Night:
    """The sunset of the local evening `night_of` and the sunrise that ends that night.

    Parameters
    ----------
    night_of : local date of the evening.
    latitude, longitude : degrees, north and east positive.
    elevation_m : height above the sea; checked, and then deliberately left out. The
        horizon of a garden on a plain at 800 m lies no lower than at the sea; only a
        drop in front of it would make sunset later. [m]
    time_zone : the garden's, to know which evening `night_of` means.

    Notes
    -----
    Sunset is the first after the mean solar noon of that date, even if it comes after
    local midnight, as in a northern June. Where the sun does not set, or once set does not
    rise within a day and a half of that noon, the night is 18:00 to 06:00 mean local sun
    and `is_polar` is true. Raises OutOfRange for a place that is not on the globe.
    """
    _place_in_range(latitude, longitude)
    if not -500.0 <= elevation_m <= 9000.0:
        raise OutOfRange(
            say(
                "%(name)s must be -500 to 9000, not %(value)s",
                name="elevation_m",
                value=elevation_m,
            )
        )
    observer = Observer(latitude=latitude, longitude=longitude, elevation=0.0)
    noon_at = mean_solar_noon_at(night_of, longitude, time_zone)
    around = noon_at.date()
    # The equation of time and a midnight sun shift events by less than half an hour.
    sunsets = [
        at
        for at in _events(observer, around, rising=False)
        if noon_at <= at < noon_at + timedelta(hours=13)
    ]
    if sunsets:
        sunset_at = sunsets[0]
        sunrises = [
            at
            for at in _events(observer, around, rising=True)
            if sunset_at < at <= noon_at + timedelta(hours=25)
        ]
        if sunrises:
            return Night(night_of, sunset_at, sunrises[0], is_polar=False)
    return Night(
        night_of,
        noon_at + timedelta(hours=6),
        noon_at + timedelta(hours=18),
        is_polar=True,
    )


def _day_in_range(day_of_year: int) -> int:
    if not 1 <= day_of_year <= 366:
        raise OutOfRange(
            say("%(name)s must be 1 to 366, not %(value)s", name="day_of_year", value=day_of_year)
        )
    return day_of_year


def inverse_relative_distance(day_of_year: int) -> float:
    """Earth to sun, FAO-56 eq. 23; about 1, largest in January. [-]"""
    return 1.0 + 0.033 * math.cos(2.0 * math.pi * _day_in_range(day_of_year) / 365.0)


def declination_rad(day_of_year: int) -> float:
    """Height of the sun above the equator, FAO-56 eq. 24. [rad]"""
    return 0.409 * math.sin(2.0 * math.pi * _day_in_range(day_of_year) / 365.0 - 1.39)


def sunset_hour_angle_rad(latitude: float, day_of_year: int) -> float:
    """FAO-56 eq. 25, held to 0 (no sunrise) and π (no sunset) beyond the polar circle. [rad]"""
    _place_in_range(latitude, 0.0)
    x = -math.tan(math.radians(latitude)) * math.tan(declination_rad(day_of_year))
    return math.acos(max(-1.0, min(1.0, x)))


def daylight_hours(latitude: float, day_of_year: int) -> float:
    """Hours of daylight by the sun's centre, without refraction, FAO-56 eq. 34. [h]

    The true day is some minutes longer; valid to about 55 degrees of latitude.
    """
    return 24.0 / math.pi * sunset_hour_angle_rad(latitude, day_of_year)


def extraterrestrial_radiation_mj(latitude: float, day_of_year: int) -> float:
    """Sunshine on a level surface above the air in one day, FAO-56 eq. 21. [MJ m-2 d-1]"""
    phi = math.radians(latitude)
    delta = declination_rad(day_of_year)
    omega = sunset_hour_angle_rad(latitude, day_of_year)
    return (
        24.0
        * 60.0
        / math.pi
        * SOLAR_CONSTANT_MJ
        * inverse_relative_distance(day_of_year)
        * (
            omega * math.sin(phi) * math.sin(delta)
            + math.cos(phi) * math.cos(delta) * math.sin(omega)
        )
    )


def clear_sky_radiation_mj(extraterrestrial_mj: float, elevation_m: float = 0.0) -> float:
    """Sunshine on the level ground in a cloudless day, FAO-56 eq. 37. [MJ m-2 d-1]"""
    return (0.75 + 2e-5 * elevation_m) * extraterrestrial_mj


def solar_radiation_mj(extraterrestrial_mj: float, sunshine_h: float, daylight_h: float) -> float:
    """Sunshine on the level ground from hours of bright sun, FAO-56 eq. 35. [MJ m-2 d-1]

    Ångström with a = 0.25 and b = 0.50. Raises OutOfRange where the sun would shine
    for longer than the day.
    """
    if not 0.0 <= sunshine_h <= daylight_h or daylight_h <= 0.0:
        raise OutOfRange(
            say(
                "%(name)s must be 0 to %(most)s, not %(value)s",
                name="sunshine_h",
                most=daylight_h,
                value=sunshine_h,
            )
        )
    return (0.25 + 0.50 * sunshine_h / daylight_h) * extraterrestrial_mj


def sun_elevation_deg(at: datetime, latitude: float, longitude: float) -> float:
    """Height of the sun above a flat horizon, without refraction. [degrees]"""
    _place_in_range(latitude, longitude)
    if at.tzinfo is None:
        raise OutOfRange(say("at must be an aware moment"))
    observer = Observer(latitude=latitude, longitude=longitude, elevation=0.0)
    return float(astral_sun.elevation(observer, at.astimezone(UTC), with_refraction=False))


def clear_sky_wm2(
    at: datetime, latitude: float, longitude: float, elevation_m: float = 0.0
) -> float:
    """Sunshine on the level ground at one moment under a cloudless sky. [W m-2]

    FAO-56 eq. 28 for the instant, with the clear-sky share of eq. 37; 0 at night. It is
    too bright when the sun is very low (one share for every path length), which makes
    lift-off times a little early: the safe side.
    """
    height = math.sin(math.radians(sun_elevation_deg(at, latitude, longitude)))
    if height <= 0.0:
        return 0.0
    day_of_year = at.astimezone(UTC).timetuple().tm_yday
    above_air = SOLAR_CONSTANT_WM2 * inverse_relative_distance(day_of_year) * height
    return (0.75 + 2e-5 * elevation_m) * above_air
