"""Which stage a crop is probably in, by the date and the place: a guess to be shown as one.

By what gardens look like in each season at middle latitudes (common practice, no source). Nearer
to the equator the seasons blur, and the guess is worth less.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from typing import Protocol, TypeVar

MIDSUMMER_SHIFT = 6
# By month from January, north of the equator: what of a stage's name fits, the best first.
_WINTER = ("winter", "at rest", "dormant", "rosette", "tubers", "in the ground")
_BUDS = ("swollen bud", "first swelling", "silver tip", "bud scales", "bud swell", "early swell")
_SHOOTS = ("tight cluster", "tight bud", "green tip", "bud burst", "young", "emerging", "spears")
_BLOOM = ("full bloom", "petals showing", "new shoots", "young", "in flower", "growing", "before")
_FRUIT = ("post-bloom", "fruitlet", "petal fall", "small green", "green fruit", "full grown")
_LEAFY = ("full grown", "climbing", "growing", "in leaf", "full foliage", "trailing", "tops")
_AUTUMN = ("full grown", "hearted", "leafing", "mature", "in leaf", "growing", "tops", "climbing")
BY_MONTH = (
    _WINTER,
    _WINTER,
    (*_BUDS, *_WINTER, "young"),
    (*_SHOOTS, *_BUDS),
    (*_BLOOM, *_SHOOTS),
    (*_FRUIT, *_LEAFY),
    _LEAFY,
    _LEAFY,
    _AUTUMN,
    _AUTUMN,
    (*_WINTER, *_AUTUMN),
    _WINTER,
)


class Named(Protocol):
    """Whatever has a stage's name."""

    @property
    def name(self) -> str: ...


Stage = TypeVar("Stage", bound=Named)


def guess_stage(
    stages: Sequence[Stage], *, on: date, latitude: float, in_pot: bool | None = None
) -> Stage:
    """The likeliest of a crop's stages on a day. [degrees; south is minus]

    in_pot : whether the plants stand in pots; None where nobody has said. A stage that speaks of
    pots is for those, where there is another. Raises ValueError for no stages.
    """
    if not stages:
        raise ValueError("a crop has at least one stage")
    month = (on.month - 1 + (MIDSUMMER_SHIFT if latitude < 0 else 0)) % 12
    words = BY_MONTH[month]
    with_pot = [stage for stage in stages if "pot" in re.findall(r"\w+", stage.name)]
    without = [stage for stage in stages if stage not in with_pot]
    choice = (with_pot if in_pot else without) or list(stages)

    def rank(stage: Stage) -> int:
        name = stage.name.casefold()
        return next((n for n, word in enumerate(words) if word in name), len(words))

    return min(choice, key=rank)  # the first of several that fit alike
