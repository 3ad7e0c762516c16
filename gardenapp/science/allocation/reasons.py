"""Why a planting is left uncovered, and what would change that: a code and its values.

Pages say it in the reader's language. English words for it are made here for machines, the shell
and the log.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType

from gardenapp.science.allocation.fit import (
    ROUNDING,
    Option,
    Prepared,
    RoomUnder,
    capacity_of,
    footprint_cm,
    headroom_cm,
    is_over_gust,
    is_tall_enough,
    may_be_used_on,
    stack_fits,
    stands_in,
)
from gardenapp.science.allocation.greedy import Tally
from gardenapp.science.allocation.problem import (
    CoverPool,
    Id,
    Number,
    PlantingNeed,
    Reason,
    Treatment,
)

LITTLE_RISK = 0.01
"""Bare plants expected to lose less than this share are called safe; our own choice."""


@dataclass(frozen=True)
class _Way:
    """One treatment looked at for one planting."""

    treatment: Treatment
    stack: tuple[CoverPool, ...]
    damage: float


class Reasons(Mapping[Id, Reason]):
    """One reason for each planting, from what is still free after the allocation; made when asked.

    The first that applies, in the order in which a gardener could do something about it:
    no risk, all covered, no cover at all, none helps, size, lending terms, gust, all in use,
    no room in the plot, no time, not worth the effort.
    """

    def __init__(self, prepared: Prepared, tally: Tally) -> None:
        self._prepared, self._tally = prepared, tally
        self._known: dict[Id, Reason] = {}

    @cached_property
    def _options(self) -> Mapping[Id, Mapping[Id, Option]]:
        """The options of each planting, by treatment."""
        found: dict[Id, dict[Id, Option]] = {}
        for option in self._prepared.options:
            for member in option.members:
                found.setdefault(member.planting_id, {})[option.treatment_id] = option
        return found

    def __getitem__(self, planting_id: Id) -> Reason:
        if planting_id not in self._known:
            planting = self._prepared.plantings[planting_id]
            options = self._options.get(planting_id, {})
            self._known[planting_id] = _reason(self._prepared, self._tally, planting, options)
        return self._known[planting_id]

    def __iter__(self) -> Iterator[Id]:
        return iter(self._prepared.plantings)

    def __len__(self) -> int:
        return len(self._prepared.plantings)


def _reason(
    prepared: Prepared, tally: Tally, planting: PlantingNeed, options: Mapping[Id, Option]
) -> Reason:
    bare = tally.bare[planting.id]
    if not bare:
        return _make("covered", {"plants": planting.count}, 0, planting)
    if planting.bare_damage < LITTLE_RISK:
        return _make("safe", {"lost_percent": 100 * planting.bare_damage}, bare, planting)

    problem = prepared.problem
    plot = prepared.plots[planting.plot_id]
    ways: list[_Way] = []
    has_figures = False
    for treatment in problem.treatments:
        stack = tuple(prepared.pools[pool_id] for pool_id in treatment.pool_ids)
        if treatment.is_shelter and not planting.is_movable_pot:
            continue
        if not stack_fits(stack) or any(pool.count < 1 for pool in stack):
            continue
        damage = problem.damage.get((planting.id, treatment.id))
        if damage is None:
            continue
        has_figures = True
        if damage < planting.bare_damage:
            ways.append(_Way(treatment, stack, damage))
    if not ways:
        code = "no_better" if has_figures else "no_cover"
        return _make(code, {}, bare, planting)

    sized = _keep(ways, lambda way: _has_size_for(way.stack, planting))
    if not sized:
        return _size_reason(ways, planting, bare)
    standing = _keep(sized, lambda way: stands_in(way.stack, plot))
    wanted = _units_wanted(sized, planting, bare)
    if not standing:
        narrowest = min(
            max(
                min(pool.outer_length_cm, pool.outer_width_cm)
                for pool in way.stack
                if pool.is_rigid
            )
            for way in sized
            if way.stack
        )
        bed = plot.bed_width_cm
        params: dict[str, Number | str] = {"cover_cm": narrowest}
        if bed is not None:
            params["bed_cm"] = bed
        return _make("wider_than_bed", params, bare, planting, wanted)
    lent = _keep(standing, lambda way: may_be_used_on(way.stack, planting.plot_id))
    if not lent:
        return _make("not_lent", {}, bare, planting, wanted)
    calm = _keep(lent, lambda way: not is_over_gust(way.stack, problem.gust_mps))
    if not calm:
        assert problem.gust_mps is not None
        return _make("too_windy", {"gust_mps": problem.gust_mps}, bare, planting, wanted)

    free = _keep(calm, lambda way: _is_free(tally, way))
    if not free:
        only_shelter = all(way.treatment.is_shelter for way in calm)
        code = "no_shelter_space" if only_shelter else "all_in_use"
        return _make(code, {}, bare, planting, wanted)
    roomy = [
        way
        for way in free
        if way.treatment.id in options
        and options[way.treatment.id].area_cm2
        <= tally.area_cm2[planting.plot_id] * (1 + ROUNDING) + ROUNDING
    ]
    if not roomy:
        return _make("no_room", {}, bare, planting, wanted)
    timely = [
        way
        for way in roomy
        if tally.minutes + tally.minutes_for(options[way.treatment.id], {planting.id: 1})
        <= tally.budget + 1e-7
    ]
    if not timely:
        shortest = min(
            tally.minutes_for(options[way.treatment.id], {planting.id: 1}) for way in roomy
        )
        left = max(0.0, tally.budget - tally.minutes)
        return _make(
            "no_minutes", {"needs_min": shortest, "left_min": left}, bare, planting, wanted
        )
    best = min(way.damage for way in timely)
    return _make("little_help", {"lost_percent": 100 * best}, bare, planting, wanted)


def _make(
    code: str,
    params: dict[str, Number | str],
    bare: int,
    planting: PlantingNeed,
    units_wanted: int = 0,
) -> Reason:
    wants = bool(bare) and code not in ("safe", "covered")
    return Reason(
        code=code,
        params=MappingProxyType(dict(params)),
        plants=bare,
        needs_height_cm=planting.height_cm if wants else None,
        needs_spread_cm=planting.spread_cm if wants else None,
        units_wanted=units_wanted if wants else 0,
    )


def _keep(ways: Sequence[_Way], is_good: Callable[[_Way], bool]) -> list[_Way]:
    return [way for way in ways if is_good(way)]


def _has_size_for(stack: Sequence[CoverPool], planting: PlantingNeed) -> bool:
    if not stack:
        return True
    return RoomUnder(stack).holds(planting.spread_cm, planting.height_cm) > 0


def _is_free(tally: Tally, way: _Way) -> bool:
    if way.treatment.is_shelter:
        return tally.spaces > 0
    wanted: dict[Id, int] = {}
    for pool in way.stack:
        wanted[pool.id] = wanted.get(pool.id, 0) + 1
    return all(tally.covers[pool_id] >= each for pool_id, each in wanted.items())


def _units_wanted(ways: Sequence[_Way], planting: PlantingNeed, bare: int) -> int:
    roomiest = 0
    for way in ways:
        if way.stack:
            roomiest = max(roomiest, capacity_of(way.stack, planting.spread_cm, planting.height_cm))
    return -(-bare // roomiest) if roomiest else bare


def _size_reason(ways: Sequence[_Way], planting: PlantingNeed, bare: int) -> Reason:
    stacks = [way.stack for way in ways if way.stack]
    height_cm, spread_cm = planting.height_cm, planting.spread_cm
    tall = [stack for stack in stacks if is_tall_enough(stack, height_cm, spread_cm)]
    tallest = max(headroom_cm(stack, spread_cm) for stack in stacks)
    widest = max(footprint_cm(stack)[1] for stack in stacks)
    params: dict[str, Number | str]
    if not tall:
        params = {"needs_cm": planting.height_cm, "tallest_cm": max(0.0, tallest)}
        return _make("too_tall", params, bare, planting, 1)
    if not any(capacity_of(stack, spread_cm, height_cm) for stack in stacks):
        params = {"needs_cm": planting.spread_cm, "widest_cm": widest}
        return _make("too_wide", params, bare, planting, 1)
    params = {"height_cm": planting.height_cm, "spread_cm": planting.spread_cm}
    return _make("too_big", params, bare, planting, 1)


def words_of(code: str, values: Mapping[str, Number | str]) -> str:
    """A reason's code and values as a short English phrase; shares are "about", never a promise.

    Raises KeyError for a code this module does not make.
    """
    return _WORDS[code](values)


def _cm(value: Number | str) -> str:
    return f"{float(value):.0f} cm"


def _bed_words(p: Mapping[str, Number | str]) -> str:
    if "bed_cm" in p:
        return (
            "every cover that would fit over it is too big for the bed: the smallest is "
            f"{_cm(p['cover_cm'])} across, the bed {_cm(p['bed_cm'])}"
        )
    return "every cover that would fit over it is too big for the plot"


_WORDS: dict[str, Callable[[Mapping[str, Number | str]], str]] = {
    "covered": lambda p: "covered",
    "safe": lambda p: (
        f"little risk tonight: about {float(p['lost_percent']):.0f} % expected lost uncovered"
    ),
    "no_cover": lambda p: "the garden has no cover for it",
    "no_better": lambda p: "a cover would leave it no better than bare",
    "too_tall": lambda p: (
        f"no cover is tall enough: needs {_cm(p['needs_cm'])}, tallest takes {_cm(p['tallest_cm'])}"
    ),
    "too_wide": lambda p: (
        f"wider than every cover: needs {_cm(p['needs_cm'])}, widest takes {_cm(p['widest_cm'])}"
    ),
    "too_big": lambda p: (
        f"no cover is both tall and wide enough: needs {_cm(p['height_cm'])} of height and "
        f"{_cm(p['spread_cm'])} of width"
    ),
    "wider_than_bed": _bed_words,
    "not_lent": lambda p: "covers that would fit may only be used on their owner's plots",
    "too_windy": lambda p: (
        f"gust {float(p['gust_mps']):.0f} m/s is over the limit of every cover that would fit"
    ),
    "all_in_use": lambda p: (
        "every cover that would fit is in use on plants worth more or in more danger"
    ),
    "no_shelter_space": lambda p: "the shelter is full",
    "no_room": lambda p: "no room left in the plot for another cover that would fit",
    "no_minutes": lambda p: (
        f"no helper time left: needs {float(p['needs_min']):.0f} min, "
        f"{float(p['left_min']):.0f} min left"
    ),
    "little_help": lambda p: (
        "a cover would not help enough tonight: about "
        f"{float(p['lost_percent']):.0f} % expected lost even covered"
    ),
}
