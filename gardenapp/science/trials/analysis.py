"""Two loggers, one under a cover and one outside: what the cover does by night and by day.

A trial says what one cover did in the weather it had. The night is the sample, not the reading: a
thousand readings of one night are still one night. Lift is inside minus outside; it can be below
zero, and on clear nights under thin bare polyethylene it has been measured so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.messages import say, to_json
from gardenapp.science.night import curve as nights_curve
from gardenapp.science.night.sun import Night, night_for
from gardenapp.science.trials.flags import flags_of
from gardenapp.science.trials.humidity import HUMID_PERCENT, compared, hours_so_far
from gardenapp.science.trials.matching import clock_offset, matched
from gardenapp.science.trials.records import (
    GIVEN,
    ChartPoint,
    ClockOffset,
    DayResult,
    Flag,
    Floats,
    Humidity,
    HumiditySide,
    Matched,
    NightResult,
    Series,
    Spread,
    Totals,
    TrialResult,
    moment,
)

__all__ = [
    "MOST_CHART_POINTS",
    "ChartPoint",
    "ClockOffset",
    "DayResult",
    "Flag",
    "Humidity",
    "HumiditySide",
    "Matched",
    "NightResult",
    "Series",
    "Spread",
    "Totals",
    "TrialResult",
    "analyse",
    "as_plain",
    "chart_of",
    "clock_offset",
    "matched",
    "nights_between",
]

MOST_CHART_POINTS = 600
_WHOLE_GAP_S = 3600.0
_LEAST_READINGS = 3
_MOST_NIGHTS = 5 * 366
Progress = Callable[[float], None]


def analyse(
    inside: Series,
    outside: Series,
    *,
    nights: Sequence[Night],
    heat_max_c: float | None = None,
    clock_offset_s: float | None = None,
    progress: Progress | None = None,
) -> TrialResult:
    """What two loggers say about a cover.

    Parameters
    ----------
    inside, outside : the two records; steps from a second to an hour, they need not agree.
    nights : sunset and sunrise of each night that the records may touch, in order; days are
        what lies between two nights that follow one another. From the evening before the first
        reading to that of the last, nothing is missed.
    heat_max_c : highest temperature the crop stands, for the hours above it. [°C]
    clock_offset_s : to add to the inside logger's times; None to have it estimated. [s]
    progress : told the share done, 0 to 1.

    Returns
    -------
    TrialResult, with nights and days that have at least three readings each. Totals are over
    whole nights and whole days only.

    Raises OutOfRange where the records do not overlap, for an offset over a day, or nights out of
    order.

    Notes
    -----
    The lift is the lowest temperature inside less the lowest outside between sunset and sunrise
    of one night (not the difference at one moment: what a plant dies of is the lowest it had).
    The difference at the outside low is given beside it.
    """
    if any(b.sunset_at < a.sunrise_at for a, b in pairwise(nights)):
        raise OutOfRange(say("nights must be in order and must not overlap"))

    def tell(share: float) -> None:
        if progress is not None:
            progress(share)

    tell(0.0)
    if clock_offset_s is None:
        offset = clock_offset(inside, outside)
    elif not (math.isfinite(clock_offset_s) and abs(clock_offset_s) <= 86_400):
        raise OutOfRange(
            say(
                "%(name)s must be within a day, not %(value)s",
                name="clock_offset_s",
                value=clock_offset_s,
            )
        )
    else:
        offset = ClockOffset(float(clock_offset_s), GIVEN)
    tell(0.3)
    both = matched(inside, outside, offset.offset_s)
    tell(0.5)
    humid = _HumidHours.of(both)
    night_results = [r for each in nights if (r := _night(both, each, humid)) is not None]
    hot = None
    if heat_max_c is not None:
        hot = hours_so_far(both.at_s, both.inside_c, heat_max_c, both.gap_s)
    day_results = []
    for before, after in pairwise(nights):
        if after.night_of - before.night_of == timedelta(days=1):
            day = _day(both, before, after, hot)
            if day is not None:
                day_results.append(day)
    tell(0.7)
    humidity = compared(both)
    tell(0.8)
    flags = flags_of(inside, outside, both, offset, night_results, day_results, humidity, nights)
    tell(0.9)
    result = TrialResult(
        clock_offset=offset,
        matched=both,
        inside_step_s=inside.step_s,
        outside_step_s=outside.step_s,
        nights=tuple(night_results),
        days=tuple(day_results),
        totals=_totals(both, night_results, day_results, hot),
        humidity=humidity,
        flags=flags,
        chart=chart_of(both),
        heat_max_c=heat_max_c,
    )
    tell(1.0)
    return result


def nights_between(
    first_s: int, last_s: int, *, latitude: float, longitude: float, time_zone: ZoneInfo
) -> list[Night]:
    """Every night that a record may touch, from the evening before it to that of its end.

    Parameters
    ----------
    first_s, last_s : seconds since 1970 in UTC of the first and last reading.
    latitude, longitude : degrees, north and east positive.
    time_zone : the garden's, which says what date an evening has.

    Raises OutOfRange for a record of over five years, and as `sun.night_for`.
    """
    first_on = datetime.fromtimestamp(first_s, tz=time_zone).date() - timedelta(days=1)
    last_on = datetime.fromtimestamp(last_s, tz=time_zone).date()
    count = (last_on - first_on).days + 1
    if count > _MOST_NIGHTS:
        raise OutOfRange(
            say(
                "the records span %(count)s nights; at most %(most)s are analysed. Is "
                "a date in one of the files wrong?",
                count=count,
                most=_MOST_NIGHTS,
            )
        )
    return [
        night_for(
            first_on + timedelta(days=day),
            latitude=latitude,
            longitude=longitude,
            time_zone=time_zone,
        )
        for day in range(count)
    ]


def as_plain(result: TrialResult) -> dict[str, Any]:
    """A result in the types of JSON, moments in ISO 8601 and UTC; all but the matched rows.

    What moisture's figures mean is kept as messages, to be told in the reader's language.
    """
    plain: dict[str, Any] = _plain(
        {
            "starts_at": result.starts_at,
            "ends_at": result.ends_at,
            "matched_count": result.matched_count,
            "inside_step_s": result.inside_step_s,
            "outside_step_s": result.outside_step_s,
            "heat_max_c": result.heat_max_c,
            "is_doubtful": result.is_doubtful,
            "clock_offset": asdict(result.clock_offset),
            "totals": asdict(result.totals),
            "nights": [asdict(night) for night in result.nights],
            "days": [asdict(day) for day in result.days],
            "humidity": None if result.humidity is None else _moisture(result.humidity),
            "flags": [asdict(flag) for flag in result.flags],
            "chart": [
                {**asdict(point), "difference_k": point.difference_k} for point in result.chart
            ],
        }
    )
    return plain


def _moisture(humidity: Humidity) -> dict[str, Any]:
    # Not `asdict` of the whole: it would take the messages apart.
    plain = asdict(replace(humidity, words=()))
    return {**plain, "words": [to_json(words) for words in humidity.words]}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, date):  # a datetime too
        return value.isoformat()
    return round(value, 4) if isinstance(value, float) else value


def _span(both: Matched, begin_s: float, end_s: float) -> slice:
    # Whole numbers: a search for fractions would turn the whole record into them each time.
    low = np.searchsorted(both.at_s, math.ceil(begin_s), side="left")
    high = np.searchsorted(both.at_s, math.floor(end_s), side="right")
    return slice(int(low), int(high))


def _coverage(both: Matched, part: slice, begin_s: float, end_s: float) -> tuple[bool, float]:
    """Whether a stretch is measured without a gap, and the share of it that is."""
    at = both.at_s[part]
    edges = np.concatenate(([begin_s], at, [end_s]))
    steps = np.diff(edges)
    longest = max(_WHOLE_GAP_S, 2.0 * both.step_s)
    # At its two ends half a step may be missing without being a gap.
    inner = steps[1:-1]
    covered = float(inner[inner <= both.gap_s].sum()) + sum(
        float(edge) for edge in (steps[0], steps[-1]) if edge <= both.step_s
    )
    return bool((steps <= longest).all()), min(1.0, covered / (end_s - begin_s))


@dataclass(frozen=True, eq=False)
class _HumidHours:
    """Hours at or above 90 % so far, on each side that has a humidity."""

    inside: Floats | None
    outside: Floats | None

    @classmethod
    def of(cls, both: Matched) -> _HumidHours:
        def so_far(percent: Floats | None) -> Floats | None:
            if percent is None or not np.isfinite(percent).any():
                return None
            return hours_so_far(both.at_s, percent, HUMID_PERCENT, both.gap_s)

        return cls(so_far(both.inside_percent), so_far(both.outside_percent))


def _hours_in(so_far: Floats | None, part: slice) -> float | None:
    return None if so_far is None else float(so_far[part.stop - 1] - so_far[part.start])


def _night(both: Matched, night: Night, humid: _HumidHours) -> NightResult | None:
    begin_s, end_s = night.sunset_at.timestamp(), night.sunrise_at.timestamp()
    part = _span(both, begin_s, end_s)
    at = both.at_s[part]
    if len(at) < _LEAST_READINGS:
        return None
    inside, outside = both.inside_c[part], both.outside_c[part]
    difference = inside - outside
    inside_row, outside_row = int(inside.argmin()), int(outside.argmin())
    is_whole, covered = _coverage(both, part, begin_s, end_s)
    fall_k = _outside_fall(at, outside, begin_s) if is_whole else None
    return NightResult(
        night_of=night.night_of,
        lift_at_minimum_k=float(inside[inside_row] - outside[outside_row]),
        lift_at_outside_low_k=float(difference[outside_row]),
        lift_mean_k=float(difference.mean()),
        lift_least_k=float(difference.min()),
        lift_most_k=float(difference.max()),
        inside_low_c=float(inside[inside_row]),
        inside_low_at=moment(int(at[inside_row])),
        outside_low_c=float(outside[outside_row]),
        outside_low_at=moment(int(at[outside_row])),
        is_whole=is_whole,
        covered_fraction=covered,
        readings=len(at),
        outside_fall_k=fall_k,
        looked_clear=_looked_clear(fall_k),
        humid_hours_inside=_hours_in(humid.inside, part),
        humid_hours_outside=_hours_in(humid.outside, part),
    )


def _outside_fall(at: np.ndarray, outside: Floats, sunset_s: float) -> float | None:
    evening_s = sunset_s + nights_curve.LAW_STARTS_H * 3600.0
    if at[0] > evening_s or at[-1] < evening_s:
        return None
    evening_c = float(np.interp(evening_s, at, outside))
    later = outside[at >= evening_s]
    return evening_c - float(later.min()) if len(later) else None


def _looked_clear(fall_k: float | None) -> bool | None:
    """A guess: as far as the air usually falls on a clear calm night, or on an overcast one."""
    if fall_k is None:
        return None
    if fall_k >= nights_curve.default_evening_drop_k(1.0):
        return True
    return False if fall_k <= nights_curve.default_evening_drop_k(0.0) else None


def _day(both: Matched, before: Night, after: Night, hot: Floats | None) -> DayResult | None:
    begin_s, end_s = before.sunrise_at.timestamp(), after.sunset_at.timestamp()
    if end_s <= begin_s:
        return None
    part = _span(both, begin_s, end_s)
    at = both.at_s[part]
    if len(at) < _LEAST_READINGS:
        return None
    inside, outside = both.inside_c[part], both.outside_c[part]
    is_whole, covered = _coverage(both, part, begin_s, end_s)
    return DayResult(
        on=after.night_of,
        gain_max_k=float(inside.max() - outside.max()),
        gain_mean_k=float((inside - outside).mean()),
        inside_max_c=float(inside.max()),
        inside_max_at=moment(int(at[int(inside.argmax())])),
        outside_max_c=float(outside.max()),
        hours_above_max=_hours_in(hot, part),
        is_whole=is_whole,
        covered_fraction=covered,
    )


def _spread(values: Sequence[float]) -> Spread | None:
    if not values:
        return None
    mean = math.fsum(values) / len(values)
    sd = None
    if len(values) > 1:
        sd = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))
    return Spread(len(values), mean, sd, min(values), max(values))


def _totals(
    both: Matched,
    night_results: Sequence[NightResult],
    day_results: Sequence[DayResult],
    hot: Floats | None,
) -> Totals:
    whole_nights = [each for each in night_results if each.is_whole]
    whole_days = [each for each in day_results if each.is_whole]
    steps_s = np.diff(both.at_s)
    return Totals(
        lift_at_minimum_k=_spread([each.lift_at_minimum_k for each in whole_nights]),
        lift_mean_k=_spread([each.lift_mean_k for each in whole_nights]),
        gain_max_k=_spread([each.gain_max_k for each in whole_days]),
        gain_mean_k=_spread([each.gain_mean_k for each in whole_days]),
        hours_above_max=None if hot is None else float(hot[-1]),
        hours_matched=float(steps_s[steps_s <= both.gap_s].sum() / 3600.0),
    )


def chart_of(both: Matched, most_points: int = MOST_CHART_POINTS) -> tuple[ChartPoint, ...]:
    """The two curves thinned for drawing, the extremes of every stretch kept.

    At most `most_points`, 8 or more: in each stretch of the record the rows where it was coldest
    and warmest, inside and outside.
    """
    if most_points < 8:
        raise OutOfRange(
            say("%(name)s must be 8 or more, not %(value)s", name="most_points", value=most_points)
        )
    count = len(both)
    if count <= most_points:
        rows = np.arange(count)
    else:
        limits = np.linspace(0, count, (most_points - 2) // 4 + 1).astype(np.int64)
        chosen = {0, count - 1}
        for low, high in zip(limits[:-1].tolist(), limits[1:].tolist(), strict=True):
            for values in (both.inside_c[low:high], both.outside_c[low:high]):
                chosen.add(low + int(values.argmin()))
                chosen.add(low + int(values.argmax()))
        rows = np.array(sorted(chosen))
    gap_after = np.concatenate(([0], np.cumsum(np.diff(both.at_s) > both.gap_s)))
    points = []
    previous = int(rows[0])
    for row in rows.tolist():
        points.append(
            ChartPoint(
                moment(int(both.at_s[row])),
                float(both.inside_c[row]),
                float(both.outside_c[row]),
                bool(gap_after[row] > gap_after[previous]),
            )
        )
        previous = row
    return tuple(points)
