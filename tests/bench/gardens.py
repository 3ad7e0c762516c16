"""Invented gardens of any size for the allocation bench and tests; same seed, same garden."""

from __future__ import annotations

import math
import random

from gardenapp.science.allocation.solve import (
    CoverPool,
    Id,
    PlantingNeed,
    PlotSite,
    Problem,
    Treatment,
)


def invented_garden(
    *,
    plots: int,
    plantings: int,
    classes: int,
    covers: int,
    seed: int = 1,
    minutes_budget: float | None = None,
    worth_per_minute: float = 0.002,
    shelter_spaces: int | None = None,
) -> Problem:
    """A garden in which covers are scarce, with a few stacks, lent covers and pots.

    Sizes in cm within what allotments have; lifts 0.3 to 6 K; thresholds around a night that
    hurts most plantings. Nothing here is measured; only the shape of the problem matters.
    """
    rng = random.Random(seed)
    plot_sites = tuple(
        PlotSite(
            id=f"plot {number}",
            length_cm=rng.choice([300.0, 500.0, 600.0, 1000.0]),
            width_cm=rng.choice([240.0, 300.0, 500.0]),
            bed_width_cm=rng.choice([90.0, 120.0, 122.0, 150.0]),
            minutes_away=rng.choice([1.0, 2.0, 3.0, 4.0]),
        )
        for number in range(plots)
    )
    needs = []
    margin_k: dict[Id, float] = {}
    for number in range(plantings):
        spread = rng.choice([10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0])
        margin = rng.uniform(-5.0, 1.0)
        need = PlantingNeed(
            id=f"planting {number}",
            plot_id=plot_sites[number % plots].id,
            count=rng.randint(2, 24) if spread < 40 else rng.randint(1, 8),
            spread_cm=spread,
            height_cm=rng.choice([5.0, 10.0, 20.0, 30.0, 45.0, 60.0, 90.0]),
            worth=round(rng.uniform(0.2, 5.0), 2),
            bare_damage=_share(margin),
            is_movable_pot=rng.random() < 0.12,
        )
        margin_k[need.id] = margin
        needs.append(need)
    pools: list[CoverPool] = []
    lift_k: dict[Id, float] = {}
    rest = covers
    for number in range(classes):
        count = max(1, rest // (classes - number) + rng.randint(-4, 4))
        if number == classes - 1:
            count = max(1, rest)
        count = min(count, max(1, rest - (classes - number - 1)))
        rest -= count
        kind = rng.choice(["sheet", "frame", "cloche", "bell"])
        if kind == "sheet":
            length, width, height = rng.choice([200.0, 300.0, 400.0]), 150.0, None
        elif kind == "frame":
            length, width = rng.choice([(142.0, 107.0), (120.0, 90.0), (100.0, 60.0)])
            height = rng.choice([25.0, 35.0, 50.0])
        elif kind == "cloche":
            length, width, height = 60.0, rng.choice([30.0, 40.0]), rng.choice([30.0, 40.0])
        else:
            length = width = rng.choice([25.0, 35.0, 50.0])
            height = rng.choice([25.0, 40.0, 70.0, 100.0])
        wall = 0.0 if kind == "sheet" else 4.0
        is_lent = rng.random() < 0.15
        pool = CoverPool(
            id=f"cover {number}",
            label=f"{kind} {number}",
            count=count,
            inner_length_cm=length,
            inner_width_cm=width,
            inner_height_cm=height,
            outer_length_cm=length + wall,
            outer_width_cm=width + wall,
            is_rigid=kind in ("frame", "cloche"),
            may_touch=kind == "sheet",
            clearance_cm=0.0 if kind == "sheet" else 3.0,
            minutes={"sheet": 3.0, "frame": 4.0, "cloche": 1.5, "bell": 0.5}[kind],
            gust_limit_mps=rng.choice([None, 10.0, 15.0, 20.0]),
            allowed_plot_ids=frozenset(p.id for p in rng.sample(plot_sites, max(1, plots // 4)))
            if is_lent
            else None,
        )
        lift_k[pool.id] = rng.uniform(0.3, 4.0) if kind != "sheet" else rng.uniform(0.3, 2.5)
        pools.append(pool)
    treatments = [Treatment(pool.id, (pool.id,), pool.label) for pool in pools]
    sheets = [pool for pool in pools if pool.inner_height_cm is None]
    frames = [pool for pool in pools if pool.label.startswith("frame")]
    for outer in frames[:2]:
        for inner in sheets[:2]:
            stack_id = f"{outer.id} over {inner.id}"
            lift_k[stack_id] = lift_k[outer.id] + 0.6 * lift_k[inner.id]
            treatments.append(Treatment(stack_id, (outer.id, inner.id), stack_id))
    treatments.append(Treatment("shelter", (), "carry to shelter"))
    lift_k["shelter"] = 8.0
    damage = {
        (need.id, treatment.id): _share(margin_k[need.id] + lift_k[treatment.id])
        for need in needs
        for treatment in treatments
    }
    return Problem(
        plots=plot_sites,
        plantings=tuple(needs),
        pools=tuple(pools),
        treatments=tuple(treatments),
        damage=damage,
        shelter_spaces=max(2, plots // 2) if shelter_spaces is None else shelter_spaces,
        shelter_minutes_per_pot=1.0,
        minutes_budget=minutes_budget,
        worth_per_minute=worth_per_minute,
        gust_mps=8.0,
    )


def _share(margin_k: float) -> float:
    """A smooth share lost for a margin; the middle at -1 K. Shape only."""
    return 1.0 / (1.0 + math.pow(2.718281828, 1.6 * (margin_k + 1.0)))
