"""Gardens to plan, every way of planning the smallest, and the rules counted afresh."""

from __future__ import annotations

import itertools
import math
import random
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from gardenapp.science.allocation.fit import squares_go_in
from gardenapp.science.allocation.reasons import words_of
from gardenapp.science.allocation.solve import (
    Allocation,
    CoverPool,
    FixedUse,
    Id,
    PlantingNeed,
    PlotSite,
    Problem,
    Treatment,
)

PATIENT = settings(
    deadline=None,
    max_examples=200,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)


def make_plot(**changes: Any) -> PlotSite:
    return replace(
        PlotSite(id="plot", length_cm=600.0, width_cm=300.0, bed_width_cm=120.0), **changes
    )


def make_planting(**changes: Any) -> PlantingNeed:
    usual = PlantingNeed(
        id="lettuce",
        plot_id="plot",
        count=4,
        spread_cm=25.0,
        height_cm=20.0,
        worth=1.0,
        bare_damage=0.8,
    )
    return replace(usual, **changes)


def make_frame(**changes: Any) -> CoverPool:
    usual = CoverPool(
        id="frame",
        label="box frame",
        count=1,
        inner_length_cm=100.0,
        inner_width_cm=50.0,
        inner_height_cm=40.0,
        outer_length_cm=105.0,
        outer_width_cm=55.0,
        is_rigid=True,
        minutes=2.0,
    )
    return replace(usual, **changes)


def make_problem(
    *,
    plots: tuple[PlotSite, ...] = (),
    plantings: tuple[PlantingNeed, ...] = (),
    pools: tuple[CoverPool, ...] = (),
    treatments: tuple[Treatment, ...] | None = None,
    damage: Mapping[tuple[Id, Id], float] | None = None,
    **changes: Any,
) -> Problem:
    plots = plots or (make_plot(),)
    plantings = plantings or (make_planting(),)
    if treatments is None:
        treatments = tuple(Treatment(pool.id, (pool.id,), pool.label) for pool in pools)
    if damage is None:
        damage = {(p.id, t.id): 0.1 for p in plantings for t in treatments}
    return Problem(
        plots=plots,
        plantings=plantings,
        pools=pools,
        treatments=treatments,
        damage=damage,
        **changes,
    )


def tiny_garden(seed: int) -> Problem:
    """A garden small enough to try everything: every rule can bind in some of them."""
    rng = random.Random(seed)
    plots = tuple(
        PlotSite(
            id=number,
            length_cm=rng.choice([None, 60.0, 100.0]),
            width_cm=rng.choice([None, 40.0, 60.0]),
            bed_width_cm=rng.choice([None, 30.0, 45.0, 60.0]),
            minutes_away=rng.choice([0.0, 1.0, 3.0]),
        )
        for number in range(rng.choice([1, 2, 2]))
    )
    plantings = tuple(
        PlantingNeed(
            id=f"p{number}",
            plot_id=rng.choice(plots).id,
            count=rng.randint(1, 3),
            spread_cm=rng.choice([10.0, 15.0, 20.0, 30.0]),
            height_cm=rng.choice([5.0, 20.0, 35.0]),
            worth=rng.choice([1.0, 2.0, 3.5]),
            bare_damage=rng.choice([0.3, 0.6, 0.9]),
            is_movable_pot=rng.random() < 0.4,
        )
        for number in range(rng.randint(1, 4))
    )
    pools = tuple(
        CoverPool(
            id=f"c{number}",
            label=f"cover {number}",
            count=rng.randint(1, 2),
            inner_length_cm=rng.choice([20.0, 30.0, 45.0]) if number else 45.0,
            inner_width_cm=rng.choice([15.0, 20.0, 30.0]) if number else 30.0,
            inner_height_cm=rng.choice([None, 10.0, 25.0, 40.0]),
            outer_length_cm=rng.choice([45.0, 50.0]),
            outer_width_cm=rng.choice([30.0, 35.0]),
            is_rigid=rng.random() < 0.5,
            may_touch=rng.random() < 0.5,
            clearance_cm=rng.choice([0.0, 5.0]),
            minutes=rng.choice([0.0, 1.0, 2.0]),
            gust_limit_mps=rng.choice([None, None, 8.0, 12.0]),
            allowed_plot_ids=rng.choice([None, None, None, frozenset([0])]),
        )
        for number in range(rng.choice([1, 2, 2]))
    )
    treatments = [Treatment(pool.id, (pool.id,)) for pool in pools]
    if len(pools) == 2:
        treatments.append(Treatment("stack", ("c0", "c1")))
    treatments.append(Treatment("shelter", ()))
    damage = {
        (p.id, t.id): min(
            1.0,
            max(
                0.0,
                p.bare_damage
                - rng.choice([0.4, 0.6] if t.id == "stack" else [-0.1, 0.1, 0.25, 0.5]),
            ),
        )
        for p in plantings
        for t in treatments
        if rng.random() < 0.95
    }
    fixed: tuple[FixedUse, ...] = ()
    if rng.random() < 0.4:
        planting = rng.choice(plantings)
        fixed = (FixedUse(planting.plot_id, pools[0].id, ({planting.id: 1},)),)
    return Problem(
        plots=plots,
        plantings=plantings,
        pools=pools,
        treatments=tuple(treatments),
        damage=damage,
        shelter_spaces=rng.choice([0, 1, 2]),
        shelter_minutes_per_pot=rng.choice([0.0, 1.0]),
        minutes_budget=rng.choice([None, 3.0, 6.0]),
        worth_per_minute=rng.choice([0.0, 0.05, 0.3]),
        gust_mps=rng.choice([None, 8.0, 10.0]),
        fixed=fixed,
    )


class EverythingTried:
    """The best by trying all: written from the rules, sharing only `squares_go_in`."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.pools = {pool.id: pool for pool in problem.pools}
        self.plots = {plot.id: plot for plot in problem.plots}
        self.treatments = {t.id: t for t in problem.treatments}
        self.plantings = {p.id: p for p in problem.plantings}

    def stack(self, treatment: Treatment) -> list[CoverPool]:
        return [self.pools[pool_id] for pool_id in treatment.pool_ids]

    def is_blown_off(self, treatment: Treatment) -> bool:
        gust = self.problem.gust_mps
        return gust is not None and any(
            pool.gust_limit_mps is not None and gust > pool.gust_limit_mps
            for pool in self.stack(treatment)
        )

    def best(self) -> float:
        problem = self.problem
        covers = {pool.id: pool.count for pool in problem.pools}
        bare = {p.id: p.count for p in problem.plantings}
        area = {
            plot.id: plot.length_cm * plot.width_cm
            if plot.length_cm and plot.width_cm
            else math.inf
            for plot in problem.plots
        }
        spaces = problem.shelter_spaces
        worth = 0.0
        for use in problem.fixed:
            treatment = self.treatments[use.treatment_id]
            if self.is_blown_off(treatment):
                continue
            for unit in use.units:
                for planting_id, plants in unit.items():
                    planting = self.plantings[planting_id]
                    under = problem.damage.get(
                        (planting_id, use.treatment_id), planting.bare_damage
                    )
                    worth += planting.worth * (planting.bare_damage - under) * plants
                    bare[planting_id] = max(0, bare[planting_id] - plants)
                for pool_id in treatment.pool_ids:
                    covers[pool_id] = max(0, covers[pool_id] - 1)
                area[use.plot_id] = max(0.0, area[use.plot_id] - self.area(treatment, use.plot_id))
        units = [
            (plot.id, treatment, contents)
            for plot in problem.plots
            for treatment in problem.treatments
            for contents in self.contents(plot, treatment, bare)
        ]
        return worth + self.rest(units, 0, covers, bare, area, spaces, 0.0, frozenset())

    def area(self, treatment: Treatment, plot_id: Id) -> float:
        outer = self.stack(treatment)[0]
        plot = self.plots[plot_id]
        sides = sorted([outer.outer_length_cm, outer.outer_width_cm])
        if (
            outer.inner_height_cm is None
            and not outer.is_rigid
            and plot.length_cm
            and plot.width_cm
        ):
            room = sorted([plot.length_cm, plot.width_cm])
            sides = [min(sides[0], room[0]), min(sides[1], room[1])]
        return sides[0] * sides[1]

    def gain(self, planting: PlantingNeed, treatment: Treatment) -> float:
        under = self.problem.damage.get((planting.id, treatment.id))
        return 0.0 if under is None else planting.worth * (planting.bare_damage - under)

    def contents(
        self, plot: PlotSite, treatment: Treatment, bare: Mapping[Id, int]
    ) -> Iterator[dict[Id, int]]:
        stack = self.stack(treatment)
        here = [
            p
            for p in self.problem.plantings
            if p.plot_id == plot.id and bare[p.id] and self.gain(p, treatment) > 0
        ]
        if treatment.is_shelter:
            here = [p for p in here if p.is_movable_pot]
            for planting in here:  # one pot at a time is enough
                yield {planting.id: 1}
            return
        if self.is_blown_off(treatment):
            return
        if any(c.allowed_plot_ids is not None and plot.id not in c.allowed_plot_ids for c in stack):
            return
        if len(stack) == 2:
            outer, inner = stack
            if inner.is_rigid or inner.inner_height_cm is not None:
                room = sorted([outer.inner_length_cm, outer.inner_width_cm])
                body = sorted([inner.outer_length_cm, inner.outer_width_cm])
                if body[0] > room[0] or body[1] > room[1]:
                    return
                if (outer.inner_height_cm or math.inf) < (inner.inner_height_cm or 0.0):
                    return
        for cover in stack:
            if not cover.is_rigid:
                continue
            body = sorted([cover.outer_length_cm, cover.outer_width_cm])
            if plot.bed_width_cm is not None and body[0] > plot.bed_width_cm:
                return
            known = sorted(s for s in (plot.length_cm, plot.width_cm) if s is not None)
            if known and body[0] > known[0]:
                return
            if len(known) == 2 and body[1] > known[1]:
                return
        longer = min(max(c.inner_length_cm, c.inner_width_cm) for c in stack)
        shorter = min(min(c.inner_length_cm, c.inner_width_cm) for c in stack)
        fitting = []
        for planting in here:
            low = any(
                c.inner_height_cm is not None
                and c.inner_height_cm
                < planting.height_cm + (0.0 if c.may_touch else c.clearance_cm)
                for c in stack
            )
            drop = drop_of(stack, planting)
            if not low and planting.spread_cm <= shorter - drop:
                fitting.append(planting)
        if not fitting:
            return

        def stands(numbers: tuple[int, ...]) -> bool:
            share = 0.0
            counts: Counter[float] = Counter()
            for p, n in zip(fitting, numbers, strict=True):
                drop = drop_of(stack, p)
                room = ((longer - drop) // p.spread_cm) * ((shorter - drop) // p.spread_cm)
                share += n / room
                counts[p.spread_cm] += n
            return share <= 1 + 1e-9 and squares_go_in((longer, shorter), counts)

        ranges = [range(bare[p.id] + 1) for p in fitting]
        standing = [
            numbers for numbers in itertools.product(*ranges) if any(numbers) and stands(numbers)
        ]
        for numbers in itertools.product(*ranges):
            within = any(
                all(a <= b for a, b in zip(numbers, more, strict=True)) for more in standing
            )
            if any(numbers) and within:
                yield {p.id: n for p, n in zip(fitting, numbers, strict=True) if n}

    def rest(
        self,
        units: list[tuple[Id, Treatment, dict[Id, int]]],
        first: int,
        covers: dict[Id, int],
        bare: dict[Id, int],
        area: dict[Id, float],
        spaces: int,
        minutes: float,
        visited: frozenset[Id],
    ) -> float:
        problem = self.problem
        best = 0.0
        for number in range(first, len(units)):
            plot_id, treatment, contents = units[number]
            if any(n > bare[pid] for pid, n in contents.items()):
                continue
            stack = self.stack(treatment)
            needs = Counter(treatment.pool_ids)
            if any(covers[pool_id] < n for pool_id, n in needs.items()):
                continue
            takes = sum(cover.minutes for cover in stack)
            taken = 0.0
            if treatment.is_shelter:
                if not spaces:
                    continue
                takes = problem.shelter_minutes_per_pot
            else:
                taken = self.area(treatment, plot_id)
                if taken > area[plot_id] * (1 + 1e-9):
                    continue
            if plot_id not in visited:
                takes += self.plots[plot_id].minutes_away
            if (
                problem.minutes_budget is not None
                and minutes + takes > problem.minutes_budget + 1e-7
            ):
                continue
            gain = sum(n * self.gain(self.plantings[pid], treatment) for pid, n in contents.items())
            gain -= problem.worth_per_minute * takes
            gain += self.rest(
                units,
                number,
                {pool_id: n - needs[pool_id] for pool_id, n in covers.items()},
                {pid: n - contents.get(pid, 0) for pid, n in bare.items()},
                {**area, plot_id: area[plot_id] - taken},
                spaces - (1 if treatment.is_shelter else 0),
                minutes + takes,
                visited | {plot_id},
            )
            best = max(best, gain)
        return best


def drop_of(stack: Sequence[CoverPool], planting: PlantingNeed) -> float:
    """What a loose sheet on the outside loses to reach the ground on both sides. [cm]"""
    is_sheet = stack[0].inner_height_cm is None and not stack[0].is_rigid
    return 2.0 * planting.height_cm if is_sheet else 0.0


def objective_of(problem: Problem, answer: Allocation) -> tuple[float, float]:
    """Objective and minutes counted afresh from the uses alone."""
    plantings = {p.id: p for p in problem.plantings}
    treatments = {t.id: t for t in problem.treatments}
    pools = {pool.id: pool for pool in problem.pools}
    away = {plot.id: plot.minutes_away for plot in problem.plots}
    worth, minutes = 0.0, 0.0
    visited = set()
    for use in answer.uses:
        for unit in use.units:
            for planting_id, plants in unit.items():
                planting = plantings[planting_id]
                under = problem.damage.get((planting_id, use.treatment_id), planting.bare_damage)
                worth += planting.worth * (planting.bare_damage - under) * plants
        if use.is_fixed:
            continue
        visited.add(use.plot_id)
        treatment = treatments[use.treatment_id]
        if treatment.is_shelter:
            pots = sum(sum(unit.values()) for unit in use.units)
            minutes += pots * problem.shelter_minutes_per_pot
        else:
            minutes += len(use.units) * sum(pools[pid].minutes for pid in treatment.pool_ids)
    minutes += sum(away[plot_id] for plot_id in visited)
    return worth - problem.worth_per_minute * minutes, minutes


def check_rules(problem: Problem, answer: Allocation) -> None:
    """Counts, plants, spaces, minutes and contents are what they say they are."""
    treatments = {t.id: t for t in problem.treatments}
    used: Counter[Id] = Counter()
    plants: Counter[Id] = Counter()
    covered: dict[Id, Counter[Id]] = {}
    pots = 0
    for use in answer.uses:
        treatment = treatments[use.treatment_id]
        for unit in use.units:
            assert unit, "an empty unit was listed"
            used.update(treatment.pool_ids)
            for planting_id, number in unit.items():
                plants[planting_id] += number
                covered.setdefault(planting_id, Counter())[use.treatment_id] += number
            if treatment.is_shelter:
                pots += sum(unit.values())
    for pool in problem.pools:
        assert used[pool.id] <= pool.count
    for planting in problem.plantings:
        assert plants[planting.id] <= planting.count
    assert pots <= problem.shelter_spaces
    assert {pid: dict(under) for pid, under in covered.items()} == answer.covered
    objective, minutes = objective_of(problem, answer)
    assert answer.objective == pytest.approx(objective, abs=1e-6)
    assert answer.minutes_used == pytest.approx(minutes, abs=1e-6)
    if problem.minutes_budget is not None:
        assert minutes <= problem.minutes_budget + 1e-6
    assert answer.bound >= answer.objective - 1e-6
    assert set(answer.reasons) == {p.id for p in problem.plantings}
    for planting in problem.plantings:
        reason = answer.reasons[planting.id]
        assert reason.plants == planting.count - plants[planting.id]
        assert words_of(reason.code, reason.params)
