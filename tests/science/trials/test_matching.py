"""Two loggers' clocks are compared, and an offset is only claimed where it can be shown."""

from __future__ import annotations

import csv
import importlib.util
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gardenapp.science.trials.analysis import Series, analyse, clock_offset, matched
from gardenapp.science.trials.records import Floats
from tests.science.trials.trials_made import START, moments, nights_of, outside_c, weather_k


def _sluggish(values: Floats, step_s: float, delay_s: float) -> Floats:
    """What a cover or sensor shows that follows with this time constant."""
    share = 1.0 - np.exp(-step_s / delay_s)
    answer = np.empty_like(values)
    answer[0] = values[0]
    for row in range(1, len(values)):
        answer[row] = answer[row - 1] + share * (values[row] - answer[row - 1])
    return answer


def _pair(days: float, step_s: int, wrong_s: int, *, seed: int = 3) -> tuple[Series, Series]:
    """Records of one weather; the inside clock shows `wrong_s` too little."""
    at = moments(days, step_s)
    weather = outside_c(at) + weather_k(at, seed=seed, size_k=0.8)
    noise = np.random.default_rng(seed).normal(0.0, 0.05, len(at))
    sun = 9.0 * np.clip(np.sin((at / 3600.0 - 6.0) / 12.0 * np.pi), 0.0, None)
    inside = Series(at - wrong_s, np.round(weather + 1.0 + sun + noise, 1))
    return inside, Series(at, np.round(weather, 1))


@settings(max_examples=25, deadline=None)
@given(
    wrong_s=st.sampled_from([-10_800, -7200, -3600, -2700, 600, 1500, 3600, 5400, 7200, 10_500]),
    seed=st.integers(0, 500),
    step_s=st.sampled_from([60, 300, 600]),
)
def test_a_clock_that_is_wrong_is_found_to_half_a_step(
    wrong_s: int, seed: int, step_s: int
) -> None:
    inside, outside = _pair(4, step_s, wrong_s, seed=seed)

    found = clock_offset(inside, outside)

    assert found.method == "estimated"
    assert found.offset_s == pytest.approx(wrong_s, abs=max(120.0, 0.5 * step_s))
    assert found.correlation is not None
    assert found.correlation > 0.5


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2000), step_s=st.sampled_from([60, 300, 900, 3600]))
def test_right_clocks_are_left_alone(seed: int, step_s: int) -> None:
    inside, outside = _pair(4, step_s, 0, seed=seed)

    found = clock_offset(inside, outside)

    assert (found.offset_s, found.method) == (0.0, "none found")


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2000))
def test_records_that_have_nothing_in_common_have_no_offset(seed: int) -> None:
    at = moments(5)

    found = clock_offset(
        Series(at, outside_c(at) + weather_k(at, seed=seed)),
        Series(at, outside_c(at) + weather_k(at, seed=seed + 5000)),
    )

    assert found.offset_s == 0.0


@pytest.mark.parametrize("days", [0.5, 2.0, 9.0])
@pytest.mark.parametrize("late_h", [0.0, 1.0, 2.5])
def test_smooth_days_that_run_apart_are_no_clock_fault(days: float, late_h: float) -> None:
    # The sun warms a cover hours before the air is warmest: not the clock's doing.
    at = moments(days)
    early = outside_c(at + round(late_h * 3600))

    found = clock_offset(Series(at, early * 1.5), Series(at, outside_c(at)))

    assert (found.offset_s, found.method) == (0.0, "none found")


@pytest.mark.parametrize("delay_s", [600.0, 1200.0, 3600.0], ids=["10 min", "20 min", "1 h"])
def test_a_sluggish_cover_is_no_late_clock(delay_s: float) -> None:
    inside, outside = _pair(8, 300, 0)
    slow = Series(inside.at_s, _sluggish(inside.temp_c, 300.0, delay_s))

    found = clock_offset(slow, outside)

    assert found.offset_s == 0.0


def test_an_offset_is_taken_out_before_the_night_is_judged_and_shown() -> None:
    inside, outside = _pair(5, 300, 3600)
    nights = nights_of(outside.at_s)

    result = analyse(inside, outside, nights=nights)
    right = analyse(Series(outside.at_s, inside.temp_c), outside, nights=nights, clock_offset_s=0.0)

    assert result.clock_offset.offset_s == pytest.approx(3600.0, abs=120.0)
    assert [n.lift_at_minimum_k for n in result.nights] == pytest.approx(
        [n.lift_at_minimum_k for n in right.nights], abs=0.15
    )
    (flag,) = [flag for flag in result.flags if flag.code == "clock_offset"]
    assert "behind" in flag.words
    assert "estimated" in flag.words


def test_an_offset_that_is_given_is_used_as_it_is() -> None:
    inside, outside = _pair(2, 300, 900)

    result = analyse(inside, outside, nights=nights_of(outside.at_s), clock_offset_s=900.0)

    assert (result.clock_offset.offset_s, result.clock_offset.method) == (900.0, "given")
    assert result.matched_count == len(outside.at_s)


def test_matching_fills_no_gap() -> None:
    at = moments(1)
    hole = (at > START + 3600) & (at < START + 4 * 3600)

    both = matched(
        Series(at[~hole], outside_c(at[~hole])), Series(at + 60, outside_c(at + 60)), 0.0
    )

    inside_hole = (both.at_s > START + 3600 + 60) & (both.at_s < START + 4 * 3600 - 300)
    assert not inside_hole.any()
    assert len(both) > 240
    # Both see the same wave, so straight lines between readings are all that parts them.
    assert both.inside_c == pytest.approx(both.outside_c, abs=0.01)


# Against a year that was measured


@pytest.fixture(scope="module")
def greensboro() -> tuple[Floats, Floats]:
    """Hourly temperature (°C) and sunshine (W m-2) of a typical meteorological year."""
    found = importlib.util.find_spec("pvlib")
    if found is None or not found.submodule_search_locations:
        pytest.skip("pvlib, which carries the hourly TMY3 year, is not installed")
    path = Path(found.submodule_search_locations[0]) / "data" / "723170TYA.CSV"
    if not path.exists():
        pytest.skip("this pvlib does not carry the hourly TMY3 year")
    with path.open(newline="") as lines:
        next(lines)
        rows = list(csv.DictReader(lines))
    return (
        np.array([float(row["Dry-bulb (C)"]) for row in rows]),
        np.array([float(row["GHI (W/m^2)"]) for row in rows]),
    )


@pytest.mark.outside("TMY3 hourly year of Greensboro, North Carolina, station 723170")
@pytest.mark.parametrize("first_day", [0, 80, 165, 290], ids=["Jan", "Mar", "Jun", "Oct"])
@pytest.mark.parametrize("wrong_h", [-2, -1, 0, 1, 2])
def test_a_clock_change_forgotten_is_found_in_measured_weather(
    greensboro: tuple[Floats, Floats], first_day: int, wrong_h: int
) -> None:
    part = slice(24 * first_day, 24 * (first_day + 14))
    temp_c, sun_wm2 = greensboro[0][part], greensboro[1][part]
    begin = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp())
    at = begin + 3600 * np.arange(len(temp_c), dtype=np.int64)
    # A cover that gains 12 K in full sun and follows within twenty minutes.
    in_c = _sluggish(temp_c + 1.0 + 0.012 * sun_wm2, 3600.0, 1200.0)

    found = clock_offset(Series(at - 3600 * wrong_h, in_c), Series(at, temp_c))

    assert found.offset_s == pytest.approx(3600.0 * wrong_h, abs=600.0)
