"""The garden's own scale hangs together; nothing of it is published."""

from __future__ import annotations

import pytest

from gardenapp.models.plants import MINDS
from gardenapp.science.allocation.weights import SAFE_BELOW, SHORT_FROM, WORTH, WORTH_PER_MINUTE


def test_there_is_something_between_safe_and_short() -> None:
    assert 0.0 < SAFE_BELOW < SHORT_FROM < 1.0


def test_each_word_for_how_much_somebody_minds_has_its_worth_and_more_is_worth_more() -> None:
    assert list(WORTH) == list(MINDS)
    assert list(WORTH.values()) == sorted(set(WORTH.values()))


def test_four_minutes_are_worth_a_fiftieth_of_a_planting_that_is_minded_a_little() -> None:
    assert pytest.approx(WORTH["little"] / 50.0) == 4.0 * WORTH_PER_MINUTE
