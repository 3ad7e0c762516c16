from __future__ import annotations

import math
from collections.abc import Iterable
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.night import forecast_error
from gardenapp.science.night.forecast_error import (
    FIRST_NIGHT_SD_K,
    ForecastRecord,
    Spread,
    forecast_sd_k,
    learnt_spread,
)


@pytest.mark.outside("UK Met Office: 86.5 % of first-night minima within 2 °C, 119 sites")
def test_the_first_night_s_spread_gives_the_published_hit_rate() -> None:
    error = NormalDist(0.0, forecast_sd_k(12.0))

    assert error.cdf(2.0) - error.cdf(-2.0) == pytest.approx(0.865, abs=1e-5)


def test_the_first_night_s_mean_absolute_error_is_about_a_degree() -> None:
    assert FIRST_NIGHT_SD_K * math.sqrt(2.0 / math.pi) == pytest.approx(1.067638, abs=1e-5)


@pytest.mark.outside("Brooks, Oklahoma City: first-day maxima, RMSE 3.80 °F, 87.3 % within 5 °F")
def test_the_spread_is_of_the_size_of_another_service_s() -> None:
    theirs_k = 3.80 * 5.0 / 9.0

    assert 0.5 * theirs_k < FIRST_NIGHT_SD_K < theirs_k


@pytest.mark.outside("Mount Pocono forecaster's table: minimum errors 2.2 °F day 1, 3.13 °F day 5")
def test_the_spread_grows_with_the_days_at_least_as_fast_as_one_forecaster_s_did() -> None:
    mean_absolute_to_spread = math.sqrt(math.pi / 2.0)
    theirs_k_per_day = (3.133 - 2.200) * 5.0 / 9.0 / 4.0 * mean_absolute_to_spread

    ours_k_per_day = (forecast_sd_k(120.0) - forecast_sd_k(24.0)) / 4.0

    assert theirs_k_per_day <= ours_k_per_day <= 2.5 * theirs_k_per_day


@given(st.floats(0.0, 360.0), st.floats(0.0, 360.0))
def test_a_longer_lead_is_never_surer(a: float, b: float) -> None:
    shorter, longer = sorted((a, b))

    assert forecast_sd_k(shorter) <= forecast_sd_k(longer) <= 4.0


@pytest.mark.parametrize("lead_h", [-1.0, 361.0, math.nan])
def test_a_lead_that_is_none_is_refused(lead_h: float) -> None:
    with pytest.raises(OutOfRange, match="lead_h"):
        forecast_sd_k(lead_h)


PUBLISHED = Spread(1.338, 10.0)


def certain(errors: Iterable[float]) -> list[Estimate]:
    return [Estimate(error, 0.0) for error in errors]


def test_without_nights_of_its_own_a_garden_has_the_published_spread() -> None:
    assert learnt_spread(PUBLISHED, []) == PUBLISHED


def test_a_few_nights_move_it_a_little_and_a_winter_moves_it_much() -> None:
    errors = NormalDist(0.0, 0.6).samples(90, seed=4)

    few, many = (learnt_spread(PUBLISHED, certain(each)) for each in (errors[:3], errors))

    assert abs(few.scale_k - 1.338) < 0.3
    assert many.scale_k == pytest.approx(0.6, abs=0.2)
    assert (few.nights, many.nights) == (13.0, 100.0)


def test_one_wild_night_widens_the_spread() -> None:
    wild, calm = (
        learnt_spread(PUBLISHED, certain((0.1, -0.2, last))).scale_k for last in (8.0, 0.3)
    )

    assert wild > calm


@pytest.mark.outside("scaled inverse chi-squared update, any text on Bayesian statistics")
def test_the_update_is_the_textbooks() -> None:
    found = learnt_spread(Spread(1.0, 6.0), certain([1.0, -2.0, 0.5, 1.5]))

    assert found.scale_k**2 == pytest.approx((6.0 + 1.0 + 4.0 + 0.25 + 2.25) / 10.0)
    assert found.nights == 10.0


def test_what_is_not_known_of_a_night_is_not_taken_for_a_small_error() -> None:
    """A night drawn half towards nothing adds the half it may still be out by."""
    vague = [Estimate(0.5, 0.9)] * 200

    found = learnt_spread(Spread(1.0, 10.0), vague)

    assert found.scale_k == pytest.approx(math.sqrt(0.25 + 0.81), abs=0.03)
    assert learnt_spread(Spread(1.0, 10.0), certain([0.5] * 200)).scale_k < 0.6
    assert found.nights < 60.0  # and as little certainty as it brought


def test_half_a_night_counts_half() -> None:
    halves = learnt_spread(PUBLISHED, certain([3.0, 3.0]), [0.5, 0.5])

    assert halves == learnt_spread(PUBLISHED, certain([3.0]))


@pytest.mark.outside("Student's t, 90 % points: 1.372 at 10, 1.310 at 30 degrees (any table)")
@pytest.mark.parametrize(("nights", "point"), [(10.0, 1.372), (30.0, 1.310), (120.0, 1.289)])
def test_the_80_percent_interval_is_that_of_the_t_distribution(nights: float, point: float) -> None:
    assert Spread(1.0, nights).sd_k * 1.2816 == pytest.approx(point, abs=0.008)


@pytest.mark.parametrize(("scale_k", "nights"), [(0.0, 10.0), (-1.0, 10.0), (1.0, 0.0),
                                                 (math.nan, 1.0), (1.0, math.inf)])  # fmt: skip
def test_a_prior_of_nonsense_is_refused(scale_k: float, nights: float) -> None:
    with pytest.raises(OutOfRange):
        learnt_spread(Spread(scale_k, nights), [])


def test_a_night_between_the_kinds_has_a_spread_between_theirs() -> None:
    record = ForecastRecord(1.2, Estimate(0.0, 0.2), 40, 0.2, clear_sd_k=1.6, other_sd_k=0.8)

    assert record.spread_on(1.0) == pytest.approx(1.6)
    assert record.spread_on(0.0) == pytest.approx(0.8)
    assert 0.8 < record.spread_on(0.5) < 1.6
    assert record.spread_on(1.3) == pytest.approx(1.6)
    assert ForecastRecord(1.2, Estimate(0.0, 0.2), 0, 1.0).spread_on(1.0) == 1.2


def test_the_low_to_expect_is_the_forecast_with_the_gardens_own_bias_and_spread() -> None:
    record = ForecastRecord(sd_k=1.5, bias=Estimate(-0.5, 0.8), count=9, weight_of_prior=0.5)

    low = record.low(-2.0)
    assert (low.mean, low.sd) == (-2.5, pytest.approx(1.7))


def test_the_spread_grows_by_a_quarter_of_a_kelvin_a_day_from_the_second_on_up_to_four() -> None:
    first = forecast_error.FIRST_NIGHT_SD_K

    assert forecast_sd_k(0.0) == forecast_sd_k(24.0) == first
    assert forecast_sd_k(36.0) == pytest.approx(first + 0.125)
    assert forecast_sd_k(5 * 24.0) == pytest.approx(first + 1.0)
    assert forecast_sd_k(360.0) == 4.0
    for lead_h in (-0.1, 360.1):
        with pytest.raises(OutOfRange, match=f"lead_h must be 0 to 360, not {lead_h}"):
            forecast_sd_k(lead_h)


def test_what_is_chosen_or_from_memory_is_what_is_told() -> None:
    assert forecast_error.FIRST_NIGHT_LEAD_H == 12.0
    assert forecast_error.MOST_LEAD_H == 240.0  # ten days
    # The published spread is worth ten nights of a garden's own, and that of all kinds twenty.
    assert (forecast_error.PRIOR_NIGHTS, forecast_error.KIND_NIGHTS) == (10.0, 20.0)
