from __future__ import annotations

import math
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
    forecast_sd_k,
    shrunk,
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


def test_without_nights_of_its_own_a_garden_has_the_published_spread() -> None:
    record = shrunk(1.338, [])

    assert record.sd_k == pytest.approx(1.338)
    assert record.bias.mean == 0.0
    assert (record.count, record.weight_of_prior) == (0, 1.0)


def test_a_few_nights_move_it_a_little_and_a_winter_moves_it_much() -> None:
    errors = NormalDist(-1.2, 0.6).samples(90, seed=4)

    few, many = shrunk(1.338, errors[:3]), shrunk(1.338, errors)

    assert abs(few.sd_k - 1.338) < 0.3
    assert many.sd_k == pytest.approx(0.6, abs=0.2)
    assert -1.2 < few.bias.mean < 0.0
    assert many.bias.mean == pytest.approx(-1.2, abs=0.2)
    assert few.weight_of_prior > 0.7 > 0.2 > many.weight_of_prior


def test_a_garden_that_is_colder_than_its_forecast_expects_a_colder_low() -> None:
    record = shrunk(1.338, [-1.5] * 40)

    low = record.low(2.0)

    assert low.mean < 1.0
    assert low.sd > record.bias.sd


def test_one_wild_night_widens_the_spread() -> None:
    assert shrunk(1.338, [0.1, -0.2, 8.0]).sd_k > shrunk(1.338, [0.1, -0.2, 0.3]).sd_k


@given(st.floats(0.2, 4.0), st.lists(st.floats(-10.0, 10.0), max_size=30))
def test_a_record_is_always_a_proper_belief(prior_sd: float, errors: list[float]) -> None:
    record = shrunk(prior_sd, errors)

    assert record.sd_k > 0.0
    assert 0.0 < record.weight_of_prior <= 1.0
    assert record.bias.sd <= 0.5 + 1e-12


@pytest.mark.parametrize(
    ("prior_sd", "errors"), [(0.0, []), (-1.0, []), (1.0, [math.nan]), (1.0, [math.inf])]
)
def test_a_record_of_nonsense_is_refused(prior_sd: float, errors: list[float]) -> None:
    with pytest.raises(OutOfRange):
        shrunk(prior_sd, errors)


def test_the_low_to_expect_is_the_forecast_with_the_gardens_own_bias_and_spread() -> None:
    record = ForecastRecord(sd_k=1.5, bias=Estimate(-0.5, 0.8), count=9, weight_of_prior=0.5)

    low = record.low(-2.0)
    assert (low.mean, low.sd) == (-2.5, pytest.approx(1.7))


@pytest.mark.parametrize("nights", [0.0, -1.0, math.nan, math.inf])
def test_a_published_spread_is_worth_some_nights(nights: float) -> None:
    with pytest.raises(OutOfRange, match="prior_nights"):
        shrunk(1.3, [], prior_nights=nights)
    assert shrunk(1.3, [], prior_nights=0.5).weight_of_prior == 1.0


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
    assert Estimate(0.0, 0.5) == forecast_error.BIAS_PRIOR
    # The published spread is worth ten nights of a garden's own.
    assert shrunk(1.3, [0.0] * 30).weight_of_prior == pytest.approx(0.25)


def test_a_record_is_the_published_spread_and_its_own_errors_by_nights() -> None:
    # Errors of 1 K on four nights with a spread of 1 K: precisions 4 and 4, so half a kelvin.
    record = shrunk(1.0, [1.0] * 4, prior_nights=6.0)

    assert record.bias.mean == pytest.approx(0.5)
    assert record.bias.sd == pytest.approx(8.0**-0.5)
    assert record.sd_k == pytest.approx(((6.0 + 4 * 0.25) / 10.0) ** 0.5)
    assert (record.count, record.weight_of_prior) == (4, pytest.approx(0.6))
