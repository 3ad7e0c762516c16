"""Which plants fit under which cover in which plot, and how many.

Room under a cover
------------------
Plants of spread s stand in whole rows across the cover: with inner sides A and B,
`across = floor(A / s)` plants in a row and `along = floor(B / s)` rows, so one unit holds
`across * along` plants of one planting whichever way it is turned.

Where plantings are mixed under one unit the obvious rule, "the shares of its capacity add up to
at most 1", is not safe. In a cover of side 6, plants of spread 3 (capacity 4) and of spread 2
(capacity 9): three of the first and two of the second add up to 0.97, but once three quarters
are taken the last 3 x 3 corner holds one plant of spread 2, not two. So the rule here is
tighter: **each planting takes whole rows, and the shares of rows add up to at most 1**,

    sum over plantings of ceil(plants / across) / along <= 1,

for at least one of the two directions of the rows. It is safe: r rows of spread s need r * s of
the side B, and s <= B / along, so all rows together need at most B * sum(r / along) <= B.
As ceil(plants / across) / along >= plants / capacity, it implies the obvious rule, which is
therefore a valid relaxation (used for the bound).
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gardenapp.science.allocation_problem import (
    CoverPool,
    FixedUse,
    Id,
    PlantingNeed,
    PlotSite,
    Problem,
    Treatment,
)

ROUNDING = 1e-9
"""Sizes are compared with this relative slack, so 4 x 35 cm does fit in 140 cm."""


@dataclass(frozen=True)
class Member:
    """One planting under one treatment. `gain` is worth saved per plant, above 0."""

    planting_id: Id
    gain: float
    grid: tuple[int, int] = (0, 0)  # plants along the one side and the other; unused for shelter

    @property
    def capacity(self) -> int:
        """Most plants of this planting alone under one unit."""
        return self.grid[0] * self.grid[1]


@dataclass(frozen=True)
class Option:
    """A treatment that could be used in a plot, with every planting it would help there."""

    index: int
    plot_id: Id
    treatment_id: Id
    is_shelter: bool
    members: tuple[Member, ...]
    needs: tuple[tuple[Id, int], ...]  # covers of each pool that one unit takes
    minutes: float  # for one unit; for shelter, for one pot
    area_cm2: float
    most_units: int


@dataclass(frozen=True)
class Prepared:
    """The problem with the fixed uses taken out and everything that cannot be, left out."""

    problem: Problem
    plots: Mapping[Id, PlotSite]
    plantings: Mapping[Id, PlantingNeed]
    pools: Mapping[Id, CoverPool]
    treatments: Mapping[Id, Treatment]
    options: tuple[Option, ...]
    free_covers: Mapping[Id, int]
    free_area_cm2: Mapping[Id, float]  # math.inf where the plot's size is not known
    free_spaces: int
    bare_plants: Mapping[Id, int]
    kept: tuple[FixedUse, ...]
    must_come_off: tuple[FixedUse, ...]
    harmful_fixed: tuple[FixedUse, ...]
    fixed_objective: float


def whole_times(side_cm: float, spread_cm: float) -> int:
    """How many plants of a spread stand along a side. [cm, cm]; whole plants only."""
    return math.floor(side_cm / spread_cm * (1 + ROUNDING) + ROUNDING)


def footprint_cm(pools: Sequence[CoverPool]) -> tuple[float, float]:
    """Inner sides of the ground one unit covers, longer first. [cm]

    `pools` from the outermost in. A sheet under another cover is folded to what it lies under.
    """
    longer, shorter = math.inf, math.inf
    for pool in pools:
        sides = sorted((pool.inner_length_cm, pool.inner_width_cm), reverse=True)
        longer, shorter = min(longer, sides[0]), min(shorter, sides[1])
    return longer, shorter


def grid_of(pools: Sequence[CoverPool], spread_cm: float) -> tuple[int, int]:
    """Plants of a spread along each side of one unit; (0, 0) where not even one fits. [cm]"""
    longer, shorter = footprint_cm(pools)
    grid = whole_times(longer, spread_cm), whole_times(shorter, spread_cm)
    return grid if all(grid) else (0, 0)


def stack_fits(pools: Sequence[CoverPool]) -> bool:
    """Whether each cover goes under the one outside it; `pools` from the outermost in.

    The outer's inner sides must take the inner's outer sides, and its height the inner's where
    both have one. A loose sheet inside is folded, so it always goes.
    """
    for outer, inner in itertools.pairwise(pools):
        if inner.is_draped:
            continue
        room = sorted((outer.inner_length_cm, outer.inner_width_cm))
        body = sorted((inner.outer_length_cm, inner.outer_width_cm))
        if any(b > r * (1 + ROUNDING) for b, r in zip(body, room, strict=True)):
            return False
        if (
            outer.inner_height_cm is not None
            and inner.inner_height_cm is not None
            and inner.inner_height_cm > outer.inner_height_cm * (1 + ROUNDING)
        ):
            return False
    return True


def headroom_cm(pools: Sequence[CoverPool]) -> float:
    """Tallest plant that stands under every cover of a stack. [cm]; infinite under a sheet.

    A cover that may touch the leaf gives its whole height, another loses its clearance.
    """
    return min(
        (
            pool.inner_height_cm - (0.0 if pool.may_touch else pool.clearance_cm)
            for pool in pools
            if pool.inner_height_cm is not None
        ),
        default=math.inf,
    )


def is_tall_enough(pools: Sequence[CoverPool], height_cm: float) -> bool:
    """Whether a plant of this height stands under all of these covers. [cm]"""
    return height_cm <= headroom_cm(pools) * (1 + ROUNDING)


def stands_in(pools: Sequence[CoverPool], plot: PlotSite) -> bool:
    """Whether rigid covers can stand on the bed and in the plot, turned either way.

    The shorter outer side must be within the bed's width: a frame may be longer than the bed is
    wide. Loose sheets fold and always can. Sizes not known do not limit.
    """
    for pool in pools:
        if not pool.is_rigid:
            continue
        shorter, longer = sorted((pool.outer_length_cm, pool.outer_width_cm))
        if plot.bed_width_cm is not None and shorter > plot.bed_width_cm * (1 + ROUNDING):
            return False
        sides = sorted(side for side in (plot.length_cm, plot.width_cm) if side is not None)
        if sides and shorter > sides[0] * (1 + ROUNDING):
            return False
        if len(sides) == 2 and longer > sides[1] * (1 + ROUNDING):
            return False
    return True


def area_on_plot_cm2(pools: Sequence[CoverPool], plot: PlotSite) -> float:
    """Ground one unit takes up in the plot. [cm²]

    The outermost cover's outer sides. What hangs over the plot's edge of a loose sheet is not
    counted, as it can be folded back.
    """
    outer = pools[0]
    sides = sorted((outer.outer_length_cm, outer.outer_width_cm))
    if outer.is_draped and plot.length_cm is not None and plot.width_cm is not None:
        room = sorted((plot.length_cm, plot.width_cm))
        sides = [min(side, r) for side, r in zip(sides, room, strict=True)]
    return sides[0] * sides[1]


def is_over_gust(pools: Sequence[CoverPool], gust_mps: float | None) -> bool:
    """Whether the gust is strictly over the limit of any of these covers. [m/s]"""
    return gust_mps is not None and any(
        pool.gust_limit_mps is not None and gust_mps > pool.gust_limit_mps for pool in pools
    )


def may_be_used_on(pools: Sequence[CoverPool], plot_id: Id) -> bool:
    """Whether the owners of all these covers let them be used on this plot."""
    return all(pool.allowed_plot_ids is None or plot_id in pool.allowed_plot_ids for pool in pools)


def rows_taken(plants: int, across: int) -> int:
    """Whole rows that so many plants stand in, so many across."""
    return -(-plants // across)


def fits_together(contents: Mapping[Id, int], grids: Mapping[Id, tuple[int, int]]) -> bool:
    """Whether these plants stand together under one unit: the rule of this module's head."""
    for way in (0, 1):
        share = 0.0
        for planting_id, plants in contents.items():
            if not plants:
                continue
            across, along = grids[planting_id][way], grids[planting_id][1 - way]
            if not across or not along:
                return False
            share += rows_taken(plants, across) / along
        if share <= 1 + ROUNDING:
            return True
    return False


def prepare(problem: Problem) -> Prepared:
    """Take out the fixed uses and list every treatment that could do good in every plot.

    Expects a checked problem (`check_problem`).
    """
    plots = {plot.id: plot for plot in problem.plots}
    plantings = {planting.id: planting for planting in problem.plantings}
    pools = {pool.id: pool for pool in problem.pools}
    treatments = {treatment.id: treatment for treatment in problem.treatments}

    free_covers = {pool.id: pool.count for pool in problem.pools}
    free_spaces = problem.shelter_spaces
    bare_plants = {planting.id: planting.count for planting in problem.plantings}
    free_area = {
        plot.id: plot.length_cm * plot.width_cm
        if plot.length_cm is not None and plot.width_cm is not None
        else math.inf
        for plot in problem.plots
    }
    kept: list[FixedUse] = []
    off: list[FixedUse] = []
    harmful: list[FixedUse] = []
    fixed_objective = 0.0
    for use in problem.fixed:
        treatment = treatments[use.treatment_id]
        stack = [pools[pool_id] for pool_id in treatment.pool_ids]
        if is_over_gust(stack, problem.gust_mps):
            off.append(use)
            continue
        kept.append(use)
        does_harm = False
        for unit in use.units:
            for planting_id, plants in unit.items():
                planting = plantings[planting_id]
                under = problem.damage.get((planting_id, use.treatment_id), planting.bare_damage)
                fixed_objective += planting.worth * (planting.bare_damage - under) * plants
                does_harm = does_harm or (plants > 0 and under > planting.bare_damage)
                # More plants named than there are, or more covers than counted, happens when
                # records change under a cover that is on: the cover still stays, nothing is free.
                bare_plants[planting_id] = max(0, bare_plants[planting_id] - plants)
            if treatment.is_shelter:
                free_spaces = max(0, free_spaces - sum(unit.values()))
        for pool_id in treatment.pool_ids:
            free_covers[pool_id] = max(0, free_covers[pool_id] - len(use.units))
        if stack:
            taken = area_on_plot_cm2(stack, plots[use.plot_id]) * len(use.units)
            free_area[use.plot_id] = max(0.0, free_area[use.plot_id] - taken)
        if does_harm:
            harmful.append(use)

    at_plot: dict[Id, list[PlantingNeed]] = {plot.id: [] for plot in problem.plots}
    for planting in problem.plantings:
        if bare_plants[planting.id]:
            at_plot[planting.plot_id].append(planting)

    options: list[Option] = []
    for treatment in problem.treatments:
        stack = [pools[pool_id] for pool_id in treatment.pool_ids]
        if treatment.is_shelter:
            if not free_spaces:
                continue
        elif is_over_gust(stack, problem.gust_mps) or not stack_fits(stack):
            continue
        needs = Counter(treatment.pool_ids)
        units_free = min(
            (free_covers[pool_id] // each for pool_id, each in needs.items()), default=0
        )
        if stack and not units_free:
            continue
        headroom = headroom_cm(stack) * (1 + ROUNDING)
        for plot in problem.plots:
            if not at_plot[plot.id]:
                continue
            area, most = 0.0, free_spaces
            if stack:
                if not may_be_used_on(stack, plot.id) or not stands_in(stack, plot):
                    continue
                area = area_on_plot_cm2(stack, plot)
                most = units_free
                if free_area[plot.id] < math.inf:
                    most = min(most, math.floor(free_area[plot.id] / area * (1 + ROUNDING)))
                if most < 1:
                    continue
            members: list[Member] = []
            for planting in at_plot[plot.id]:
                under = problem.damage.get((planting.id, treatment.id))
                if under is None or under >= planting.bare_damage:
                    continue
                grid = (0, 0)
                if treatment.is_shelter:
                    if not planting.is_movable_pot:
                        continue
                else:
                    if planting.height_cm > headroom:
                        continue
                    grid = grid_of(stack, planting.spread_cm)
                    if not grid[0]:
                        continue
                gain = planting.worth * (planting.bare_damage - under)
                members.append(Member(planting.id, gain, grid))
            if not members:
                continue
            plants = sum(bare_plants[member.planting_id] for member in members)
            options.append(
                Option(
                    index=len(options),
                    plot_id=plot.id,
                    treatment_id=treatment.id,
                    is_shelter=treatment.is_shelter,
                    members=tuple(members),
                    needs=tuple(needs.items()),
                    minutes=(
                        problem.shelter_minutes_per_pot
                        if treatment.is_shelter
                        else sum(pool.minutes for pool in stack)
                    ),
                    area_cm2=area,
                    most_units=min(most, plants),
                )
            )
    return Prepared(
        problem=problem,
        plots=plots,
        plantings=plantings,
        pools=pools,
        treatments=treatments,
        options=tuple(options),
        free_covers=free_covers,
        free_area_cm2=free_area,
        free_spaces=free_spaces,
        bare_plants=bare_plants,
        kept=tuple(kept),
        must_come_off=tuple(off),
        harmful_fixed=tuple(harmful),
        fixed_objective=fixed_objective,
    )
