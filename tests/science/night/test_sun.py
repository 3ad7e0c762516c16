from __future__ import annotations

import importlib.util
import sys
import types
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import ephem
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.night import sun
from gardenapp.science.night.sun import Night, night_for
from tests.science.pvlib_files import pvlib_folder

FAO = "FAO-56 {}, as tested in PyETo"
LONDON = ZoneInfo("Europe/London")

PLACES = {
    "52 N, 0 E": (52.0, 0.0, "Europe/London"),
    "40.7 N, 74 W": (40.7, -74.0, "America/New_York"),
    "60.2 N, 25 E": (60.2, 25.0, "Europe/Helsinki"),
    "43.5 S, 172.6 E": (-43.5, 172.6, "Pacific/Auckland"),
    "1.3 S, 36.8 E": (-1.3, 36.8, "Africa/Nairobi"),
    "61.2 N, 149.9 W": (61.2, -149.9, "America/Anchorage"),
    "1.9 N, 157.4 W": (1.9, -157.4, "Pacific/Kiritimati"),
}
DATES = [date(2026, 1, 15), date(2026, 3, 28), date(2026, 5, 4), date(2026, 10, 31)]


def _ephem_night(
    latitude: float, longitude: float, zone: ZoneInfo, on: date
) -> tuple[datetime, datetime]:
    observer = ephem.Observer()
    observer.lat, observer.lon = str(latitude), str(longitude)
    observer.elevation = 0
    # The almanac's horizon: 34' of refraction, upper edge, no air model.
    observer.pressure, observer.horizon = 0, "-0:34"
    noon_at = datetime(on.year, on.month, on.day, 12, tzinfo=zone).astimezone(UTC)
    observer.date = ephem.Date(noon_at.replace(tzinfo=None))
    sunset = observer.next_setting(ephem.Sun())
    observer.date = sunset
    sunrise = observer.next_rising(ephem.Sun())
    return (
        sunset.datetime().replace(tzinfo=UTC),
        sunrise.datetime().replace(tzinfo=UTC),
    )


@pytest.mark.outside("ephem 4.2, almanac horizon of 34 minutes of arc, upper edge of the sun")
@pytest.mark.parametrize("on", DATES, ids=str)
@pytest.mark.parametrize("place", PLACES, ids=str)
def test_sunset_and_sunrise_agree_with_an_astronomer_s_library(place: str, on: date) -> None:
    latitude, longitude, zone_name = PLACES[place]
    zone = ZoneInfo(zone_name)
    sunset_at, sunrise_at = _ephem_night(latitude, longitude, zone, on)

    night = night_for(on, latitude=latitude, longitude=longitude, time_zone=zone)

    assert abs(night.sunset_at - sunset_at) < timedelta(minutes=2)
    assert abs(night.sunrise_at - sunrise_at) < timedelta(minutes=2)
    assert not night.is_polar


@pytest.mark.outside("ephem 4.2, almanac horizon of 34 minutes of arc, upper edge of the sun")
@pytest.mark.parametrize(
    ("latitude", "longitude", "zone_name"),
    [(29.95, -90.07, "America/Chicago"), (23.8, 90.4, "Asia/Dhaka"), (51.0, 90.0, "Asia/Hovd")],
)
def test_no_night_is_lost_where_the_sun_sets_or_rises_at_midnight_in_utc(
    latitude: float, longitude: float, zone_name: str
) -> None:
    zone = ZoneInfo(zone_name)
    for days in range(365):
        on = date(2026, 1, 1) + timedelta(days=days)
        sunset_at, sunrise_at = _ephem_night(latitude, longitude, zone, on)

        night = night_for(on, latitude=latitude, longitude=longitude, time_zone=zone)

        assert not night.is_polar, on
        assert abs(night.sunset_at - sunset_at) < timedelta(minutes=2), on
        assert abs(night.sunrise_at - sunrise_at) < timedelta(minutes=2), on


def test_the_night_belongs_to_the_evening_on_the_garden_s_calendar() -> None:
    # In Anchorage the sun of an August evening sets on the next day's date in UTC.
    zone = ZoneInfo("America/Anchorage")

    night = night_for(date(2026, 8, 10), latitude=61.2, longitude=-149.9, time_zone=zone)

    assert night.sunset_at.astimezone(zone).date() == date(2026, 8, 10)
    assert night.sunset_at.date() == date(2026, 8, 11)


def test_a_sunset_after_local_midnight_still_belongs_to_its_evening() -> None:
    # Fairbanks at midsummer: sunset at a quarter to one by the clock.
    zone = ZoneInfo("America/Anchorage")

    night = night_for(date(2026, 6, 21), latitude=64.84, longitude=-147.72, time_zone=zone)

    assert night.sunset_at.astimezone(zone).date() == date(2026, 6, 22)
    assert not night.is_polar
    assert night.length_h < 3.0


def test_a_night_in_which_the_clocks_go_forward_is_as_long_as_the_sky_says() -> None:
    before = night_for(date(2026, 3, 27), latitude=52.0, longitude=0.0, time_zone=LONDON)
    changing = night_for(date(2026, 3, 28), latitude=52.0, longitude=0.0, time_zone=LONDON)

    assert before.length_h - changing.length_h == pytest.approx(4.0 / 60.0, abs=0.03)


@pytest.mark.parametrize(
    "on", [date(2026, 6, 21), date(2026, 12, 21)], ids=["midsummer", "midwinter"]
)
def test_where_the_sun_does_not_set_or_rise_the_night_is_a_stand_in_and_says_so(
    on: date,
) -> None:
    zone = ZoneInfo("Europe/Oslo")

    night = night_for(on, latitude=69.65, longitude=18.96, time_zone=zone)

    assert night.is_polar
    assert night.length_h == pytest.approx(12.0)
    # 18:00 by the mean sun at 18.96 °E is 16:44 UTC.
    assert night.sunset_at.strftime("%H:%M") == "16:44"


@pytest.mark.parametrize("latitude", [-90.0, 90.0])
def test_the_poles_do_not_crash(latitude: float) -> None:
    for on in DATES:
        assert night_for(on, latitude=latitude, longitude=0.0, time_zone=ZoneInfo("UTC")).is_polar


@settings(deadline=None)  # a slow machine is no fault of the sun's
@example(-65.0, 17.921280595877818, date(2030, 12, 10))
@example(0.0, 90.0, date(2030, 4, 3))
@given(
    st.floats(-65.0, 65.0), st.floats(-180.0, 180.0), st.dates(date(2020, 1, 1), date(2035, 12, 31))
)
def test_every_evening_between_the_circles_has_a_night(
    latitude: float, longitude: float, on: date
) -> None:
    night = night_for(on, latitude=latitude, longitude=longitude, time_zone=ZoneInfo("UTC"))

    assert not night.is_polar
    assert 1.0 < night.length_h < 23.0


def test_height_above_the_sea_does_not_move_the_horizon() -> None:
    low = night_for(date(2026, 5, 4), latitude=47.0, longitude=11.0, time_zone=LONDON)
    high = night_for(
        date(2026, 5, 4), latitude=47.0, longitude=11.0, elevation_m=1500.0, time_zone=LONDON
    )

    assert low == high


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(91.0, 0.0), (-91.0, 0.0), (0.0, 181.0), (float("nan"), 0.0)]
)
def test_a_place_off_the_globe_is_refused(latitude: float, longitude: float) -> None:
    with pytest.raises(OutOfRange):
        night_for(date(2026, 5, 4), latitude=latitude, longitude=longitude, time_zone=LONDON)


def test_a_night_that_ends_before_it_begins_or_has_no_zone_is_refused() -> None:
    at = datetime(2026, 5, 4, 20, tzinfo=UTC)
    with pytest.raises(OutOfRange, match="sunrise_at"):
        Night(date(2026, 5, 4), at, at, is_polar=False)
    with pytest.raises(OutOfRange, match="UTC"):
        Night(date(2026, 5, 4), at.replace(tzinfo=None), at + timedelta(hours=9), is_polar=False)


@pytest.mark.outside(FAO.format("example 8, p. 80"))
def test_sun_and_earth_on_3_september_at_20_south() -> None:
    assert sun.inverse_relative_distance(246) == pytest.approx(0.985, abs=0.0005)
    assert sun.declination_rad(246) == pytest.approx(0.120, abs=0.0005)
    assert sun.sunset_hour_angle_rad(-20.0, 246) == pytest.approx(1.527, abs=0.0005)
    assert sun.extraterrestrial_radiation_mj(-20.0, 246) == pytest.approx(32.2, abs=0.05)


@pytest.mark.outside("NCAR NCL documentation, daylight_fao56 example")
def test_daylight_on_3_september_at_20_south() -> None:
    assert sun.daylight_hours(-20.0, 246) == pytest.approx(11.66559, abs=1e-5)


@pytest.mark.outside("NCAR NCL documentation, radsol_clrsky_fao56 example: Rio, 15 May")
def test_clear_sky_sunshine_of_a_day_in_rio() -> None:
    above_air = sun.extraterrestrial_radiation_mj(-22.9, 135)

    assert above_air == pytest.approx(25.111, abs=0.0005)
    assert sun.clear_sky_radiation_mj(above_air) == pytest.approx(18.83327, abs=0.0005)


@pytest.mark.outside(FAO.format("example 10, p. 84"))
def test_sunshine_from_hours_of_bright_sun() -> None:
    assert sun.solar_radiation_mj(25.1, 7.1, 10.9) == pytest.approx(14.45, abs=0.02)


@pytest.mark.outside("CSLSevap tests, FAO-56 example 18: 50°48' N, 6 July, 100 m")
def test_sunshine_in_belgium_in_july() -> None:
    above_air = sun.extraterrestrial_radiation_mj(50.8, 187)

    assert above_air == pytest.approx(41.08838, abs=1e-5)
    assert sun.clear_sky_radiation_mj(above_air, 100.0) == pytest.approx(30.90, abs=0.005)


def test_the_length_of_night_by_the_fao_formula() -> None:
    assert 24.0 - sun.daylight_hours(50.8, 187) == pytest.approx(7.895388, abs=1e-5)


def test_midsummer_beyond_the_circle_has_24_hours_of_day_and_midwinter_none() -> None:
    assert sun.daylight_hours(70.0, 172) == pytest.approx(24.0)
    assert sun.daylight_hours(-70.0, 172) == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("latitude", "on"),
    [(52.0, date(2026, 5, 4)), (-43.5, date(2026, 10, 1)), (36.1, date(2026, 12, 1))],
    ids=["52 N in May", "43 S in October", "36 N in December"],
)
def test_the_moments_of_a_clear_day_add_up_to_the_day(latitude: float, on: date) -> None:
    day = datetime(on.year, on.month, on.day, tzinfo=UTC)
    minutes = range(0, 1440, 10)

    total_mj = sum(
        sun.clear_sky_wm2(day + timedelta(minutes=m), latitude, 0.0, 100.0) * 600.0 / 1e6
        for m in minutes
    )

    daily = sun.clear_sky_radiation_mj(
        sun.extraterrestrial_radiation_mj(latitude, on.timetuple().tm_yday), 100.0
    )
    # The daily formula's declination is up to a degree off near the autumn equinox.
    assert total_mj == pytest.approx(daily, rel=0.03)


def test_the_night_has_no_sunshine() -> None:
    assert sun.clear_sky_wm2(datetime(2026, 5, 4, 0, tzinfo=UTC), 52.0, 0.0) == 0.0


@pytest.mark.outside("ephem 4.2, altitude of the sun without air")
@pytest.mark.parametrize("hour", [5, 8, 12, 16, 18])
def test_the_height_of_the_sun_agrees_with_an_astronomer_s_library(hour: int) -> None:
    at = datetime(2026, 4, 20, hour, tzinfo=UTC)
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.pressure = "52.0", "1.0", 0
    observer.date = ephem.Date(at.replace(tzinfo=None))
    body = ephem.Sun(observer)

    assert sun.sun_elevation_deg(at, 52.0, 1.0) == pytest.approx(
        float(body.alt) * 180.0 / 3.141592653589793, abs=0.05
    )


@pytest.mark.parametrize("day_of_year", [0, 367, -1])
def test_a_day_that_no_year_has_is_refused(day_of_year: int) -> None:
    with pytest.raises(OutOfRange, match="day_of_year"):
        sun.daylight_hours(50.0, day_of_year)


@pytest.fixture(scope="module")
def pvlib() -> Iterator[Any]:
    """pvlib's clear-sky module; two imports that it needs for other things are stood in for.

    h5py reads its map of turbidity and pytz serves its places; neither is used here.
    """
    pvlib_folder()
    pytest.importorskip("pandas")
    pytest.importorskip("scipy")
    stood_in = [
        name
        for name in ("h5py", "pytz")
        if name not in sys.modules and importlib.util.find_spec(name) is None
    ]
    for name in stood_in:
        sys.modules[name] = types.ModuleType(name)
    try:
        import pvlib.atmosphere
        import pvlib.clearsky
        import pvlib.irradiance
    except ImportError as error:
        pytest.skip(f"pvlib cannot be imported here: {error}")
    finally:
        for name in stood_in:
            del sys.modules[name]
    yield pvlib


BRIGHT_PLACES = [
    (52.0, 0.0, 50.0, (2026, 4, 15)),
    (36.1, -79.95, 270.0, (2026, 6, 20)),
    (40.0, -105.0, 1600.0, (2026, 3, 1)),
    (-37.8, 145.0, 30.0, (2026, 9, 10)),
]


@pytest.mark.outside("pvlib, clear sky of Ineichen and Perez 2002 with a Linke turbidity of 3")
@pytest.mark.parametrize(
    ("latitude", "longitude", "elevation_m", "on"),
    BRIGHT_PLACES,
    ids=["52 N", "36 N", "1600 m", "38 S"],
)
def test_clear_sky_sunshine_is_that_of_the_solar_library_where_the_sun_is_high(
    pvlib: Any, latitude: float, longitude: float, elevation_m: float, on: tuple[int, int, int]
) -> None:
    high = 0

    for hour in range(24):
        at = datetime(*on, hour, tzinfo=UTC)
        up_deg = sun.sun_elevation_deg(at, latitude, longitude)
        if up_deg < 12.0:
            continue
        zenith = np.array([90.0 - up_deg])
        air_mass = pvlib.atmosphere.get_absolute_airmass(
            pvlib.atmosphere.get_relative_airmass(zenith), pvlib.atmosphere.alt2pres(elevation_m)
        )
        theirs_wm2 = float(
            pvlib.clearsky.ineichen(
                zenith,
                air_mass,
                3.0,
                altitude=elevation_m,
                dni_extra=pvlib.irradiance.get_extra_radiation(at.timetuple().tm_yday),
            )["ghi"][0]
        )
        ours_wm2 = sun.clear_sky_wm2(at, latitude, longitude, elevation_m)
        if up_deg >= 32.0:
            high += 1
            assert ours_wm2 == pytest.approx(theirs_wm2, rel=0.08)
        else:
            # One share for every length of path: too bright when the sun is low, as is said there.
            assert theirs_wm2 * 0.98 < ours_wm2 < theirs_wm2 * 1.6

    assert high >= 3
