"""The fullest and the most helpful contents of a span, by dynamic programming over length."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gardenapp.science.timber.columns import SCRAP, Column, Relaxed
from gardenapp.science.timber.spans import Task


class Knapsack:
    """The best filling of every span at once, by dynamic programming over length."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.step, self.is_exact = task.grain()
        # Pieces up and spans down: what fits here fits at the saw.
        self.weights = [-(-(length + task.kerf) // self.step) for length in task.lengths]
        self.capacity: dict[tuple[int, int], int] = {
            (s, j): (to - at + task.kerf) // self.step
            for s, source in enumerate(task.sources)
            for j, (at, to) in enumerate(source.spans)
        }
        self.states = max(self.capacity.values(), default=0) + 1
        # Counts as 1, 2, 4, … pieces at a time.
        self.lots: list[tuple[int, int]] = []
        for i, wanted in enumerate(task.wanted):
            fits = (self.states - 1) // self.weights[i]
            left, lot = min(wanted, fits), 1
            while left > 0:
                lot = min(lot, left)
                self.lots.append((i, lot))
                left -= lot
                lot *= 2

    def best(self, relaxed: Relaxed, goal: int, unit: int) -> list[Column]:
        """For each span the column that helps most, where it helps at all."""
        value = np.full(self.states, -np.inf)
        value[0] = 0.0
        taken: list[np.ndarray] = []
        for i, lot in self.lots:
            weight = self.weights[i] * lot
            worth = float(relaxed.piece_prices[i]) * lot
            other = np.full(self.states, -np.inf)
            if weight < self.states:
                other[weight:] = value[:-weight] + worth
            better = other > value + 1e-12
            taken.append(better)
            value = np.where(better, other, value)
        columns = []
        done: dict[tuple[int, int], tuple[int, ...]] = {}
        for (s, j), capacity in self.capacity.items():
            at, to = self.task.sources[s].spans[j]
            gain = value[: capacity + 1].copy()
            if goal == SCRAP:
                used = np.arange(capacity + 1, dtype=float) * self.step
                rest = np.maximum(0.0, to - at - used)
                scrap = np.where(rest < self.task.keep, rest, 0.0)
                gain -= (scrap - self.task.scrap(to - at, 0, 0)) / unit
            state = int(np.argmax(gain))
            if gain[state] + relaxed.span_prices[s, j] <= 1e-6 or state == 0:
                continue
            key = (state, 0)
            if key not in done:
                done[key] = self._trace(taken, state)
            columns.append(Column(s, j, done[key]))
        return columns

    def fullest(
        self, wanted: Sequence[int], capacity: int, worth: Sequence[float]
    ) -> dict[int, int]:
        """The content that leaves least of a span; among equals, that of most worth."""
        total = sum(n * weight for n, weight in zip(wanted, self.weights, strict=True))
        if total <= capacity:
            return {i: n for i, n in enumerate(wanted) if n}
        value = np.full(capacity + 1, -np.inf)
        value[0] = 0.0
        lots: list[tuple[int, int]] = []
        taken: list[np.ndarray] = []
        reach = 0
        for i, most in enumerate(wanted):
            left, lot = min(most, capacity // self.weights[i]), 1
            while left > 0:
                lot = min(lot, left)
                weight = self.weights[i] * lot
                reach = min(capacity, reach + weight)
                here = value[weight : reach + 1]
                other = value[: reach + 1 - weight] + worth[i] * lot
                better = other > here
                mark = np.zeros(capacity + 1, dtype=bool)
                mark[weight : reach + 1] = better
                value[weight : reach + 1] = np.where(better, other, here)
                lots.append((i, lot))
                taken.append(mark)
                left -= lot
                lot *= 2
        state = int(np.flatnonzero(value > -np.inf)[-1])
        content: dict[int, int] = {}
        for number in reversed(range(len(lots))):
            if taken[number][state]:
                i, lot = lots[number]
                content[i] = content.get(i, 0) + lot
                state -= self.weights[i] * lot
        return content

    def _trace(self, taken: Sequence[np.ndarray], state: int) -> tuple[int, ...]:
        counts = [0] * len(self.task.lengths)
        for number in reversed(range(len(self.lots))):
            if taken[number][state]:
                i, lot = self.lots[number]
                counts[i] += lot
                state -= self.weights[i] * lot
        return tuple(counts)
