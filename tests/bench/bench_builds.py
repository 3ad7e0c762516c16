"""How long cut plans and season outlooks take. Run: python -m tests.bench.bench_builds

Cut plans: 60 pieces of 12 lengths from 8 lengths on sale; the optimum is to be proved within
first fit's time and two seconds. Season outlooks: time by number of nights, to see that it grows
no faster than they do.
"""

from __future__ import annotations

import random
import time
from datetime import date, timedelta

from gardenapp.science.season.outlook import season_outlook
from gardenapp.science.timber.cutting import Piece, Stock, plan_cuts
from gardenapp.science.timber.spans import Source, Task, first_fit, whole

STEPS_MM = range(1800, 5401, 300)  # lengths sold in much of Europe


def cut_problem(seed: int) -> tuple[list[Piece], list[Stock], float]:
    """60 pieces of 12 lengths; 8 lengths on sale in steps of 0.3 m; invented."""
    rng = random.Random(seed)
    lengths = rng.sample(range(200, rng.choice([1200, 1800])), 12)
    counts = [5] * 12
    for _ in range(20):
        more, less = rng.sample(range(12), 2)
        if counts[less] > 1:
            counts[more], counts[less] = counts[more] + 1, counts[less] - 1
    pieces = [Piece(f"p{a}", a, n) for a, n in zip(lengths, counts, strict=True)]
    stock = [Stock(str(length), length) for length in sorted(rng.sample(STEPS_MM, 8))]
    return pieces, stock, rng.choice([1.5, 3.0, 3.2])


def first_fit_s(pieces: list[Piece], stock: list[Stock], kerf_mm: float) -> float:
    """Seconds of the first-fit plan alone."""
    ordered = sorted(pieces, key=lambda piece: -piece.length_mm)
    task = Task(
        tuple(whole(piece.length_mm) for piece in ordered),
        tuple(piece.count for piece in ordered),
        tuple(
            Source(i, whole(s.length_mm), ((0, whole(s.length_mm)),), 60, True, False)
            for i, s in enumerate(stock)
        ),
        whole(kerf_mm),
        whole(300.0),
    )
    begun = time.perf_counter()
    first_fit(task)
    return time.perf_counter() - begun


def bench_cuts(problems: int) -> None:
    proven, over, slowest = 0, 0, 0.0
    for seed in range(problems):
        pieces, stock, kerf_mm = cut_problem(seed)
        simple_s = first_fit_s(pieces, stock, kerf_mm)
        begun = time.perf_counter()
        plan = plan_cuts(pieces, stock, kerf_mm=kerf_mm)
        took_s = time.perf_counter() - begun
        proven += plan.is_proven
        over += took_s > simple_s + 2.0
        slowest = max(slowest, took_s)
        saved = 1.0 - plan.bought_mm / plan.first_fit_mm
        print(
            f"problem {seed:3d}: {took_s:5.2f} s, first fit {simple_s * 1e3:4.1f} ms, "
            f"{'proved' if plan.is_proven else f'gap {plan.gap_fraction:.2%}'}, {saved:.1%} less"
        )
    print(f"{proven} of {problems} proved, {over} over time, slowest {slowest:.2f} s")


def bench_seasons() -> None:
    rng = random.Random(1)
    for years in (10, 20, 40, 80, 160):
        first = date(1850, 7, 1)
        nights = [
            (first + timedelta(days=d), rng.gauss(5.0, 6.0)) for d in range(round(years * 365.25))
        ]
        begun = time.perf_counter()
        season_outlook(nights, [0.0, -2.0, 2.0], is_northern=True)
        took_s = time.perf_counter() - begun
        each_us = took_s / len(nights) * 1e6
        print(f"{len(nights):6d} nights: {took_s * 1e3:7.1f} ms, {each_us:.2f} µs each")


if __name__ == "__main__":
    bench_cuts(30)
    bench_seasons()
