"""What a cut plan starts from: sound stretches of boards, whole numbers and first fit."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science.timber.spans import first_fit, goals, millimetres, usable_spans, whole
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
