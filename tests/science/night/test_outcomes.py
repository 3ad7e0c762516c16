"""What was said of nights against what came."""

from __future__ import annotations

import random
from statistics import NormalDist

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import brier_score
from gardenapp.science.night.outcomes import DAMAGE_SHARES, low_record, share_bands, share_score


def test_nights_colder_than_said_give_a_bias_below_zero() -> None:
    record = low_record([Estimate(0.0, 1.0), Estimate(1.0, 1.0)], [-1.0, -1.0])

    assert record is not None
    assert record.count == 2
    assert record.bias_k == pytest.approx(-1.5)
    assert record.spread_k == pytest.approx(0.5**0.5)
    assert record.held_fraction == 0.5


def test_one_night_has_no_spread_and_no_night_has_no_record() -> None:
    one = low_record([Estimate(0.0, 1.0)], [0.4])

    assert one is not None
    assert one.spread_k is None
    assert low_record([], []) is None


def test_a_stated_eighty_percent_range_holds_in_eighty_percent() -> None:
    rng = random.Random(4)
    said = [Estimate(rng.uniform(-5, 5), rng.uniform(0.5, 2)) for _ in range(4000)]
    seen = [rng.gauss(low.mean, low.sd) for low in said]

    record = low_record(said, seen)

    assert record is not None
    assert record.held_fraction == pytest.approx(0.8, abs=0.02)


def test_shares_are_banded_by_what_was_said() -> None:
    bands = share_bands([0.05, 0.1, 0.2, 0.95], [0.0, 0.25, 0.65, 1.0])

    assert [(b.from_share, b.count) for b in bands] == [(0.0, 2), (0.2, 1), (0.8, 1)]
    assert bands[0].mean_said == pytest.approx(0.075)
    assert bands[0].mean_seen == pytest.approx(0.125)


@pytest.mark.outside("Brier 1950: mean square of probability less outcome, textbook, from memory")
def test_with_all_or_nothing_the_score_is_briers() -> None:
    said, came = [0.1, 0.7, 0.4], [False, True, True]

    assert share_score(said, [float(c) for c in came]) == pytest.approx(brier_score(said, came))


def test_every_word_for_damage_has_a_share_and_they_rise() -> None:
    shares = list(DAMAGE_SHARES.values())

    assert list(DAMAGE_SHARES) == ["none", "some", "much", "dead"]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("said", "seen"), [([0.5], []), ([1.2], [0.0]), ([0.5], [-0.1])], ids=["few", "said", "seen"]
)
def test_shares_out_of_range_are_refused(said: list[float], seen: list[float]) -> None:
    with pytest.raises(OutOfRange):
        share_bands(said, seen)


def test_nothing_to_score_is_refused() -> None:
    with pytest.raises(OutOfRange):
        share_score([], [])


def test_bands_are_named_by_both_ends_and_one_holds_a_certain_loss() -> None:
    bands = share_bands([0.0, 0.5, 1.0], [0.0, 0.25, 1.0], bands=4)

    assert [(b.from_share, b.to_share, b.count, b.mean_said, b.mean_seen) for b in bands] == [
        (0.0, 0.25, 1, 0.0, 0.0),
        (0.5, 0.75, 1, 0.5, 0.25),
        (0.75, 1.0, 1, 1.0, 1.0),
    ]
    assert [b.to_share for b in share_bands([0.3, 1.0], [0.0, 0.0], bands=1)] == [1.0]
    with pytest.raises(OutOfRange, match="bands"):
        share_bands([0.3], [0.0], bands=0)


def test_a_range_holds_up_to_its_very_end() -> None:
    z80 = NormalDist().inv_cdf(0.9)

    record = low_record(
        [Estimate(0.0, 2.0)] * 4, [2 * z80 - 1e-9, -2 * z80 + 1e-9, 2 * z80 + 1e-6, 0.0]
    )

    assert record is not None
    assert record.held_fraction == 0.75
    exact = low_record([Estimate(0.0, 2.0)] * 2, [2.0 * z80, -2.0 * z80])
    assert exact is not None
    assert exact.held_fraction == 1.0
    with pytest.raises(OutOfRange, match="equally many"):
        low_record([Estimate(0.0, 1.0)], [])
