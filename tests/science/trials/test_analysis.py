"""A trial of two loggers gives back what its records were made of."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.night.sun import Night, night_for
from gardenapp.science.trials import analysis
from gardenapp.science.trials.analysis import Series, analyse, as_plain, chart_of, nights_between
from gardenapp.science.trials.humidity import hours_so_far
from gardenapp.science.units import difference_f_to_k
from tests.science.trials.trials_made import (
    LATITUDE,
    LONGITUDE,
    START,
    ZONE,
    covered,
    is_day,
    moments,
    nights_of,
    outside_c,
    weather_k,
)

# Two invented covers: day and night gain in °F, and lowest humidity inside and outside.
WARM_BY_DAY = (27.0, 1.8, 52.0, 31.5)
WARM_BY_NIGHT = (9.0, 5.4, 60.0, 28.0)


@pytest.mark.parametrize(
    ("cover", "day_k", "night_k", "points"),
    [(WARM_BY_DAY, 15.0, 1.0, 20.5), (WARM_BY_NIGHT, 5.0, 3.0, 32.0)],
    ids=["warm by day", "warm by night"],
)
def test_a_trial_made_of_given_figures_returns_them(
    cover: tuple[float, float, float, float], day_k: float, night_k: float, points: float
) -> None:
    day_f, night_f, lowest_inside, lowest_outside = cover
    at = moments(6)
    nights = nights_of(at)
    out_c = outside_c(at, mean_c=12.0)
    gain_k = np.where(is_day(at, nights), difference_f_to_k(day_f), difference_f_to_k(night_f))
    dry = (out_c - out_c.min()) / (out_c.max() - out_c.min())
    inside = Series(at, out_c + gain_k, 95.0 - (95.0 - lowest_inside) * dry)
    outside = Series(at, out_c, 95.0 - (95.0 - lowest_outside) * dry)

    result = analyse(inside, outside, nights=nights)

    assert result.totals.lift_at_minimum_k is not None
    assert result.totals.gain_max_k is not None
    assert result.humidity is not None
    assert result.totals.lift_at_minimum_k.mean == pytest.approx(night_k, abs=0.01)
    assert result.totals.gain_max_k.mean == pytest.approx(day_k, abs=0.01)
    assert result.humidity.inside.lowest_percent == pytest.approx(lowest_inside)
    assert result.humidity.outside.lowest_percent == pytest.approx(lowest_outside)
    assert result.humidity.lowest_difference_points == pytest.approx(points)
    assert [flag for flag in result.flags if flag.doubts] == []


def test_each_night_and_day_is_one_result() -> None:
    at = moments(3)  # noon to noon: three whole nights, two whole days and two halves
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=1.5, gain_k=8.0)

    result = analyse(inside, outside, nights=nights, heat_max_c=18.0)

    assert [n.night_of for n in result.nights] == [date(2026, 4, 10 + i) for i in range(3)]
    assert all(n.is_whole for n in result.nights)
    assert [d.is_whole for d in result.days] == [False, True, True, False]
    assert result.totals.lift_at_minimum_k is not None
    assert result.totals.lift_at_minimum_k.count == 3
    assert result.totals.gain_max_k is not None
    assert result.totals.gain_max_k.count == 2
    for night in result.nights:
        assert night.lift_at_minimum_k == pytest.approx(1.5)
        assert night.lift_mean_k == pytest.approx(1.5)
        assert night.outside_low_at.hour == 4
        assert night.outside_low_c == pytest.approx(1.0, abs=0.01)
        assert night.covered_fraction == pytest.approx(1.0, abs=0.01)


def test_the_lift_is_between_the_two_lows_and_not_at_one_moment() -> None:
    at = moments(1, 600)
    nights = nights_of(at)
    out_c = outside_c(at)
    late = np.roll(out_c, 6)  # inside the same night, an hour later
    late[:6] = late[6]

    result = analyse(Series(at, late), Series(at, out_c), nights=nights, clock_offset_s=0.0)

    (night,) = result.nights
    assert night.inside_low_at - night.outside_low_at == timedelta(hours=1)
    assert night.lift_at_minimum_k == pytest.approx(0.0, abs=1e-9)
    assert night.lift_at_outside_low_k > 0.15


def test_negative_lift_is_said_as_it_is() -> None:
    at = moments(2)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=-0.9, gain_k=12.0)

    result = analyse(inside, outside, nights=nights)

    assert result.totals.lift_at_minimum_k is not None
    assert result.totals.lift_at_minimum_k.mean == pytest.approx(-0.9)
    (flag,) = [flag for flag in result.flags if flag.code == "touching_film"]
    assert "polyethylene" in flag.words
    assert not flag.doubts


def test_hours_above_a_crop_s_maximum_are_exact_on_straight_lines() -> None:
    at = moments(1, 3600)
    # From 10 to 30 °C and back in four hours each way: above 20 °C for half of that, four hours.
    ramp = np.concatenate((np.linspace(10, 30, 5), np.linspace(25, 10, 4)))
    in_c = np.full(len(at), 10.0)
    in_c[8:17] = ramp
    nights = nights_of(at)

    result = analyse(
        Series(at, in_c), Series(at, np.full(len(at), 9.0)), nights=nights, heat_max_c=20.0
    )

    assert result.totals.hours_above_max == pytest.approx(4.0)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.0, 40.0), min_size=2, max_size=40), st.floats(1.0, 39.0))
def test_hours_above_and_below_make_the_whole_time(values: list[float], limit: float) -> None:
    at = 60 * np.arange(len(values), dtype=np.int64)
    array = np.array(values)

    above = hours_so_far(at, array, limit, 100.0)[-1]
    below = hours_so_far(at, -array, -limit, 100.0)[-1]
    level = sum(a == b == limit for a, b in pairwise(values)) / 60.0

    assert above + below - level == pytest.approx((len(values) - 1) / 60.0, abs=1e-9)


def test_a_gap_makes_a_night_not_whole_and_is_not_filled() -> None:
    at = moments(2)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=1.0, gain_k=5.0)
    hole = (at > START + 12 * 3600) & (at < START + 15 * 3600)
    with_hole = Series(at[~hole], inside.temp_c[~hole])

    result = analyse(with_hole, outside, nights=nights)

    assert [n.is_whole for n in result.nights] == [False, True]
    (flag,) = [flag for flag in result.flags if flag.code == "gaps"]
    assert flag.params["hours"] == pytest.approx(3.0, abs=0.2)
    assert result.matched_count == (~hole).sum()
    assert sum(point.follows_gap for point in result.chart) == 1
    assert result.totals.lift_at_minimum_k is not None
    assert result.totals.lift_at_minimum_k.count == 1


@pytest.mark.parametrize("steps", [(60, 600), (600, 60), (1, 300), (300, 420), (3600, 300)])
def test_loggers_of_different_steps_are_compared_at_the_longer_one(
    steps: tuple[int, int],
) -> None:
    at_in, at_out = moments(1.2, steps[0]), moments(1.2, steps[1])
    nights = nights_of(at_in)
    inside = Series(at_in, outside_c(at_in) + 2.0)
    outside = Series(at_out, outside_c(at_out))

    result = analyse(inside, outside, nights=nights, clock_offset_s=0.0)

    longer = max(steps)
    assert result.matched_count == pytest.approx(1.2 * 86_400 / longer, abs=2)
    # Straight lines between hourly readings of a wave lie up to 0.06 K inside it.
    assert result.nights[0].lift_at_minimum_k == pytest.approx(2.0, abs=0.06)
    differ = max(steps) >= 1.5 * min(steps)
    assert ("different_steps" in [flag.code for flag in result.flags]) is differ


def test_humidity_at_the_same_percent_says_that_warmer_air_holds_more() -> None:
    at = moments(1, 600)
    nights = nights_of(at)
    count = len(at)

    result = analyse(
        Series(at, np.full(count, 30.0), np.full(count, 90.0)),
        Series(at, np.full(count, 10.0), np.full(count, 90.0)),
        nights=nights,
    )

    assert result.humidity is not None
    assert result.humidity.lowest_difference_points == 0.0
    assert result.humidity.water_ratio == pytest.approx(3.23, abs=0.01)
    assert "is more water" in str(result.humidity.words[0])
    assert result.humidity.inside.hours_humid == pytest.approx(24.0)
    assert result.nights[0].humid_hours_inside == pytest.approx(
        (nights[1].sunrise_at - nights[1].sunset_at).total_seconds() / 3600.0, abs=0.4
    )


def test_humidity_of_one_logger_only_is_told_and_not_compared() -> None:
    at = moments(1, 600)
    nights = nights_of(at)
    out_c = outside_c(at)

    result = analyse(
        Series(at, out_c + 1.0, np.full(len(at), 80.0)), Series(at, out_c), nights=nights
    )

    assert result.humidity is None
    assert "humidity_one_sided" in [flag.code for flag in result.flags]


def test_records_that_do_not_overlap_are_refused_in_words() -> None:
    early, late = moments(1), moments(1, start=START + 5 * 86_400)

    with pytest.raises(OutOfRange, match="do not overlap"):
        analyse(
            Series(early, outside_c(early)), Series(late, outside_c(late)), nights=nights_of(early)
        )


def test_nights_out_of_order_are_refused() -> None:
    at = moments(2)
    nights = nights_of(at)

    with pytest.raises(OutOfRange, match="in order"):
        analyse(Series(at, outside_c(at) + 1), Series(at, outside_c(at)), nights=nights[::-1])


@pytest.mark.parametrize("offset", [math.nan, 90_000.0])
def test_an_offset_of_more_than_a_day_is_refused(offset: float) -> None:
    at = moments(1)

    with pytest.raises(OutOfRange, match="within a day"):
        analyse(
            Series(at, outside_c(at) + 1),
            Series(at, outside_c(at)),
            nights=nights_of(at),
            clock_offset_s=offset,
        )


# The nights


def test_nights_run_from_the_evening_before_the_first_reading_to_that_of_the_last() -> None:
    at = moments(3)

    nights = nights_of(at)

    assert [n.night_of for n in nights] == [date(2026, 4, 9 + i) for i in range(5)]


def test_a_record_of_centuries_is_refused() -> None:
    with pytest.raises(OutOfRange, match="nights"):
        nights_between(0, 10**10, latitude=52.0, longitude=0.0, time_zone=ZONE)


@pytest.mark.parametrize(
    ("zone", "place", "on"),
    [
        ("Europe/London", (52.0, 0.0), date(2026, 10, 24)),
        ("Europe/London", (52.0, 0.0), date(2026, 3, 28)),
        ("America/New_York", (40.7, -74.0), date(2026, 11, 1)),
        ("Australia/Lord_Howe", (-31.5, 159.0), date(2026, 4, 4)),
    ],
)
def test_the_night_of_a_clock_change_is_as_long_as_the_sun_says(
    zone: str, place: tuple[float, float], on: date
) -> None:
    night = night_for(on, latitude=place[0], longitude=place[1], time_zone=ZoneInfo(zone))
    begin = int(night.sunset_at.timestamp()) - 7200
    at = moments(1, 300, start=begin - begin % 300)
    nights = nights_between(
        int(at[0]), int(at[-1]), latitude=place[0], longitude=place[1], time_zone=ZoneInfo(zone)
    )
    out_c = outside_c(at)

    result = analyse(
        Series(at, out_c + 1.2, np.full(len(at), 95.0)),
        Series(at, out_c, np.full(len(at), 95.0)),
        nights=nights,
    )

    whole = next(n for n in result.nights if n.night_of == on)
    assert whole.is_whole
    assert whole.humid_hours_inside == pytest.approx(night.length_h, abs=0.17)
    assert whole.lift_at_minimum_k == pytest.approx(1.2)


def test_a_polar_night_is_told() -> None:
    start = int(datetime(2026, 12, 20, tzinfo=UTC).timestamp())
    at = moments(2, 600, start=start)
    nights = nights_between(
        int(at[0]), int(at[-1]), latitude=70.0, longitude=20.0, time_zone=ZoneInfo("Europe/Oslo")
    )

    result = analyse(Series(at, outside_c(at) + 1), Series(at, outside_c(at)), nights=nights)

    assert "no_sunset" in [flag.code for flag in result.flags]


# What never changes


@settings(max_examples=25, deadline=None)
@given(
    shift_k=st.floats(-20.0, 20.0),
    lift_k=st.floats(-2.0, 5.0),
    gain_k=st.floats(0.0, 20.0),
    later_days=st.integers(0, 200),
    step_s=st.sampled_from([120, 300, 900, 3600]),
)
def test_lift_does_not_depend_on_how_cold_or_when_it_was(
    shift_k: float, lift_k: float, gain_k: float, later_days: int, step_s: int
) -> None:
    at = moments(2, step_s, start=START + later_days * 86_400)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=lift_k, gain_k=gain_k, mean_c=7.0 + shift_k)

    result = analyse(inside, outside, nights=nights, clock_offset_s=0.0)

    whole = [night for night in result.nights if night.is_whole]
    assert whole
    for night in whole:
        assert night.lift_at_minimum_k == pytest.approx(lift_k, abs=1e-9)
        assert night.lift_least_k <= night.lift_mean_k + 1e-9
        assert night.lift_mean_k <= night.lift_most_k + 1e-9


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), days=st.floats(0.6, 4.0))
def test_swapping_the_loggers_turns_every_sign(seed: int, days: float) -> None:
    at = moments(days)
    nights = nights_of(at)
    one = Series(at, outside_c(at) + weather_k(at, seed=seed) + 1.0)
    other = Series(at, outside_c(at) + weather_k(at, seed=seed + 1))

    straight = analyse(one, other, nights=nights, clock_offset_s=0.0)
    turned = analyse(other, one, nights=nights, clock_offset_s=0.0)

    assert [n.lift_at_minimum_k for n in straight.nights] == pytest.approx(
        [-n.lift_at_minimum_k for n in turned.nights]
    )
    assert [d.gain_max_k for d in straight.days] == pytest.approx(
        [-d.gain_max_k for d in turned.days]
    )


@st.composite
def any_record(draw: st.DrawFn) -> Series:
    step = st.sampled_from([1, 60, 300, 301, 3600, 40_000])
    steps = draw(st.lists(step, min_size=1, max_size=60))
    begin = START + draw(st.integers(-40_000, 40_000))
    at = np.concatenate(([begin], begin + np.cumsum(steps))).astype(np.int64)
    values = st.floats(-60.0, 85.0) | st.sampled_from([0.0, 5.0, -60.0, 85.0])
    temp = draw(st.lists(values, min_size=len(at), max_size=len(at)))
    percent = st.floats(0.0, 100.0) | st.just(math.nan)
    humid = draw(st.none() | st.lists(percent, min_size=len(at), max_size=len(at)))
    return Series(at, np.array(temp), None if humid is None else np.array(humid))


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    any_record(),
    any_record(),
    st.none() | st.floats(-40.0, 90.0),
    st.none() | st.floats(-86_400.0, 86_400.0),
)
def test_any_two_records_are_analysed_or_refused(
    inside: Series, outside: Series, heat_max_c: float | None, offset_s: float | None
) -> None:
    nights = nights_between(
        int(min(inside.at_s[0], outside.at_s[0])),
        int(max(inside.at_s[-1], outside.at_s[-1])),
        latitude=LATITUDE,
        longitude=LONGITUDE,
        time_zone=ZONE,
    )

    try:
        result = analyse(
            inside, outside, nights=nights, heat_max_c=heat_max_c, clock_offset_s=offset_s
        )
    except OutOfRange as refusal:
        assert "do not overlap" in str(refusal)
        return

    json.dumps(as_plain(result), allow_nan=False)
    assert len(result.matched.inside_c) == result.matched_count >= 2
    for night in result.nights:
        assert 0.0 <= night.covered_fraction <= 1.0
        assert night.lift_least_k <= night.lift_most_k


# For drawing, download and the shell


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 1000), days=st.floats(0.5, 12.0), most=st.sampled_from([8, 60, 600]))
def test_the_chart_keeps_the_extremes_and_its_limit(seed: int, days: float, most: int) -> None:
    at = moments(days)
    inside = Series(at, outside_c(at) + 2.0 + weather_k(at, seed=seed))
    outside = Series(at, outside_c(at) + weather_k(at, seed=seed + 7))
    both = analysis.matched(inside, outside, 0.0)

    points = chart_of(both, most)

    assert len(points) <= most
    assert [p.at for p in points] == sorted({p.at for p in points})
    assert min(p.outside_c for p in points) == outside.temp_c.min()
    assert max(p.inside_c for p in points) == inside.temp_c.max()
    assert points[0].at.timestamp() == at[0]
    assert points[-1].at.timestamp() == at[-1]


def test_a_result_can_be_written_as_json_and_read_back() -> None:
    at = moments(2)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=1.5, gain_k=8.0)

    plain = as_plain(analyse(inside, outside, nights=nights, heat_max_c=15.0))
    back = json.loads(json.dumps(plain, allow_nan=False))

    assert back == plain
    assert back["nights"][0]["night_of"] == "2026-04-10"
    assert back["totals"]["lift_at_minimum_k"]["mean"] == pytest.approx(1.5)
    assert back["chart"][0]["at"].endswith("+00:00")


def test_progress_goes_from_none_to_all() -> None:
    at = moments(2)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=1.5, gain_k=8.0)
    told: list[float] = []

    analyse(inside, outside, nights=nights, progress=told.append)

    assert (told[0], told[-1]) == (0.0, 1.0)
    assert told == sorted(told)


def test_a_clear_night_is_guessed_from_its_fall_and_an_even_one_is_not() -> None:
    at = moments(1, 600)
    nights = nights_of(at)

    def looked(swing_k: float) -> bool | None:
        out_c = outside_c(at, swing_k=swing_k)
        result = analyse(Series(at, out_c + 1.0), Series(at, out_c), nights=nights)
        return result.nights[0].looked_clear

    assert looked(10.0) is True
    assert looked(1.0) is False
    assert looked(3.5) is None


def test_a_night_may_be_given_without_days_around_it() -> None:
    at = moments(1)
    nights = [Night(n.night_of, n.sunset_at, n.sunrise_at, False) for n in nights_of(at)[1:2]]

    result = analyse(Series(at, outside_c(at) + 1), Series(at, outside_c(at)), nights=nights)

    assert len(result.nights) == 1
    assert result.days == ()
    assert result.totals.gain_max_k is None


def test_the_place_decides_when_it_is_night() -> None:
    at = moments(1)

    nights = nights_of(at)

    by_hand = night_for(date(2026, 4, 10), latitude=LATITUDE, longitude=LONGITUDE, time_zone=ZONE)
    assert nights[1] == by_hand
