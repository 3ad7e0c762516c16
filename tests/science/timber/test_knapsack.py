"""The fullest and the most helpful content of a span are those that trying all finds."""

from __future__ import annotations

import random

import numpy as np
import pytest

from gardenapp.science.timber.columns import BOUGHT, SCRAP, Column, Relaxed, column_cost
from gardenapp.science.timber.knapsack import Knapsack
from tests.science.timber.tasks_made import fillings, make_source, make_task, small_task


@pytest.mark.parametrize("goal", [BOUGHT, SCRAP], ids=["bought", "scrap"])
@pytest.mark.parametrize("seed", range(30))
def test_the_most_helpful_content_is_the_best_of_all(seed: int, goal: int) -> None:
    task = small_task(seed)
    rng = random.Random(seed)
    knapsack = Knapsack(task)
    assert knapsack.is_exact
    prices = np.array([rng.uniform(0.0, 3.0) * length / 50 for length in task.lengths])
    spans = {(s, j): -rng.uniform(0.0, 2.0) for s, j in knapsack.capacity}
    relaxed = Relaxed(0.0, prices, spans, np.zeros(len(task.lengths)), {})
    unit = 10

    found = {(c.source, c.span): c for c in knapsack.best(relaxed, goal, unit)}

    def help_of(source: int, span: int, counts: tuple[int, ...]) -> float:
        cost = column_cost(task, Column(source, span, counts), goal) / unit
        return float(np.dot(prices, counts)) + spans[source, span] - cost

    for s, source in enumerate(task.sources):
        for j, (at, to) in enumerate(source.spans):
            ways = [counts for counts in fillings(task, to - at) if any(counts)]
            most = max((help_of(s, j, counts) for counts in ways), default=0.0)
            if (s, j) in found:
                assert help_of(s, j, found[s, j].counts) == pytest.approx(most)
                assert found[s, j].counts in ways
            else:
                assert most <= 1e-6


@pytest.mark.parametrize("seed", range(30))
def test_the_fullest_content_leaves_least(seed: int) -> None:
    task = small_task(seed)
    knapsack = Knapsack(task)
    capacity = knapsack.capacity[1, 0]
    room = task.sources[1].length

    content = knapsack.fullest(task.wanted, capacity, [0.0] * len(task.lengths))

    def used(counts: tuple[int, ...]) -> int:
        return sum(n * (length + task.kerf) for n, length in zip(counts, task.lengths, strict=True))

    counts = tuple(content.get(i, 0) for i in range(len(task.lengths)))
    assert counts in set(fillings(task, room))
    assert used(counts) == max(used(other) for other in fillings(task, room))


def test_of_equally_full_contents_the_dearer_pieces_are_taken() -> None:
    # 60 + 40 and 50 + 50 both fill a board of 100.
    task = make_task([60, 50, 40], [1, 2, 1], [make_source(0, 100)])
    knapsack = Knapsack(task)
    capacity = knapsack.capacity[0, 0]

    assert knapsack.fullest(task.wanted, capacity, [0.0, 1.0, 0.0]) == {1: 2}
    assert knapsack.fullest(task.wanted, capacity, [1.0, 0.0, 1.0]) == {0: 1, 2: 1}


def test_what_all_goes_in_is_taken_whole() -> None:
    task = make_task([40, 20], [1, 2], [make_source(0, 100)])
    knapsack = Knapsack(task)

    assert knapsack.fullest([1, 0], knapsack.capacity[0, 0], [0.0, 0.0]) == {0: 1}
    assert knapsack.fullest([1, 2], knapsack.capacity[0, 0], [0.0, 0.0]) == {0: 1, 1: 2}


def test_pieces_count_with_their_cuts_and_the_last_cut_may_run_off_the_end() -> None:
    # 47 + 3 twice is 100; with the saw's 3 beyond the end, 103 are there for pieces and cuts.
    task = make_task([47, 30], [2, 1], [make_source(0, 100, spans=((0, 100),))], kerf=3)
    knapsack = Knapsack(task)

    assert knapsack.weights == [50, 33]
    assert knapsack.capacity == {(0, 0): 103}
    assert knapsack.states == 104
    assert knapsack.fullest([2, 1], 103, [0.0, 0.0]) == {0: 2}


def test_counts_are_taken_in_lots_of_one_two_four_and_the_rest() -> None:
    task = make_task([10], [9], [make_source(0, 1000)])
    few = make_task([10], [9], [make_source(0, 50)])

    assert Knapsack(task).lots == [(0, 1), (0, 2), (0, 4), (0, 2)]
    assert Knapsack(few).lots == [(0, 1), (0, 2), (0, 2)]


def test_a_column_that_does_not_pay_its_span_is_not_offered() -> None:
    task = make_task([40], [2], [make_source(0, 100)])

    def offered(span_price: float) -> list[Column]:
        relaxed = Relaxed(0.0, np.array([1.5]), {(0, 0): span_price}, np.zeros(1), {})
        return Knapsack(task).best(relaxed, BOUGHT, 1)

    assert offered(-2.9) == [Column(0, 0, (2,))]
    assert offered(-3.0) == []
    assert offered(-3.1) == []
