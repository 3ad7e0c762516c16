"""Fruit blossom by the warmth it has had."""

from __future__ import annotations

from datetime import date

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.night.stage_by_heat import Ladder, Rung, heat_since, season_start

APPLE = Ladder(
    (Rung("silver tip", 47.2), Rung("green tip", 59.4), Rung("full bloom", 212.2)), 6.1, 30.0
)


def test_a_day_counts_by_its_middle_over_the_base_and_no_further_than_the_limit() -> None:
    assert APPLE.degree_days(8.1, 16.1) == pytest.approx(6.0)
    assert APPLE.degree_days(-4.0, 16.1) == pytest.approx(5.0)  # a cold night takes nothing away
    assert APPLE.degree_days(-4.0, 5.0) == 0.0
    assert APPLE.degree_days(20.0, 40.0) == pytest.approx((20.0 + 30.0) / 2 - 6.1)


def test_the_stage_is_the_last_that_the_warmth_has_reached() -> None:
    heats = [0.0, 47.1, 47.2, 60.0, 212.2, 900.0]

    assert [APPLE.stage_at(heat) for heat in heats] == [
        "silver tip", "silver tip", "silver tip", "green tip", "full bloom", "full bloom",
    ]  # fmt: skip
    assert APPLE.heat_of("green tip") == 59.4
    assert APPLE.heat_of("in leaf") is None


def test_a_day_nobody_knows_counts_as_the_mean_of_the_others() -> None:
    warm, cold = (8.1, 16.1), (-2.0, 6.1)

    assert heat_since(APPLE, [warm, cold]) == (pytest.approx(6.0), 0)
    assert heat_since(APPLE, [warm, None, cold]) == (pytest.approx(9.0), 1)
    assert heat_since(APPLE, [None, None]) == (0, 2)
    assert heat_since(APPLE, []) == (0, 0)


@pytest.mark.parametrize(
    ("on", "is_northern", "start"),
    [
        (date(2026, 1, 1), True, date(2026, 1, 1)),
        (date(2026, 4, 20), True, date(2026, 1, 1)),
        (date(2026, 8, 31), True, date(2026, 1, 1)),
        (date(2026, 9, 1), True, None),
        (date(2026, 12, 31), True, None),
        (date(2026, 10, 5), False, date(2026, 7, 1)),
        (date(2027, 2, 5), False, date(2026, 7, 1)),
        (date(2027, 3, 1), False, None),
        (date(2026, 6, 30), False, None),
    ],
)
def test_a_season_begins_in_the_heart_of_winter(
    on: date, is_northern: bool, start: date | None
) -> None:
    assert season_start(on, is_northern=is_northern) == start


def test_a_ladder_that_does_not_rise_is_none() -> None:
    for rungs in ((), (Rung("b", 2.0), Rung("a", 1.0)), (Rung("a", 1.0), Rung("b", 1.0))):
        with pytest.raises(OutOfRange):
            Ladder(rungs, 6.1, 30.0)
    with pytest.raises(OutOfRange):
        Ladder((Rung("a", 1.0),), 30.0, 6.1)
