"""Which plants fit under which cover in which plot, and how many.

Room under a cover
------------------
A plant of spread s needs a square of side s. With inner sides A and B one unit holds
`floor(A / s) * floor(B / s)` plants of one planting, its capacity, whichever way it is turned.

Where plantings are mixed under one unit the obvious rule, "the shares of its capacity add up to
at most 1", is necessary here but is not enough. By area it is safe: capacity is at most
A * B / s^2, so the squares' areas add up to at most A * B. As squares it is not always: in a
cover of side 6, three plants of spread 3 (capacity 4) and two of spread 2 (capacity 9) add up to
0.97, yet the last 3 x 3 corner takes one plant of spread 2, not two. So plants are said to stand
together only where **the shares add up to at most 1 and a placing of all the squares, side by
side without overlap, has been found** (`squares_go_in`), or where they are part of plants that
do. It never allows what cannot stand; it can refuse what a cleverer placing would get in. The
shares alone are a valid relaxation and give the bound.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple, TypeVar

from gardenapp.science.allocation.problem import (
    CoverPool,
    FixedUse,
    Id,
    PlantingNeed,
    PlotSite,
    Problem,
    Treatment,
)

Place = TypeVar("Place")

ROUNDING = 1e-9
"""Sizes are compared with this relative slack, so 4 x 35 cm does fit in 140 cm."""


class Member(NamedTuple):
    """One planting under one treatment. `gain` is worth saved per plant, above 0."""

    planting_id: Id
    gain: float
    capacity: int = 0  # most plants of it alone under one unit; unused for shelter
    spread_cm: float = 0.0


@dataclass(frozen=True)
class Option:
    """A treatment that could be used in a bed of a plot, with every planting it would help there.

    The way to shelter is one for the whole plot.
    """

    index: int
    plot_id: Id
    treatment_id: Id
    is_shelter: bool
    members: tuple[Member, ...]
    needs: tuple[tuple[Id, int], ...]  # covers of each pool that one unit takes
    minutes: float  # for one unit; for shelter, for one pot
    area_cm2: float
    most_units: int
    inner_cm: tuple[float, float] = (0.0, 0.0)  # sides of the ground one unit covers

    @cached_property
    def gains(self) -> Mapping[Id, float]:
        """Worth saved a plant, by planting."""
        return {member.planting_id: member.gain for member in self.members}

    @cached_property
    def capacities(self) -> Mapping[Id, int]:
        """Most plants alone under one unit, by planting."""
        return {member.planting_id: member.capacity for member in self.members}

    @cached_property
    def by_density(self) -> tuple[tuple[Id, int, float], ...]:
        """Its plantings with capacity and spread, those worth most for their room first."""
        ranked = sorted(self.members, key=lambda m: -m.gain * m.capacity)
        return tuple((m.planting_id, m.capacity, m.spread_cm) for m in ranked)

    def saved_by(self, contents: Mapping[Id, int]) -> float:
        """Worth saved by these plants under it, effort not counted."""
        gains = self.gains
        return sum(gains[planting_id] * plants for planting_id, plants in contents.items())


def options_by_plot(options: Iterable[Option]) -> dict[Id, list[Option]]:
    """Options grouped by the plot they are in."""
    grouped: dict[Id, list[Option]] = {}
    for option in options:
        grouped.setdefault(option.plot_id, []).append(option)
    return grouped


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


class RoomUnder:
    """What stands under one unit of a stack, `pools` from the outermost in; asked once a size."""

    def __init__(self, pools: Sequence[CoverPool]) -> None:
        self._is_draped = bool(pools) and pools[0].is_draped
        self._sides_cm = footprint_cm(pools)
        self._height_cm = min(
            (
                pool.inner_height_cm - (0.0 if pool.may_touch else pool.clearance_cm)
                for pool in pools
                if pool.inner_height_cm is not None
            ),
            default=math.inf,
        )
        self._known: dict[tuple[float, float], int] = {}

    def drop_cm(self, height_cm: float) -> float:
        """How much of a sheet's length and width goes down to the ground on both sides. [cm]

        A loose sheet over plants keeps warmth only where its edges lie on the soil all round, so
        it covers less ground the taller they are. Under a stiff cover a sheet need not reach down.
        Plants of several heights under one sheet each count by the ground that is left at theirs.
        """
        return 2.0 * height_cm if self._is_draped else 0.0

    def headroom_cm(self, spread_cm: float) -> float:
        """Tallest plant of a spread that stands under every cover. [cm]

        A cover that may touch the leaf gives its whole height, another loses its clearance. A
        loose sheet reaches the ground on both sides of a plant up to half of what its width has
        over.
        """
        if not self._is_draped:
            return self._height_cm
        return min(self._height_cm, max(0.0, (self._sides_cm[1] - spread_cm) / 2.0))

    def capacity(self, spread_cm: float, height_cm: float) -> int:
        """Plants of a spread and height that go in side by side, however tall it is. [cm]"""
        drop = self.drop_cm(height_cm)
        longer, shorter = (max(0.0, side - drop) for side in self._sides_cm)
        return whole_times(longer, spread_cm) * whole_times(shorter, spread_cm)

    def holds(self, spread_cm: float, height_cm: float) -> int:
        """Plants of a spread and height that stand under it; 0 where it is too low. [cm]"""
        size = (spread_cm, height_cm)
        if size not in self._known:
            is_low = height_cm > self.headroom_cm(spread_cm) * (1 + ROUNDING)
            self._known[size] = 0 if is_low else self.capacity(spread_cm, height_cm)
        return self._known[size]


def capacity_of(pools: Sequence[CoverPool], spread_cm: float, height_cm: float) -> int:
    """Plants of a spread and height that one unit holds; 0 where not even one fits. [cm]"""
    return RoomUnder(pools).capacity(spread_cm, height_cm)


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


def headroom_cm(pools: Sequence[CoverPool], spread_cm: float) -> float:
    """Tallest plant of a spread that stands under every cover of a stack. [cm]"""
    return RoomUnder(pools).headroom_cm(spread_cm)


def is_tall_enough(pools: Sequence[CoverPool], height_cm: float, spread_cm: float) -> bool:
    """Whether a plant of this height and spread stands under all of these covers. [cm]"""
    return height_cm <= headroom_cm(pools, spread_cm) * (1 + ROUNDING)


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


def squares_go_in(sides_cm: tuple[float, float], counts: Mapping[float, int]) -> bool:
    """Whether squares were placed side by side in a rectangle; `counts` by side of square. [cm]

    Rows of the largest first, what is left at a row's end filled in the same way with smaller
    ones, tried in four orders of turning. True is a proof (each square was given its place);
    False only means that no placing was found.
    """
    total = sorted(((side, number) for side, number in counts.items() if number), reverse=True)
    if len(total) == 1:
        ((side, number),) = total
        return number <= whole_times(sides_cm[0], side) * whole_times(sides_cm[1], side)
    return _was_placed(sides_cm, tuple(total))


@lru_cache(maxsize=1 << 16)  # covers and plants have few sizes, and the same is asked often
def _was_placed(sides_cm: tuple[float, float], total: tuple[tuple[float, int], ...]) -> bool:
    for is_turned in (False, True):
        for turns_inside in (False, True):
            left = dict(total)
            _fill(*sides_cm, left, is_turned, turns_inside)
            if not any(left.values()):
                return True
    return False


def _fill(
    row_cm: float, depth_cm: float, left: dict[float, int], is_turned: bool, turns_inside: bool
) -> None:
    """Place what goes in, largest first, and take it off `left` (largest first)."""
    if (row_cm < depth_cm) != is_turned:
        row_cm, depth_cm = depth_cm, row_cm
    for side in left:
        while left[side] and whole_times(depth_cm, side) and whole_times(row_cm, side):
            placed = min(left[side], whole_times(row_cm, side))
            left[side] -= placed
            rest = row_cm - placed * side
            if rest > 0:
                inside = {other: n for other, n in left.items() if n and other <= side}
                if inside:
                    _fill(rest, side, inside, is_turned != turns_inside, turns_inside)
                    left.update(inside)
            depth_cm -= side


def put_under(
    inner_cm: tuple[float, float],
    order: Sequence[tuple[Place, int, float]],
    bare: Callable[[Place], int],
    contents: dict[Place, int],
) -> None:
    """Add plants to what is under one unit, in this order, while all are placed as squares.

    order : plantings with their capacity and spread [cm]; all that `contents` holds are among
    them. bare : how many plants of a planting there are, those under the unit included. What does
    not go in whole is tried with half, then down to one. Changes `contents`.
    """
    room = 1.0
    squares: dict[float, int] = {}
    for place, capacity, spread_cm in order if contents else ():
        if before := contents.get(place, 0):
            room -= before / capacity
            squares[spread_cm] = squares.get(spread_cm, 0) + before
    for place, capacity, spread_cm in order:
        before = contents.get(place, 0)
        most = min(math.floor(room * capacity + ROUNDING), bare(place) - before)
        while most > 0:
            tried = {**squares, spread_cm: squares.get(spread_cm, 0) + most}
            if squares_go_in(inner_cm, tried):
                squares = tried
                contents[place] = before + most
                room -= most / capacity
                break
            most //= 2


def share_of(option: Option, contents: Mapping[Id, int]) -> float:
    """Share of one unit's capacity that these plants take; 1 is full."""
    capacity = option.capacities
    return sum(plants / capacity[pid] for pid, plants in contents.items() if plants)


def fits_together(option: Option, contents: Mapping[Id, int]) -> bool:
    """Whether these plants stand together under one unit: the rule of this module's head."""
    if share_of(option, contents) > 1 + ROUNDING:
        return False
    if len(contents) == 1:
        return True  # its capacity is as many squares as go in
    spread = {member.planting_id: member.spread_cm for member in option.members}
    counts: dict[float, int] = {}
    for planting_id, plants in contents.items():
        counts[spread[planting_id]] = counts.get(spread[planting_id], 0) + plants
    return squares_go_in(option.inner_cm, counts)


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

    return Prepared(
        problem=problem,
        plots=plots,
        plantings=plantings,
        pools=pools,
        treatments=treatments,
        options=tuple(
            _options_of(problem, pools, bare_plants, free_covers, free_area, free_spaces)
        ),
        free_covers=free_covers,
        free_area_cm2=free_area,
        free_spaces=free_spaces,
        bare_plants=bare_plants,
        kept=tuple(kept),
        must_come_off=tuple(off),
        harmful_fixed=tuple(harmful),
        fixed_objective=fixed_objective,
    )


def _options_of(
    problem: Problem,
    pools: Mapping[Id, CoverPool],
    bare_plants: Mapping[Id, int],
    free_covers: Mapping[Id, int],
    free_area: Mapping[Id, float],
    free_spaces: int,
) -> list[Option]:
    """Every treatment in every bed where it could do good, those of a treatment together."""
    beds: dict[Id, dict[Id | None, list[PlantingNeed]]] = {plot.id: {} for plot in problem.plots}
    pots: dict[Id, list[PlantingNeed]] = {}
    for planting in problem.plantings:
        if bare_plants[planting.id] and planting.bare_damage > 0.0:
            beds[planting.plot_id].setdefault(planting.bed, []).append(planting)
            if planting.is_movable_pot:
                pots.setdefault(planting.plot_id, []).append(planting)

    options: list[Option] = []

    def add(
        treatment: Treatment,
        plot_id: Id,
        members: Sequence[Member],
        most: int,
        *,
        needs: tuple[tuple[Id, int], ...] = (),
        minutes: float = 0.0,
        area: float = 0.0,
        inner_cm: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        if not members:
            return
        could_save = sum(member.gain * bare_plants[member.planting_id] for member in members)
        if could_save < problem.least_gain:
            return
        plants = sum(bare_plants[member.planting_id] for member in members)
        options.append(
            Option(
                index=len(options),
                plot_id=plot_id,
                treatment_id=treatment.id,
                is_shelter=treatment.is_shelter,
                members=tuple(members),
                needs=needs,
                minutes=minutes,
                area_cm2=area,
                most_units=min(most, plants),
                inner_cm=inner_cm,
            )
        )

    for treatment in problem.treatments:
        if treatment.is_shelter:
            for plot in problem.plots if free_spaces else ():
                movable = pots.get(plot.id, ())
                members = _members(problem, treatment, movable, lambda _spread_cm, _height_cm: 0)
                each = problem.shelter_minutes_per_pot
                add(treatment, plot.id, members, free_spaces, minutes=each)
            continue
        stack = [pools[pool_id] for pool_id in treatment.pool_ids]
        if is_over_gust(stack, problem.gust_mps) or not stack_fits(stack):
            continue
        needs = tuple(Counter(treatment.pool_ids).items())
        units_free = min(free_covers[pool_id] // each for pool_id, each in needs)
        if not units_free:
            continue
        room = RoomUnder(stack)
        minutes, inner_cm = sum(pool.minutes for pool in stack), footprint_cm(stack)
        for plot in problem.plots:
            if not may_be_used_on(stack, plot.id):
                continue
            here = [
                members
                for plantings in beds[plot.id].values()
                if (members := _members(problem, treatment, plantings, room.holds))
            ]
            if not here or not stands_in(stack, plot):
                continue
            area, most = area_on_plot_cm2(stack, plot), units_free
            if free_area[plot.id] < math.inf:
                most = min(most, math.floor(free_area[plot.id] / area * (1 + ROUNDING)))
            if most < 1:
                continue
            for members in here:
                add(
                    treatment,
                    plot.id,
                    members,
                    most,
                    needs=needs,
                    minutes=minutes,
                    area=area,
                    inner_cm=inner_cm,
                )
    return options


def _members(
    problem: Problem,
    treatment: Treatment,
    plantings: Sequence[PlantingNeed],
    holds: Callable[[float, float], int],
) -> list[Member]:
    """The plantings that a treatment would help, with what it would save a plant."""
    members = []
    damage, treatment_id = problem.damage, treatment.id
    for planting in plantings:
        share = damage.get((planting.id, treatment_id))
        if share is None or share >= planting.bare_damage:
            continue
        held = holds(planting.spread_cm, planting.height_cm)
        if held or treatment.is_shelter:
            gain = planting.worth * (planting.bare_damage - share)
            members.append(Member(planting.id, gain, held, planting.spread_cm))
    return members
