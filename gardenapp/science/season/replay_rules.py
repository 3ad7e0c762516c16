"""Three rules of thumb for who gets a cover, under the same limits as the plan's.

Each is given the warmest cover that is left and fits, and pots go to shelter first while there is
room: what somebody who knows the shed would do. None weighs one planting against another.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from gardenapp.science.allocation.fit import ROUNDING, Option, Prepared, fits_together, prepare
from gardenapp.science.allocation.greedy import Tally, covered_by, uses_of
from gardenapp.science.allocation.problem import Id, Problem

COVER_ALL_BELOW_C = 2.0
"""The rule that everything is covered when the forecast low is below this. [°C]"""
RULE_MARGIN_K = 2.0
"""The other two cover what stands within so much of its threshold: leaves on a clear night are
colder than the forecast's air, and people know. Our choice; common practice, no source."""


class Rule(Enum):
    """What decides who comes first."""

    ALL_BELOW = "everything below 2 °C"
    TENDER_FIRST = "most tender first"
    FIRST_COME = "first come, first served"


@dataclass(frozen=True)
class RuleAnswer:
    """Plants of each planting under each treatment, and the minutes it takes."""

    covered: Mapping[Id, Mapping[Id, int]]
    minutes: float


def prepare_for_rules(problem: Problem) -> Prepared:
    """The same garden with every cover doing every plant equal good: only what fits counts.

    Stacks are left out: a rule of thumb puts on one cover. Nothing that is on is kept.
    """
    singles = tuple(t for t in problem.treatments if len(t.pool_ids) <= 1)
    return prepare(
        replace(
            problem,
            plantings=tuple(
                replace(planting, bare_damage=1.0, worth=1.0) for planting in problem.plantings
            ),
            treatments=singles,
            damage={(p.id, t.id): 0.0 for p in problem.plantings for t in singles},
            worth_per_minute=0.0,
            fixed=(),
        )
    )


def by_rule(prepared: Prepared, *, wanted: Sequence[Id], warmth: Mapping[Id, float]) -> RuleAnswer:
    """Cover plantings in the order of `wanted` until covers, room or minutes run out.

    Parameters
    ----------
    prepared : from `prepare_for_rules`.
    wanted : planting ids, who comes first first.
    warmth : how warm each treatment is thought to be; the warmest left that fits is taken.
    """
    tally = Tally(prepared)
    serving: dict[Id, list[Option]] = {}
    for option in prepared.options:
        for member in option.members:
            serving.setdefault(member.planting_id, []).append(option)
    place_in_line = {planting_id: number for number, planting_id in enumerate(wanted)}
    for planting_id in wanted:
        options = sorted(
            serving.get(planting_id, ()),
            key=lambda option: (-warmth.get(option.treatment_id, 0.0), option.index),
        )
        for option in options:
            while tally.bare[planting_id] > 0:
                contents = _contents(tally, option, planting_id, place_in_line)
                if not contents.get(planting_id) or not tally.has_room_for(option, contents):
                    break
                tally.place(option, contents)
    return RuleAnswer(covered_by(uses_of(tally)), tally.minutes)


def _contents(
    tally: Tally, option: Option, first: Id, place_in_line: Mapping[Id, int]
) -> dict[Id, int]:
    """One unit filled with the planting it is for, and then with its neighbours in line."""
    if option.is_shelter:
        return {first: min(tally.bare[first], tally.spaces)}
    members = sorted(
        (member for member in option.members if member.planting_id in place_in_line),
        key=lambda member: (member.planting_id != first, place_in_line[member.planting_id]),
    )
    contents: dict[Id, int] = {}
    room = 1.0
    for member in members:
        most = min(tally.bare[member.planting_id], math.floor(room * member.capacity + ROUNDING))
        while most > 0:
            contents[member.planting_id] = most
            if fits_together(option, contents):
                room -= most / member.capacity
                break
            del contents[member.planting_id]
            most //= 2
    return contents
