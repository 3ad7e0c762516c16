"""The linear program is a bound, and whole numbers over all columns that matter are the best."""

from __future__ import annotations

import math

import pytest

from gardenapp.science.timber.columns import BOUGHT, MISSING, Column, Search, unit_of
from gardenapp.science.timber.program import generate, list_columns, whole_numbers
from gardenapp.science.timber.spans import Task, goals
from tests.science.timber.tasks_made import (
    fillings,
    least_bought,
    make_search,
    make_source,
    make_task,
    small_task,
)


def nothing_missing(task: Task) -> Search:
    """A search that has met its first goal: all pieces are there."""
    search = make_search(task)
    assert not any(search.best.short)
    search.add_layout(search.best)
    search.fixed.append((MISSING, 0))
    return search


@pytest.mark.outside(
    "Modelling system's gallery, four widths of paper: 452.25 rolls relaxed (from memory)"
)
def test_the_relaxed_paper_rolls_are_those_of_the_gallery() -> None:
    task = make_task([45, 36, 31, 14], [97, 610, 395, 211], [make_source(0, 100, most=1313)])
    search = nothing_missing(task)

    relaxed = generate(search, BOUGHT, 100)

    assert relaxed is not None
    assert relaxed.value == pytest.approx(452.25, abs=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_no_plan_buys_less_than_the_linear_program_and_listing_all_proves_the_best(
    seed: int,
) -> None:
    task = small_task(seed)
    least = least_bought(task)
    search = nothing_missing(task)
    unit = unit_of(task, BOUGHT)

    relaxed = generate(search, BOUGHT, unit)

    assert relaxed is not None
    assert relaxed.value * unit <= least + 1e-6
    gap = goals(task, search.best)[BOUGHT] / unit - relaxed.value
    assert list_columns(search, relaxed, gap + 1e-6)
    proof = whole_numbers(search, BOUGHT, unit)
    assert goals(task, search.best)[:2] == (0, least)
    assert proof is not None and proof * unit <= least + 1e-6
    assert math.ceil(proof - 1e-6) * unit > least - unit


def test_listing_with_room_for_all_finds_every_fullest_content_and_no_other() -> None:
    task = make_task([60, 40, 20], [1, 2, 3], [make_source(0, 100)])
    search = nothing_missing(task)
    relaxed = generate(search, BOUGHT, 100)
    assert relaxed is not None

    before = set(search.columns)

    assert list_columns(search, relaxed, 1e9)

    def is_fullest(counts: tuple[int, ...]) -> bool:
        used = sum(n * length for n, length in zip(counts, task.lengths, strict=True))
        return not any(
            n < most and used + length <= 100
            for n, most, length in zip(counts, task.wanted, task.lengths, strict=True)
        )

    fullest = {Column(0, 0, c) for c in fillings(task, 100) if any(c) and is_fullest(c)}
    assert len(fullest) == 4  # each fills the board to its end
    assert set(search.columns) - before == fullest - before
    assert fullest <= set(search.columns)


def test_without_time_there_is_no_bound_and_the_plan_stays() -> None:
    search = make_search(small_task(1), seconds=0.0)
    before = search.best

    assert generate(search, BOUGHT, 10) is None
    assert whole_numbers(search, BOUGHT, 10) is None
    assert search.best is before
