"""How good the allocation gets in the time a plain program takes, on invented gardens.

Run by hand:  python -m tests.bench.bench_allocation [--plots 60] [--seeds 2] [--limits 10,20,60]
              python -m tests.bench.bench_allocation --growth
Not collected as a test: figures depend on the machine and on what else runs there, so compare
the ratios. Wall time with CPU time beside it, one thread.

The plain program is whole units and whole plants with the bare rows and no links. It is also
*easier*: a unit's plants may be split over like units and need not stand as squares, so what it
reports is not always an allocation, while the product's figure always is one.
"""

from __future__ import annotations

import argparse
import time

from gardenapp.science.allocation import Problem, solve
from gardenapp.science.allocation_fit import prepare
from gardenapp.science.allocation_greedy import Tally
from gardenapp.science.allocation_program import Model, Rules, SolverFailed, run
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


def seconds_of_plain(problem: Problem, gap: float, most_s: float) -> tuple[float, str]:
    """Wall seconds the plain program needs to prove a gap, and how it ended."""
    model = plain_program(problem)
    started = time.perf_counter()
    try:
        solved = run(model, time_limit_s=most_s, relative_gap=gap)
    except SolverFailed as failure:
        return time.perf_counter() - started, str(failure)
    seconds = time.perf_counter() - started
    reached = 1 - solved.objective / solved.bound
    return seconds, f"gap {reached:.4f}" + ("" if solved.is_proven else ", stopped by the clock")


def report(plots: int, seed: int, limits_s: list[float], most_plain_s: float) -> None:
    """One garden: the plain program to 5 %, then the product at each time limit."""
    problem = invented_garden(
        plots=plots, plantings=7 * plots, classes=20, covers=5 * plots, seed=seed
    )
    options = len(prepare(problem).options)
    print(f"{plots} plots, {7 * plots} plantings, seed {seed}: {options} treatments in plots")
    seconds, words = seconds_of_plain(problem, 0.05, most_plain_s)
    print(f"  plain to 5 %: {seconds:.1f} s ({words})", flush=True)
    for limit_s in [seconds, *limits_s]:
        started, started_cpu = time.perf_counter(), time.process_time()
        answer = solve(problem, time_limit_s=limit_s)
        took, cpu = time.perf_counter() - started, time.process_time() - started_cpu
        greedy = answer.stages[0].objective or 0.0
        print(
            f"  solve, limit {limit_s:6.1f} s: took {took:6.1f} s (cpu {cpu:.1f}), "
            f"{took / seconds:5.1f} x plain, "
            f"gap {answer.gap:.4f}, {answer.method}, greedy {greedy / answer.objective:.3f} of it",
            flush=True,
        )


def growth() -> None:
    """Time and gap as gardens grow, at 0.5 % asked."""
    for plots in (5, 10, 20, 40, 80):
        problem = invented_garden(
            plots=plots, plantings=7 * plots, classes=20, covers=5 * plots, seed=1
        )
        started = time.perf_counter()
        answer = solve(problem, time_limit_s=60.0, relative_gap=0.005)
        took = time.perf_counter() - started
        print(
            f"  {plots:4d} plots: {took:6.1f} s, gap {answer.gap:.4f}, {answer.method}", flush=True
        )


def main() -> None:
    """Print the report asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plots", type=int, default=60)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--limits", default="20,60")
    parser.add_argument("--plain", type=float, default=120.0, help="most seconds for plain")
    parser.add_argument("--growth", action="store_true")
    asked = parser.parse_args()
    if asked.growth:
        growth()
        return
    limits_s = [float(part) for part in asked.limits.split(",")]
    for seed in range(1, asked.seeds + 1):
        report(asked.plots, seed, limits_s, asked.plain)


if __name__ == "__main__":
    main()
