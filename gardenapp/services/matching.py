"""A name as somebody wrote it, among the names there are: sure, nearly so, or unknown.

Knows no database. Names are compared folded: without case, accents and doubled spaces.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Generic, TypeVar

from rapidfuzz import fuzz, process

from gardenapp.reference.crop_finding import fold

# How alike two spellings are taken for one, and from when on they are worth a question, of a
# hundred; and how far the second must be behind. Our own.
SURE, NEAR, AHEAD = 88.0, 68.0, 6.0
MOST_CHOICES = 5
_SHORTEST_NEAR = 4
# Endings of several, in English and Spanish, and what stands for one.
_PLURALS = (("ies", "y"), ("oes", "o"), ("ses", "s"), ("es", ""), ("s", ""))
_BRACKETS = re.compile(r"\s*[(\[]([^)\]]*)[)\]]\s*")
Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True)
class Match(Generic[Key]):
    """What a name may stand for.

    key : what it is taken for, None where that has to be asked. is_exact : it is spelt so.
    choices : what it may be, the likeliest first. rest : what was said beside the name.
    """

    key: Key | None
    is_exact: bool
    choices: tuple[Key, ...]
    rest: str = ""


class Names(Generic[Key]):
    """Names, each of something; a thing may have several, and a name be of several things."""

    def __init__(self, names: Iterable[tuple[str, Key]]) -> None:
        self._keys: dict[str, list[Key]] = {}
        for name, key in names:
            known = self._keys.setdefault(plain(name), [])
            if key not in known:
                known.append(key)
        self._texts = [name for name in self._keys if len(name) >= _SHORTEST_NEAR]
        self.find = lru_cache(maxsize=4096)(self._find)

    def _find(self, text: str) -> Match[Key]:
        """What `text` names.

        A name of several is singular here; what stands in brackets or before the name (`cherry
        tomato`) is kept as `rest`.
        """
        whole = plain(text)
        if whole in self._keys:
            return self._exact(self._keys[whole], "")
        wanted = plain(_BRACKETS.sub(" ", text))
        beside = " ".join(_BRACKETS.findall(text)).strip()
        for spelt in singulars(wanted):
            if spelt in self._keys:
                return self._exact(self._keys[spelt], beside)
        held = self._at_the_end(wanted)
        if held is not None:
            return Match(held, False, (held,), rest=" ".join(text.split()))
        near = self._near(wanted)
        if not near:
            return Match(None, False, ())
        best, score = next(iter(near.items()))
        second = next((s for key, s in near.items() if key != best), 0.0)
        is_sure = score >= SURE and score - second >= AHEAD
        choices = tuple(near)[:MOST_CHOICES]
        return Match(best if is_sure else None, False, choices, rest=beside)

    def _exact(self, keys: list[Key], beside: str) -> Match[Key]:
        only = keys[0] if len(keys) == 1 else None
        return Match(only, only is not None, tuple(keys), rest=beside)

    def _at_the_end(self, wanted: str) -> Key | None:
        """The longest name that `wanted` ends with, as a word: a kind of that."""
        words = wanted.split()
        for begin in range(1, len(words)):
            for spelt in singulars(" ".join(words[begin:])):
                keys = self._keys.get(spelt, [])
                if len(keys) == 1:
                    return keys[0]
        return None

    def _near(self, wanted: str) -> Mapping[Key, float]:
        """Things by how alike the most alike of their names is, from NEAR on."""
        if len(wanted) < _SHORTEST_NEAR:
            return {}
        found: dict[Key, float] = {}
        for name, score, _place in process.extract(
            wanted, self._texts, scorer=fuzz.ratio, score_cutoff=NEAR, limit=20
        ):
            for key in self._keys[name]:
                found.setdefault(key, score)
        return found


def plain(text: str) -> str:
    """A name as it is compared: folded, with single spaces and no stop at the end."""
    return " ".join(re.sub(r"[^\w'+&×-]+", " ", fold(text)).split())


def singulars(name: str) -> tuple[str, ...]:
    """A name, and what it may be of several of: `tomatoes` is `tomato` too."""
    found = [name]
    found += [name[: -len(end)] + one for end, one in _PLURALS if name.endswith(end)]
    head, space, last = name.partition(" ")
    if space:  # Spanish: judías verdes
        found += [f"{a} {b}" for a in singulars(head) for b in singulars(last)][1:]
    return tuple(dict.fromkeys(found))
