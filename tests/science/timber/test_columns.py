"""What goals cost, which totals can be bought at all, and plans put together from columns."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science.timber.columns import (
    BOUGHT,
    MISSING,
    OPENED,
    SCRAP,
    Column,
    board_cost,
    column_cost,
    layout_of,
    reachable,
    sums,
    unit_of,
    with_rest,
)
from gardenapp.science.timber.spans import Layout, first_fit, goals
from tests.science.timber.tasks_made import make_source, make_task, small_task


@given(st.lists(st.integers(1, 12), min_size=1, max_size=3, unique=True), st.integers(0, 40))
def test_totals_that_sizes_can_make_are_those_found_by_trying(sizes: list[int], top: int) -> None:
    expected = {
        sum(n * size for n, size in zip(numbers, sizes, strict=True))
        for numbers in itertools.product(*(range(top // size + 1) for size in sizes))
    }

    can = sums(sizes, top)

    assert can is not None
    assert set(np.flatnonzero(can).tolist()) == {total for total in expected if total <= top}


def test_totals_too_many_to_list_are_left_open() -> None:
    assert sums([3, 7], 200_001) is None


def test_a_bound_on_what_is_bought_is_raised_to_what_boards_on_sale_can_make() -> None:
    # Boards of 1800 and 2400: between 2400 and 3600 nothing can be bought.
    task = make_task([700], [4], [make_source(0, 1800), make_source(1, 2400)])
    unit = unit_of(task, BOUGHT)

    assert unit == 600
    assert [reachable(task, BOUGHT, bound, unit) for bound in (0, 1, 1801, 2401, 3601)] == [
        0, 1800, 2400, 3600, 4200,
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(40))
def test_every_goal_of_a_plan_is_a_multiple_of_its_unit(seed: int) -> None:
    task = small_task(seed)

    values = goals(task, first_fit(task))

    for goal in (MISSING, BOUGHT, OPENED, SCRAP):
        assert values[goal] % unit_of(task, goal) == 0


def test_pieces_beyond_what_is_wanted_are_not_cut_and_the_rest_is_short() -> None:
    task = make_task([60, 30], [1, 3], [make_source(0, 100)])
    columns = [Column(0, 0, (1, 1)), Column(0, 0, (0, 3))]

    # One board of each, one length of each kind missing by the solver's own count, which is
    # counted again here.
    plan = layout_of(task, columns, np.array([2.0, 9.0, 9.0, 1.0, 1.0]))
    fewer = layout_of(task, columns, np.array([1.0, 0.0, 0.0, 0.0, 1.0]))

    assert [board.contents for board in plan.boards] == [[{0: 1, 1: 1}], [{1: 2}]]
    assert plan.short == [0, 0]
    assert [board.contents for board in fewer.boards] == [[{1: 3}]]
    assert fewer.short == [1, 0]


def test_the_spans_of_one_board_are_filled_together() -> None:
    knotty = make_source(0, 100, spans=((0, 40), (50, 100)))
    task = make_task([50, 40], [2, 1], [knotty])
    columns = [Column(0, 0, (0, 1)), Column(0, 1, (1, 0))]

    plan = layout_of(task, columns, np.array([2.0, 0.0, 0.0, 1.0, 2.0]))

    assert [board.contents for board in plan.boards] == [[{1: 1}, {0: 1}], [{}, {0: 1}]]
    assert plan.short == [0, 0]


def test_a_plan_and_the_rest_of_another_make_one() -> None:
    task = make_task([60, 30], [2, 2], [make_source(0, 100)])
    rest = Layout(first_fit(make_task([60, 30], [1, 1], [make_source(0, 100)])).boards, [0, 0])

    plan = with_rest(task, {Column(0, 0, (1, 1)): 1}, rest)

    assert [board.contents for board in plan.boards] == [[{0: 1, 1: 1}], [{0: 1, 1: 1}]]
    assert goals(task, plan)[:2] == (0, 200)


def test_each_goal_costs_what_its_board_is() -> None:
    bought = make_source(0, 100)
    own = make_source(1, 80, is_bought=False, spans=((0, 30), (40, 80)))
    offcut = make_source(2, 60, is_bought=False, is_offcut=True)
    task = make_task([20], [9], [bought, own, offcut], kerf=2, keep=35)

    costs = {
        goal: [board_cost(task, source, goal) for source in task.sources]
        for goal in (MISSING, BOUGHT, OPENED, SCRAP)
    }

    assert costs == {
        MISSING: [0, 0, 0],
        BOUGHT: [100, 0, 0],
        OPENED: [0, 80, 0],
        SCRAP: [0, 30, 0],  # empty: only the span of 30 is too short to keep
    }


def test_a_column_costs_only_the_scrap_it_makes_or_spares() -> None:
    own = make_source(0, 80, is_bought=False, spans=((0, 30), (40, 80)))
    task = make_task([20], [9], [own], kerf=2, keep=35)

    # One piece leaves 8 of the short span, which was scrap already: 22 less. Of the long span,
    # worth keeping while it was whole, 18 become scrap.
    assert column_cost(task, Column(0, 0, (1,)), SCRAP) == -22
    assert column_cost(task, Column(0, 1, (1,)), SCRAP) == 18
    for goal in (MISSING, BOUGHT, OPENED):
        assert column_cost(task, Column(0, 1, (1,)), goal) == 0


def test_units_are_what_all_values_of_a_goal_share() -> None:
    sources = [
        make_source(0, 180),
        make_source(1, 240),
        make_source(2, 70, is_bought=False),
        make_source(3, 105, is_bought=False),
        make_source(4, 11, is_bought=False, is_offcut=True),
    ]
    task = make_task([40, 24], [1, 1], sources, kerf=0, keep=50)
    nothing_bought = make_task([40, 24], [1, 1], sources[4:], kerf=0, keep=50)

    assert [unit_of(task, goal) for goal in (MISSING, BOUGHT, OPENED)] == [8, 60, 35]
    assert [unit_of(nothing_bought, goal) for goal in (BOUGHT, OPENED)] == [1, 1]
    even = make_task([40, 24], [1, 1], sources[:2], kerf=4, keep=52)
    assert unit_of(even, SCRAP) == 4


def test_a_bound_of_another_goal_is_rounded_up_to_its_unit() -> None:
    task = make_task([700], [4], [make_source(0, 1800)])

    assert [reachable(task, SCRAP, bound, 10) for bound in (-5.0, 0.0, 10.0, 10.1)] == [
        0.0, 0.0, 10.0, 20.0,
    ]  # fmt: skip
    assert reachable(task, SCRAP, 10.000001, 10) == 10.0  # rounding of the program


def test_totals_up_to_two_hundred_thousand_are_listed() -> None:
    can = sums([7, 100_000], 200_000)

    assert can is not None and len(can) == 200_001
    assert can[200_000] and can[100_007] and not can[100_001]
