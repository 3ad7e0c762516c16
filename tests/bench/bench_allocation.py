"""How soon the allocation proves its gap, beside a plain program, on invented gardens.

Run by hand:  python -m tests.bench.bench_allocation [--plots 60] [--seeds 2] [--plain 300]
              python -m tests.bench.bench_allocation --growth [--most-plots 600]
Not collected as a test: figures depend on the machine, so compare the ratios. Times are CPU
seconds of this process (one thread), because wall time also counts what else runs there; limits
are wall time, as the solver knows no other.

The plain program is whole units and whole plants with the bare rows and no links. It is also
*easier*: a unit's plants may be split over like units and need not stand as squares, so what it
reports is not always an allocation, while the product's figure always is one. So two gaps of
ours are printed. "Counts" is a relaxation's gap against its own bound, as plain's is; "placed" is
that of the allocation handed back. Plain reaches a gap when it stops there: HiGHS often jumps
past the gap asked, so the gap reached stands beside the time.
"""

from __future__ import annotations

import argparse
import time

from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally
from gardenapp.science.allocation.problem import relative_gap_of
from gardenapp.science.allocation.program import Model, Rules, SolverFailed, run
from gardenapp.science.allocation.solve import Problem, solve
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


def seconds_of_plain(problem: Problem, gap: float, most_s: float) -> tuple[float, str]:
    """CPU seconds the plain program needs to prove a gap, building it included; how it ended."""
    started = time.process_time()
    try:
        solved = run(plain_program(problem), time_limit_s=most_s, relative_gap=gap)
    except SolverFailed as failure:
        return time.process_time() - started, str(failure)
    seconds = time.process_time() - started
    reached = relative_gap_of(solved.objective, solved.bound)
    return seconds, f"gap {reached:.4f}" + ("" if solved.is_proven else ", stopped by the clock")


def seconds_of_ours(problem: Problem, gap: float, most_s: float) -> tuple[float, str]:
    """CPU seconds of the whole answer at a gap asked, and what came back."""
    started, started_wall = time.process_time(), time.perf_counter()
    answer = solve(problem, time_limit_s=most_s, relative_gap=gap)
    seconds, wall = time.process_time() - started, time.perf_counter() - started_wall
    return seconds, f"gap {answer.gap:.4f}, {answer.method}, {wall:.1f} s by the wall"


def report(plots: int, seed: int, most_plain_s: float, most_ours_s: float) -> None:
    """One garden: plain to 5 % and 1 % of its own gap; ours to 1 % and 0.5 % as placed."""
    problem = garden(plots, seed)
    options = len(prepare(problem).options)
    print(f"{plots} plots, {7 * plots} plantings, seed {seed}: {options} treatments in plots")
    plain: dict[float, float] = {}
    for gap in (0.05, 0.01):
        plain[gap], words = seconds_of_plain(problem, gap, most_plain_s)
        print(f"  plain to {gap:.1%}: cpu {plain[gap]:.1f} s ({words})", flush=True)
    for gap, beside in ((0.01, 0.01), (0.005, 0.05)):
        seconds, words = seconds_of_ours(problem, gap, most_ours_s)
        print(
            f"  placed to {gap:.1%}: cpu {seconds:.1f} s ({words}), "
            f"{seconds / plain[beside]:.2f} x plain to {beside:.0%}",
            flush=True,
        )


def growth(most_plots: int, most_ours_s: float) -> None:
    """Time and gap as gardens grow, at 1 % asked."""
    for plots in (10, 30, 60, 120, 300, 600):
        if plots > most_plots:
            break
        seconds, words = seconds_of_ours(garden(plots, 1), 0.01, most_ours_s)
        print(f"  {plots:4d} plots: cpu {seconds:6.1f} s, {words}", flush=True)


def main() -> None:
    """Print the report asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plots", type=int, default=60)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--plain", type=float, default=300.0, help="most wall seconds for plain")
    parser.add_argument("--ours", type=float, default=120.0, help="most wall seconds for ours")
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--most-plots", type=int, default=600)
    asked = parser.parse_args()
    if asked.growth:
        growth(asked.most_plots, asked.ours)
        return
    for seed in range(1, asked.seeds + 1):
        report(asked.plots, seed, asked.plain, asked.ours)


if __name__ == "__main__":
    main()
