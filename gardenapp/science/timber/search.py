"""The search for a cut plan: bound, whole numbers, dives and fillings, then proof.

The linear program's bound is rounded up to what the goal can reach at all (sums of the lengths
on sale). A short try in whole numbers, dives and fillings in turn usually meet it. Where they do
not, every column that a better plan could use (its reduced cost fits in the gap) is listed, if
they are few, and solved in whole numbers: then the answer is the best there is.

Goals are met one after another: a reached goal becomes a row for the next.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gardenapp.science.timber.columns import (
    BOUGHT,
    MISSING,
    OPENED,
    SCRAP,
    Column,
    Relaxed,
    Search,
    offer,
    reachable,
    sums,
    unit_of,
    with_rest,
)
from gardenapp.science.timber.knapsack import Knapsack
from gardenapp.science.timber.program import generate, list_columns, whole_numbers
from gardenapp.science.timber.spans import Filled, Layout, Task, first_fit, goals

_MOST_TURNS = 100
_FILLINGS_A_TURN = 4
_MOST_STATES_TO_FILL = 40_000
_EPSILON = 1e-7


@dataclass(frozen=True)
class Reached:
    """One goal after its program: what was got, the bound, and whether they meet."""

    value: int
    bound: float
    is_proven: bool


def solve(task: Task, start: Layout, *, time_limit_s: float) -> tuple[Layout, dict[int, Reached]]:
    """Meet the four goals in order from a first plan; raises SolverFailed.

    Goals that were not reached within the time are left out of the answer's second part.
    """
    begun = time.perf_counter()

    def remaining_s() -> float:
        # A solver looks at its clock now and then only, so it is told to stop a little early.
        return 0.93 * time_limit_s - (time.perf_counter() - begun)

    search = Search(task, start, remaining_s, time_limit_s)
    reached: dict[int, Reached] = {}
    for goal in (MISSING, BOUGHT, OPENED, SCRAP):
        if remaining_s() <= 0.02:
            break
        reached[goal] = improve(search, goal)
    return search.best, reached


def improve(search: Search, goal: int) -> Reached:
    """Bring one goal as low as it goes with the earlier ones held; raises SolverFailed."""
    task = search.task
    value = goals(task, search.best)[goal]
    if value == 0:
        search.fixed.append((goal, 0))
        return Reached(0, 0.0, True)
    search.add_layout(search.best)
    unit = unit_of(task, goal)
    relaxed = generate(search, goal, unit)
    bound = reachable(task, goal, _material_bound(search, goal), unit)
    if relaxed is not None:
        bound = max(bound, reachable(task, goal, relaxed.value * unit, unit))
    if value > bound:
        # A short try; what it does not find, diving does, and sooner.
        share = {BOUGHT: 0.07, SCRAP: 0.25}.get(goal, 0.5)
        whole_numbers(search, goal, unit, share=share)
        value = goals(task, search.best)[goal]
    if value > bound and goal == BOUGHT:
        _search_by_turns(search, unit, bound, relaxed, until=0.6)
        value = goals(task, search.best)[goal]
    # Nothing below value − unit is worth finding, so only what fits in this gap matters.
    if value > bound and relaxed is not None and goal != SCRAP:
        gap = (value - unit) / unit - relaxed.value
        before = dict(search.columns)
        complete = list_columns(search, relaxed, gap + 1e-6)
        if complete or goal != BOUGHT:
            proof = whole_numbers(search, goal, unit)
            value = goals(task, search.best)[goal]
            if complete and proof is not None:
                bound = max(bound, min(value, reachable(task, goal, proof * unit, unit)))
        else:
            search.columns = before  # so many would only slow the dives
            _search_by_turns(search, unit, bound, relaxed, until=0.05, seed=1)
            value = goals(task, search.best)[goal]
    search.fixed.append((goal, value))
    return Reached(value, min(bound, value), value <= bound + _EPSILON)


def _material_bound(search: Search, goal: int) -> float:
    """What must be bought because the pieces and their cuts are longer than all there is.

    Weaker than the linear program, and there when that is not solved in time.
    """
    task = search.task
    bought = [source for source in task.sources if source.is_bought]
    missing = goals(task, search.best)[MISSING]
    if goal != BOUGHT or not bought or missing:
        return 0.0
    need = sum((n * (i + task.kerf) for n, i in zip(task.wanted, task.lengths, strict=True)), 0)
    have = sum(
        source.most * sum(to - at + task.kerf for at, to in source.spans)
        for source in task.sources
        if not source.is_bought
    )
    yields = max(sum(to - at + task.kerf for at, to in s.spans) / s.length for s in bought)
    return max(0.0, (need - have) / yields)


def _search_by_turns(
    search: Search,
    unit: int,
    bound: float,
    relaxed: Relaxed | None,
    *,
    until: float,
    seed: int = 0,
) -> None:
    """Dive and fill in turn until the bound is met or only `until` of the time is left."""
    rng = np.random.default_rng(seed)
    for turn in range(_MOST_TURNS):
        _fill_exactly(search, unit, bound, rng)
        if relaxed is not None and goals(search.task, search.best)[BOUGHT] > bound:
            _dive(search, unit, bound, turn + seed * _MOST_TURNS)
        if goals(search.task, search.best)[BOUGHT] <= bound:
            return
        if search.remaining_s() < until * search.limit_s:
            return


def _fill_exactly(search: Search, unit: int, bound: float, rng: np.random.Generator) -> None:
    """Look for a plan at the bound by filling boards one by one with next to no rest.

    A set of boards whose lengths make the total sought is drawn; each board is filled as full as
    can be, and what is left must fit the last. With many short pieces that succeeds where
    programs drown in equals. Random, with a fixed seed; it proves nothing.
    """
    task = search.task
    knapsack = Knapsack(task)
    on_sale = [s for s, source in enumerate(task.sources) if source.is_bought]
    sizes = [task.sources[s].length // unit for s in on_sale]
    value = goals(task, search.best)[BOUGHT]
    can = sums(sizes, value // unit) if sizes else None
    if can is None or knapsack.states > _MOST_STATES_TO_FILL or goals(task, search.best)[0]:
        return
    own = [s for s, source in enumerate(task.sources) if not source.is_bought]
    for attempt in range(_FILLINGS_A_TURN):
        if search.remaining_s() <= 0.05:
            return
        totals = np.flatnonzero(can[round(bound / unit) : value // unit]) + round(bound / unit)
        if not len(totals):
            return
        # By turns near the bound and anywhere below the best plan, the nearer the likelier.
        place = int(rng.geometric(0.7)) - 1 if attempt % 2 else int(rng.random() ** 3 * len(totals))
        total = int(totals[min(len(totals) - 1, place)])
        boards = [s for s in own for _ in range(task.sources[s].most)]
        bought: list[int] = []
        while total:
            ways = [k for k, size in enumerate(sizes) if size <= total and can[total - size]]
            k = ways[int(rng.integers(len(ways)))]
            bought.append(on_sale[k])
            total -= sizes[k]
        if any(bought.count(s) > task.sources[s].most for s in set(bought)):
            continue
        found = _filled(task, knapsack, [*boards, *bought], rng)
        if found is None:
            continue
        offer(search, found)
        value = goals(task, search.best)[BOUGHT]
        if value <= bound:
            return


def _filled(
    task: Task, knapsack: Knapsack, boards: Sequence[int], rng: np.random.Generator
) -> Layout | None:
    """Fill these boards in this order, each as full as can be; None where pieces are left."""
    wanted = list(task.wanted)
    # Which of the equally full contents: rather long pieces, and a little by chance.
    longest = max(knapsack.weights)
    worth = [
        1e-4 * (weight / longest + float(rng.uniform(0.0, 0.6))) * weight / longest
        for weight in knapsack.weights
    ]
    filled: list[Filled] = []
    for s in boards:
        source = task.sources[s]
        contents: list[dict[int, int]] = []
        for j in range(len(source.spans)):
            content = knapsack.fullest(wanted, knapsack.capacity[s, j], worth)
            for i, n in content.items():
                wanted[i] -= n
            contents.append(content)
        if any(contents):
            filled.append(Filled(source, contents))
        if not any(wanted):
            return Layout(filled, wanted)
    return None


def _dive(search: Search, unit: int, bound: float, rule: int) -> None:
    """Follow the linear program down to whole boards, with fresh columns at every step.

    Whole parts of its answer are taken as they are; where there are none, the column it
    uses most. What is left is a smaller task, solved again. Given up where even its linear
    program cannot beat the best plan. `rule` varies which column is taken next.
    """
    task = search.task
    rng = np.random.default_rng(rule)
    wanted = list(task.wanted)
    left = [source.most for source in task.sources]
    spare: dict[tuple[int, int], int] = {}
    taken: dict[Column, int] = {}
    spent = 0
    best = goals(task, search.best)[BOUGHT]
    while any(wanted):
        residual = replace(
            task,
            wanted=tuple(wanted),
            sources=tuple(
                replace(source, most=most) for source, most in zip(task.sources, left, strict=True)
            ),
        )
        fitting = {
            column: None
            for column in search.columns
            if all(n <= most for n, most in zip(column.counts, wanted, strict=True))
        }
        inner = Search(
            residual,
            search.best,
            search.remaining_s,
            search.limit_s,
            fitting,
            search.fixed,
            dict(spare),
        )
        # What is left by first fit: it completes the plan, and makes the program feasible.
        rest = first_fit(residual)
        inner.add_layout(rest)
        offer(search, with_rest(task, taken, rest))
        best = goals(task, search.best)[BOUGHT]
        if best <= bound:
            return
        relaxed = generate(inner, BOUGHT, unit)
        if relaxed is None:
            return
        search.columns.update(inner.columns)
        if spent + reachable(task, BOUGHT, relaxed.value * unit, unit) >= best:
            return
        chosen = [(column, int(use + 1e-6)) for column, use in relaxed.uses.items()]
        chosen = [(column, times) for column, times in chosen if times]
        if not chosen:
            if not relaxed.uses:
                break  # all that is left is missing

            def rank(item: tuple[Column, float]) -> float:
                column, use = item
                filled = sum(
                    n * length for n, length in zip(column.counts, task.lengths, strict=True)
                )
                longest = max(source.length for source in task.sources)
                noise = float(rng.uniform(0.0, 0.25 * (1 + rule % 4))) if rule else 0.0
                return use + 0.2 * (rule % 3) * filled / longest + noise

            chosen = [(max(relaxed.uses.items(), key=rank)[0], 1)]
        for column, times in chosen:
            for _ in range(times):
                if any(n > most for n, most in zip(column.counts, wanted, strict=True)):
                    break
                key = (column.source, column.span)
                if spare.get(key, 0):
                    spare[key] -= 1
                elif left[column.source]:
                    left[column.source] -= 1
                    source = task.sources[column.source]
                    spent += source.length if source.is_bought else 0
                    for j in range(len(source.spans)):
                        if j != column.span:
                            spare[column.source, j] = spare.get((column.source, j), 0) + 1
                else:
                    break
                taken[column] = taken.get(column, 0) + 1
                wanted = [most - n for n, most in zip(column.counts, wanted, strict=True)]
    offer(search, with_rest(task, taken, Layout([], wanted)))
