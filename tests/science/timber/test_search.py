"""The goals are met one after another, each as low as it goes with the earlier ones held."""

from __future__ import annotations

import pytest

from gardenapp.science.timber.columns import BOUGHT, MISSING, OPENED, SCRAP
from gardenapp.science.timber.search import Reached, solve
from gardenapp.science.timber.spans import first_fit, goals
from tests.science.timber.tasks_made import least_bought, make_source, make_task, small_task


@pytest.mark.parametrize("seed", range(40))
def test_what_is_bought_is_the_least_by_every_set_of_boards(seed: int) -> None:
    task = small_task(seed)
    least = least_bought(task)
    start = first_fit(task)

    best, reached = solve(task, start, time_limit_s=20.0)

    values = goals(task, best)
    assert [reached[goal].value for goal in (MISSING, BOUGHT, OPENED, SCRAP)] == list(values)
    assert values <= goals(task, start)
    assert values[:2] == (0, least)
    assert reached[BOUGHT].is_proven
    for goal, one in reached.items():
        assert one.bound <= one.value + 1e-6, goal
        assert one.is_proven == (one.value <= one.bound + 1e-6)


def test_a_board_bought_is_dearer_than_one_opened_and_that_than_scrap() -> None:
    # Two pieces: an own board takes both; the shop's shorter board would leave less scrap.
    own = make_source(0, 300, most=1, is_bought=False)
    shop = make_source(1, 120)
    task = make_task([60], [2], [own, shop], keep=500)

    best, reached = solve(task, first_fit(task), time_limit_s=20.0)

    assert [board.source for board in best.boards] == [own]
    assert goals(task, best) == (0, 0, 300, 180)
    assert reached[BOUGHT] == Reached(0, 0.0, True)
    assert reached[OPENED].is_proven and reached[SCRAP].is_proven


def test_too_few_boards_leave_the_least_length_missing() -> None:
    # One board of 100 for 60, 50 and 50: two fifties are more than a sixty.
    task = make_task([60, 50], [1, 2], [make_source(0, 100, most=1, is_bought=False)])

    best, reached = solve(task, first_fit(task), time_limit_s=20.0)

    assert best.short == [1, 0]
    assert reached[MISSING] == Reached(60, 60.0, True)


def test_without_time_the_first_plan_comes_back_and_nothing_is_claimed() -> None:
    task = small_task(3)
    start = first_fit(task)

    assert solve(task, start, time_limit_s=0.0) == (start, {})


def test_a_later_goal_is_judged_with_the_earlier_ones_held() -> None:
    # Three of 60: the own board takes one, a board of 120 the others. Two bought boards would
    # leave the own one closed, and are no answer.
    own = make_source(0, 100, most=1, is_bought=False)
    task = make_task([60], [3], [own, make_source(1, 120)])

    best, reached = solve(task, first_fit(task), time_limit_s=20.0)

    assert goals(task, best)[:3] == (0, 120, 100)
    assert reached[BOUGHT] == Reached(120, 120.0, True)
    assert reached[OPENED] == Reached(100, 100.0, True)
