"""Plans for one plot by itself, at given prices: a beam search over the covers put on one by one.

A state is what stands so far. Of all that follow from the states at hand by one more cover, those
are kept that promise most: what they are worth plus, for the plants still bare, most of what the
relaxed program says a plant of that planting is worth. That look ahead is what makes a narrow
beam find plans that an exact search hardly betters.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gardenapp.science.allocation.fit import ROUNDING, Member, Option, Prepared, put_under
from gardenapp.science.allocation.greedy import SLACK, Unit, is_stray
from gardenapp.science.allocation.problem import Id
from gardenapp.science.allocation.program import Prices, Values

WIDTH = 3
"""States kept at each step. Our own choice: on gardens of 60 plots 8 took three times as long for
0.2 % more."""

TRUST = 0.9
"""Share of the relaxed worth of a bare plant that a state is credited with. Our own choice."""

Contents = tuple[tuple[int, int], ...]  # place of the planting in the plot, plants
_Order = tuple[tuple[int, float, int, float], ...]  # place, gain, capacity, spread


@dataclass(frozen=True, slots=True)
class _Way:
    """An option as the search reads it; members are (place, gain, capacity, spread)."""

    option: Option
    members: _Order
    needs: tuple[tuple[int, int], ...]  # place of the pool in the plot, covers
    gains: Mapping[int, float]  # by the planting's place
    first_floor: float


@dataclass(frozen=True, slots=True)
class _State:
    """What stands so far: worth at the prices, plants bare, room, covers left, units."""

    worth: float
    bare: tuple[int, ...]
    area_cm2: float
    covers: tuple[int, ...]
    spaces: int
    minutes: float
    units: tuple[tuple[int, Contents], ...]


_Key = tuple[tuple[int, ...], tuple[int, ...]]  # plants bare, covers left
_Step = tuple[float, _State, int, Contents, float, float]


class _Found:
    """The steps that promise most, each state that can follow once.

    `least` : a promise that is no use any more, as enough others promise more.
    """

    def __init__(self, width: int) -> None:
        self.least = -math.inf
        self._width = width
        self._steps: dict[_Key, _Step] = {}

    def offer(self, key: _Key, step: _Step) -> None:
        """Keep a step unless one to the same state promises as much."""
        known = self._steps.get(key)
        if known is not None and known[0] >= step[0]:
            return
        self._steps[key] = step
        if len(self._steps) >= 4 * self._width:
            kept = self.best()
            self._steps = dict(kept)
            self.least = kept[-1][1][0]

    def best(self) -> list[tuple[_Key, _Step]]:
        """As many as the width, the most promising first."""
        return heapq.nlargest(self._width, self._steps.items(), key=lambda item: item[1][0])


class PlotBeam:
    """One plot, ready to be searched at any prices."""

    def __init__(self, prepared: Prepared, plot_id: Id, options: Sequence[Option]) -> None:
        self.prepared = prepared
        self.plot_id = plot_id
        self.away = prepared.plots[plot_id].minutes_away
        self.plantings: list[Id] = list(
            dict.fromkeys(m.planting_id for option in options for m in option.members)
        )
        self.pools: list[Id] = list(
            dict.fromkeys(pool_id for option in options for pool_id, _ in option.needs)
        )
        place = {planting_id: number for number, planting_id in enumerate(self.plantings)}
        pool_place = {pool_id: number for number, pool_id in enumerate(self.pools)}
        least = prepared.problem.least_gain
        self.ways = [
            _Way(
                option,
                tuple(
                    (place[m.planting_id], m.gain, m.capacity, m.spread_cm)
                    for m in sorted(chosen, key=lambda m: -m.gain * m.capacity)
                ),
                tuple((pool_place[pool_id], each) for pool_id, each in option.needs),
                {place[m.planting_id]: m.gain for m in chosen},
                least - SLACK if least else -math.inf,
            )
            for option in options
            for chosen in _split(option)
        ]
        share = prepared.problem.least_share
        # The fewest plants of each planting that a second treatment is used for.
        self._least_plants: list[float] = [
            share * prepared.plantings[planting_id].count
            for planting_id in (self.plantings if share else ())
        ]
        self._known: dict[tuple[object, ...], Contents] = {}

    def plans(
        self, prices: Prices, values: Values, *, width: int = WIDTH, most: int = 4
    ) -> list[tuple[float, tuple[Unit, ...]]]:
        """Up to `most` plans, the best first, each with its worth at the prices.

        prices : what a cover, a space and a minute cost. values : what the relaxed program says a
        bare plant of each planting is worth. Only plans worth more than nothing.
        """
        prepared = self.prepared
        problem = prepared.problem
        costs = [
            prices.space + prices.of_minutes(prepared, way.option.minutes)
            if way.option.is_shelter
            else prices.of_unit(prepared, way.option)
            for way in self.ways
        ]
        trust = [TRUST * values.plants.get(planting_id, 0.0) for planting_id in self.plantings]
        orders = [self._orders(way, trust) for way in self.ways]
        room_cm2 = prepared.free_area_cm2[self.plot_id]
        rent = TRUST * values.plots.get(self.plot_id, 0.0) / max(room_cm2, 1.0)
        budget = math.inf if problem.minutes_budget is None else problem.minutes_budget
        start = _State(
            worth=-prices.of_minutes(prepared, self.away),
            bare=tuple(prepared.bare_plants[planting_id] for planting_id in self.plantings),
            area_cm2=room_cm2,
            covers=tuple(prepared.free_covers[pool_id] for pool_id in self.pools),
            spaces=prepared.free_spaces,
            minutes=self.away,
            units=(),
        )
        beam: list[_State] = [start]
        best: dict[tuple[int, ...], _State] = {}
        while beam:
            found = _Found(width)
            for state in beam:
                self._expand(state, costs, trust, rent, orders, budget, found)
            beam = [self._after(key, step) for key, step in found.best()]
            for state in beam:
                known = best.get((*state.covers, state.spaces))
                if state.worth > SLACK and (known is None or state.worth > known.worth):
                    best[(*state.covers, state.spaces)] = state
        chosen = heapq.nlargest(most, best.values(), key=lambda state: state.worth)
        return [(state.worth, self._units(state)) for state in chosen]

    def _orders(self, way: _Way, trust: Sequence[float]) -> tuple[_Order, ...]:
        """In which orders plants are put under one unit: by worth for the room, alone and beside
        what a bare plant is worth."""
        first = way.members
        second = tuple(sorted(first, key=lambda m: -(m[1] - trust[m[0]]) * m[2]))
        return (first,) if first == second else (first, second)

    def _expand(
        self,
        state: _State,
        costs: Sequence[float],
        trust: Sequence[float],
        rent: float,
        orders: Sequence[tuple[_Order, ...]],
        budget: float,
        found: _Found,
    ) -> None:
        """Add every state that follows by one more unit, each once, with its promise."""
        promise = state.worth + sum(map(float.__mul__, trust, map(float, state.bare)))
        if rent:
            promise += rent * state.area_cm2
        bare, covers = state.bare, state.covers
        room_cm2 = state.area_cm2 * (1 + ROUNDING) + ROUNDING
        used = {number for number, _contents in state.units}
        under = self._under(state) if self._least_plants else {}
        for number, way in enumerate(self.ways):
            option = way.option
            if option.is_shelter:
                if state.spaces < 1:
                    continue
            elif option.area_cm2 > room_cm2:
                continue
            if any(covers[pool] < each for pool, each in way.needs):
                continue
            gains = way.gains
            cost, pots = costs[number], 1
            for order in orders[number]:
                if option.is_shelter:
                    ((place, _gain, _capacity, _spread),) = order
                    plants = min(bare[place], state.spaces)
                    contents: Contents = ((place, plants),) if plants else ()
                else:
                    contents = self._contents(number, option, order, bare)
                if not contents or (under and self._has_stray(under, option, contents)):
                    continue
                saved, lost = 0.0, rent * option.area_cm2
                for place, plants in contents:
                    saved += plants * gains[place]
                    lost += plants * trust[place]
                if saved < way.first_floor and number not in used:
                    continue
                if option.is_shelter:
                    pots = contents[0][1]
                net = saved - cost * pots
                score = promise + net - lost
                if net <= 0 or score <= found.least:
                    continue
                minutes = state.minutes + option.minutes * pots
                if minutes > budget + SLACK:
                    continue
                left = list(bare)
                for place, plants in contents:
                    left[place] -= plants
                covers_left = covers
                if way.needs:
                    fewer = list(covers)
                    for pool, each in way.needs:
                        fewer[pool] -= each
                    covers_left = tuple(fewer)
                found.offer(
                    (tuple(left), covers_left), (score, state, number, contents, net, minutes)
                )

    def _under(self, state: _State) -> dict[int, dict[Id, int]]:
        """Plants of each planting under each treatment so far."""
        under: dict[int, dict[Id, int]] = {}
        for number, contents in state.units:
            treatment_id = self.ways[number].option.treatment_id
            for place, plants in contents:
                here = under.setdefault(place, {})
                here[treatment_id] = here.get(treatment_id, 0) + plants
        return under

    def _has_stray(
        self, under: Mapping[int, Mapping[Id, int]], option: Option, contents: Contents
    ) -> bool:
        """Whether a planting that is covered otherwise would have too few plants under this."""
        return any(
            is_stray(under.get(place, {}), option.treatment_id, plants, self._least_plants[place])
            for place, plants in contents
        )

    def _after(self, key: _Key, step: _Step) -> _State:
        bare, covers = key
        _promise, before, number, contents, net, minutes = step
        option = self.ways[number].option
        return _State(
            worth=before.worth + net,
            bare=bare,
            area_cm2=before.area_cm2 - option.area_cm2,
            covers=covers,
            spaces=before.spaces - (contents[0][1] if option.is_shelter else 0),
            minutes=minutes,
            units=(*before.units, (number, contents)),
        )

    def _contents(
        self,
        number: int,
        option: Option,
        order: _Order,
        bare: tuple[int, ...],
    ) -> Contents:
        """Plants under one more unit, taken in this order as long as they stand together."""
        if len(order) == 1:
            ((place, _gain, capacity, _spread),) = order
            plants = min(capacity, bare[place])
            return ((place, plants),) if plants else ()
        key = (number, order, bare)
        known = self._known.get(key)
        if known is None:
            taken: dict[int, int] = {}
            plantings = [(place, capacity, spread_cm) for place, _, capacity, spread_cm in order]
            put_under(option.inner_cm, plantings, bare.__getitem__, taken)
            known = self._known[key] = tuple(taken.items())
        return known

    def _units(self, state: _State) -> tuple[Unit, ...]:
        return tuple(
            Unit(
                self.ways[number].option.index,
                {self.plantings[place]: plants for place, plants in contents},
            )
            for number, contents in state.units
        )


def _split(option: Option) -> list[tuple[Member, ...]]:
    """The members of one way: all of a cover's together, pots to carry each by themselves."""
    if option.is_shelter:
        return [(member,) for member in option.members]
    return [option.members]
