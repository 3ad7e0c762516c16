"""A crop found by any of its common names, however it is spelt."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from functools import cache

from gardenapp.reference.loader import load_crop_names, load_stages

NEAR = 0.75
"""How alike two spellings have to be, by the share of letters they have in common. Our own."""
MOST_NEAR = 5


def fold(text: str) -> str:
    """Text for comparing: no case, no accents, plain apostrophes."""
    if text.isascii():
        return text.casefold()
    plain = unicodedata.normalize("NFKD", text.casefold().replace("’", "'"))
    return "".join(c for c in plain if not unicodedata.combining(c))


@cache
def names_of_crops() -> Mapping[str, tuple[str, ...]]:
    """Every name of each crop of the published table, folded; the crop's own among them."""
    found: dict[str, list[str]] = {stage.crop: [fold(stage.crop)] for stage in load_stages()}
    for name in load_crop_names():
        found[name.crop].append(fold(name.name))
    return {crop: tuple(dict.fromkeys(names)) for crop, names in found.items()}


def crops_called(text: str) -> tuple[str, ...]:
    """The published crops that go by a name, the nearest first.

    Names that are the same come first, then names that begin with it or hold it, then near
    spellings; nothing where nothing is near.
    """
    wanted = " ".join(fold(text).split())
    if not wanted:
        return ()
    names = names_of_crops()
    same = _of(names, lambda name: name == wanted)
    begin = _of(names, lambda name: name.startswith(wanted))
    held = _of(names, lambda name: wanted in name)
    found = dict.fromkeys((*same, *begin, *held))
    return tuple(found) or near_spellings(wanted, names)


def near_spellings(wanted: str, names: Mapping[str, Iterable[str]]) -> tuple[str, ...]:
    """The crops with a name spelt nearly so, the nearest first; both folded."""
    crops: dict[str, list[str]] = {}
    for crop, called in names.items():
        for name in called:
            crops.setdefault(name, []).append(crop)
    near = get_close_matches(wanted, crops, n=MOST_NEAR, cutoff=NEAR)
    return tuple(dict.fromkeys(crop for name in near for crop in crops[name]))


def _of(names: Mapping[str, tuple[str, ...]], fits: object) -> list[str]:
    assert callable(fits)
    return [crop for crop, called in names.items() if any(fits(name) for name in called)]
