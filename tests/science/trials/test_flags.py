"""A trial that went wrong says so, and a good one is not doubted."""

from __future__ import annotations

import numpy as np
import pytest

from gardenapp.science.trials.analysis import Flag, Series, TrialResult, analyse
from tests.science.trials.trials_made import (
    START,
    covered,
    is_day,
    moments,
    nights_of,
    outside_c,
    weather_k,
)


def _flag(result: TrialResult, code: str) -> Flag:
    return next(flag for flag in result.flags if flag.code == code)


def _codes(result: TrialResult) -> set[str]:
    return {flag.code for flag in result.flags}


def test_an_ordinary_trial_has_no_flag() -> None:
    at = moments(5)
    nights = nights_of(at)
    out_c = outside_c(at) + weather_k(at)
    in_c = out_c + np.where(is_day(at, nights), 9.0, 1.4) + weather_k(at, seed=9, size_k=0.1)

    result = analyse(Series(at, in_c), Series(at, out_c), nights=nights)

    assert result.flags == ()
    assert not result.is_doubtful


def test_half_a_night_is_too_short_to_learn_from() -> None:
    at = moments(0.5)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=1.0, gain_k=5.0)

    result = analyse(inside, outside, nights=nights)

    assert _flag(result, "too_short").doubts
    assert result.totals.lift_at_minimum_k is None
    assert result.nights[0].covered_fraction < 0.7


def test_a_few_hours_in_common_are_told() -> None:
    early, late = moments(2), moments(2, start=START + 86_400 * 2 - 3 * 3600)

    result = analyse(
        Series(early, outside_c(early) + 1), Series(late, outside_c(late)), nights=nights_of(early)
    )

    assert _flag(result, "overlap_small").params["hours"] == pytest.approx(3.0, abs=0.1)
    assert result.is_doubtful


@pytest.mark.parametrize("which", ["inside", "outside"])
def test_a_logger_that_shows_one_value_for_hours_is_stuck(which: str) -> None:
    at = moments(3)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=1.0, gain_k=5.0)
    stuck = (inside if which == "inside" else outside).temp_c.copy()
    rows = slice(300, 300 + 12 * 9)  # nine hours
    stuck[rows] = stuck[300]
    pair = (Series(at, stuck), outside) if which == "inside" else (inside, Series(at, stuck))

    flag = _flag(analyse(*pair, nights=nights), "stuck")

    assert flag.params["which"] == which
    assert flag.params["hours"] == pytest.approx(9.0, abs=0.2)
    assert flag.params["from_s"] == at[300]
    assert flag.doubts


def test_an_even_night_is_not_stuck() -> None:
    at = moments(2)
    nights = nights_of(at)
    even = np.full(len(at), 5.0)

    result = analyse(Series(at, even + 1.0), Series(at, even), nights=nights)

    assert "stuck" not in _codes(result)  # the other did not move either


def test_swapped_files_are_suspected() -> None:
    at = moments(3)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=1.2, gain_k=8.0)

    straight = analyse(inside, outside, nights=nights)
    swapped = analyse(outside, inside, nights=nights)

    assert "swapped" not in _codes(straight)
    assert _flag(swapped, "swapped").doubts


def test_two_loggers_side_by_side_are_told() -> None:
    at = moments(2)
    nights = nights_of(at)
    out_c = outside_c(at)

    result = analyse(Series(at, out_c + 0.1), Series(at, out_c), nights=nights)

    assert _flag(result, "same_readings").params["share"] == 1.0


def test_an_outside_logger_in_the_sun_is_told() -> None:
    at = moments(3)
    nights = nights_of(at)
    inside, outside = covered(at, nights, lift_k=1.0, gain_k=20.0)
    hour = (at % 86_400) / 3600.0
    sunlit = np.clip((hour - 7.0) * 12.0, 0.0, 15.0) * (hour < 15.0)
    in_sun = Series(at, outside.temp_c + sunlit)

    good = analyse(inside, outside, nights=nights)
    bad = analyse(inside, in_sun, nights=nights)

    assert "sensor_in_sun" not in _codes(good)
    flag = _flag(bad, "sensor_in_sun")
    assert flag.params["which"] == "outside"
    days = flag.params["days"]
    assert not isinstance(days, str) and days >= 2


def test_all_words_are_sentences() -> None:
    at = moments(0.3)
    result = analyse(
        Series(at, outside_c(at) + 0.1), Series(at, outside_c(at)), nights=nights_of(at)
    )

    assert result.flags
    for flag in result.flags:
        assert flag.words.strip()[0].isupper()
        assert flag.words.strip()[-1] in ".?"
