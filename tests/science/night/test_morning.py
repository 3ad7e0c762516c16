"""By day: what closed covers gain, and when they must come off."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.night import morning
from gardenapp.science.night.curve import NightCurve, curve_from_hours
from gardenapp.science.night.morning import (
    GAIN_REFERENCE_WM2,
    MOST_GAIN_K,
    day_air_c,
    day_gain,
    gain_at_k,
    gain_in_full_sun,
    lift_off,
    strongest_sun_wm2,
    sun_through,
    warm_end_k,
)
from gardenapp.science.night.sun import Night, clear_sky_wm2, night_for

ZONE = ZoneInfo("Europe/London")
LATITUDE, LONGITUDE = 51.5, 0.0
F_TO_K = 5.0 / 9.0
clear = gain_in_full_sun(None)


def made_night(evening: date, low_c: float = -2.0) -> tuple[Night, NightCurve]:
    """A night that falls in a straight line to its low at sunrise."""
    night = night_for(
        evening, latitude=LATITUDE, longitude=LONGITUDE, elevation_m=0.0, time_zone=ZONE
    )
    begin = night.sunset_at
    hours = int((night.sunrise_at - begin) / timedelta(hours=1))
    knots = [(begin + timedelta(hours=n), low_c + 8.0 * (1 - n / hours)) for n in range(hours + 1)]
    return night, curve_from_hours(knots)


@pytest.mark.outside(
    "Univ. of Maryland Extension: about 120 °F in a closed tunnel on a spring day of 80 °F"
)
def test_the_gain_of_a_closed_tunnel_in_spring_lies_inside_what_is_reckoned() -> None:
    sun = strongest_sun_wm2(date(2026, 4, 20), 39.0, -77.0, 50.0, ZoneInfo("America/New_York"))

    found = day_gain(clear, sun)

    assert found.low_k < (120.0 - 80.0) * F_TO_K < found.high_k


@pytest.mark.outside("A private diary, January 2010: 64 °F in a cold frame at 32 °F outside")
def test_a_frame_recorded_in_january_lies_near_the_middle() -> None:
    assert clear.mean == pytest.approx((64.0 - 32.0) * F_TO_K, abs=1.0)


def test_the_two_ends_are_the_two_published_gains_they_were_made_from() -> None:
    """Savage 1980: 4.2 K; Univ. of Maryland Extension: 90 °F at 32 °F. No outside check."""
    low_k, high_k = clear.interval(0.8)

    assert low_k == pytest.approx(4.2, abs=0.1)
    assert high_k == pytest.approx((90.0 - 32.0) * F_TO_K, abs=0.1)


@pytest.mark.outside(
    "Guttormsen 1972: closed low tunnels about 40 °C in April; a private garden column of April "
    "2019: 58 °C in an unvented frame"
)
@pytest.mark.parametrize(("inside_c", "air_c"), [(40.0, 12.0), (58.0, 26.0)])
def test_april_under_closed_covers_is_not_hotter_than_is_reckoned(
    inside_c: float, air_c: float
) -> None:
    """The air outside is not in the excerpts: a mild and a very warm April day, from memory."""
    sun = strongest_sun_wm2(date(2026, 4, 20), LATITUDE, LONGITUDE, 0.0, ZONE)

    assert air_c + day_gain(clear, sun).high_k >= inside_c


def test_the_same_cover_gains_more_in_march_than_in_december_and_more_in_may() -> None:
    gain = Estimate(6.0, 1.0)
    high = [
        day_gain(gain, strongest_sun_wm2(on, LATITUDE, LONGITUDE, 0.0, ZONE)).high_k
        for on in (date(2026, 12, 21), date(2026, 3, 21), date(2026, 5, 21))
    ]

    assert high[0] < warm_end_k(gain) < high[1] < high[2]


@given(st.floats(0.0, 60.0), st.floats(0.0, 1_200.0), st.floats(0.0, 1_200.0))
def test_more_sun_never_gains_less_and_the_gain_has_an_end(
    full_k: float, one_wm2: float, other_wm2: float
) -> None:
    low, high = sorted((one_wm2, other_wm2))

    assert 0.0 <= gain_at_k(full_k, low) <= gain_at_k(full_k, high)
    assert gain_at_k(full_k, high) <= max(MOST_GAIN_K, full_k)
    assert gain_at_k(full_k, GAIN_REFERENCE_WM2) == pytest.approx(full_k)


@given(st.floats(0.0, 1.0))
def test_cloud_takes_sun_away_and_never_all_of_it(cloud: float) -> None:
    assert 0.33 - 1e-9 <= sun_through(cloud) <= sun_through(None) == 1.0


def test_no_sun_no_gain() -> None:
    polar = strongest_sun_wm2(date(2026, 12, 21), 78.0, 15.0, 0.0, ZONE)

    assert polar == 0.0
    assert day_gain(clear, polar) == morning.DayGain(0.0, 0.0)


def test_the_strongest_sun_is_at_the_suns_noon_and_no_clock_s() -> None:
    # At 30° west the sun's noon is two hours later by Greenwich.
    found = strongest_sun_wm2(date(2026, 4, 1), LATITUDE, -30.0, 0.0, ZoneInfo("UTC"))

    at_two = clear_sky_wm2(datetime(2026, 4, 1, 14, tzinfo=UTC), LATITUDE, -30.0)
    assert found == pytest.approx(at_two, rel=0.01)


@pytest.mark.parametrize("on", [date(2026, 2, 11), date(2026, 5, 14), date(2026, 11, 3)])
def test_the_strongest_sun_is_found_without_asking_every_quarter_of_an_hour(on: date) -> None:
    begin = datetime(on.year, on.month, on.day, tzinfo=ZONE)
    asked = [
        clear_sky_wm2(begin + timedelta(minutes=5 * step), LATITUDE, LONGITUDE)
        for step in range(288)
    ]

    found = strongest_sun_wm2(on, LATITUDE, LONGITUDE, 0.0, ZONE)

    assert found == pytest.approx(max(asked), rel=0.001)


def test_a_gain_below_nothing_is_refused() -> None:
    with pytest.raises(OutOfRange, match="day_gain_k"):
        gain_in_full_sun(-1.0)


@pytest.mark.parametrize("cloud", [None, 0.5], ids=["clear", "half cloud"])
def test_a_cover_must_come_off_when_the_rule_of_the_pages_passes_the_crops_limit(
    cloud: float | None,
) -> None:
    night, curve = made_night(date(2026, 4, 16))
    gain_k = warm_end_k(clear)

    def inside_c(at: datetime) -> float:
        sun = clear_sky_wm2(at, LATITUDE, LONGITUDE) * sun_through(cloud)
        return day_air_c(curve, night, at) + gain_at_k(gain_k, sun)

    off = lift_off(
        night=night, curve=curve, threshold_c=0.0, heat_max_c=25.0, day_gain_k=gain_k,
        latitude=LATITUDE, longitude=LONGITUDE, cloud_fraction=cloud,
    )  # fmt: skip

    assert off.must_by_at is not None
    assert inside_c(off.must_by_at) > 25.0 >= inside_c(off.must_by_at - morning.STEP)


def test_a_warmer_belief_brings_the_time_forward() -> None:
    night, curve = made_night(date(2026, 4, 16))
    times = [
        lift_off(
            night=night, curve=curve, threshold_c=0.0, heat_max_c=25.0, day_gain_k=gain_k,
            latitude=LATITUDE, longitude=LONGITUDE,
        ).must_by_at
        for gain_k in (clear.mean, warm_end_k(clear))
    ]  # fmt: skip

    assert times[0] is not None and times[1] is not None
    assert times[1] < times[0]
