"""Small tasks of cutting in whole units, and every way of doing them."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator, Sequence

from gardenapp.science.timber.columns import Search
from gardenapp.science.timber.spans import Source, Task, first_fit


def make_source(index: int, length: int, **changes: object) -> Source:
    usual: dict[str, object] = {
        "spans": ((0, length),),
        "most": 20,
        "is_bought": True,
        "is_offcut": False,
    }
    return Source(index=index, length=length, **{**usual, **changes})  # type: ignore[arg-type]


def make_task(
    lengths: Sequence[int],
    wanted: Sequence[int],
    sources: Sequence[Source],
    *,
    kerf: int = 0,
    keep: int = 1_000_000,
) -> Task:
    return Task(tuple(lengths), tuple(wanted), tuple(sources), kerf, keep)


def make_search(task: Task, seconds: float = 60.0) -> Search:
    return Search(task, first_fit(task), lambda: seconds, seconds)


def small_task(seed: int) -> Task:
    """Two or three lengths, boards of two lengths on sale, an own one with a knot, a saw."""
    rng = random.Random(seed)
    kerf = rng.choice([0, 3])
    lengths = sorted(rng.sample(range(20, 90), rng.randint(2, 3)), reverse=True)
    knot = rng.randint(20, 80)
    sources = [
        make_source(0, 100, most=6),
        make_source(1, rng.choice([130, 150, 170]), most=6),
        make_source(2, 120, spans=((0, knot), (knot + 5, 120)), most=1, is_bought=False),
    ]
    return make_task(lengths, [rng.randint(1, 3) for _ in lengths], sources, kerf=kerf, keep=40)


def fillings(task: Task, room: int) -> Iterator[tuple[int, ...]]:
    """Every content of a span: the last cut may run off its end."""
    ranges = [range(n + 1) for n in task.wanted]
    for counts in itertools.product(*ranges):
        used = sum(n * (length + task.kerf) for n, length in zip(counts, task.lengths, strict=True))
        if used <= room + task.kerf:
            yield counts


def least_bought(task: Task) -> float:
    """The least length bought with nothing missing, by every set of boards; infinite if none."""
    own = [to - at for s in task.sources if not s.is_bought for at, to in s.spans]
    on_sale = [s for s in task.sources if s.is_bought]
    pieces = [length for length, n in zip(task.lengths, task.wanted, strict=True) for _ in range(n)]
    best = math.inf
    for numbers in itertools.product(*(range(min(s.most, len(pieces)) + 1) for s in on_sale)):
        total = sum(n * s.length for n, s in zip(numbers, on_sale, strict=True))
        if total < best:
            rooms = [
                *own,
                *(s.length for n, s in zip(numbers, on_sale, strict=True) for _ in range(n)),
            ]
            if goes_in(pieces, rooms, task.kerf):
                best = total
    return best


def goes_in(lengths: Sequence[int], rooms: Sequence[int], kerf: int) -> bool:
    """Whether all pieces go into these rooms, by trying every room for every piece."""
    if not lengths:
        return True
    first, rest = lengths[0], lengths[1:]
    tried: set[int] = set()
    for number, room in enumerate(rooms):
        if room >= first and room not in tried:
            tried.add(room)
            left = [*rooms[:number], room - first - kerf, *rooms[number + 1 :]]
            if goes_in(rest, left, kerf):
                return True
    return False
