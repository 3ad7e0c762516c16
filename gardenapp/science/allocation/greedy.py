"""The best next cover, again and again: a quick allocation to start from and to fall back on."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from gardenapp.science.allocation.fit import ROUNDING, Option, Prepared, fits_together
from gardenapp.science.allocation.problem import Id, Use

SLACK = 1e-7
"""Absolute slack for sums of minutes and of worth; far below a second or a leaf."""


@dataclass(frozen=True)
class Unit:
    """One cover (or stack) of an option with what is under it; for shelter, some pots."""

    option_index: int
    contents: Mapping[Id, int]


class Tally:
    """What is still free while units are being placed, and what they are worth together."""

    def __init__(self, prepared: Prepared) -> None:
        self.prepared = prepared
        self.units: list[Unit] = []
        self.covers = dict(prepared.free_covers)
        self.area_cm2 = dict(prepared.free_area_cm2)
        self.spaces = prepared.free_spaces
        self.bare = dict(prepared.bare_plants)
        self.visited: set[Id] = set()
        self.minutes = 0.0
        self.objective = prepared.fixed_objective
        budget = prepared.problem.minutes_budget
        self.budget = math.inf if budget is None else budget

    def minutes_for(self, option: Option, contents: Mapping[Id, int]) -> float:
        """Time to place this unit, the way to the plot included on the first visit. [min]"""
        pots = sum(contents.values()) if option.is_shelter else 1
        away = 0.0
        if option.plot_id not in self.visited:
            away = self.prepared.plots[option.plot_id].minutes_away
        return option.minutes * pots + away

    def net_of(self, option: Option, contents: Mapping[Id, int]) -> float:
        """Worth saved by this unit less the effort it costs."""
        gains = {member.planting_id: member.gain for member in option.members}
        saved = sum(gains[planting_id] * plants for planting_id, plants in contents.items())
        effort = self.prepared.problem.worth_per_minute * self.minutes_for(option, contents)
        return saved - effort

    def has_room_for(
        self, option: Option, contents: Mapping[Id, int], *, is_known_to_stand: bool = False
    ) -> bool:
        """Whether this unit can still be placed, by every rule.

        `is_known_to_stand`: the plants are part of contents that were placed before.
        """
        if self.minutes + self.minutes_for(option, contents) > self.budget + SLACK:
            return False
        if any(plants > self.bare[planting_id] for planting_id, plants in contents.items()):
            return False
        if option.is_shelter:
            return sum(contents.values()) <= self.spaces
        if any(self.covers[pool_id] < each for pool_id, each in option.needs):
            return False
        if option.area_cm2 > self.area_cm2[option.plot_id] * (1 + ROUNDING) + ROUNDING:
            return False
        return is_known_to_stand or fits_together(option, contents)

    def place(self, option: Option, contents: Mapping[Id, int]) -> None:
        """Place one unit; the caller has asked `has_room_for`."""
        self.objective += self.net_of(option, contents)
        self.minutes += self.minutes_for(option, contents)
        self.visited.add(option.plot_id)
        for planting_id, plants in contents.items():
            self.bare[planting_id] -= plants
        if option.is_shelter:
            self.spaces -= sum(contents.values())
        else:
            for pool_id, each in option.needs:
                self.covers[pool_id] -= each
            self.area_cm2[option.plot_id] -= option.area_cm2
        self.units.append(Unit(option.index, dict(contents)))

    def best_contents(self, option: Option) -> dict[Id, int]:
        """Plants to put under one more unit: those worth most for their room first."""
        if option.is_shelter:
            return self._best_pots(option)
        taken: dict[Id, int] = {}
        self.top_up(option, taken)
        return taken

    def top_up(self, option: Option, contents: dict[Id, int]) -> None:
        """Add bare plants to a unit while they stand together with what is under it."""
        room = 1.0
        capacity = {member.planting_id: member.capacity for member in option.members}
        for planting_id, plants in contents.items():
            room -= plants / capacity[planting_id]
        for member in sorted(option.members, key=lambda m: -m.gain * m.capacity):
            before = contents.get(member.planting_id, 0)
            most = math.floor(room * member.capacity + ROUNDING)
            most = min(most, self.bare[member.planting_id] - before)
            while most > 0:
                contents[member.planting_id] = before + most
                if fits_together(option, contents):
                    room -= most / member.capacity
                    break
                # Plants that do not go in as squares: try with half, then down to one.
                most = most // 2
            if most <= 0:
                if before:
                    contents[member.planting_id] = before
                else:
                    contents.pop(member.planting_id, None)

    def _best_pots(self, option: Option) -> dict[Id, int]:
        per_pot = self.prepared.problem.worth_per_minute * option.minutes
        away = 0.0
        if option.plot_id not in self.visited:
            away = self.prepared.plots[option.plot_id].minutes_away
        spaces = self.spaces
        if option.minutes > 0 and self.budget < math.inf:
            spare = max(0.0, self.budget - self.minutes - away)
            spaces = min(spaces, math.floor(spare / option.minutes + SLACK))
        taken: dict[Id, int] = {}
        for member in sorted(option.members, key=lambda m: -m.gain):
            pots = min(self.bare[member.planting_id], spaces)
            if pots > 0 and member.gain > per_pot:
                taken[member.planting_id] = pots
                spaces -= pots
        return taken


def fill_greedily(tally: Tally, options: Iterable[Option] | None = None) -> Tally:
    """Go on placing the unit that saves most, until nothing that is free does any good.

    Changes and returns the tally. Takes it from where it stands, so it also mends an
    allocation that left something free.
    """
    prepared = tally.prepared
    at_plot: dict[Id, list[Option]] = {}
    for option in prepared.options if options is None else options:
        at_plot.setdefault(option.plot_id, []).append(option)
    turn = dict.fromkeys(at_plot, 0)
    heap: list[tuple[float, int, int]] = []

    def offer(option: Option) -> None:
        contents = tally.best_contents(option)
        if contents:
            net = tally.net_of(option, contents)
            if net > SLACK:
                heapq.heappush(heap, (-net, option.index, turn[option.plot_id]))

    for here in at_plot.values():
        for option in here:
            offer(option)
    while heap:
        negative_net, index, when = heapq.heappop(heap)
        option = prepared.options[index]
        if when != turn[option.plot_id]:
            continue  # something was placed in this plot since; it was offered again then
        contents = tally.best_contents(option)
        if not contents or not tally.has_room_for(option, contents):
            continue
        net = tally.net_of(option, contents)
        if net < -negative_net - SLACK:
            # Shelter spaces or minutes went elsewhere meanwhile and it is worth less now.
            if net > SLACK:
                heapq.heappush(heap, (-net, index, when))
            continue
        tally.place(option, contents)
        turn[option.plot_id] += 1
        for other in at_plot[option.plot_id]:
            offer(other)
    return tally


def uses_of(tally: Tally) -> tuple[Use, ...]:
    """The placed units as uses, one for each plot and treatment, after the fixed ones."""
    prepared = tally.prepared
    uses = [
        Use(use.plot_id, use.treatment_id, tuple(dict(unit) for unit in use.units), is_fixed=True)
        for use in prepared.kept
    ]
    by_option: dict[int, list[dict[Id, int]]] = {}
    for unit in tally.units:
        contents = {planting_id: n for planting_id, n in unit.contents.items() if n}
        if contents:
            by_option.setdefault(unit.option_index, []).append(contents)
    for index in sorted(by_option):
        option = prepared.options[index]
        units = by_option[index]
        if option.is_shelter:
            together: dict[Id, int] = {}
            for contents in units:
                for planting_id, pots in contents.items():
                    together[planting_id] = together.get(planting_id, 0) + pots
            units = [together]
        uses.append(Use(option.plot_id, option.treatment_id, tuple(units)))
    return tuple(uses)


def covered_by(uses: Iterable[Use]) -> dict[Id, dict[Id, int]]:
    """Plants of each planting under each treatment, counted from the uses."""
    covered: dict[Id, dict[Id, int]] = {}
    for use in uses:
        for unit in use.units:
            for planting_id, plants in unit.items():
                under = covered.setdefault(planting_id, {})
                under[use.treatment_id] = under.get(use.treatment_id, 0) + plants
    return covered


def simple_bound(prepared: Prepared) -> float:
    """No allocation can be worth more than this: each planting, and each pool, at its best.

    The smaller of two relaxations: every plant gets the best that could be had for it, effort
    free; and every free cover is filled with the best it could hold anywhere in the garden,
    ignoring that plants run out (a stack is counted at its outermost cover).
    """
    best_gain: dict[Id, float] = {}
    best_unit: dict[Id, float] = {}
    shelter_gains: list[float] = []
    pots: dict[Id, float] = {}
    for option in prepared.options:
        most_full = 0.0
        for member in option.members:
            best_gain[member.planting_id] = max(best_gain.get(member.planting_id, 0.0), member.gain)
            if option.is_shelter:
                pots[member.planting_id] = max(pots.get(member.planting_id, 0.0), member.gain)
            else:
                most_full = max(most_full, member.gain * member.capacity)
        if not option.is_shelter:
            pool_id = option.needs[0][0]
            best_unit[pool_id] = max(best_unit.get(pool_id, 0.0), most_full)
    by_planting = sum(gain * prepared.bare_plants[pid] for pid, gain in best_gain.items())
    for planting_id, gain in pots.items():
        shelter_gains.extend([gain] * min(prepared.bare_plants[planting_id], prepared.free_spaces))
    by_pool = sum(worth * prepared.free_covers[pool_id] for pool_id, worth in best_unit.items())
    by_pool += sum(sorted(shelter_gains, reverse=True)[: prepared.free_spaces])
    return prepared.fixed_objective + max(0.0, min(by_planting, by_pool))
