"""The garden's own scale hangs together; nothing of it is published."""

from __future__ import annotations

import pytest

from gardenapp.models.plants import MINDS, WORTH_PER
from gardenapp.science.allocation.weights import (
    CLEARANCE_CM,
    LEAST_GAIN,
    MOST_OPTIONS,
    MOST_STACKS,
    SAFE_BELOW,
    SHELTER_MINUTES_PER_POT,
    SHORT_FROM,
    WALK_M_PER_MINUTE,
    WALK_WORTH,
    WORTH,
    WORTH_A_CHANGE,
    WORTH_PER_MINUTE,
    worth_of_plant,
)


def test_there_is_something_between_safe_and_short() -> None:
    assert 0.0 < SAFE_BELOW < SHORT_FROM < 1.0


def test_each_word_for_how_much_somebody_minds_has_its_worth_and_more_is_worth_more() -> None:
    assert list(WORTH) == list(WORTH_PER)
    for worth in WORTH.values():
        assert list(worth) == list(MINDS)
        assert list(worth.values()) == sorted(set(worth.values()))


def test_ten_minutes_are_worth_what_the_coordinators_word_says() -> None:
    lettuce, tomato = WORTH["plant"]["little"], WORTH["plant"]["much"]
    ten_minutes = {word: 10.0 * worth for word, worth in WALK_WORTH.items()}
    assert ten_minutes == {
        "half": pytest.approx(lettuce / 2.0),
        "lettuce": pytest.approx(lettuce),
        "two": pytest.approx(2.0 * lettuce),
        "tomato": pytest.approx(tomato),
    }
    assert WALK_WORTH["lettuce"] == WORTH_PER_MINUTE


def test_nobody_is_sent_out_or_elsewhere_for_next_to_nothing() -> None:
    lettuce = WORTH["plant"]["little"]
    assert lettuce / 2.0 == LEAST_GAIN
    assert lettuce == WORTH_A_CHANGE


def test_one_tomato_is_not_a_row_of_a_hundred_strawberries() -> None:
    tomato = worth_of_plant("much", per="plant", spread_cm=50.0)
    strawberry = worth_of_plant("much", per="plant", spread_cm=30.0)

    assert tomato == strawberry == 1.0
    assert 100 * strawberry == 100 * tomato


def test_a_bed_is_worth_its_area_however_many_plants_stand_in_it() -> None:
    close, wide = (
        worth_of_plant("much", per="bed", spread_cm=spread_cm) for spread_cm in (10.0, 20.0)
    )

    assert 100 * close == pytest.approx(25 * wide) == pytest.approx(WORTH["bed"]["much"])
    # A quarter of a square metre is what a tomato plant fills.
    assert worth_of_plant("much", per="bed", spread_cm=50.0) == WORTH["plant"]["much"]


@pytest.mark.parametrize(("mind", "per"), [("some", "plant"), ("much", "row")])
def test_other_words_have_no_worth(mind: str, per: str) -> None:
    with pytest.raises(KeyError):
        worth_of_plant(mind, per=per, spread_cm=20.0)


def test_the_scale_is_the_one_that_people_are_told() -> None:
    # The help page and DEVELOPERS.md say these in words; a garden's plans hang on each.
    assert (SAFE_BELOW, SHORT_FROM) == (1 / 20, 1 / 5)
    assert WORTH["plant"]["much"] == 4 * WORTH["plant"]["little"] == 1.0
    assert WORTH["plant"]["dearly"] == 9 * WORTH["plant"]["much"]
    assert list(WORTH["bed"].values()) == [1.0, 4.0, 12.0]
    assert WALK_M_PER_MINUTE == 60.0  # a metre in each second
    assert SHELTER_MINUTES_PER_POT * 60.0 == 120.0
    assert CLEARANCE_CM == 3.0
    assert (MOST_STACKS, MOST_OPTIONS) == (24, 6)
