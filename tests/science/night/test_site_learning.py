"""Splitting what was read at the plots into forecast error and plot offset."""

from __future__ import annotations

import math
import random
from statistics import NormalDist
from typing import Any

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import normal_normal
from gardenapp.science.night.site_learning import LowReading, learn_site

Z90 = NormalDist().inv_cdf(0.95)


def test_a_plot_never_read_keeps_its_prior() -> None:
    learning = learn_site(
        [LowReading(1, "a", -2.0)],
        offset_priors={"a": Estimate(0.0, 1.0), "b": Estimate(-1.0, 0.7)},
        forecast_sd_k=1.3,
    )

    assert learning.offsets["b"].estimate.mean == pytest.approx(-1.0)
    assert learning.offsets["b"].estimate.sd == pytest.approx(0.7)
    assert learning.offsets["b"].nights == 0
    assert learning.offsets["b"].weight_of_prior == pytest.approx(1.0)


@pytest.mark.outside("textbook normal-normal update with known variance, from memory")
def test_with_an_exact_forecast_it_is_the_textbook_update() -> None:
    prior, lows = Estimate(-1.0, 0.7), [-1.9, -2.2, -1.6]
    learning = learn_site(
        [LowReading(i, "a", low) for i, low in enumerate(lows)],
        offset_priors={"a": prior},
        forecast_sd_k=1e-6,
        reading_sd_k=0.6,
        bias_prior=Estimate(0.0, 1e-6),
    )

    expected = normal_normal(prior, lows, 0.6)

    assert learning.offsets["a"].estimate.mean == pytest.approx(expected.estimate.mean, abs=1e-5)
    assert learning.offsets["a"].estimate.sd == pytest.approx(expected.estimate.sd, abs=1e-5)
    assert learning.offsets["a"].weight_of_prior == pytest.approx(expected.weight_of_prior)


def test_the_same_error_everywhere_is_blamed_on_the_forecast_and_not_on_the_plots() -> None:
    readings = [LowReading(n, plot, -2.0) for n in range(6) for plot in "abcd"]

    learning = learn_site(
        readings, offset_priors={p: Estimate(0.0, 0.7) for p in "abcd"}, forecast_sd_k=1.3
    )

    night = learning.night_errors[0].mean
    offsets = [learnt.estimate.mean for learnt in learning.offsets.values()]
    assert night < -1.0
    assert all(abs(offset) < 0.6 for offset in offsets)


def test_what_is_stated_at_ninety_percent_holds_in_about_ninety_percent_of_gardens() -> None:
    rng = random.Random(20261124)
    runs, held, asked = 500, 0, 0
    for _ in range(runs):
        bias = rng.gauss(0.0, 0.5)
        priors = {p: Estimate(m, 0.7) for p, m in zip("abcde", (0, -1, -2, 0.5, 0), strict=True)}
        truth = {p: rng.gauss(prior.mean, prior.sd) for p, prior in priors.items()}
        readings = []
        for night in range(40):
            error = bias + rng.gauss(0.0, 1.3)
            readings += [
                LowReading(night, p, error + offset + rng.gauss(0.0, 0.6))
                for p, offset in truth.items()
                if rng.random() < 0.6
            ]
        learning = learn_site(readings, offset_priors=priors, forecast_sd_k=1.3)
        for p, offset in truth.items():
            estimate = learning.offsets[p].estimate
            held += abs(estimate.mean - offset) <= Z90 * estimate.sd
            asked += 1

    assert 0.85 <= held / asked <= 0.95


@pytest.mark.parametrize("residual", [float("nan"), float("inf")])
def test_a_reading_that_is_no_number_is_refused(residual: float) -> None:
    with pytest.raises(OutOfRange):
        learn_site([LowReading(1, None, residual)], offset_priors={}, forecast_sd_k=1.3)


def test_a_nights_own_error_is_bias_and_night_together_with_their_covariance() -> None:
    # One night read once at the screen: y = b + e + r, with known variances.
    bias, sd, reading = Estimate(0.2, 0.5), 1.2, 0.3

    learnt = learn_site(
        [LowReading("n1", None, 1.5)],
        offset_priors={},
        forecast_sd_k=sd,
        reading_sd_k=reading,
        bias_prior=bias,
    )

    # What the reading says of b + e, whose prior is 0.2 ± √(0.5² + 1.2²).
    prior = 1 / (0.5**2 + 1.2**2)
    posterior = prior + 1 / 0.3**2
    night = learnt.night_errors["n1"]
    assert night.mean == pytest.approx((0.2 * prior + 1.5 / 0.3**2) / posterior)
    assert night.sd == pytest.approx(posterior**-0.5)


@pytest.mark.parametrize("name", ["forecast_sd_k", "reading_sd_k"])
@pytest.mark.parametrize("value", [0.0, -1.0, math.nan])
def test_a_spread_of_nothing_is_refused(name: str, value: float) -> None:
    spreads: dict[str, Any] = {"forecast_sd_k": 1.0, "reading_sd_k": 0.3} | {name: value}

    with pytest.raises(OutOfRange, match=f"{name} must be above 0"):
        learn_site([], offset_priors={}, **spreads)


def test_one_night_at_one_plot_is_shared_out_by_the_variances() -> None:
    learnt = learn_site(
        [LowReading("a", "bed", 2.0)],
        offset_priors={"bed": Estimate(-0.5, 1.0), "never": Estimate(0.3, 0.7)},
        forecast_sd_k=1.0,
        reading_sd_k=1.0,
        bias_prior=Estimate(0.5, 1.0),
    )

    # Four equal variances make the reading; what surprises, 2.0 less 0.0, is split in four.
    assert learnt.bias.estimate.mean == pytest.approx(0.5 + 0.5)
    assert learnt.offsets["bed"].estimate.mean == pytest.approx(-0.5 + 0.5)
    assert learnt.offsets["bed"].estimate.sd == pytest.approx(0.75**0.5)
    assert learnt.offsets["bed"].weight_of_prior == pytest.approx(0.75)
    assert (learnt.offsets["bed"].nights, learnt.bias.nights) == (1, 1)
    assert learnt.night_errors["a"].mean == pytest.approx(0.5 + 0.5 + 0.5)
    assert learnt.night_errors["a"].sd == pytest.approx(1.0)
    assert learnt.offsets["never"].estimate.mean == pytest.approx(0.3)
    assert (learnt.offsets["never"].nights, learnt.offsets["never"].weight_of_prior) == (
        0, pytest.approx(1.0),
    )  # fmt: skip


def test_what_is_not_said_is_from_memory_and_is_told() -> None:
    readings = [LowReading("a", "bed", 2.0), LowReading("b", None, -1.0)]
    priors = {"bed": Estimate(0.0, 1.0)}

    usual = learn_site(readings, offset_priors=priors, forecast_sd_k=1.3)
    said = learn_site(
        readings, offset_priors=priors, forecast_sd_k=1.3, reading_sd_k=0.6,
        bias_prior=Estimate(0.0, 0.5),
    )  # fmt: skip

    assert usual == said


def test_nights_of_a_plot_are_counted_once_however_often_it_was_read() -> None:
    readings = [LowReading("a", "bed", 1.0)] * 3 + [LowReading("b", "bed", 1.0)]

    learnt = learn_site(readings, offset_priors={"bed": Estimate(0.0, 1.0)}, forecast_sd_k=1.0)

    assert (learnt.offsets["bed"].nights, learnt.bias.nights) == (2, 2)


def test_a_plot_without_a_prior_is_named() -> None:
    with pytest.raises(OutOfRange, match="plot 'shed' has no prior offset"):
        learn_site([LowReading("a", "shed", 1.0)], offset_priors={}, forecast_sd_k=1.0)
    with pytest.raises(OutOfRange, match="every prior needs a spread above 0"):
        learn_site([], offset_priors={"bed": Estimate(0.0, 0.0)}, forecast_sd_k=1.0)
