"""What losing plants and an evening's minutes are worth, and what counts as safe or short.

The allocation weighs plants against people's time. These are the garden's own scale: none of it
is published, and each value says where it comes from.
"""

from __future__ import annotations

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

WORTH_PER_MINUTE = 0.02
"""A minute of somebody's evening in the same unit: four minutes are worth a third of a lettuce. Our
own choice."""

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
