"""What a cut plan starts from: sound stretches of boards, whole numbers and first fit."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science.timber.spans import (
    Filled,
    Layout,
    first_fit,
    goals,
    millimetres,
    usable_spans,
    whole,
)
from tests.science.timber.tasks_made import (
    fillings,
    least_bought,
    make_source,
    make_task,
    small_task,
)


def test_a_nail_hole_costs_at_least_the_saws_width() -> None:
    assert usable_spans(1000, [(400, 400), (990, 1000)], 3) == ((0, 400), (403, 990))
    assert usable_spans(1000, [(0, 100), (50, 1000)], 3) == ()


@given(st.floats(0.0, 100_000.0))
def test_a_length_to_whole_units_and_back_is_right_to_their_half(length_mm: float) -> None:
    assert millimetres(whole(length_mm)) == pytest.approx(length_mm, abs=0.5e-4 + 1e-9)


@given(st.lists(st.tuples(st.integers(0, 99), st.integers(0, 30)), max_size=4), st.integers(0, 6))
def test_sound_stretches_are_what_no_defect_or_cut_takes(
    knots: list[tuple[int, int]], kerf: int
) -> None:
    defects = [(begin, min(100, begin + size)) for begin, size in knots]
    gone = {at for begin, end in defects for at in range(begin, min(100, max(end, begin + kerf)))}

    spans = usable_spans(100, defects, kerf)

    assert {at for begin, end in spans for at in range(begin, end)} == set(range(100)) - gone
    assert all(begin < end for begin, end in spans)
    if kerf:  # without a saw's width a nail hole only divides
        assert all(one[1] < other[0] for one, other in pairwise(spans))


@pytest.mark.parametrize("seed", range(40))
def test_first_fit_cuts_all_that_goes_in_and_never_more_than_there_is(seed: int) -> None:
    task = small_task(seed)

    plan = first_fit(task)

    cut = [0] * len(task.lengths)
    for board in plan.boards:
        for (at, to), content in zip(board.source.spans, board.contents, strict=True):
            counts = tuple(content.get(i, 0) for i in range(len(task.lengths)))
            assert counts in set(fillings(task, to - at))
            cut = [one + n for one, n in zip(cut, counts, strict=True)]
    assert [n + short for n, short in zip(cut, plan.short, strict=True)] == list(task.wanted)
    for source in task.sources:
        assert sum(board.source == source for board in plan.boards) <= source.most
    assert goals(task, plan)[1] >= least_bought(task) or any(plan.short)


def test_first_fit_takes_offcuts_then_boards_on_hand_then_the_shop() -> None:
    sources = [
        make_source(0, 100),
        make_source(1, 100, most=1, is_bought=False),
        make_source(2, 60, most=1, is_bought=False, is_offcut=True),
    ]

    def used(pieces: int) -> list[int]:
        plan = first_fit(make_task([50], [pieces], sources))
        return [board.source.index for board in plan.boards]

    assert [used(1), used(2), used(3), used(4)] == [[2], [2, 1], [2, 1], [2, 1, 0]]


def test_scrap_is_a_rest_too_short_to_keep_without_the_sawdust() -> None:
    task = make_task([30], [3], [make_source(0, 100)], kerf=2, keep=40)

    # One piece and its cut leave 68, worth keeping; two leave 36; three leave 4.
    assert [task.scrap(100, n * 32, n) for n in (1, 2, 3)] == [0, 36, 4]
    assert task.scrap(100, 101, 3) == 0  # the last cut ran off the end
    assert task.scrap(100, 0, 0) == 0 and task.scrap(39, 0, 0) == 39


def test_a_length_is_held_in_ten_thousandths_of_a_millimetre() -> None:
    assert (whole(1.5875), whole(0.00005), whole(0.00016)) == (15_875, 0, 2)
    assert (millimetres(15_875), millimetres(1.0)) == (1.5875, 0.0001)


def test_sound_stretches_end_where_the_board_does() -> None:
    assert usable_spans(100, [], 3) == ((0, 100),)
    assert usable_spans(100, [(0, 10)], 3) == ((10, 100),)
    assert usable_spans(100, [(90, 100)], 3) == ((0, 90),)
    assert usable_spans(100, [(98, 98)], 3) == ((0, 98),)
    assert usable_spans(100, [(60, 70), (20, 30)], 3) == ((0, 20), (30, 60), (70, 100))


def test_goals_count_each_board_by_what_it_is() -> None:
    sources = [
        make_source(0, 100),
        make_source(1, 80, is_bought=False),
        make_source(2, 60, is_bought=False, is_offcut=True),
    ]
    task = make_task([50, 20], [3, 4], sources, kerf=2, keep=25)
    boards = [
        Filled(sources[0], [{0: 1, 1: 1}]),  # 74 with their cuts: 26 are left, worth keeping
        Filled(sources[1], [{0: 1}]),  # 52: 28 are left
        Filled(sources[2], [{1: 2}]),  # 44: 16 are scrap
    ]

    assert goals(task, Layout(boards, [1, 1])) == (70, 100, 80, 16)


def test_the_states_of_a_board_are_steps_that_every_piece_is_a_multiple_of() -> None:
    exact = make_task([57, 27], [1, 1], [make_source(0, 1000)], kerf=3)
    at_the_limit = make_task([10], [1], [make_source(0, 600_000)], kerf=0)
    past_it = make_task([10], [1], [make_source(0, 600_010)], kerf=0)

    assert exact.grain() == (30, True)
    assert at_the_limit.grain() == (10, True)
    assert past_it.grain() == (500, False)  # a twentieth of a millimetre


def test_the_plan_to_beat_opens_what_is_first_in_line_and_long_enough() -> None:
    sources = [make_source(0, 40), make_source(1, 100, most=1), make_source(2, 70, most=1)]

    plan = first_fit(make_task([60, 30], [2, 1], sources))
    short = first_fit(make_task([60], [4], sources))

    assert not any(plan.short)
    assert sorted(board.source.length for board in plan.boards) == [70, 100]
    assert short.short == [2]


def test_a_piece_that_just_fills_what_is_left_goes_in() -> None:
    plan = first_fit(make_task([50, 47], [1, 1], [make_source(0, 100)], kerf=3))

    assert [board.contents for board in plan.boards] == [[{0: 1, 1: 1}]]
