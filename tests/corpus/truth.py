"""The one truth that every file of the corpus tells: a cold night and the days around it.

Invented. Tonight is the night of 25 November 2026, its low −3.4 °C at 06:00 on the 26th.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any, Literal
from zoneinfo import ZoneInfo

TONIGHT = date(2026, 11, 25)
LOW_C = -3.4
DENVER = ZoneInfo("America/Denver")
BERLIN = ZoneInfo("Europe/Berlin")
LONDON = ZoneInfo("Europe/London")
ANCHORAGE = ZoneInfo("America/Anchorage")
_KNOTS = (
    (datetime(2026, 11, 24, 14), 6.0),
    (datetime(2026, 11, 25, 6), 1.1),
    (datetime(2026, 11, 25, 14), 7.2),
    (datetime(2026, 11, 26, 6), LOW_C),
    (datetime(2026, 11, 26, 14), 5.1),
    (datetime(2026, 11, 27, 6), -0.6),
    (datetime(2026, 11, 27, 14), 6.4),
)
DAYS = (  # date, low, high
    (date(2026, 11, 25), 1.1, 7.2),
    (date(2026, 11, 26), LOW_C, 5.1),
    (date(2026, 11, 27), -0.6, 6.4),
)

Expected = Literal["right", "ask", "refuse"]


@dataclass(frozen=True)
class Case:
    """One file and what must come of it.

    `topic` is one of the kinds of trap, or "good". `expects`: "right" (tonight's low within
    0.06 K), "ask" (refused with a question, about one of `asks`) or "refuse". `options` is what a
    person has said, as arguments of ReadOptions. `place` is the garden's (latitude, longitude,
    height in m or None). `source` says where the layout is known from.
    """

    name: str
    topic: str
    data: bytes
    expects: Expected = "right"
    zone: ZoneInfo = BERLIN
    low_c: float = LOW_C
    asks: Sequence[str] = ()
    options: dict[str, Any] | None = None
    place: tuple[float, float, float | None] | None = None
    source: str = "common practice, no source"


def truth_c(local: datetime) -> float:
    """The temperature at a local time without zone, to a tenth. [°C]"""
    for (begin, from_c), (end, to_c) in pairwise(_KNOTS):
        if begin <= local <= end:
            return round(from_c + (to_c - from_c) * ((local - begin) / (end - begin)), 1)
    raise AssertionError(local)


def hours() -> list[tuple[datetime, float]]:
    """Local hours from the evening of the 24th to noon of the 27th, with temperatures."""
    begin = datetime(2026, 11, 24, 18)
    return [(begin + timedelta(hours=n), truth_c(begin + timedelta(hours=n))) for n in range(66)]


def f(celsius: float) -> float:
    return round(celsius * 9 / 5 + 32, 1)


def in_zone(local: datetime, garden: ZoneInfo, other: ZoneInfo | Any) -> datetime:
    """A garden's wall clock told on another's. Without zone."""
    return local.replace(tzinfo=garden).astimezone(other).replace(tzinfo=None)


def now_in(zone: ZoneInfo) -> datetime:
    return datetime(2026, 11, 25, 16, tzinfo=zone).astimezone(UTC)


def iso(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M}"


def table(
    header: Sequence[str],
    rows: Sequence[Sequence[object]],
    *,
    sep: str = ",",
    eol: str = "\n",
    before: str = "",
    after: str = "",
    comma: bool = False,
) -> str:
    def cell(value: object) -> str:
        text = str(value)
        if comma and isinstance(value, float):
            text = text.replace(".", ",")
        return f'"{text}"' if sep in text or '"' in text else text

    lines = [sep.join(cell(one) for one in row) for row in [header, *rows]]
    return before + eol.join(lines) + eol + after
