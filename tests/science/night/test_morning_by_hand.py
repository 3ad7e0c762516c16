"""When a cover may come off, and when it must before the sun does the harm."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.night import morning
from gardenapp.science.night.curve import NightCurve
from gardenapp.science.night.morning import LiftOff, day_air_c, lift_off
from gardenapp.science.night.sun import Night, clear_sky_wm2

LATITUDE, LONGITUDE = 52.2, -0.9
SUNSET = datetime(2026, 4, 20, 19, 0, tzinfo=UTC)
SUNRISE = datetime(2026, 4, 21, 5, 0, tzinfo=UTC)
NIGHT = Night(date(2026, 4, 20), SUNSET, SUNRISE, False)
HOUR = timedelta(hours=1)


def curve(*figures: float, start: datetime = SUNSET, step: timedelta = 10 * HOUR) -> NightCurve:
    return NightCurve(tuple((start + i * step, c) for i, c in enumerate(figures)))


def lift(air: NightCurve, **changes: object) -> LiftOff:
    values: dict[str, object] = {
        "night": NIGHT,
        "curve": air,
        "threshold_c": -1.0,
        "heat_max_c": 25.0,
        "day_gain_k": 20.0,
        "latitude": LATITUDE,
        "longitude": LONGITUDE,
    }
    return lift_off(**values | changes)  # type: ignore[arg-type]


def test_after_the_last_known_hour_the_air_rises_by_a_quarter_sine() -> None:
    air = curve(6.0, 2.0)  # 2 °C at sunrise

    assert day_air_c(air, NIGHT, SUNSET - HOUR) == 6.0  # before it begins: its beginning
    assert day_air_c(air, NIGHT, SUNSET + 5 * HOUR) == pytest.approx(4.0)
    assert day_air_c(air, NIGHT, SUNRISE) == 2.0
    half = day_air_c(air, NIGHT, SUNRISE + 3.5 * HOUR)
    assert half == pytest.approx(2.0 + 8.0 * math.sin(math.pi / 4))
    assert day_air_c(air, NIGHT, SUNRISE + 7 * HOUR) == pytest.approx(10.0)
    assert day_air_c(air, NIGHT, SUNRISE + 9 * HOUR) == pytest.approx(10.0)


def test_hours_known_after_sunrise_are_used_and_the_rise_begins_where_they_end() -> None:
    air = NightCurve(((SUNSET, 6.0), (SUNRISE, 2.0), (SUNRISE + 2 * HOUR, 7.0)))

    assert day_air_c(air, NIGHT, SUNRISE + HOUR) == pytest.approx(4.5)
    assert day_air_c(air, NIGHT, SUNRISE + 2 * HOUR) == pytest.approx(7.0)
    assert day_air_c(air, NIGHT, SUNRISE + 5.5 * HOUR) == pytest.approx(
        7.0 + 8.0 * math.sin(math.pi / 4)
    )


def test_a_curve_that_ends_before_sunrise_holds_until_then() -> None:
    air = curve(6.0, 2.0, step=8 * HOUR)

    assert day_air_c(air, NIGHT, SUNRISE) == 2.0
    assert day_air_c(air, NIGHT, SUNRISE + 7 * HOUR) == pytest.approx(10.0)


@pytest.mark.parametrize("gain_k", [0.0, 10.0, 20.0, 40.0])
@pytest.mark.parametrize(("cloud", "through"), [(None, 1.0), (0.0, 1.0), (0.5, 0.665), (1.0, 0.33)])
def test_it_must_come_off_by_the_first_ten_minutes_that_pass_the_limit(
    gain_k: float, cloud: float | None, through: float
) -> None:
    air = curve(6.0, 2.0)

    found = lift(air, day_gain_k=gain_k, cloud_fraction=cloud).must_by_at

    def inside(at: datetime) -> float:
        sun = clear_sky_wm2(at, LATITUDE, LONGITUDE) * through
        return day_air_c(air, NIGHT, at) + gain_k * sun / 400.0

    moments = [SUNRISE + i * timedelta(minutes=10) for i in range(73)]
    too_hot = [at for at in moments if inside(at) > 25.0]
    assert found == (too_hot[0] if too_hot else None)


def test_a_high_garden_has_more_sun() -> None:
    low, high = (lift(curve(6.0, 2.0), elevation_m=m).must_by_at for m in (0.0, 4_000.0))

    assert low is not None and high is not None
    assert high < low


def test_without_a_limit_of_the_crop_the_general_one_holds() -> None:
    air = curve(6.0, 2.0)

    assert lift(air, heat_max_c=None) == lift(air, heat_max_c=morning.GENERAL_HEAT_MAX_C)
    assert lift(air, heat_max_c=None) != lift(air, heat_max_c=35.0)


def test_air_already_over_the_limit_at_sunrise_says_so_at_once() -> None:
    assert lift(curve(20.0, 26.0), day_gain_k=0.0).must_by_at == SUNRISE
    # Exactly at the limit is not past it.
    flat = curve(25.0, 25.0, 25.0, 25.0)
    assert lift(flat, day_gain_k=0.0).must_by_at is None


def test_twelve_hours_after_sunrise_are_looked_at_and_not_more() -> None:
    air = NightCurve(
        (
            (SUNSET, 6.0),
            (SUNRISE, 2.0),
            (SUNRISE + 12 * HOUR - timedelta(minutes=5), 2.0),
            (SUNRISE + 12 * HOUR, 30.0),
            (SUNRISE + 14 * HOUR, 30.0),
        )
    )
    late = NightCurve(tuple((at + timedelta(minutes=10), c) for at, c in air.knots))

    assert lift(air, day_gain_k=0.0).must_by_at == SUNRISE + 12 * HOUR
    assert lift(late, day_gain_k=0.0).must_by_at is None


def test_it_may_come_off_at_sunrise_or_when_the_air_is_back_above() -> None:
    never_below = curve(6.0, 2.0)
    back_at_night = curve(2.0, -3.0, 3.0, step=4 * HOUR)  # above −1 °C after 5 h 20 min
    back_by_day = NightCurve(((SUNSET, 2.0), (SUNRISE, -3.0), (SUNRISE + 2 * HOUR, 1.0)))

    assert lift(never_below).safe_from_at == SUNRISE
    assert lift(back_at_night).safe_from_at == SUNRISE
    assert lift(back_by_day).safe_from_at == SUNRISE + HOUR


def test_where_it_is_still_too_cold_at_the_last_hour_the_days_rise_tells() -> None:
    air = curve(2.0, -5.0)

    found = lift(air).safe_from_at

    # −5 + 8 sin(x) passes −1 at x = π/6: a third of the seven hours.
    assert SUNRISE + 7 / 3 * HOUR <= found < SUNRISE + 7 / 3 * HOUR + timedelta(minutes=10)
    assert day_air_c(air, NIGHT, found - morning.STEP) < -1.0 <= day_air_c(air, NIGHT, found)
    # Some days never get there: then the end of what is looked at.
    assert lift(curve(2.0, -12.0)).safe_from_at == SUNRISE + 12 * HOUR + morning.STEP


def test_a_gain_below_nothing_is_refused() -> None:
    with pytest.raises(OutOfRange, match="day_gain_k"):
        lift(curve(6.0, 2.0), day_gain_k=-0.1)
    assert lift(curve(6.0, 2.0), day_gain_k=0.0).must_by_at is None


def test_another_sunrise_moves_both_times() -> None:
    later = replace(NIGHT, sunrise_at=SUNRISE + HOUR)
    air = curve(6.0, 2.0)

    assert lift_off(
        night=later,
        curve=air,
        threshold_c=-1.0,
        heat_max_c=25.0,
        day_gain_k=0.0,
        latitude=LATITUDE,
        longitude=LONGITUDE,
    ) == LiftOff(SUNRISE + HOUR, None)
