"""The garden's own scale hangs together; nothing of it is published."""

from __future__ import annotations

import pytest

from gardenapp.models.plants import MINDS
from gardenapp.science.allocation.weights import (
    CLEARANCE_CM,
    MOST_OPTIONS,
    MOST_STACKS,
    SAFE_BELOW,
    SHELTER_MINUTES_PER_POT,
    SHORT_FROM,
    WALK_M_PER_MINUTE,
    WORTH,
    WORTH_PER_MINUTE,
)


def test_there_is_something_between_safe_and_short() -> None:
    assert 0.0 < SAFE_BELOW < SHORT_FROM < 1.0


def test_each_word_for_how_much_somebody_minds_has_its_worth_and_more_is_worth_more() -> None:
    assert list(WORTH) == list(MINDS)
    assert list(WORTH.values()) == sorted(set(WORTH.values()))


def test_four_minutes_are_worth_a_fiftieth_of_a_planting_that_is_minded_a_little() -> None:
    assert pytest.approx(WORTH["little"] / 50.0) == 4.0 * WORTH_PER_MINUTE


def test_the_scale_is_the_one_that_people_are_told() -> None:
    # The help page and DEVELOPERS.md say these in words; a garden's plans hang on each.
    assert (SAFE_BELOW, SHORT_FROM) == (1 / 20, 1 / 5)
    assert WORTH["much"] == 3 * WORTH["little"]
    assert WORTH["dearly"] == 3 * WORTH["much"]
    assert WALK_M_PER_MINUTE == 60.0  # a metre in each second
    assert SHELTER_MINUTES_PER_POT * 60.0 == 120.0
    assert CLEARANCE_CM == 3.0
    assert (MOST_STACKS, MOST_OPTIONS) == (24, 6)
