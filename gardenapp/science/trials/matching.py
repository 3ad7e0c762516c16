"""Two loggers' records brought to the same moments, their clocks compared first."""

from __future__ import annotations

import math

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.trials.records import (
    ESTIMATED,
    NONE_FOUND,
    ClockOffset,
    Floats,
    Integers,
    Matched,
    Series,
)

LARGEST_OFFSET_S = 3 * 3600
_FINEST_GRID_S = 60
_QUICK_S = 3 * 3600  # changes slower than this have their causes in the cover, not in the clock
_DULLED_S = 1800
# A cover or a sensor of an hour's sluggishness (a water-filled one) seems 17 to 25 minutes late.
_SLOW_COVER_S = 1800
_FAST_CLOCK_S = 300
_LEAST_PAIRS = 48
_LEAST_CORRELATION = 0.3
_LEAST_GAIN = 0.1
_STANDARD_ERRORS = 4.0
_MOST_GRID_POINTS = 20_000  # ten weeks at five minutes: more would not sharpen a constant offset


def clock_offset(inside: Series, outside: Series) -> ClockOffset:
    """How much to add to the inside logger's times, judged by the two records themselves.

    Notes
    -----
    A cloud, a gust or the sun's first ray reaches both loggers at once, while the day's slow
    course runs earlier inside than outside for good physical reasons. So only quick changes are
    compared: differences from step to step, evened out over half an hour, less the mean course
    of the day and less their running mean over three hours. Their correlation is taken for
    shifts up to three hours either way. The best shift counts only where the correlation is at
    least 0.3 and four standard errors, 0.1 and four standard errors better than unmoved, and
    sharp (0.2 lower half an hour or two steps away; a smooth curve fits nearly everywhere).
    Otherwise 0 with "none found".
    A sluggish cover answers late too, and nothing in the temperatures tells that from a clock
    that is ahead: so an inside clock is called ahead only from half an hour, and what is found
    may be out by the cover's own delay. One that is behind is told from five minutes.
    The limits are our own, tried on synthetic records and on a measured year; no source.
    """
    none = ClockOffset(0.0, NONE_FOUND)
    grid_s = int(max(_FINEST_GRID_S, math.ceil(max(inside.step_s, outside.step_s))))
    if grid_s > 3600 * 1.5:
        return none
    begin = int(max(inside.at_s[0], outside.at_s[0])) - LARGEST_OFFSET_S
    end = int(min(inside.at_s[-1], outside.at_s[-1])) + LARGEST_OFFSET_S
    if end <= begin:
        return none
    count = min((end - begin) // grid_s + 1, _MOST_GRID_POINTS)
    grid: Integers = begin + grid_s * np.arange(count, dtype=np.int64)
    a = _quick_changes(inside, grid, grid_s)
    b = _quick_changes(outside, grid, grid_s)
    most = LARGEST_OFFSET_S // grid_s
    correlations, pairs = _correlations(a, b, most)
    if not np.isfinite(correlations).any():
        return none
    best = int(np.nanargmax(correlations))
    at_best, unmoved = float(correlations[best]), float(correlations[most])
    # Neighbours that were evened out together are not independent.
    independent = float(pairs[best]) / (2 * _smoothing(grid_s) + 1)
    error = 1.0 / math.sqrt(max(1.0, independent))
    apart = max(2, math.ceil(1800 / grid_s))
    beside = [float(correlations[i]) for i in (best - apart, best + apart) if 0 <= i <= 2 * most]
    is_sharp = bool(beside) and all(not at_best - value < 0.2 for value in beside)
    gain = at_best - (unmoved if math.isfinite(unmoved) else 0.0)
    if (
        pairs[best] < _LEAST_PAIRS
        or best == most
        or at_best < max(_LEAST_CORRELATION, _STANDARD_ERRORS * error)
        or gain < max(_LEAST_GAIN, _STANDARD_ERRORS * error * math.sqrt(1.0 - at_best**2))
        or not is_sharp
    ):
        known = unmoved if math.isfinite(unmoved) else None
        return ClockOffset(0.0, NONE_FOUND, known, known)
    shift = best - most + _vertex(correlations, best)
    if -_SLOW_COVER_S < shift * grid_s < _FAST_CLOCK_S:
        known = unmoved if math.isfinite(unmoved) else None
        return ClockOffset(0.0, NONE_FOUND, at_best, known)
    # Between two steps it is a guess to about a quarter of one; seconds would be false precision.
    return ClockOffset(
        60.0 * round(shift * grid_s / 60.0),
        ESTIMATED,
        at_best,
        unmoved if math.isfinite(unmoved) else None,
    )


def _vertex(values: Floats, best: int) -> float:
    """How far the top of a parabola through three points lies from the middle one, -½ to ½."""
    if not 0 < best < len(values) - 1:
        return 0.0
    left, top, right = (float(v) for v in values[best - 1 : best + 2])
    bend = left - 2.0 * top + right
    if not math.isfinite(bend) or bend >= 0.0:
        return 0.0
    return max(-0.5, min(0.5, 0.5 * (left - right) / bend))


def _quick_changes(series: Series, grid: Integers, grid_s: int) -> Floats:
    """Step-to-step changes on the grid without slow courses; nan where not measured."""
    low, high = np.searchsorted(series.at_s, (grid[0] - 2 * grid_s, grid[-1] + 2 * grid_s))
    used_s, temp_c = series.at_s[low:high], series.temp_c[low:high]
    if len(used_s) < 2:
        return np.full(len(grid) - 1, np.nan)
    at_s = used_s.astype(np.float64)
    if series.step_s * 2 <= grid_s:
        bins = used_s // grid_s
        first = np.flatnonzero(np.concatenate(([True], np.diff(bins) > 0)))
        size = np.diff(np.append(first, len(bins)))
        at_s = np.add.reduceat(at_s, first) / size
        temp_c = np.add.reduceat(temp_c, first) / size
    change = np.diff(_interpolated(grid.astype(np.float64), at_s, temp_c, 1.6 * grid_s))
    slot = (grid[1:] % 86_400) // grid_s
    known = np.isfinite(change)
    slots = 86_400 // grid_s + 1
    seen = np.bincount(slot[known], minlength=slots)
    course = np.bincount(slot[known], weights=change[known], minlength=slots) / np.maximum(seen, 1)
    if seen.max() >= 4:  # with fewer days the mean course would be the days themselves
        change = change - course[slot]
    smooth = _running_mean(change, _smoothing(grid_s))
    smooth[~known] = np.nan
    return smooth - _running_mean(change, max(1, round(_QUICK_S / grid_s / 2)))


def _smoothing(grid_s: int) -> int:
    """Steps to either side over which changes are evened out: a cover dulls the shortest ones."""
    return round(_DULLED_S / grid_s / 2)


def _running_mean(values: Floats, half: int) -> Floats:
    known = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    count = np.concatenate(([0], np.cumsum(known)))
    index = np.arange(len(values))
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, len(values))
    means: Floats = (total[high] - total[low]) / np.maximum(count[high] - count[low], 1)
    return means


def _correlations(a: Floats, b: Floats, most: int) -> tuple[Floats, Integers]:
    """Correlation of a moved later by -most … most steps with b, and the pairs behind each."""
    known_a, known_b = np.isfinite(a), np.isfinite(b)
    a, b = np.where(known_a, a, 0.0), np.where(known_b, b, 0.0)
    size = 1 << (len(a) + most).bit_length()

    def products(x: Floats, y: Floats) -> Floats:
        spectrum = np.conj(np.fft.rfft(x, size)) * np.fft.rfft(y, size)
        all_lags = np.fft.irfft(spectrum, size)
        return np.concatenate((all_lags[size - most :], all_lags[: most + 1]))

    together = products(a, b)
    count = np.rint(products(known_a.astype(float), known_b.astype(float))).astype(np.int64)
    power_a, power_b = products(a**2, known_b.astype(float)), products(known_a.astype(float), b**2)
    floor = 1e-9 * max(1e-12, float((a**2).sum()), float((b**2).sum()))
    usable = (count >= _LEAST_PAIRS) & (power_a > floor) & (power_b > floor)
    # Measured noise below a millikelvin is rounding, not weather.
    usable &= (power_a > 1e-6 * count) & (power_b > 1e-6 * count)
    scale = np.sqrt(np.where(usable, power_a * power_b, 1.0))
    # Two records that are one and the same come to a hair above 1 by rounding.
    return np.where(usable, np.clip(together / scale, -1.0, 1.0), np.nan), count


def _interpolated(at: Floats, known_at: Floats, values: Floats, longest_s: float) -> Floats:
    """Values on straight lines between readings; nan outside, and in gaps above `longest_s`."""
    answer: Floats = np.interp(at, known_at, values)
    after = np.clip(np.searchsorted(known_at, at), 1, len(known_at) - 1)
    exact = known_at[np.searchsorted(known_at, at).clip(max=len(known_at) - 1)] == at
    too_far = known_at[after] - known_at[after - 1] > longest_s
    outside = (at < known_at[0]) | (at > known_at[-1])
    answer[(too_far & ~exact) | outside] = np.nan
    return answer


def matched(inside: Series, outside: Series, offset_s: float) -> Matched:
    """Both records at the moments of the logger that measures less often.

    The other one's readings are put on straight lines between their neighbours, so that both
    sides are sampled alike; a finer logger must not win lower lows by looking more often. Across
    gaps (more than two and a half steps) nothing is filled in. Raises OutOfRange where fewer than
    two moments are known from both.
    """
    inside_at = inside.at_s + round(offset_s)
    step_s = max(inside.step_s, outside.step_s)
    gap_s = 2.5 * step_s
    if len(inside_at) == len(outside.at_s) and (inside_at == outside.at_s).all():
        return Matched(
            outside.at_s,
            inside.temp_c,
            outside.temp_c,
            inside.humidity_percent,
            outside.humidity_percent,
            step_s,
            gap_s,
        )
    begin, end = max(inside_at[0], outside.at_s[0]), min(inside_at[-1], outside.at_s[-1])
    by_inside = inside.step_s > outside.step_s
    base = inside_at if by_inside else outside.at_s
    base = base[(base >= begin) & (base <= end)]
    at = base.astype(np.float64)

    def on_base(series: Series, known_at: Integers, values: Floats | None) -> Floats | None:
        if values is None:
            return None
        longest_s = 2.5 * series.step_s if series.step_s * 2.5 > 900 else 900.0
        return _interpolated(at, known_at.astype(np.float64), values, longest_s)

    inside_c = on_base(inside, inside_at, inside.temp_c)
    outside_c = on_base(outside, outside.at_s, outside.temp_c)
    assert inside_c is not None and outside_c is not None
    both = np.isfinite(inside_c) & np.isfinite(outside_c)
    if both.sum() < 2:
        raise OutOfRange(
            say(
                "the two loggers' times do not overlap: check that both files are of the "
                "same days, and their time zones"
            )
        )
    inside_percent = on_base(inside, inside_at, inside.humidity_percent)
    outside_percent = on_base(outside, outside.at_s, outside.humidity_percent)
    return Matched(
        base[both],
        inside_c[both],
        outside_c[both],
        None if inside_percent is None else inside_percent[both],
        None if outside_percent is None else outside_percent[both],
        step_s,
        gap_s,
    )
