"""What trials teach about a cover, and whether the stated spread holds."""

from __future__ import annotations

import random
from statistics import NormalDist

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.covers.lift_learning import (
    NIGHT_SCATTER_K,
    TRIAL_SCATTER_K,
    NightLift,
    full_sun_gain_k,
    learn_lift,
    sunnier_half,
)
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import normal_normal

PRIOR = Estimate(2.0, 0.8)
Z90 = NormalDist().inv_cdf(0.95)


def nights(*lifts_k: float, share: float = 1.0) -> list[NightLift]:
    return [NightLift(lift, share) for lift in lifts_k]


def test_without_a_trial_the_prior_stands() -> None:
    learnt = learn_lift(PRIOR, [[], []])

    assert learnt.estimate == PRIOR
    assert (learnt.nights, learnt.trials, learnt.weight_of_prior) == (0, 0, 1.0)


@pytest.mark.outside("textbook normal-normal update with known variance, from memory")
def test_one_night_a_trial_and_no_trial_scatter_is_the_textbook_update() -> None:
    lifts = [2.4, 2.9, 2.1]

    learnt = learn_lift(PRIOR, [nights(x) for x in lifts], night_scatter_k=0.8, trial_scatter_k=0.0)

    expected = normal_normal(PRIOR, lifts, 0.8)
    assert learnt.estimate.mean == pytest.approx(expected.estimate.mean)
    assert learnt.estimate.sd == pytest.approx(expected.estimate.sd)
    assert learnt.weight_of_prior == pytest.approx(expected.weight_of_prior)
    assert learnt.effective_nights == pytest.approx(3.0)


@pytest.mark.outside(
    "normal hierarchical model: a group mean's variance is tau2 + sigma2/n, textbook, from memory"
)
def test_a_trial_is_one_observation_with_the_variance_of_its_mean() -> None:
    learnt = learn_lift(PRIOR, [nights(*[3.0] * 4)], night_scatter_k=1.0, trial_scatter_k=0.5)

    precision = 1 / 0.8**2 + 1 / (0.5**2 + 1.0**2 / 4)
    assert learnt.estimate.sd == pytest.approx(precision**-0.5)
    assert learnt.estimate.mean == pytest.approx((2.0 / 0.64 + 3.0 / 0.5) / precision)


def test_many_nights_of_one_trial_never_say_more_than_its_loggers_can() -> None:
    learnt = learn_lift(PRIOR, [nights(*[3.0] * 10_000)])

    floor = (1 / PRIOR.variance + 1 / TRIAL_SCATTER_K**2) ** -0.5
    assert learnt.estimate.sd == pytest.approx(floor, rel=1e-3)


def test_two_trials_of_five_nights_say_more_than_one_of_ten() -> None:
    together = learn_lift(PRIOR, [nights(*[3.0] * 10)])
    apart = learn_lift(PRIOR, [nights(*[3.0] * 5), nights(*[3.0] * 5)])

    assert apart.estimate.sd < together.estimate.sd
    assert apart.effective_nights > together.effective_nights


def test_a_wild_night_is_kept_and_counts_for_less() -> None:
    learnt = learn_lift(PRIOR, [nights(2.1, 2.3, 1.9, 9.0)])

    *usual, wild = learnt.weights[0]
    assert all(weight == 1.0 for weight in usual)
    assert 0.0 < wild < 0.3
    assert learnt.nights == 4
    assert learnt.estimate.mean < 2.7


def test_a_night_of_unknown_kind_counts_half() -> None:
    whole = learn_lift(PRIOR, [nights(3.0)], trial_scatter_k=0.0)
    half = learn_lift(PRIOR, [nights(3.0, share=0.5)], trial_scatter_k=0.0)

    assert half.weights == ((0.5,),)
    assert PRIOR.mean < half.estimate.mean < whole.estimate.mean


@pytest.mark.parametrize("per_trial", [1, 5, 20], ids=["forty loggers", "eight trials", "two"])
def test_what_is_stated_at_ninety_percent_holds_in_about_ninety_percent_of_covers(
    per_trial: int,
) -> None:
    rng = random.Random(20261125 + per_trial)
    held, runs = 0, 500
    for _ in range(runs):
        truth = rng.gauss(PRIOR.mean, PRIOR.sd)
        trials = []
        for _trial in range(40 // per_trial):
            shared = truth + rng.gauss(0.0, TRIAL_SCATTER_K)
            trials.append(nights(*(rng.gauss(shared, NIGHT_SCATTER_K) for _ in range(per_trial))))
        estimate = learn_lift(PRIOR, trials).estimate
        held += abs(estimate.mean - truth) <= Z90 * estimate.sd

    assert 0.85 <= held / runs <= 0.95


def test_forty_nights_leave_little_of_the_first_belief() -> None:
    learnt = learn_lift(Estimate(5.0, 1.0), [nights(*[2.0] * 5)] * 8)

    assert learnt.weight_of_prior < 0.05
    assert learnt.estimate.mean == pytest.approx(2.0, abs=0.2)


def test_a_prior_without_spread_is_not_moved() -> None:
    learnt = learn_lift(Estimate(2.0, 0.0), [nights(5.0, 5.0)])

    assert learnt.estimate == Estimate(2.0, 0.0)
    assert learnt.nights == 2


@pytest.mark.parametrize("lift_k", [float("nan"), float("inf")])
def test_a_lift_that_is_no_number_is_refused(lift_k: float) -> None:
    with pytest.raises(OutOfRange):
        NightLift(lift_k)


@pytest.mark.parametrize("share", [0.0, -0.1, 1.1])
def test_a_share_out_of_range_is_refused(share: float) -> None:
    with pytest.raises(OutOfRange):
        NightLift(1.0, share)


def test_a_negative_trial_scatter_is_refused() -> None:
    with pytest.raises(OutOfRange):
        learn_lift(PRIOR, [nights(1.0)], trial_scatter_k=-0.1)


def test_dull_days_do_not_make_a_cover_seem_cool() -> None:
    assert sunnier_half([1.0, 9.0, 8.0, 2.0, 8.5]) == [False, True, True, False, True]
    assert sunnier_half([4.0]) == [True]
    assert sunnier_half([]) == []


def test_a_gain_in_half_the_sun_is_twice_as_much_in_full_sun() -> None:
    assert full_sun_gain_k(4.0, noon_wm2=200.0, reference_wm2=400.0) == 8.0
    assert full_sun_gain_k(4.0, noon_wm2=100.0, reference_wm2=400.0) == 8.0
    assert full_sun_gain_k(-1.0, noon_wm2=400.0, reference_wm2=400.0) == 0.0
    with pytest.raises(OutOfRange):
        full_sun_gain_k(4.0, noon_wm2=0.0, reference_wm2=400.0)


def test_an_empty_trial_among_others_is_passed_over_and_keeps_its_place() -> None:
    with_empty = learn_lift(PRIOR, [nights(3.0), [], nights(2.5, 2.7)])
    without = learn_lift(PRIOR, [nights(3.0), nights(2.5, 2.7)])

    assert with_empty.estimate == without.estimate
    assert (with_empty.trials, with_empty.nights) == (2, 3)
    assert [len(each) for each in with_empty.weights] == [1, 0, 2]


def test_effective_nights_are_counted_in_nights_of_trials_of_their_own() -> None:
    learnt = learn_lift(PRIOR, [nights(*[2.0] * 4)], night_scatter_k=1.0, trial_scatter_k=0.5)

    assert learnt.effective_nights == pytest.approx((0.25 + 1.0) / (0.25 + 1.0 / 4))
    one = learn_lift(PRIOR, [nights(2.0)], night_scatter_k=1.0, trial_scatter_k=0.5)
    assert one.effective_nights == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("gain", "noon", "full"),
    [(10.0, 400.0, 10.0), (10.0, 800.0, 5.0), (10.0, 1_001.0, 4.0), (10.0, 100.0, 20.0),
     (-3.0, 400.0, 0.0)],
)  # fmt: skip
def test_a_gain_is_brought_to_full_sun_within_limits(gain: float, noon: float, full: float) -> None:
    assert full_sun_gain_k(gain, noon_wm2=noon, reference_wm2=400.0) == pytest.approx(full)
