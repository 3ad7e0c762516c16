from __future__ import annotations

import math
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import (
    brier_score,
    normal_normal,
    normal_normal_robust,
    reliability_table,
)

observations = st.lists(st.floats(-10.0, 10.0), max_size=15)


def test_without_nights_the_belief_is_the_prior() -> None:
    posterior = normal_normal(Estimate(-1.0, 0.8), [], 0.9)

    assert posterior.estimate.mean == pytest.approx(-1.0)
    assert posterior.estimate.sd == pytest.approx(0.8)
    assert (posterior.count, posterior.weight_of_prior) == (0, pytest.approx(1.0))


@pytest.mark.outside("Bayes' rule, normal mean of known variance (from memory), by hand")
@pytest.mark.parametrize(
    ("prior", "seen", "sd", "mean", "spread", "weight"),
    [
        (Estimate(0.0, 1.0), [2.0], 1.0, 1.0, math.sqrt(0.5), 0.5),
        (Estimate(0.0, 1.0), [3.0, 3.0, 3.0], 1.0, 2.25, 0.5, 0.25),
        (Estimate(1.0, 2.0), [3.0], 1.0, 2.6, math.sqrt(0.8), 0.2),
    ],
    ids=["one as good as the prior", "three against one", "a vague prior"],
)
def test_nights_and_prior_are_weighed_by_their_precision(
    prior: Estimate, seen: list[float], sd: float, mean: float, spread: float, weight: float
) -> None:
    posterior = normal_normal(prior, seen, sd)

    assert posterior.estimate.mean == pytest.approx(mean)
    assert posterior.estimate.sd == pytest.approx(spread)
    assert posterior.weight_of_prior == pytest.approx(weight)


@given(observations, st.floats(0.1, 3.0), st.floats(0.1, 3.0))
def test_learning_never_makes_less_sure(seen: list[float], prior_sd: float, sd: float) -> None:
    prior = Estimate(0.5, prior_sd)

    assert normal_normal(prior, seen, sd).estimate.sd <= prior_sd + 1e-12
    assert normal_normal_robust(prior, seen, sd).estimate.sd <= prior_sd + 1e-12


def test_nights_learnt_one_by_one_teach_the_same_as_all_at_once() -> None:
    seen = [0.4, 1.9, 1.1]
    at_once = normal_normal(Estimate(0.0, 1.0), seen, 0.8)

    belief = Estimate(0.0, 1.0)
    for night in seen:
        belief = normal_normal(belief, [night], 0.8).estimate

    assert belief.mean == pytest.approx(at_once.estimate.mean)
    assert belief.sd == pytest.approx(at_once.estimate.sd)


def test_a_prior_without_doubt_cannot_be_taught() -> None:
    assert normal_normal(Estimate(1.0, 0.0), [5.0], 1.0).estimate == Estimate(1.0, 0.0)


def test_a_wild_night_counts_for_less_and_is_shown() -> None:
    prior, seen = Estimate(1.0, 1.0), [1.2, 0.9, 1.1, 12.0]

    plain, robust = normal_normal(prior, seen, 0.5), normal_normal_robust(prior, seen, 0.5)

    assert plain.estimate.mean > 3.0
    assert robust.estimate.mean < 1.5
    assert robust.count == 4
    assert robust.weights[:3] == pytest.approx((1.0, 1.0, 1.0))
    assert 0.0 < robust.weights[3] < 0.1


def test_nights_that_agree_are_learnt_from_as_usual() -> None:
    prior, seen = Estimate(1.0, 1.0), [1.2, 0.9, 1.1]

    assert (
        normal_normal_robust(prior, seen, 0.5).estimate == normal_normal(prior, seen, 0.5).estimate
    )


def test_the_scatter_of_nights_is_recovered_from_many() -> None:
    nights = NormalDist(1.4, 0.7).samples(400, seed=7)

    posterior = normal_normal(Estimate(0.0, 2.0), nights, 0.7)

    low, high = posterior.estimate.interval(0.99)
    assert low < 1.4 < high
    assert posterior.weight_of_prior < 0.01


@pytest.mark.parametrize(
    ("seen", "sd"), [([1.0], 0.0), ([1.0], -1.0), ([math.nan], 1.0), ([1.0], math.nan)]
)
def test_nonsense_teaches_nothing(seen: list[float], sd: float) -> None:
    with pytest.raises(OutOfRange):
        normal_normal(Estimate(0.0, 1.0), seen, sd)
    with pytest.raises(OutOfRange):
        normal_normal_robust(Estimate(0.0, 1.0), seen, sd)


@pytest.mark.outside("Brier 1950, definition (half form, from memory), worked by hand")
@pytest.mark.parametrize(
    ("said", "came", "score"),
    [
        ([1.0, 0.0], [True, False], 0.0),
        ([0.0, 1.0], [True, False], 1.0),
        ([0.5, 0.5], [True, False], 0.25),
        ([0.7, 0.3], [True, True], (0.09 + 0.49) / 2.0),
    ],
    ids=["perfect", "always wrong", "always half", "mixed"],
)
def test_odds_are_scored(said: list[float], came: list[bool], score: float) -> None:
    assert brier_score(said, came) == pytest.approx(score)


def test_honest_odds_score_best_in_the_long_run() -> None:
    came = [i % 10 < 3 for i in range(1000)]

    scores = {p: brier_score([p] * 1000, came) for p in (0.1, 0.2, 0.3, 0.4, 0.5)}

    assert min(scores, key=scores.__getitem__) == 0.3


def test_the_table_says_how_often_what_was_said_came() -> None:
    said = [0.1, 0.1, 0.1, 0.1, 0.9, 0.9, 1.0]
    came = [False, False, False, True, True, True, False]

    rows = reliability_table(said, came, bands=5)

    assert [(r.from_probability, r.count) for r in rows] == [(0.0, 4), (0.8, 3)]
    assert rows[0].mean_probability == pytest.approx(0.1)
    assert rows[0].observed_fraction == pytest.approx(0.25)
    assert rows[1].observed_fraction == pytest.approx(2.0 / 3.0)


@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.booleans()), min_size=1, max_size=40),
    st.integers(1, 10),
)
def test_every_forecast_is_in_the_table_once(pairs: list[tuple[float, bool]], bands: int) -> None:
    said, came = [p for p, _ in pairs], [c for _, c in pairs]

    rows = reliability_table(said, came, bands=bands)

    assert sum(row.count for row in rows) == len(pairs)


@pytest.mark.parametrize(
    ("said", "came"),
    [([], []), ([0.5], []), ([1.5], [True]), ([math.nan], [True])],
    ids=["none", "unequal", "over 1", "nan"],
)
def test_odds_that_are_none_are_not_scored(said: list[float], came: list[bool]) -> None:
    with pytest.raises(OutOfRange):
        brier_score(said, came)
    with pytest.raises(OutOfRange):
        reliability_table(said, came)


@pytest.mark.outside("Box and Tiao 1973, section 1.2.3, two physicists (from memory)")
@pytest.mark.parametrize(
    ("prior", "seen", "mean", "sd"),
    [
        (Estimate(900.0, 20.0), [850.0], 890.0, 17.9),
        (Estimate(800.0, 80.0), [850.0], 840.0, 35.8),
        (Estimate(900.0, 20.0), [870.0] * 100, 871.2, 3.9),
        (Estimate(800.0, 80.0), [870.0] * 100, 869.8, 4.0),
    ],
    ids=["A, one reading", "B, one reading", "A, a hundred", "B, a hundred"],
)
def test_learning_a_mean_is_that_of_the_textbook(
    prior: Estimate, seen: list[float], mean: float, sd: float
) -> None:
    posterior = normal_normal(prior, seen, 40.0)

    assert posterior.estimate.mean == pytest.approx(mean, abs=0.05)
    assert posterior.estimate.sd == pytest.approx(sd, abs=0.05)


def test_bands_are_named_by_both_their_ends_and_empty_ones_left_out() -> None:
    table = reliability_table([0.0, 0.19, 0.2, 0.95, 1.0], [False, True, True, True, False])

    assert [(row.from_probability, row.to_probability, row.count) for row in table] == [
        (0.0, 0.2, 2),
        (0.2, 0.4, 1),
        (0.8, 1.0, 2),
    ]
    assert [row.mean_probability for row in table] == pytest.approx([0.095, 0.2, 0.975])
    assert [row.observed_fraction for row in table] == [0.5, 1.0, 0.5]
