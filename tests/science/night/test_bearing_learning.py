"""What mornings teach of a crop, slowly and never past what is published."""

from __future__ import annotations

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing_learning import WORD_ENDS, Seen, learnt_shift
from gardenapp.science.night.damage import DamageCurve
from gardenapp.science.night.outcomes import DAMAGE_SHARES

CURVE = DamageCurve(-4.0, 1.5)


def seen(damage: str, temp_c: float, count: int = 1) -> list[Seen]:
    return [Seen(damage, Estimate(temp_c, 1.0), CURVE)] * count


def test_nothing_seen_says_that_it_is_as_published() -> None:
    assert learnt_shift([]).mean == pytest.approx(0.0, abs=1e-9)


def test_plants_that_stood_what_should_have_killed_them_are_hardier_here() -> None:
    one, many = learnt_shift(seen("none", -6.0)), learnt_shift(seen("none", -6.0, 12))

    assert -1.5 < many.mean < one.mean < 0.0
    assert many.sd < one.sd


def test_plants_that_died_where_they_should_have_stood_are_more_tender_here() -> None:
    one, many = learnt_shift(seen("dead", -2.0)), learnt_shift(seen("dead", -2.0, 12))

    assert 0.0 < one.mean < many.mean < 1.5


def test_one_morning_moves_little_and_a_thousand_not_past_the_spread() -> None:
    assert abs(learnt_shift(seen("dead", 3.0)).mean) < CURVE.sd_k
    assert learnt_shift(seen("dead", 5.0, 1000)).mean <= CURVE.sd_k
    assert learnt_shift(seen("none", -25.0, 1000)).mean >= -CURVE.sd_k


def test_what_came_as_it_was_said_moves_nothing_to_speak_of() -> None:
    as_said = [*seen("none", 1.5, 5), *seen("dead", -9.0, 5), *seen("some", -3.3, 5)]

    assert abs(learnt_shift(as_said).mean) < 0.2


def test_the_words_meet_half_way_between_the_shares_they_stand_for() -> None:
    shares = list(DAMAGE_SHARES.values())

    assert list(WORD_ENDS) == list(DAMAGE_SHARES)
    for (_least, most), here, after in zip(
        list(WORD_ENDS.values())[:-1], shares, shares[1:], strict=False
    ):
        assert most == pytest.approx((here + after) / 2)
    assert next(iter(WORD_ENDS.values()))[0] == 0.0
    with pytest.raises(OutOfRange):
        learnt_shift(seen("a bit", -3.0))
