"""How wrong a clock must be to be called so, and which moments two records have in common."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.trials.analysis import Series, clock_offset, matched
from gardenapp.science.trials.matching import (
    _correlations,
    _quick_changes,
    _running_mean,
    _vertex,
)
from gardenapp.science.trials.records import ClockOffset, Floats
from tests.science.trials.trials_made import START, moments, weather_k


def one_weather(days: float, step_s: int, *, slow_s: int) -> ClockOffset:
    """What is found where both hang side by side and the inside clock is slow by so much."""
    at = moments(days, step_s)
    temps = weather_k(at)
    return clock_offset(Series(at - slow_s, temps), Series(at, temps))


@pytest.mark.parametrize(
    ("days", "step_s", "slow_s"),
    [
        (3, 60, 300),
        (3, 60, -1800),
        (3, 300, 900),
        (3, 300, 10_800),
        (3, 300, -10_800),
        (3, 3600, 7200),
        (6, 5400, 5400),
        (0.5, 300, 900),
        (0.6, 900, 1800),
    ],
)
def test_one_and_the_same_record_with_its_clock_moved_gives_just_that(
    days: float, step_s: int, slow_s: int
) -> None:
    found = one_weather(days, step_s, slow_s=slow_s)

    assert (found.offset_s, found.method) == (slow_s, "estimated")
    assert found.correlation == pytest.approx(1.0, abs=1e-9)
    assert found.correlation is not None and found.correlation <= 1.0
    assert found.correlation_unmoved is not None and found.correlation_unmoved < 0.7


@pytest.mark.parametrize("slow_s", [240, -1740])
def test_a_clock_within_the_delay_of_a_cover_is_left_alone_and_what_was_seen_is_told(
    slow_s: int,
) -> None:
    found = one_weather(3, 60, slow_s=slow_s)

    assert (found.offset_s, found.method) == (0.0, "none found")
    assert found.correlation == pytest.approx(1.0, abs=1e-9)
    assert found.correlation_unmoved is not None and found.correlation_unmoved < 0.7


@pytest.mark.parametrize(
    ("days", "step_s"), [(20, 5401), (0.4, 900), (0.13, 300)], ids=["coarse", "few", "fewer"]
)
def test_too_coarse_or_too_few_readings_say_nothing_of_the_clock(days: float, step_s: int) -> None:
    found = one_weather(days, step_s, slow_s=2 * step_s)

    assert found == ClockOffset(0.0, "none found")


def test_records_of_which_one_ends_long_before_the_other_begins_have_no_offset() -> None:
    early = moments(2)
    late = moments(2, start=int(early[-1]) + 8 * 3600)

    found = clock_offset(Series(early, weather_k(early)), Series(late, weather_k(late)))

    assert found == ClockOffset(0.0, "none found")


def test_a_record_that_does_not_move_has_no_offset() -> None:
    at = moments(3)
    still = Series(at, np.full(len(at), 5.0))
    moving = Series(at, weather_k(at))

    for pair in ((still, moving), (moving, still), (still, still)):
        assert clock_offset(*pair) == ClockOffset(0.0, "none found")


def test_noise_below_a_millikelvin_is_no_weather() -> None:
    at = moments(3)

    assert clock_offset(
        Series(at - 1800, weather_k(at, size_k=0.0005)), Series(at, weather_k(at))
    ) == ClockOffset(0.0, "none found")
    found = clock_offset(Series(at - 1800, weather_k(at, size_k=0.05)), Series(at, weather_k(at)))
    assert found.offset_s == 1800.0


def test_a_weak_likeness_is_not_called_a_clock_fault() -> None:
    at = moments(4)

    def found(share: float) -> ClockOffset:
        own = weather_k(at, seed=77)
        inside = share * weather_k(at) + math.sqrt(1.0 - share**2) * own
        return clock_offset(Series(at - 3600, inside), Series(at, weather_k(at)))

    weak, fair = found(0.25), found(0.6)

    assert (weak.offset_s, weak.method) == (0.0, "none found")
    assert weak.correlation == weak.correlation_unmoved
    assert fair.method == "estimated"
    assert fair.offset_s == pytest.approx(3600.0, abs=300.0)
    assert fair.correlation == pytest.approx(0.6, abs=0.1)


def test_a_likeness_of_a_third_over_eight_days_is_enough() -> None:
    at = moments(8)
    inside = 0.36 * weather_k(at) + 0.933 * weather_k(at, seed=77)

    found = clock_offset(Series(at - 3600, inside), Series(at, weather_k(at)))

    assert found.method == "estimated"
    assert found.offset_s == pytest.approx(3600.0, abs=300.0)
    assert found.correlation is not None and 0.3 < found.correlation < 0.37


def test_a_logger_that_reads_every_ten_seconds_is_evened_out_before_it_is_compared() -> None:
    coarse_at = moments(1, 300)
    fine_at = moments(1, 10)
    jitter = np.where(np.arange(len(fine_at)) % 2 == 0, 3.0, -3.0)

    found = clock_offset(
        Series(fine_at - 1200, weather_k(fine_at) + jitter), Series(coarse_at, weather_k(coarse_at))
    )

    # Each five minutes' mean stands at their middle.
    assert found.method == "estimated"
    assert found.offset_s == pytest.approx(1200.0, abs=60.0)
    assert found.correlation is not None and found.correlation > 0.7


def test_the_days_own_course_is_no_quick_change() -> None:
    # The sun reaches the cover two hours before it reaches the other, each day alike.
    at = moments(9)

    def sunrise(hour: float) -> Floats:
        steep: Floats = 10.0 / (1.0 + np.exp(-((at % 86_400) / 3600.0 - hour) * 8.0))
        return steep

    inside = Series(at, sunrise(7.0) + weather_k(at))
    outside = Series(at, sunrise(9.0) + weather_k(at))

    assert clock_offset(inside, outside).offset_s == 0.0


# The sums behind it, by hand


def test_the_top_between_three_points_is_that_of_their_parabola() -> None:
    def parabola(top: float) -> Floats:
        return np.array([1.0 - 0.3 * (x - top) ** 2 for x in range(5)])

    assert _vertex(parabola(2.3), 2) == pytest.approx(0.3)
    assert _vertex(parabola(1.6), 2) == pytest.approx(-0.4)
    assert _vertex(parabola(1.0), 1) == pytest.approx(0.0)
    assert _vertex(parabola(3.2), 3) == pytest.approx(0.2)
    # A point that is not the highest never says more than half a step.
    assert _vertex(parabola(4.0), 2) == 0.5
    assert _vertex(parabola(0.0), 2) == -0.5
    # At an end, in a straight line, in a hollow and beside what is not known there is no top.
    assert _vertex(parabola(0.3), 0) == 0.0
    assert _vertex(parabola(3.8), 4) == 0.0
    assert _vertex(np.array([1.0, 2.0, 3.0]), 1) == 0.0
    assert _vertex(np.array([1.0, 0.0, 2.0]), 1) == 0.0
    assert _vertex(np.array([np.nan, 1.0, 0.5]), 1) == 0.0


def test_a_running_mean_leaves_out_what_is_not_known() -> None:
    values = np.array([1.0, 2.0, np.nan, 6.0, 10.0])

    assert _running_mean(values, 1).tolist() == [1.5, 1.5, 4.0, 8.0, 8.0]
    assert _running_mean(values, 0).tolist() == [1.0, 2.0, 0.0, 6.0, 10.0]
    assert _running_mean(values, 9).tolist() == [4.75] * 5


def test_correlations_are_those_of_the_pairs_that_are_known_at_each_shift() -> None:
    rng = np.random.default_rng(5)
    a, b = rng.normal(size=60), rng.normal(size=60)
    a[7], b[50] = np.nan, np.nan

    correlations, pairs = _correlations(a, b, 4)

    for place, later in enumerate(range(-4, 5)):
        rows = [(a[i], b[i + later]) for i in range(60) if 0 <= i + later < 60]
        known = [(x, y) for x, y in rows if np.isfinite(x) and np.isfinite(y)]
        together = sum(x * y for x, y in known)
        powers = math.sqrt(sum(x**2 for x, _ in known) * sum(y**2 for _, y in known))
        assert pairs[place] == len(known)
        assert correlations[place] == pytest.approx(together / powers)


def test_fewer_than_forty_eight_pairs_have_no_correlation() -> None:
    values = np.random.default_rng(5).normal(size=50)

    correlations, pairs = _correlations(values, values, 3)

    assert pairs.tolist() == [47, 48, 49, 50, 49, 48, 47]
    assert np.isnan(correlations).tolist() == [True, *[False] * 5, True]


def test_noise_below_a_millikelvin_counts_for_nothing_in_either_record() -> None:
    signs = np.sign(np.random.default_rng(5).normal(size=100))

    for size_k, is_usable in ((1.05e-3, True), (0.95e-3, False)):
        for a, b in ((signs * size_k, signs), (signs, signs * size_k)):
            correlations, _ = _correlations(a, b, 0)
            assert np.isfinite(correlations).tolist() == [is_usable]


HALF_HOUR_S = 1800
# From 16 March 2024, midnight in UTC: 19,798 days of 86,400 s since 1970.
GRID = 19_798 * 86_400 + HALF_HOUR_S * np.arange(6 * 48 + 1, dtype=np.int64)
THREE_DAYS = GRID[: 3 * 48 + 1]


def test_a_sudden_change_stays_and_the_mean_of_three_hours_around_is_taken_off() -> None:
    sudden = Series(THREE_DAYS, np.where(GRID[100] <= THREE_DAYS, 7.0, 0.0))

    changes = _quick_changes(sudden, THREE_DAYS, HALF_HOUR_S)

    expected = np.zeros(3 * 48)
    expected[96:103] = -1.0  # seven half hours, three to either side
    expected[99] = 6.0
    assert changes == pytest.approx(expected)


def test_a_quick_logger_s_readings_count_by_their_mean_at_their_middle() -> None:
    fine_at = GRID[0] + 300 * np.arange(6 * len(THREE_DAYS), dtype=np.int64)
    jitter = np.tile([2.0, -2.0], 3 * len(THREE_DAYS))
    fine = Series(fine_at, np.where(fine_at >= GRID[100], 7.0, 0.0) + jitter)

    changes = _quick_changes(fine, THREE_DAYS, HALF_HOUR_S)

    # Readings at 0 to 25 minutes have their middle at 12.5: 17.5 minutes before the half hour.
    first, then = 7.0 * 17.5 / 30.0, 7.0 * 12.5 / 30.0
    assert changes[99] == pytest.approx(first - 1.0)
    assert changes[100] == pytest.approx(then - 1.0)
    assert changes[4:96] == pytest.approx(np.zeros(92), abs=1e-9)
    assert changes[98] == pytest.approx(-1.0)


def test_what_happens_at_the_same_time_on_four_days_is_the_days_course() -> None:
    temps = np.where((np.arange(len(GRID)) % 48) >= 20, 7.0, 0.0)
    six_days = _quick_changes(Series(GRID, temps), GRID, HALF_HOUR_S)
    three_days = _quick_changes(Series(THREE_DAYS, temps[: 3 * 48 + 1]), THREE_DAYS, HALF_HOUR_S)

    assert six_days == pytest.approx(np.zeros(6 * 48), abs=1e-9)
    assert three_days[19] == pytest.approx(6.0)


def test_changes_across_a_hole_of_more_than_one_and_a_half_steps_are_not_known() -> None:
    def known(hole_s: int) -> int:
        at = GRID.copy()
        at[101:] += hole_s - HALF_HOUR_S
        return int(
            np.isfinite(_quick_changes(Series(at, np.zeros(len(GRID))), GRID, HALF_HOUR_S)).sum()
        )

    assert known(HALF_HOUR_S) == 6 * 48
    assert known(round(1.55 * HALF_HOUR_S)) == 6 * 48
    assert known(round(1.7 * HALF_HOUR_S)) < 6 * 48


def test_without_readings_on_the_grid_no_change_is_known() -> None:
    elsewhere = Series(GRID - 10**7, np.zeros(len(GRID)))

    assert np.isnan(_quick_changes(elsewhere, GRID, HALF_HOUR_S)).tolist() == [True] * (6 * 48)


# Which moments are compared


def test_records_of_the_same_moments_are_taken_as_they_are() -> None:
    inside = Series(hours(0, 1, 2), np.array([1.0, 2.0, 3.0]), np.array([50.0, 60.0, 70.0]))
    outside = Series(hours(1, 2, 3), np.array([4.0, 5.0, 6.0]), np.array([80.0, 90.0, 95.0]))

    both = matched(inside, outside, 3600.0)

    assert both.at_s.tolist() == hours(1, 2, 3).tolist()
    assert both.inside_c.tolist() == [1.0, 2.0, 3.0]
    assert both.outside_c.tolist() == [4.0, 5.0, 6.0]
    assert both.inside_percent is not None and both.outside_percent is not None
    assert both.inside_percent.tolist() == [50.0, 60.0, 70.0]
    assert both.outside_percent.tolist() == [80.0, 90.0, 95.0]
    assert (both.step_s, both.gap_s) == (3600.0, 9000.0)


def hours(*at_h: float) -> np.ndarray:
    return START + np.array([round(3600 * hour) for hour in at_h], dtype=np.int64)


def test_readings_between_are_on_a_straight_line_at_the_moments_of_the_slower_logger() -> None:
    slow = Series(hours(0, 1, 2, 3), np.array([10.0, 20.0, 30.0, 40.0]))
    quick = Series(
        hours(0.25, 0.75, 1.25, 1.75, 2.25),
        np.array([1.0, 2.0, 4.0, 8.0, 16.0]),
        np.array([50.0, 60.0, 70.0, 80.0, 90.0]),
    )

    inside_slow, outside_slow = matched(slow, quick, 0.0), matched(quick, slow, 0.0)

    assert inside_slow.at_s.tolist() == outside_slow.at_s.tolist() == hours(1, 2).tolist()
    assert inside_slow.inside_c.tolist() == outside_slow.outside_c.tolist() == [20.0, 30.0]
    assert inside_slow.outside_c.tolist() == outside_slow.inside_c.tolist() == [3.0, 12.0]
    assert inside_slow.outside_percent is not None and outside_slow.inside_percent is not None
    assert inside_slow.outside_percent.tolist() == [65.0, 85.0]
    assert outside_slow.inside_percent.tolist() == [65.0, 85.0]
    assert inside_slow.inside_percent is None and outside_slow.outside_percent is None
    assert (inside_slow.step_s, inside_slow.gap_s) == (3600.0, 9000.0)
    assert len(inside_slow) == 2


def test_with_equal_steps_the_outside_logger_gives_the_moments_and_the_ends_count() -> None:
    inside = Series(hours(0, 1, 2, 3) + 600, np.array([6.0, 12.0, 18.0, 24.0]))
    outside = Series(hours(0, 1, 2, 3, 4), np.array([0.0, 1.0, 2.0, 3.0, 4.0]))

    both = matched(inside, outside, 0.0)
    moved = matched(inside, outside, -600.0)

    assert both.at_s.tolist() == hours(1, 2, 3).tolist()
    assert both.inside_c.tolist() == [11.0, 17.0, 23.0]
    assert moved.at_s.tolist() == hours(0, 1, 2, 3).tolist()
    assert moved.inside_c.tolist() == [6.0, 12.0, 18.0, 24.0]
    assert moved.outside_c.tolist() == [0.0, 1.0, 2.0, 3.0]


@pytest.mark.parametrize(
    ("step_s", "hole_s", "is_filled"),
    [(600, 1500, True), (600, 1501, False), (60, 900, True), (60, 901, False)],
)
def test_a_hole_is_bridged_up_to_two_and_a_half_steps_or_a_quarter_of_an_hour(
    step_s: int, hole_s: int, is_filled: bool
) -> None:
    before = START + step_s * np.arange(60, dtype=np.int64)
    with_hole = np.concatenate((before, before + int(before[-1]) - START + hole_s))
    middle_s = int(before[-1]) + hole_s // 2
    slow_at = middle_s + 1800 * np.arange(-3, 4, dtype=np.int64)
    inside = Series(with_hole, (with_hole - float(middle_s)).astype(np.float64))
    outside = Series(slow_at, np.zeros(7))

    both = matched(inside, outside, 0.0)

    assert (middle_s in both.at_s) is is_filled
    assert both.inside_c == pytest.approx(both.at_s - middle_s)


def test_a_reading_at_the_edge_of_a_hole_is_still_a_reading() -> None:
    inside = Series(hours(0, 1, 5, 6, 7, 8), np.array([0.0, 1.0, 5.0, 6.0, 7.0, 8.0]))
    outside = Series(hours(0, 1, 2, 3, 4, 5, 6, 7, 8), np.zeros(9))

    last = Series(hours(0, 1, 2, 3, 7), np.array([0.0, 1.0, 2.0, 3.0, 7.0]))

    assert matched(inside, outside, 0.0).inside_c.tolist() == [0.0, 1.0, 5.0, 6.0, 7.0, 8.0]
    assert matched(last, outside, 0.0).inside_c.tolist() == [0.0, 1.0, 2.0, 3.0, 7.0]


def test_records_that_share_some_moments_and_not_all_are_still_brought_together() -> None:
    inside = Series(hours(0, 1, 2.5, 3), np.array([0.0, 1.0, 2.5, 3.0]))
    outside = Series(hours(0, 1, 2, 3), np.zeros(4))

    both = matched(inside, outside, 0.0)

    assert both.at_s.tolist() == hours(0, 1, 2, 3).tolist()
    assert both.inside_c == pytest.approx(np.array([0.0, 1.0, 2.0, 3.0]))


def test_two_common_moments_are_enough_and_one_is_not() -> None:
    inside = Series(hours(0, 1, 2), np.array([1.0, 2.0, 3.0]))

    two = matched(inside, Series(hours(1, 2, 3), np.zeros(3)), 0.0)

    assert two.inside_c.tolist() == [2.0, 3.0]
    with pytest.raises(OutOfRange, match="do not overlap"):
        matched(inside, Series(hours(2, 3, 4), np.zeros(3)), 0.0)
