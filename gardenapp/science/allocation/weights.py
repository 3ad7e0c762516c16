"""What losing plants and an evening's minutes are worth, and what counts as safe or short.

The allocation weighs plants against people's time. These are the garden's own scale: none of it
is published, and each value says where it comes from.
"""

from __future__ import annotations

from collections.abc import Mapping

SAFE_BELOW = 0.05
"""Expected loss below which a planting is called safe. Our own choice, said on the help page."""

SHORT_FROM = 0.20
"""Expected loss from which a planting is called short although it is covered. Our own choice, said
on the help page."""

WORTH = {
    "plant": {"little": 0.25, "much": 1.0, "dearly": 9.0},
    "bed": {"little": 1.0, "much": 4.0, "dearly": 12.0},
}
"""What losing one plant, or one square metre of a bed of small ones, counts. Our own scale: the
unit is a tomato plant, which fills a quarter of a square metre; a lettuce is a quarter of it, a
lemon tree of many years as much as nine."""

WALK_WORTH = {"half": 0.0125, "lettuce": 0.025, "two": 0.05, "tomato": 0.1}
"""A minute of somebody's evening in the same unit, by what a coordinator says that ten minutes are
worth: half a lettuce, a lettuce, two lettuces, a tomato plant. Our own choice."""

WORTH_PER_MINUTE = WALK_WORTH["lettuce"]
"""Where nobody has said."""

LEAST_GAIN = 0.125
"""What a job must save at the least: for less than half a lettuce nobody is sent out. Our own
choice."""

LEAST_SHARE = 0.25
"""A planting is shared out between kinds of cover in quarters at the least, not thirty and one. Our
own choice."""

WORTH_A_CHANGE = 0.25
"""What a better plan must save more before people are sent elsewhere: a lettuce. Our own choice."""

FETCH_MINUTES = 2.0
"""Finding and taking up what is to be carried, once a plot. Common practice, no source."""

MOST_FAIRNESS = 0.25
FAIRNESS = 0.5
"""By how much whoever has been spared less counts for more: half of the difference, a quarter at
the most. Our own choice, said on the help page."""

WALK_M_PER_MINUTE = 60.0
"""A loaded walk in the dark. Common practice, no source."""

SHELTER_MINUTES_PER_POT = 2.0
"""Carrying one pot in. Common practice, no source."""

CLEARANCE_CM = 3.0
"""Room above and beside a plant, so that leaves do not touch the film. Common practice, no
source."""

MOST_STACKS = 24
"""Pairs of covers, the warmest first, that the allocation is offered; our own choice, to keep it
short."""

MOST_OPTIONS = 6
"""Ways to cover a planting that its story lists, the best first. Our own choice."""


def worth_of_plant(mind: str, *, per: str, spread_cm: float) -> float:
    """What losing one plant counts, in tomato plants; `per` plant or bed. Raises KeyError."""
    worth = WORTH[per][mind]
    return worth if per == "plant" else worth * (spread_cm / 100.0) ** 2


def fair_weights(shares: Mapping[int, tuple[float, float]]) -> dict[int, float]:
    """How much each member's plants count, by what they were spared and could have been.

    shares : loss avoided and avoidable, both in one unit and 0 or more, by member.

    A member's own share is drawn towards the garden's by as much as one average member's avoidable
    loss, so that one night does not count for a season.
    """
    avoidable = sum(could for _avoided, could in shares.values())
    if avoidable <= 0.0:
        return dict.fromkeys(shares, 1.0)
    whole = sum(avoided for avoided, _could in shares.values()) / avoidable
    usual = avoidable / len(shares)
    found = {}
    for member, (avoided, could) in shares.items():
        own = (avoided + whole * usual) / (could + usual)
        more = FAIRNESS * (whole - own)
        found[member] = 1.0 + max(-MOST_FAIRNESS, min(MOST_FAIRNESS, more))
    return found
