"""The picture of a night: how cold it gets at a plant, what it can take, and what was read.

Time runs across from two hours before sunset to three after sunrise, degrees up. The air at the
plant is a line with its likely range as a band, a second line is the same under its cover, flat
lines are what plants are fine down to. Everything is named where it stands, and said once more in
a sentence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from gardenapp.science.night.plan_records import Gift, PlanHeader, PlantingStory
from gardenapp.services.trials.readings import readings_between
from gardenapp.web.formats import clock, temperature
from gardenapp.words import _, said

WIDTH, LEFT, RIGHT, TOP, BASE = 360, 34, 356, 14, 196
HEIGHT = 216
BEFORE, AFTER = timedelta(hours=2), timedelta(hours=3)
LEAST_SPAN_K = 6.0
LABEL_ROW = 13.0
MOST_LINES = 3
STRIP_WIDTH, STRIP_HEIGHT = 120, 30
# Where no sunset is known, around the low.
AROUND = timedelta(hours=8)


@dataclass(frozen=True)
class Flat:
    """What a planting is fine down to, with the words that stand on the line."""

    y: float
    label_y: float
    label: str


@dataclass(frozen=True)
class Mark:
    """A moment: a thin upright line and what it is."""

    x: float
    label: str
    kind: str
    anchor: str


@dataclass(frozen=True)
class Dot:
    """A reading. kind : outside or inside."""

    x: float
    y: float
    kind: str


@dataclass(frozen=True)
class Tick:
    """One mark of a scale."""

    at: float
    text: str
    is_zero: bool = False


@dataclass(frozen=True)
class Picture:
    """Coordinates of the whole in the SVG's own units, and all of it in words."""

    bare: str
    band: str
    covered: str
    covered_x: float
    covered_y: float | None
    flats: tuple[Flat, ...]
    marks: tuple[Mark, ...]
    dots: tuple[Dot, ...]
    degrees: tuple[Tick, ...]
    hours: tuple[Tick, ...]
    words: str


@dataclass(frozen=True)
class Strip:
    """The same, small and without words."""

    line: str
    low_x: float
    low_y: float
    zero_y: float | None


@dataclass(frozen=True)
class Reading:
    """A thermometer's reading of tonight. [°C]"""

    at: datetime
    temp_c: float
    kind: str = "outside"


def picture_of(
    header: PlanHeader,
    stories: Sequence[PlantingStory],
    *,
    at: datetime,
    put_on_at: datetime | None = None,
) -> Picture | None:
    """The picture of the night at some plantings of one plot, with what is read there."""
    if not stories or not header.curve:
        return None
    read = readings_between(
        plot_id=stories[0].plot_id, since=header.curve[0][0], until=header.curve[-1][0]
    )
    return draw_night(
        header,
        stories,
        now=at,
        readings=[Reading(one.at, one.temp_c, one.kind) for one in read],
        put_on_at=put_on_at,
    )


def draw_night(
    header: PlanHeader,
    stories: Sequence[PlantingStory],
    *,
    now: datetime,
    readings: Sequence[Reading] = (),
    put_on_at: datetime | None = None,
) -> Picture | None:
    """The night at these plantings of one plot; None where the plan kept no curve."""
    if len(header.curve) < 2 or not stories:
        return None
    start, end = _window(header)
    worst = min(stories, key=lambda story: story.temp.mean)
    shift_k = worst.temp.mean - header.low.mean
    curve = [(at, c) for at, c in header.curve if start <= at <= end]
    if len(curve) < 2:
        return None
    low_k, high_k = (
        worst.temp.interval(0.8)[0] - worst.temp.mean,
        (worst.temp.interval(0.8)[1] - worst.temp.mean),
    )
    gift = _best_gift(stories)
    begins = put_on_at or header.put_on_by or header.sunset_at
    under = (
        [(at, c - header.low.mean + gift.temp.mean) for at, c in curve if begins <= at]
        if gift is not None and begins is not None
        else []
    )
    shown = [r for r in readings if start <= r.at <= end]
    bears = _bears(stories)
    values = [c + shift_k + d for _at, c in curve for d in (low_k, high_k)]
    values += [c for _at, c in under] + [r.temp_c for r in shown] + [c for c, _words in bears]
    floor, top = math.floor(min(values)), math.ceil(max(min(max(values), 12.0), 1.0))
    if top - floor < LEAST_SPAN_K:
        top = floor + int(LEAST_SPAN_K)

    def x(at: datetime) -> float:
        return round(LEFT + (at - start) / (end - start) * (RIGHT - LEFT), 1)

    def y(temp_c: float) -> float:
        inside = min(max(temp_c, floor), top)
        return round(BASE - (inside - floor) / (top - floor) * (BASE - TOP), 1)

    upper = [(x(at), y(c + shift_k + high_k)) for at, c in curve]
    lower = [(x(at), y(c + shift_k + low_k)) for at, c in curve]
    step = max(1, math.ceil((top - floor) / 6))
    return Picture(
        bare=_path([(x(at), y(c + shift_k)) for at, c in curve]),
        band=f"{_path([*upper, *reversed(lower)])}Z",
        covered=_path([(x(at), y(c)) for at, c in under]) if len(under) > 1 else "",
        covered_x=x(under[1][0]) if len(under) > 1 else 0.0,
        covered_y=y(under[1][1]) if len(under) > 1 else None,
        flats=_flats([(y(c), words) for c, words in bears]),
        marks=_marks(put_on_at or header.put_on_by, header.lift_off_by, now, x, (start, end)),
        dots=tuple(Dot(x(r.at), y(r.temp_c), r.kind) for r in shown),
        degrees=tuple(
            Tick(y(float(c)), temperature(float(c), digits=0).split("°")[0].strip(), c == 0)
            for c in range(floor, top + 1)
            if c % step == 0
        ),
        hours=_hours(start, end, x),
        words=_in_words(worst, gift, header),
    )


def draw_strip(header: PlanHeader) -> Strip | None:
    """The night in a corner: how the air cools and where it is coldest."""
    if len(header.curve) < 2:
        return None
    start, end = _window(header)
    curve = [(at, c) for at, c in header.curve if start <= at <= end]
    if len(curve) < 2:
        return None
    low, high = min(c for _at, c in curve), max(c for _at, c in curve)
    span = max(high - low, 1.0)

    def x(at: datetime) -> float:
        return round((at - start) / (end - start) * STRIP_WIDTH, 1)

    def y(temp_c: float) -> float:
        return round(3 + (high - temp_c) / span * (STRIP_HEIGHT - 7), 1)

    low_at = min(curve, key=lambda point: point[1])[0]
    return Strip(
        _path([(x(at), y(c)) for at, c in curve]),
        x(low_at),
        y(low),
        y(0.0) if low < 0.0 < high else None,
    )


def _window(header: PlanHeader) -> tuple[datetime, datetime]:
    if header.sunset_at is not None and header.sunrise_at is not None:
        return header.sunset_at - BEFORE, header.sunrise_at + AFTER
    middle = header.low_at or header.curve[len(header.curve) // 2][0]
    return middle - AROUND, middle + AROUND


def _best_gift(stories: Sequence[PlantingStory]) -> Gift | None:
    gifts = [gift for story in stories for gift in story.given]
    return min(gifts, key=lambda gift: gift.temp.mean, default=None)


def _bears(stories: Sequence[PlantingStory]) -> list[tuple[float, str]]:
    """What each planting is fine down to, the tenderest first; like ones together."""
    found: dict[int, list[str]] = {}
    asks = [story for story in stories if story.status != "safe"] or stories
    for story in sorted(asks, key=lambda story: -story.threshold_c):
        names = found.setdefault(round(story.threshold_c), [])
        if said(story.name) not in names:
            names.append(said(story.name))
    lines = []
    for bears_c, names in list(found.items())[:MOST_LINES]:
        words = ", ".join(names[:2]) + (" …" if len(names) > 2 else "")
        lines.append(
            (
                float(bears_c),
                _(
                    "%(name)s: fine down to %(bears)s",
                    name=words,
                    bears=temperature(float(bears_c), digits=0),
                ),
            )
        )
    return lines


def _flats(lines: Sequence[tuple[float, str]]) -> tuple[Flat, ...]:
    """Lines with their words, moved apart where two would stand in each other."""
    found: list[Flat] = []
    last = -99.0
    for at, words in sorted(lines):
        label = max(at - 3.0, last + LABEL_ROW)
        found.append(Flat(at, round(label, 1), words))
        last = label
    return tuple(found)


def _marks(
    on_by: datetime | None,
    off_by: datetime | None,
    now: datetime,
    x: object,
    window: tuple[datetime, datetime],
) -> tuple[Mark, ...]:
    assert callable(x)
    start, end = window
    moments = (
        (on_by, _("put on by %(at)s", at=clock(on_by)), "act"),
        (off_by, _("take off by %(at)s", at=clock(off_by)), "act"),
        (now, _("now"), "now"),
    )
    found = []
    for at, label, kind in moments:
        if at is None or not start <= at <= end:
            continue
        where = x(at)
        anchor = "start" if where < WIDTH * 0.55 else "end"
        found.append(Mark(where, label, kind, anchor))
    return tuple(found)


def _hours(start: datetime, end: datetime, x: object) -> tuple[Tick, ...]:
    assert callable(x)
    step = 3 if end - start <= timedelta(hours=21) else 4
    first = start.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    found = []
    at = first
    while at <= end:
        if int(clock(at)[:2]) % step == 0 and clock(at).endswith(":00"):
            found.append(Tick(x(at), clock(at)))
        at += timedelta(hours=1)
    return tuple(found)


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{px:g} {py:g}" for px, py in points)


def _in_words(worst: PlantingStory, gift: Gift | None, header: PlanHeader) -> str:
    low, high = worst.temp.interval(0.8)
    words = _(
        "At its coldest, about %(at)s, the plants here may be at %(low)s to %(high)s bare",
        at=clock(header.low_at),
        low=temperature(low, digits=0),
        high=temperature(high, digits=0),
    )
    if gift is not None:
        words = _(
            "%(words)s, about %(covered)s covered",
            words=words,
            covered=temperature(gift.temp.mean, digits=0),
        )
    return _(
        "%(words)s; %(name)s is fine down to %(bears)s.",
        words=words,
        name=said(worst.name),
        bears=temperature(worst.threshold_c, digits=0),
    )
