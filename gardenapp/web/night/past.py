"""The picture of a night that has been: what was said as a bar, what was read as a mark on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gardenapp.services.night.past_night import PastNight, SaidAndRead
from gardenapp.web.formats import temperature
from gardenapp.words import _

WIDTH, LEFT, RIGHT = 320, 78, 306
TOP, ROW, BOTTOM = 26, 30, 12
LEAST_SPAN_K = 4.0


@dataclass(frozen=True)
class Tick:
    """One mark of the scale across the top."""

    x: float
    text: str
    is_zero: bool


@dataclass(frozen=True)
class Line:
    """One place: the bar of its likely range, what was said within it, what was read."""

    label: str
    y: float
    from_x: float
    to_x: float
    said_x: float
    read_x: float | None
    held: bool
    hurt: str
    words: str


@dataclass(frozen=True)
class Picture:
    """Coordinates of the whole, in the SVG's own units, and all of it in words."""

    height: float
    ticks: tuple[Tick, ...]
    lines: tuple[Line, ...]
    words: str


def draw(night: PastNight) -> Picture:
    """The picture of a night; temperatures are told in the reader's unit."""
    ends = [end for place in night.places for end in place.said.interval(0.8)]
    ends += [place.read_c for place in night.places if place.read_c is not None]
    low, high = math.floor(min(ends)), math.ceil(max(ends))
    if high - low < LEAST_SPAN_K:
        high = low + int(LEAST_SPAN_K)

    def x(temp_c: float) -> float:
        return round(LEFT + (temp_c - low) / (high - low) * (RIGHT - LEFT), 1)

    step = max(1, math.ceil((high - low) / 5))
    ticks = tuple(
        Tick(x(c), temperature(float(c)), c == 0) for c in range(low, high + 1) if c % step == 0
    )
    lines = tuple(
        _line(place, TOP + ROW * number + ROW / 2, x) for number, place in enumerate(night.places)
    )
    return Picture(
        TOP + ROW * len(lines) + BOTTOM, ticks, lines, " ".join(line.words for line in lines)
    )


def _line(place: SaidAndRead, y: float, x: object) -> Line:
    assert callable(x)
    low, high = place.said.interval(0.8)
    held = place.read_c is not None and low <= place.read_c <= high
    name = _("Plot %(label)s", label=place.plot) if place.plot else _("Official low")
    said = _(
        "%(name)s: %(said)s predicted, likely %(low)s to %(high)s",
        name=name,
        said=temperature(place.said.mean),
        low=temperature(low),
        high=temperature(high),
    )
    read = (
        _("nobody read it")
        if place.read_c is None
        else _("%(read)s read", read=temperature(place.read_c))
    )
    hurt = ""
    if place.looked_at:
        hurt = _("%(hurt)s of %(looked_at)s damaged", hurt=place.hurt, looked_at=place.looked_at)
    return Line(
        label=name,
        y=y,
        from_x=x(low),
        to_x=x(high),
        said_x=x(place.said.mean),
        read_x=None if place.read_c is None else x(place.read_c),
        held=held,
        hurt=hurt,
        words=f"{said}; {read}{'; ' + hurt if hurt else ''}.",
    )
