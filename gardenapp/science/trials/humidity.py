"""Moisture inside a cover against outside.

The formulas are those of `gardenapp.science.humidity`, read off a table of theirs for a whole
record at once.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from gardenapp.messages import Number, say
from gardenapp.science import humidity
from gardenapp.science.trials.records import Floats, Humidity, HumiditySide, Integers, Matched

HUMID_PERCENT = 90.0
"""At or above this, with free water and warmth, leaf diseases are favoured (University of Kentucky
extension, seen in an extract)."""

_TABLE_STEP_K = 0.05
_LOWEST_C, _HIGHEST_C = -60.0, 60.0


@lru_cache(maxsize=1)
def _saturation_table() -> tuple[Floats, Floats]:
    """Temperatures and saturation pressures; straight lines between them are off by 5e-6 of it."""
    count = round((_HIGHEST_C - _LOWEST_C) / _TABLE_STEP_K) + 1
    temperature_c = np.linspace(_LOWEST_C, _HIGHEST_C, count)
    pressure = [humidity.saturation_vapour_pressure_hpa(float(t)) for t in temperature_c]
    return temperature_c, np.array(pressure)


def saturation_hpa(temp_c: Floats) -> Floats:
    """`humidity.saturation_vapour_pressure_hpa` of a record; nan outside -60 to 60 °C. [hPa]"""
    known_c, pressure_hpa = _saturation_table()
    answer: Floats = np.interp(temp_c, known_c, pressure_hpa, left=np.nan, right=np.nan)
    return answer


def dew_points_c(vapour_hpa: Floats) -> Floats:
    """`humidity.dew_point_from_vapour_pressure_c` of a record; nan where there is none. [°C]"""
    known_c, pressure_hpa = _saturation_table()
    with np.errstate(divide="ignore", invalid="ignore"):
        answer: Floats = np.interp(
            np.log(vapour_hpa), np.log(pressure_hpa), known_c, left=np.nan, right=np.nan
        )
    return answer


def absolute_gm3(temp_c: Floats, vapour_hpa: Floats) -> Floats:
    """`humidity.absolute_humidity_gm3` of a record. [g m-3]"""
    # At 100 % the scalar function gives the factor between pressure and water exactly.
    saturated_gm3 = humidity.absolute_humidity_gm3(0.0, 100.0)
    factor = saturated_gm3 * 273.15 / humidity.saturation_vapour_pressure_hpa(0.0)
    return vapour_hpa * factor / (temp_c + 273.15)


def hours_so_far(at_s: Integers, values: Floats, limit: float, gap_s: float) -> Floats:
    """Hours at or above a limit since the first reading, at each reading.

    On straight lines between readings, exactly; gaps and unknown values do not count. Two of
    these subtracted give the hours of any stretch.
    """
    so_far = np.zeros(len(values))
    if len(values) < 2:
        return so_far
    step_s = np.diff(at_s)
    over = values - limit
    first, last = over[:-1], over[1:]
    above = (over >= 0.0).astype(np.int8)
    seconds = np.where(above[:-1] & above[1:], step_s, 0).astype(np.float64)
    crossing = np.flatnonzero(above[:-1] != above[1:])
    up, down = (
        np.maximum(first[crossing], last[crossing]),
        np.minimum(first[crossing], last[crossing]),
    )
    seconds[crossing] = step_s[crossing] * up / (up - down)
    seconds[(step_s > gap_s) | ~np.isfinite(seconds)] = 0.0
    np.cumsum(seconds / 3600.0, out=so_far[1:])
    return so_far


def compared(matched: Matched) -> Humidity | None:
    """Both sides' moisture over the moments at which both are known; None without any."""
    if matched.inside_percent is None or matched.outside_percent is None:
        return None
    known = np.isfinite(matched.inside_percent) & np.isfinite(matched.outside_percent)
    known &= (matched.inside_percent > 0.0) & (matched.outside_percent > 0.0)
    known &= (np.maximum(matched.inside_c, matched.outside_c) <= _HIGHEST_C) & (
        np.minimum(matched.inside_c, matched.outside_c) >= _LOWEST_C
    )
    if known.sum() < 2:
        return None
    at = matched.at_s[known]
    inside = _side(at, matched.inside_c[known], matched.inside_percent[known], matched.gap_s)
    outside = _side(at, matched.outside_c[known], matched.outside_percent[known], matched.gap_s)
    steps_s = np.diff(at)
    ratio = inside.mean_absolute_gm3 / outside.mean_absolute_gm3
    words = [
        say(
            "The same relative humidity at a higher temperature is more water: at 90 %%, air of "
            "30 °C holds about three times the water of air at 10 °C. Compare dew points or "
            "grams, not percent. Here the air inside held on average %(inside)s g in a cubic "
            "metre, outside %(outside)s g.",
            inside=Number(inside.mean_absolute_gm3, ".1f"),
            outside=Number(outside.mean_absolute_gm3, ".1f"),
        )
    ]
    if inside.hours_humid > outside.hours_humid and inside.hours_humid > 0.0:
        words.append(
            say(
                "The air inside was at or above %(percent)s %% for %(inside)s hours, outside "
                "for %(outside)s: wet leaves invite disease. Open the cover after wet nights.",
                percent=Number(HUMID_PERCENT, ".0f"),
                inside=Number(inside.hours_humid, ".0f"),
                outside=Number(outside.hours_humid, ".0f"),
            )
        )
    return Humidity(
        inside,
        outside,
        inside.lowest_percent - outside.lowest_percent,
        ratio,
        float(steps_s[steps_s <= matched.gap_s].sum() / 3600.0),
        tuple(words),
    )


def _side(at: Integers, temp_c: Floats, percent: Floats, gap_s: float) -> HumiditySide:
    saturated = saturation_hpa(temp_c)
    vapour = saturated * percent / 100.0
    dew_c = dew_points_c(vapour)
    return HumiditySide(
        lowest_percent=float(percent.min()),
        mean_percent=float(percent.mean()),
        highest_percent=float(percent.max()),
        mean_dew_point_c=float(np.nanmean(dew_c)) if np.isfinite(dew_c).any() else None,
        mean_absolute_gm3=float(absolute_gm3(temp_c, vapour).mean()),
        mean_vapour_pressure_deficit_hpa=float((saturated - vapour).mean()),
        hours_humid=float(hours_so_far(at, percent, HUMID_PERCENT, gap_s)[-1]),
    )
