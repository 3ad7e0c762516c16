from __future__ import annotations

import math
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate

numbers = st.floats(-50.0, 50.0)
spreads = st.floats(0.0, 10.0)
estimates = st.builds(Estimate, numbers, spreads)


@pytest.mark.parametrize(
    ("mean", "sd"),
    [(0.0, -0.1), (math.nan, 1.0), (math.inf, 1.0), (0.0, math.nan), (0.0, math.inf)],
    ids=["negative sd", "nan mean", "endless mean", "nan sd", "endless sd"],
)
def test_a_belief_that_is_none_is_refused(mean: float, sd: float) -> None:
    with pytest.raises(OutOfRange):
        Estimate(mean, sd)


def test_means_add_and_variances_add() -> None:
    total = Estimate(1.0, 3.0).plus(Estimate(-2.0, 4.0), Estimate(0.5, 12.0))

    assert total.mean == pytest.approx(-0.5)
    assert total.sd == pytest.approx(13.0)


def test_scaling_by_a_negative_factor_keeps_the_spread_positive() -> None:
    assert Estimate(2.0, 1.5).scaled(-2.0) == Estimate(-4.0, 3.0)


def test_a_mixture_of_two_that_disagree_is_wider_than_either() -> None:
    mixed = Estimate(-1.0, 0.5).mixed(Estimate(3.0, 0.5), 0.5)

    assert mixed.mean == pytest.approx(1.0)
    assert mixed.sd == pytest.approx(math.sqrt(0.25 + 4.0))


@pytest.mark.parametrize(("weight", "expected"), [(0.0, (1.0, 2.0)), (1.0, (5.0, 0.5))])
def test_a_mixture_with_all_the_weight_on_one_is_that_one(
    weight: float, expected: tuple[float, float]
) -> None:
    mixed = Estimate(1.0, 2.0).mixed(Estimate(5.0, 0.5), weight)

    assert (mixed.mean, mixed.sd) == pytest.approx(expected)


@pytest.mark.parametrize("weight", [-0.01, 1.01, math.nan])
def test_a_weight_outside_0_to_1_is_refused(weight: float) -> None:
    with pytest.raises(OutOfRange, match="weight"):
        Estimate(0.0, 1.0).mixed(Estimate(1.0, 1.0), weight)


@pytest.mark.outside("Standard normal table (from memory): z = 1.2816 for 80 %, 1.9600 for 95 %")
@pytest.mark.parametrize(("fraction", "z"), [(0.8, 1.2816), (0.95, 1.9600)])
def test_the_interval_is_that_of_the_normal_table(fraction: float, z: float) -> None:
    low, high = Estimate(10.0, 2.0).interval(fraction)

    assert low == pytest.approx(10.0 - 2.0 * z, abs=2e-4)
    assert high == pytest.approx(10.0 + 2.0 * z, abs=2e-4)


@pytest.mark.parametrize("fraction", [0.0, 1.0, -1.0, math.nan])
def test_an_interval_that_holds_nothing_or_everything_is_refused(fraction: float) -> None:
    with pytest.raises(OutOfRange, match="fraction"):
        Estimate(0.0, 1.0).interval(fraction)


@pytest.mark.parametrize(
    ("forecast_c", "threshold_c", "chance"),
    [
        (1.0, 0.0, 0.22743),
        (2.0, 0.0, 0.0675),
        (0.0, 0.0, 0.5),
        (2.0, 2.0, 0.5),
        (-1.0, 0.0, 0.77257),
    ],
    ids=["1 to 0", "2 to 0", "0 to 0", "2 to 2", "-1 to 0"],
)
@pytest.mark.outside(
    "Derived from the UK Met Office first-night hit rate, 86.5 % within 2 °C, normal errors"
)
def test_the_chance_of_reaching_a_threshold(
    forecast_c: float, threshold_c: float, chance: float
) -> None:
    low = Estimate(forecast_c, 1.338086)

    assert low.chance_below(threshold_c) == pytest.approx(chance, abs=1e-5)


def test_a_belief_without_spread_is_a_step() -> None:
    certain = Estimate(2.0, 0.0)

    assert [certain.chance_below(x) for x in (1.9, 2.0, 2.1)] == [0.0, 1.0, 1.0]


@given(estimates, numbers)
def test_being_sure_to_be_below_grows_with_the_limit(estimate: Estimate, x: float) -> None:
    assert estimate.chance_below(x) <= estimate.chance_below(x + 1.0)


@given(estimates, estimates, st.floats(0.0, 1.0))
def test_a_mixture_lies_between_and_is_never_narrower_than_the_narrower(
    a: Estimate, b: Estimate, weight: float
) -> None:
    mixed = a.mixed(b, weight)

    assert min(a.mean, b.mean) - 1e-9 <= mixed.mean <= max(a.mean, b.mean) + 1e-9
    assert mixed.sd >= min(a.sd, b.sd) - 1e-9


@given(estimates, estimates)
def test_the_order_of_a_sum_does_not_matter(a: Estimate, b: Estimate) -> None:
    assert a.plus(b).mean == pytest.approx(b.plus(a).mean)
    assert a.plus(b).sd == pytest.approx(b.plus(a).sd)


def test_a_product_has_the_moments_that_sampling_gives() -> None:
    a, b = Estimate(0.7, 0.2), Estimate(-1.5, 0.5)
    xs = NormalDist(a.mean, a.sd).samples(200_000, seed=1)
    ys = NormalDist(b.mean, b.sd).samples(200_000, seed=2)
    products = [x * y for x, y in zip(xs, ys, strict=True)]
    sampled = NormalDist.from_samples(products)

    product = a.times(b)

    assert product.mean == pytest.approx(sampled.mean, abs=0.01)
    assert product.sd == pytest.approx(sampled.stdev, abs=0.01)
