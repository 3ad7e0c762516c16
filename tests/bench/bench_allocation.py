"""How soon the allocation proves its gap, beside a plain program, on invented gardens.

Run by hand:  python -m tests.bench.bench_allocation [--plots 60] [--seeds 10] [--large 600]

One run makes the whole table: each seed with the objective of before (plots are one bed each, no
least gain) and with what a coordinator wants (each planting a bed, least gain and share), medians
and worsts; a large garden; limits of time at three sizes. Not collected as a test: figures depend
on the machine, so compare the ratios. Times are CPU seconds of this process (one thread), because
wall time also counts what else runs there; limits are wall time, as the solver knows no other.

The plain program is whole units and whole plants with the bare rows and no links. It is also
*easier*: a unit's plants may be split over like units and need not stand as squares, so what it
reports is not always an allocation, while the product's figure always is one. Its bound stands
beside ours: no answer of ours may be above it. Plain reaches a gap when it stops there: HiGHS often
jumps past the gap asked, so the gap reached stands beside the time.
"""

from __future__ import annotations

import argparse
import statistics
import time
from dataclasses import dataclass, replace

from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally
from gardenapp.science.allocation.problem import relative_gap_of
from gardenapp.science.allocation.program import Model, Rules, run
from gardenapp.science.allocation.solve import Problem, first_answer, solve
from gardenapp.science.allocation.weights import LEAST_GAIN, LEAST_SHARE
from tests.bench.gardens import invented_garden


def plain_program(problem: Problem) -> Model:
    """Whole units, whole plants, capacity shares; nothing that helps the solver."""
    prepared = prepare(problem)
    model = Model()
    rules = Rules(model, prepared, Tally(prepared))
    rules.visits(dict.fromkeys(option.plot_id for option in prepared.options))
    for option in prepared.options:
        shares = []
        unit = None if option.is_shelter else rules.unit(option, float(option.most_units))
        for member in option.members:
            column = rules.plants(option, member.planting_id, member.gain, is_whole=True)
            if unit is not None:
                shares.append((column, 1.0 / member.capacity))
        if unit is not None:
            model.row([*shares, (unit, -1.0)], 0.0)
    rules.close()
    return model


def garden(plots: int, seed: int) -> Problem:
    """Seven plantings and five covers a plot, of 20 classes."""
    return invented_garden(
        plots=plots, plantings=7 * plots, classes=20, covers=5 * plots, seed=seed
    )


@dataclass(frozen=True)
class Took:
    """CPU seconds, the gap reached, its bound and objective, and wall seconds."""

    cpu_s: float
    gap: float
    bound: float
    objective: float
    wall_s: float


def plain(problem: Problem, gap: float, most_s: float) -> Took:
    """What the plain program needs to prove a gap, building it included."""
    cpu, wall = time.process_time(), time.perf_counter()
    solved = run(plain_program(problem), time_limit_s=most_s, relative_gap=gap)
    return Took(
        time.process_time() - cpu,
        relative_gap_of(solved.objective, solved.bound),
        solved.bound,
        solved.objective,
        time.perf_counter() - wall,
    )


def ours(problem: Problem, gap: float, most_s: float) -> Took:
    """What the whole answer needs at a gap asked."""
    cpu, wall = time.process_time(), time.perf_counter()
    answer = solve(problem, time_limit_s=most_s, relative_gap=gap)
    return Took(
        time.process_time() - cpu,
        answer.gap,
        answer.bound,
        answer.objective,
        time.perf_counter() - wall,
    )


def wanted(problem: Problem) -> Problem:
    """The same garden as a coordinator wants it planned."""
    return replace(
        problem,
        plantings=tuple(replace(each, bed=each.id) for each in problem.plantings),
        least_gain=LEAST_GAIN,
        least_share=LEAST_SHARE,
    )


def table(plots: int, seeds: int) -> None:
    """Each seed, then medians and worsts."""
    print(f"{plots} plots, seeds 1 to {seeds}: CPU s to 0.5 %, gap, times plain's to 5 %")
    rows = []
    for seed in range(1, seeds + 1):
        problem = garden(plots, seed)
        reference = plain(problem, 0.05, 300.0)
        first = time.process_time()
        first_answer(problem)
        first = time.process_time() - first
        before, now = ours(problem, 0.005, 120.0), ours(wanted(problem), 0.005, 120.0)
        assert before.objective <= reference.bound * (1 + 1e-6)
        rows.append((reference.cpu_s, before.cpu_s, before.gap, now.cpu_s, now.gap, first))
        print(
            f"  {seed:2d}: plain {reference.cpu_s:5.2f} (gap {reference.gap:.2%});"
            f" as before {before.cpu_s:5.2f}, {before.gap:.2%},"
            f" {before.cpu_s / reference.cpu_s:.2f} x;"
            f" as wanted {now.cpu_s:5.2f}, {now.gap:.2%}; first plan {first:.3f}",
            flush=True,
        )
    columns = list(zip(*rows, strict=True))
    names = ("plain", "as before", "gap", "as wanted", "gap", "first plan")
    for word, pick in (("median", statistics.median), ("worst", max)):
        print(
            f"  {word}: "
            + ", ".join(f"{n} {pick(c):.4f}" for n, c in zip(names, columns, strict=True))
        )
    ratios = [row[1] / row[0] for row in rows]
    print(
        f"  times plain's to 5 %: median {statistics.median(ratios):.2f}, worst {max(ratios):.2f}"
    )


def limits(sizes: tuple[int, ...]) -> None:
    """Whether a limit of wall time is kept."""
    for plots in sizes:
        problem = garden(plots, 1)
        for limit_s in (0.3, 1.0, 3.0):
            took = ours(problem, 1e-4, limit_s)
            print(
                f"  {plots} plots, limit {limit_s} s: {took.wall_s:.2f} s of wall time,"
                f" gap {took.gap:.2%}",
                flush=True,
            )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plots", type=int, default=60)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--large", type=int, default=600)
    asked = parser.parse_args()
    table(asked.plots, asked.seeds)
    if asked.large:
        large = garden(asked.large, 1)
        for kind, problem in (("before", large), ("wanted", wanted(large))):
            took = ours(problem, 0.01, 120.0)
            print(f"{asked.large} plots to 1 %, as {kind}: CPU {took.cpu_s:.1f} s, {took.gap:.2%}")
        print("limits of time:")
        limits((60, 200, asked.large))


if __name__ == "__main__":
    main()
