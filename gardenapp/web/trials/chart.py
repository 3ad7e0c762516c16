"""The picture of a trial: both curves, their difference below, nights shaded.

Works out places on a grid of 720 × 420; the template draws them with classes only.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from gardenapp.web.formats import MINUS, month_short

WIDTH, LEFT, RIGHT = 720, 46, 712
TOP, BOTTOM = 12, 262
LOWER_TOP, LOWER_BOTTOM = 292, 392
_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
_DAY_STEPS = (1, 2, 7, 14, 30, 60, 120)
_MOST_LABELS = 5
_MOST_ROWS = 48


@dataclass(frozen=True)
class Tick:
    """A line of the grid: where, and what is written beside it."""

    at: float
    label: str


@dataclass(frozen=True)
class ChartRow:
    """One row of the table that says the same as the picture. [°C, K]"""

    at: datetime
    inside_c: float
    outside_c: float
    difference_k: float


@dataclass(frozen=True)
class Chart:
    """Everything the template needs to draw; lists of points are written as SVG wants them."""

    inside: tuple[str, ...]
    outside: tuple[str, ...]
    difference: tuple[str, ...]
    nights: tuple[tuple[float, float], ...]
    upper: tuple[Tick, ...]
    lower: tuple[Tick, ...]
    days: tuple[Tick, ...]
    zero_y: float
    rows: tuple[ChartRow, ...]


def draw(
    points: Sequence[dict[str, Any]],
    nights: Sequence[tuple[datetime, datetime]],
    *,
    zone: ZoneInfo,
    shown: Callable[[float], float],
    shown_difference: Callable[[float], float],
) -> Chart | None:
    """Places for a trial's thinned curves; None for fewer than two points.

    points : as `science.trials.as_plain` gives its chart. nights : sunset and sunrise.
    shown, shown_difference : from °C and K to the reader's unit.
    """
    if len(points) < 2:
        return None
    at = [datetime.fromisoformat(point["at"]).timestamp() for point in points]
    inside = [shown(float(point["inside_c"])) for point in points]
    outside = [shown(float(point["outside_c"])) for point in points]
    difference = [shown_difference(float(point["difference_k"])) for point in points]
    first, last = at[0], max(at[-1], at[0] + 1.0)

    def x(moment_s: float) -> float:
        return round(LEFT + (moment_s - first) / (last - first) * (RIGHT - LEFT), 1)

    step, low, high = _scale([*inside, *outside], most=7)
    lower_step, least, most = _scale([*difference, 0.0], most=4)

    def y(value: float) -> float:
        return round(BOTTOM - (value - low) / (high - low) * (BOTTOM - TOP), 1)

    def lower_y(value: float) -> float:
        share = (value - least) / (most - least)
        return round(LOWER_BOTTOM - share * (LOWER_BOTTOM - LOWER_TOP), 1)

    gaps = [bool(point["follows_gap"]) for point in points]
    places = [x(moment) for moment in at]
    shaded = []
    for sunset_at, sunrise_at in nights:
        begin, end = max(first, sunset_at.timestamp()), min(last, sunrise_at.timestamp())
        if end > begin:
            shaded.append((x(begin), round(x(end) - x(begin), 1)))
    return Chart(
        inside=_lines(places, [y(value) for value in inside], gaps),
        outside=_lines(places, [y(value) for value in outside], gaps),
        difference=_lines(places, [lower_y(value) for value in difference], gaps),
        nights=tuple(shaded),
        upper=_ticks(step, low, high, y),
        lower=_ticks(lower_step, least, most, lower_y),
        days=_days(first, last, zone, x),
        zero_y=lower_y(0.0),
        rows=_rows(points),
    )


def _scale(values: Sequence[float], *, most: int) -> tuple[float, float, float]:
    """A round step and the limits on it that hold every value."""
    low, high = min(values), max(values)
    step = next((s for s in _STEPS if (high - low) / s <= most - 1), _STEPS[-1])
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    return step, low, max(high, low + step)


def _ticks(
    step: float, low: float, high: float, place: Callable[[float], float]
) -> tuple[Tick, ...]:
    count = round((high - low) / step)
    digits = 1 if step < 1 else 0
    return tuple(
        Tick(place(low + n * step), f"{low + n * step:.{digits}f}".replace("-", MINUS))
        for n in range(count + 1)
    )


def _lines(xs: Sequence[float], ys: Sequence[float], gaps: Sequence[bool]) -> tuple[str, ...]:
    lines: list[list[str]] = [[]]
    for place_x, place_y, is_gap in zip(xs, ys, gaps, strict=True):
        if is_gap and lines[-1]:
            lines.append([])
        lines[-1].append(f"{place_x:g},{place_y:g}")
    # A lone point between two gaps would not show: drawn as a short stroke on itself.
    return tuple(" ".join(line if len(line) > 1 else line * 2) for line in lines)


def _days(
    first: float, last: float, zone: ZoneInfo, x: Callable[[float], float]
) -> tuple[Tick, ...]:
    """Midnights at the garden, or every few of them, or hours where it is less than a day."""
    start = datetime.fromtimestamp(first, tz=zone)
    days = (last - first) / 86_400
    if days < 1.5:
        hour = start.replace(minute=0, second=0, microsecond=0)
        moments = [hour + timedelta(hours=3 * n) for n in range(1, 14)]
        form = "%H:%M"
    else:
        step = next((s for s in _DAY_STEPS if days / s <= _MOST_LABELS), _DAY_STEPS[-1])
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        count = int(days / step) + 2
        moments = [midnight + timedelta(days=step * n) for n in range(1, count)]
        form = ""
    found: list[Tick] = []
    month = 0
    for moment in moments:
        if not first < moment.timestamp() < last:
            continue
        if form == "%H:%M":
            label = moment.strftime(form)
        elif moment.month != month:
            label = f"{moment.day} {month_short(moment.date())}"
        else:
            label = str(moment.day)  # the month is said where it changes
        month = moment.month
        found.append(Tick(x(moment.timestamp()), label))
    return tuple(found)


def _rows(points: Sequence[dict[str, Any]]) -> tuple[ChartRow, ...]:
    every = max(1, math.ceil(len(points) / _MOST_ROWS))
    return tuple(
        ChartRow(
            datetime.fromisoformat(point["at"]),
            float(point["inside_c"]),
            float(point["outside_c"]),
            float(point["difference_k"]),
        )
        for point in points[::every]
    )
