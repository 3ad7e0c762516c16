"""The best next cover, again and again: a quick allocation to start from and to fall back on."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from gardenapp.science.allocation.fit import (
    ROUNDING,
    Option,
    Prepared,
    fits_together,
    options_by_plot,
    put_under,
)
from gardenapp.science.allocation.problem import Id, Use

SLACK = 1e-7
"""Absolute slack for sums of minutes and of worth; far below a second or a leaf."""

SECONDS_TO_OFFER = 6e-5
"""About what the greedy takes for one treatment in a bed; measured at 13 000, and rounded up."""


@dataclass(frozen=True)
class Unit:
    """One cover (or stack) of an option with what is under it; for shelter, some pots."""

    option_index: int
    contents: Mapping[Id, int]


def is_stray(under: Mapping[Id, int], treatment_id: Id, plants: int, least_plants: float) -> bool:
    """Whether so many plants more under a treatment are too few, the planting covered otherwise.

    under : plants of the planting under each treatment so far.
    """
    is_split = any(other != treatment_id for other in under)
    return is_split and under.get(treatment_id, 0) + plants < least_plants


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
        self.used: set[int] = set()
        # Plants of each planting under each treatment, in new units.
        self.under: dict[Id, dict[Id, int]] = {}
        self.minutes = 0.0
        self.objective = prepared.fixed_objective
        budget = prepared.problem.minutes_budget
        self.budget = math.inf if budget is None else budget

    def copy(self) -> Tally:
        """Another one in the same state."""
        twin = Tally.__new__(Tally)
        twin.__dict__.update(self.__dict__)
        twin.units = list(self.units)
        twin.covers, twin.area_cm2 = dict(self.covers), dict(self.area_cm2)
        twin.bare, twin.visited, twin.used = dict(self.bare), set(self.visited), set(self.used)
        twin.under = {planting_id: dict(here) for planting_id, here in self.under.items()}
        return twin

    def minutes_for(self, option: Option, contents: Mapping[Id, int]) -> float:
        """Time to place this unit, the way to the plot included on the first visit. [min]"""
        pots = sum(contents.values()) if option.is_shelter else 1
        away = 0.0
        if option.plot_id not in self.visited:
            away = self.prepared.plots[option.plot_id].minutes_away
        return option.minutes * pots + away

    def net_of(self, option: Option, contents: Mapping[Id, int]) -> float:
        """Worth saved by this unit less the effort it costs."""
        effort = self.prepared.problem.worth_per_minute * self.minutes_for(option, contents)
        return option.saved_by(contents) - effort

    def is_worth_a_job(self, option: Option, contents: Mapping[Id, int]) -> bool:
        """Whether the unit saves what a job must, or goes with a job there is already."""
        least = self.prepared.problem.least_gain
        return not least or option.index in self.used or option.saved_by(contents) >= least - SLACK

    def without_strays(self, option: Option, contents: dict[Id, int]) -> dict[Id, int]:
        """Contents without plants that are few of their planting, the others covered otherwise."""
        least = self.prepared.problem.least_share
        if not least:
            return contents
        return {
            planting_id: plants
            for planting_id, plants in contents.items()
            if not is_stray(
                self.under.get(planting_id, {}),
                option.treatment_id,
                plants,
                least * self.prepared.plantings[planting_id].count,
            )
        }

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
        self.used.add(option.index)
        for planting_id, plants in contents.items():
            self.bare[planting_id] -= plants
            under = self.under.setdefault(planting_id, {})
            under[option.treatment_id] = under.get(option.treatment_id, 0) + plants
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
            return self.without_strays(option, self._best_pots(option))
        if len(option.members) == 1:
            ((planting_id, _gain, capacity, _spread),) = option.members
            plants = min(capacity, self.bare[planting_id])
            return self.without_strays(option, {planting_id: plants} if plants else {})
        taken: dict[Id, int] = {}
        self.top_up(option, taken)
        return self.without_strays(option, taken)

    def top_up(self, option: Option, contents: dict[Id, int]) -> None:
        """Add bare plants to a unit while they stand together with what is under it."""
        put_under(option.inner_cm, option.by_density, self.bare.__getitem__, contents)

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


def fill_greedily(
    tally: Tally,
    options: Iterable[Option] | None = None,
    *,
    by_minute: bool = False,
    seconds_left: Callable[[], float] | None = None,
) -> Tally:
    """Go on placing the unit that saves most, until nothing that is free does any good.

    Changes and returns the tally. Takes it from where it stands, so it also mends an
    allocation that left something free.

    by_minute : the unit that saves most a minute first, for where minutes are what is scarce.
    seconds_left : where it falls to 0, what has been placed by then is the answer.
    """
    return _Filling(tally, tally.prepared.options if options is None else options, by_minute).run(
        seconds_left
    )


def fill_best(prepared: Prepared, seconds_left: Callable[[], float]) -> Tally:
    """Filled by what saves most and, where minutes are limited, also a minute; the better."""
    if seconds_left() < SECONDS_TO_OFFER * len(prepared.options):
        return _fill_plot_by_plot(Tally(prepared), seconds_left)
    filled = fill_greedily(Tally(prepared), seconds_left=seconds_left)
    if prepared.problem.minutes_budget is None:
        return filled
    other = fill_greedily(Tally(prepared), by_minute=True, seconds_left=seconds_left)
    return other if other.objective > filled.objective + SLACK else filled


def _fill_plot_by_plot(tally: Tally, seconds_left: Callable[[], float]) -> Tally:
    """Where there is no time to weigh all plots against each other: each as it comes."""
    for options in options_by_plot(tally.prepared.options).values():
        if seconds_left() <= 0:
            break
        fill_greedily(tally, options, seconds_left=seconds_left)
    return tally


class _Filling:
    """One run of the greedy: what is on offer, the best first."""

    def __init__(self, tally: Tally, options: Iterable[Option], by_minute: bool) -> None:
        self.tally = tally
        self.by_minute = by_minute
        self.here = options_by_plot(options)
        self.sharing: dict[Id, list[Option]] = {}
        for option in (option for here in self.here.values() for option in here):
            for member in option.members:
                self.sharing.setdefault(member.planting_id, []).append(option)
        self.turn: dict[int, int] = {}
        self.heap: list[tuple[float, int, int, float]] = []

    def offer(self, option: Option) -> None:
        tally = self.tally
        turn = self.turn[option.index] = self.turn.get(option.index, 0) + 1
        if any(tally.covers[pool_id] < each for pool_id, each in option.needs):
            return  # covers never come back
        contents = tally.best_contents(option)
        if not contents or not tally.is_worth_a_job(option, contents):
            return
        net = tally.net_of(option, contents)
        if net > SLACK:
            heapq.heappush(self.heap, (-self._rank(option, contents, net), option.index, turn, net))

    def _rank(self, option: Option, contents: Mapping[Id, int], net: float) -> float:
        return net / max(self.tally.minutes_for(option, contents), 1e-3) if self.by_minute else net

    def run(self, seconds_left: Callable[[], float] | None) -> Tally:
        tally, options = self.tally, self.tally.prepared.options
        for number, option in enumerate(option for here in self.here.values() for option in here):
            if seconds_left is not None and number % 64 == 63 and seconds_left() <= 0:
                break
            self.offer(option)
        while self.heap and (seconds_left is None or seconds_left() > 0):
            _rank, index, turn, offered = heapq.heappop(self.heap)
            option = options[index]
            if turn != self.turn[index]:
                continue  # something changed for it since, and it was offered again then
            contents = tally.best_contents(option)
            if not contents or not tally.is_worth_a_job(option, contents):
                continue
            if not tally.has_room_for(option, contents, is_known_to_stand=True):
                continue
            if tally.net_of(option, contents) < offered - SLACK:
                # Shelter spaces or minutes went elsewhere meanwhile and it is worth less now.
                self.offer(option)
                continue
            is_first = option.plot_id not in tally.visited
            tally.place(option, contents)
            again: dict[int, Option] = {index: option}
            for planting_id in contents:
                again.update((other.index, other) for other in self.sharing[planting_id])
            if is_first:  # the way there is paid, so everything else in the plot is worth more
                again.update((other.index, other) for other in self.here[option.plot_id])
            for other in again.values():
                self.offer(other)
        return tally


def place_start(prepared: Prepared, start: Iterable[Use]) -> Tally:
    """A tally with what can still be done of uses that were planned before, each where it was.

    Plants that are gone are left out; units whose covers, room or minutes are gone, or that are
    not worth those minutes any more, are too.
    """
    effort = prepared.problem.worth_per_minute
    tally = Tally(prepared)
    options: dict[tuple[Id, Id], list[Option]] = {}
    for option in prepared.options:
        options.setdefault((option.plot_id, option.treatment_id), []).append(option)
    for use in start:
        for unit in use.units:
            for option in options.get((use.plot_id, use.treatment_id), ()):
                contents = {
                    planting_id: min(plants, tally.bare[planting_id])
                    for planting_id, plants in unit.items()
                    if planting_id in option.gains and tally.bare[planting_id]
                }
                if not contents or option.saved_by(contents) <= effort * option.minutes:
                    continue
                if tally.has_room_for(option, contents):
                    tally.place(option, contents)
                    break
    return tally


def tidied(prepared: Prepared, units: Iterable[Unit]) -> list[Unit]:
    """Units without what nobody should be sent for: the problem's least gain and least share.

    Stray plants come out first, then jobs that save too little, until nothing changes.
    """
    left = [unit for unit in units if unit.contents]
    problem = prepared.problem
    if not problem.least_gain and not problem.least_share:
        return left
    while True:
        strays = _strays(prepared, left)
        poor = set()
        if not strays:
            saved: dict[int, float] = {}
            for unit in left:
                worth = prepared.options[unit.option_index].saved_by(unit.contents)
                saved[unit.option_index] = saved.get(unit.option_index, 0.0) + worth
            poor = {index for index, gain in saved.items() if gain < problem.least_gain - SLACK}
        if not strays and not poor:
            return left
        kept = []
        for unit in left:
            treatment_id = prepared.options[unit.option_index].treatment_id
            contents = {
                planting_id: plants
                for planting_id, plants in unit.contents.items()
                if plants and (planting_id, treatment_id) not in strays
            }
            if contents and unit.option_index not in poor:
                kept.append(Unit(unit.option_index, contents))
        left = kept


def _strays(prepared: Prepared, units: Iterable[Unit]) -> set[tuple[Id, Id]]:
    """The smallest part of each planting that is shared out too finely, with its treatment."""
    least = prepared.problem.least_share
    under: dict[Id, dict[Id, int]] = {}
    for unit in units if least else ():
        treatment_id = prepared.options[unit.option_index].treatment_id
        for planting_id, plants in unit.contents.items():
            here = under.setdefault(planting_id, {})
            here[treatment_id] = here.get(treatment_id, 0) + plants
    found = set()
    for planting_id, here in under.items():
        treatment_id = min(here, key=lambda key: here[key])
        if is_stray(here, treatment_id, 0, least * prepared.plantings[planting_id].count):
            found.add((planting_id, treatment_id))
    return found


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
