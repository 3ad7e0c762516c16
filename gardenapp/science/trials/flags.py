"""Reasons to doubt a trial.

The limits are common practice or our own judgement, no source, unless they say otherwise. Each is
set wide enough that a good trial of an ordinary cover passes it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from gardenapp.science.night.sun import Night
from gardenapp.science.trials.records import (
    GIVEN,
    ClockOffset,
    DayResult,
    Flag,
    Floats,
    Humidity,
    Integers,
    Matched,
    NightResult,
    Series,
)

_LEAST_OVERLAP_H = 6.0
_STUCK_S = 6 * 3600.0
_STUCK_MOVES_K = 2.0
_SAME_K = 0.3
_SAME_SHARE = 0.9
_SAME_LEAST_H = 12.0
_SUNNY_RISE_K = 8.0  # in an hour; the mean clear morning gains 2.9 K in its second (night.py)
_SUNNY_SHARE = 1.0 / 3.0
_SWAPPED_DAY_K = -2.0
_FILM_NIGHT_K = -0.5
_FILM_DAY_K = 5.0
_STEPS_DIFFER = 1.5
_CLOCK_OFFSET_S = 60.0


def flags_of(
    inside: Series,
    outside: Series,
    both: Matched,
    offset: ClockOffset,
    night_results: Sequence[NightResult],
    day_results: Sequence[DayResult],
    humidity: Humidity | None,
    nights: Sequence[Night],
) -> tuple[Flag, ...]:
    """Everything about a trial that a person should know before trusting it."""
    flags = [
        *_overlap(both, night_results),
        *_stuck(both),
        *_same(both),
        *_swapped_or_film(night_results, day_results),
        *_in_sun(outside, nights),
        *_gaps(both),
        *_steps(inside, outside),
        *_clock(offset),
    ]
    sides = (inside.humidity_percent, outside.humidity_percent)
    if humidity is None and any(side is not None for side in sides):
        flags.append(
            Flag(
                "humidity_one_sided",
                {},
                "Humidity is known from one logger only, so it cannot be compared.",
                False,
            )
        )
    if any(night.is_polar for night in nights):
        flags.append(
            Flag(
                "no_sunset",
                {},
                "On some of these dates the sun did not both set and rise; 18:00 to 06:00 by the "
                "sun is called the night there.",
                False,
            )
        )
    return tuple(flags)


def _overlap(both: Matched, night_results: Sequence[NightResult]) -> list[Flag]:
    steps_s = np.diff(both.at_s)
    hours = float(steps_s[steps_s <= both.gap_s].sum() / 3600.0)
    flags = []
    if hours < _LEAST_OVERLAP_H:
        flags.append(
            Flag(
                "overlap_small",
                {"hours": hours},
                f"The two records have only {hours:.1f} hours in common.",
                True,
            )
        )
    if not any(night.is_whole for night in night_results):
        flags.append(
            Flag(
                "too_short",
                {"whole_nights": 0.0},
                "No night is whole in both records: there is no lift to learn from. Let the "
                "loggers hang for at least one night, better for ten.",
                True,
            )
        )
    return flags


def _stuck(both: Matched) -> list[Flag]:
    flags = []
    for which, values, other in (
        ("inside", both.inside_c, both.outside_c),
        ("outside", both.outside_c, both.inside_c),
    ):
        hours, begins_s = _longest_stuck(both.at_s, values, other, both.gap_s)
        if hours > 0.0:
            flags.append(
                Flag(
                    "stuck",
                    {"which": which, "hours": hours, "from_s": begins_s},
                    f"The {which} logger shows one and the same value for {hours:.0f} hours while "
                    "the other moves: its battery, its memory or its sensor may have failed.",
                    True,
                )
            )
    return flags


def _longest_stuck(
    at_s: Integers, values: Floats, other: Floats, gap_s: float
) -> tuple[float, float]:
    """The longest stretch above six hours of one value while the other side moves: hours, start."""
    breaks = np.concatenate(([True], (np.diff(values) != 0.0) | (np.diff(at_s) > gap_s)))
    first = np.flatnonzero(breaks)
    last = np.append(first[1:], len(values)) - 1
    longest, begins_s = 0.0, 0.0
    long_enough = at_s[last] - at_s[first] > _STUCK_S
    for low, high in zip(first[long_enough], last[long_enough], strict=True):
        span_s = float(at_s[high] - at_s[low])
        if span_s <= longest * 3600.0:
            continue
        moved = other[low : high + 1]
        if moved.max() - moved.min() >= _STUCK_MOVES_K:
            longest, begins_s = span_s / 3600.0, float(at_s[low])
    return longest, begins_s


def _same(both: Matched) -> list[Flag]:
    hours = float(both.at_s[-1] - both.at_s[0]) / 3600.0
    share = float((np.abs(both.inside_c - both.outside_c) <= _SAME_K).mean())
    if hours < _SAME_LEAST_H or share < _SAME_SHARE:
        return []
    return [
        Flag(
            "same_readings",
            {"share": share},
            f"Both loggers read the same for {share:.0%} of the time: were they side by side, or "
            "is one file there twice?",
            True,
        )
    ]


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None


def _swapped_or_film(
    night_results: Sequence[NightResult], day_results: Sequence[DayResult]
) -> list[Flag]:
    night_k = _mean([night.lift_at_minimum_k for night in night_results])
    day_k = _mean([day.gain_max_k for day in day_results])
    if night_k is None or day_k is None:
        return []
    params: dict[str, float | str] = {"night_k": night_k, "day_k": day_k}
    if day_k <= _SWAPPED_DAY_K and night_k < 0.0:
        return [
            Flag(
                "swapped",
                params,
                f"The inside is cooler by day ({day_k:+.1f} K) and by night ({night_k:+.1f} K): "
                "are the two files swapped?",
                True,
            )
        ]
    if night_k <= _FILM_NIGHT_K and day_k >= _FILM_DAY_K:
        return [
            Flag(
                "touching_film",
                params,
                f"The inside is warmer by day ({day_k:+.1f} K) and colder by night "
                f"({night_k:+.1f} K). Thin bare polyethylene does this on clear nights; so does a "
                "logger that touches the film. Look before you trust it.",
                False,
            )
        ]
    return []


def _in_sun(outside: Series, nights: Sequence[Night]) -> list[Flag]:
    """The outside logger rises faster than air does, on a third of the days or more."""
    hour_s = 3600 if outside.step_s <= 1800 else round(outside.step_s)
    if outside.step_s > 1.5 * 3600:
        return []
    days, sunny, steepest = 0, 0, 0.0
    for before, after in pairwise(nights):
        begin_s = math.ceil(before.sunrise_at.timestamp())
        end_s = math.floor(after.sunset_at.timestamp())
        low, high = np.searchsorted(outside.at_s, (begin_s, end_s))
        if high - low < 6 or outside.at_s[high - 1] - outside.at_s[low] < 4 * 3600:
            continue
        at, temp = outside.at_s[low:high], outside.temp_c[low:high]
        ahead = np.searchsorted(at, at + hour_s)
        usable = ahead < len(at)
        usable[usable] &= at[ahead[usable]] - at[usable] <= 1.25 * hour_s
        if not usable.any():
            continue
        days += 1
        rise_k = float((temp[ahead[usable]] - temp[usable]).max()) * 3600.0 / hour_s
        steepest = max(steepest, rise_k)
        sunny += rise_k > _SUNNY_RISE_K
    if not days or sunny / days < _SUNNY_SHARE:
        return []
    return [
        Flag(
            "sensor_in_sun",
            {"which": "outside", "days": float(sunny), "steepest_k_per_h": steepest},
            f"The outside logger warms by over {_SUNNY_RISE_K:.0f} K in an hour on {sunny} of "
            f"{days} days, faster than air does: it seems to hang in the sun. Day gains are then "
            "too small; shade it on all sides.",
            False,
        )
    ]


def _gaps(both: Matched) -> list[Flag]:
    steps_s = np.diff(both.at_s)
    gaps = steps_s[steps_s > both.gap_s]
    if not len(gaps):
        return []
    hours = float(gaps.sum() / 3600.0)
    noun = "gap" if len(gaps) == 1 else "gaps"
    return [
        Flag(
            "gaps",
            {"count": float(len(gaps)), "hours": hours},
            f"{len(gaps)} {noun} of {hours:.1f} hours in all; nothing is filled in there.",
            False,
        )
    ]


def _steps(inside: Series, outside: Series) -> list[Flag]:
    shorter, longer = sorted((inside.step_s, outside.step_s))
    if longer < _STEPS_DIFFER * shorter:
        return []
    return [
        Flag(
            "different_steps",
            {"inside_s": inside.step_s, "outside_s": outside.step_s},
            f"The loggers measure every {_minutes(inside.step_s)} inside and every "
            f"{_minutes(outside.step_s)} outside; both are compared at the longer step.",
            False,
        )
    ]


def _minutes(seconds: float) -> str:
    return f"{seconds:g} s" if seconds < 60 else f"{seconds / 60:.3g} min"


def _clock(offset: ClockOffset) -> list[Flag]:
    if abs(offset.offset_s) < _CLOCK_OFFSET_S:
        return []
    slow = "behind" if offset.offset_s > 0 else "ahead of"
    how = "was given" if offset.method == GIVEN else "is estimated from their quick changes"
    return [
        Flag(
            "clock_offset",
            {"offset_s": offset.offset_s, "method": offset.method},
            f"The inside logger's clock is about {_minutes(abs(offset.offset_s))} {slow} the "
            f"outside one's, which {how}; its times are moved by that.",
            False,
        )
    ]
