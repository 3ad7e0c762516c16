"""Whether what was said of a night came: lows against lows, and shares lost against shares seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate

DAMAGE_SHARES: dict[str, float] = {"none": 0.0, "some": 0.25, "much": 0.65, "dead": 1.0}
"""The share of a planting that each of the four words stands for. Our own scale."""

_Z80 = NormalDist().inv_cdf(0.9)


@dataclass(frozen=True)
class LowRecord:
    """Lows said against lows seen.

    count : pairs. bias_k : mean of seen less said, below 0 where nights were colder than said.
    spread_k : standard deviation of that; None for fewer than two. held_fraction : share of the
    pairs in which the stated 80 % range held. [K]
    """

    count: int
    bias_k: float
    spread_k: float | None
    held_fraction: float


def low_record(said: Sequence[Estimate], seen_c: Sequence[float]) -> LowRecord | None:
    """How the lows said did; None without any. Raises OutOfRange for unequal numbers. [°C]"""
    if len(said) != len(seen_c):
        raise OutOfRange(say("said and seen_c must be equally many"))
    if not said:
        return None
    errors = [seen - low.mean for low, seen in zip(said, seen_c, strict=True)]
    bias = math.fsum(errors) / len(errors)
    spread = None
    if len(errors) > 1:
        spread = math.sqrt(math.fsum((e - bias) ** 2 for e in errors) / (len(errors) - 1))
    held = sum(abs(e) <= _Z80 * low.sd for e, low in zip(errors, said, strict=True))
    return LowRecord(len(errors), bias, spread, held / len(errors))


@dataclass(frozen=True)
class ShareBand:
    """Plantings whose expected loss lay in one band, and what they lost on average. [share]"""

    from_share: float
    to_share: float
    count: int
    mean_said: float
    mean_seen: float


def _check(said: Sequence[float], seen: Sequence[float]) -> None:
    if len(said) != len(seen):
        raise OutOfRange(say("said and seen must be equally many"))
    for share in (*said, *seen):
        if not 0.0 <= share <= 1.0:
            raise OutOfRange(say("a share must be 0 to 1, not %(share)s", share=share))


def share_bands(said: Sequence[float], seen: Sequence[float], *, bands: int = 5) -> list[ShareBand]:
    """Expected against seen shares in equal bands of what was expected, empty ones left out.

    A share on a limit belongs to the band above. Raises OutOfRange for unequal numbers, a share
    outside 0 to 1, or fewer than one band.
    """
    _check(said, seen)
    if bands < 1:
        raise OutOfRange(
            say("%(name)s must be 1 or more, not %(value)s", name="bands", value=bands)
        )
    members: list[list[tuple[float, float]]] = [[] for _ in range(bands)]
    for p, y in zip(said, seen, strict=True):
        members[min(bands - 1, int(p * bands))].append((p, y))
    return [
        ShareBand(
            index / bands,
            (index + 1) / bands,
            len(band),
            math.fsum(p for p, _ in band) / len(band),
            math.fsum(y for _, y in band) / len(band),
        )
        for index, band in enumerate(members)
        if band
    ]


def share_score(said: Sequence[float], seen: Sequence[float]) -> float:
    """Mean square of expected less seen share: Brier's score, with shares for yes and no.

    0 is perfect; always saying a half scores at most 0.25. Where every share seen is 0 or 1 it is
    `learning.brier_score`. Raises OutOfRange as `share_bands`, and for none.
    """
    _check(said, seen)
    if not said:
        raise OutOfRange(say("there must be at least one planting to score"))
    return math.fsum((p - y) ** 2 for p, y in zip(said, seen, strict=True)) / len(said)
