"""A forecast made for a night long past errs as real ones do, and as the record's own nights."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from datetime import timedelta
from statistics import fmean, pstdev

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.season.replay_forecasts import (
    ReplayNight,
    error_pool,
    reading_step_k,
    simulated_forecasts,
    unrounded,
    usual_lows_c,
)
from tests.science.season.replay_made import (
    FIRST,
    make_nights,
)


@pytest.mark.outside("UK Met Office, 86.5 % of first-night minima within 2 °C, 36-month mean")
def test_simulated_forecasts_hit_as_often_as_a_service_publishes() -> None:
    nights = make_nights(400)
    pool = error_pool(nights)

    hits = [simulated_forecasts(nights, pool, seed=seed).hit_share for seed in range(20)]

    assert fmean(hits) == pytest.approx(0.865, abs=0.02)


def test_a_forecast_is_right_on_average_whatever_it_says() -> None:
    nights = make_nights(800)
    pool = error_pool(nights)
    cold_errors: list[float] = []
    warm_errors: list[float] = []

    for seed in range(10):
        forecasts = simulated_forecasts(nights, pool, seed=seed)
        for night, low_c in zip(nights, forecasts.lows_c, strict=True):
            (cold_errors if low_c < -2.0 else warm_errors if low_c > 4.0 else []).append(
                night.low_c - low_c
            )

    # Noise alone on what came would leave about 0.6 K here: too cold when cold.
    assert abs(fmean(cold_errors)) < 0.3
    assert abs(fmean(warm_errors)) < 0.3


def test_errors_come_from_the_record_and_not_from_a_bell() -> None:
    nights = make_nights(300)
    spiked = tuple(
        replace(n, low_c=n.low_c + (8.0 if i % 30 == 0 else 0.0)) for i, n in enumerate(nights)
    )

    errors = error_pool(spiked).errors
    spread = pstdev(errors)

    assert max(errors) > 3.5 * spread  # the spikes are still there
    assert fmean(errors) == pytest.approx(0.0, abs=1e-9)


def test_evenings_and_dew_points_are_used_where_they_are_known() -> None:
    rng = random.Random(1)
    nights = tuple(
        replace(n, evening_c=n.low_c + 5.0 + rng.gauss(0.0, 1.0), dew_point_c=n.low_c - 1.0)
        for n in make_nights(60)
    )

    pool = error_pool(nights)

    assert pool.made_by == "two steps"
    assert pstdev(pool.errors) < 1.0


def test_nights_that_did_not_follow_one_another_make_no_error() -> None:
    nights = make_nights(60)
    parted = nights[:30] + tuple(
        replace(n, measured_on=n.measured_on + timedelta(days=400)) for n in nights[30:]
    )

    assert len(error_pool(nights).errors) == 59
    assert len(error_pool(parted).errors) == 58


@pytest.mark.parametrize("count", [2, 20], ids=["two nights", "nineteen steps"])
def test_a_record_too_short_is_refused(count: int) -> None:
    with pytest.raises(OutOfRange, match="20 nights"):
        error_pool(make_nights(count))


def test_a_record_without_any_change_is_refused() -> None:
    with pytest.raises(OutOfRange, match="alike"):
        error_pool(tuple(replace(n, low_c=1.0) for n in make_nights(40)))


def test_the_usual_low_is_that_of_the_time_of_year() -> None:
    nights = tuple(
        ReplayNight(day, 10.0 - 10.0 * math.cos(2 * math.pi * n / 365), day)
        for n in range(365)
        for day in [FIRST + timedelta(days=n)]
    )

    usual = usual_lows_c(nights)

    assert usual[0] == pytest.approx(0.2, abs=0.2)
    assert usual[182] == pytest.approx(19.8, abs=0.2)


def test_the_same_seed_gives_the_same_forecasts_and_another_gives_others() -> None:
    nights = make_nights()
    pool = error_pool(nights)

    once, again = (simulated_forecasts(nights, pool, seed=5).lows_c for _ in range(2))
    other = simulated_forecasts(nights, pool, seed=6).lows_c

    assert once == again
    assert once != other


def test_a_low_in_whole_degrees_fahrenheit_is_laid_within_its_step() -> None:
    nights = tuple(replace(n, low_c=round(n.low_c * 1.8) / 1.8) for n in make_nights(300))

    laid = unrounded(nights, seed=1)
    moved = [new.low_c - old.low_c for new, old in zip(laid, nights, strict=True)]

    assert reading_step_k(nights) == pytest.approx(5 / 9, abs=0.01)
    assert max(map(abs, moved)) <= 5 / 18 + 0.01
    assert len({round(m, 6) for m in moved}) > 200
