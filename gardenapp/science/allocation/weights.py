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

WORTH = {"little": 1.0, "much": 3.0, "dearly": 9.0}
"""How much losing the whole planting counts. Our own scale of three words."""

WORTH_PER_MINUTE = 0.005
"""A minute of somebody's evening in the same unit: four minutes are worth a fiftieth of a planting
that its holder would mind a little. Our own choice."""

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
