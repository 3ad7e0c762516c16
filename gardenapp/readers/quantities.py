"""Units and sane limits of the figures in a forecast, whatever its format.

Each function takes a number in the unit a file names and gives it in ours, or raises `BadFigure`
with words for the reader; the format module knows the place and adds it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

from gardenapp.errors import GardenError, OutOfRange
from gardenapp.messages import Number, say
from gardenapp.readers.records import HourForecast, quoted
from gardenapp.science import humidity, units

# Wide of anything a garden sees at night (the records on earth are -89 and +57 °C); a figure
# outside is a missing-value code, a slipped decimal point or another unit.
LOWEST_C = -60.0
HIGHEST_C = 60.0
_STRONGEST_MPS = 115.0  # the strongest gust recorded on earth is 113 m/s, from memory
_MOST_HUMID = 105.0  # sensors overshoot a little in fog; read as 100

FIRST_YEAR = 1900
LAST_YEAR = 2200


class BadFigure(GardenError, ValueError):
    """A number that cannot be what its place says it is."""


def temperature_c(value: float, unit: str) -> float:
    """A temperature in °C from one in "C" or "F", inside -60 to +60 °C.

    Raises BadFigure.
    """
    if not math.isfinite(value):
        raise BadFigure(say("is not a finite number"))
    converted_c = units.f_to_c(value) if unit == "F" else value
    if not LOWEST_C <= converted_c <= HIGHEST_C:
        if unit == "F":
            raise BadFigure(
                say(
                    "%(value)s °F is %(converted_c)s °C, outside −60 to +60 °C",
                    value=Number(value),
                    converted_c=Number(converted_c, ".1f"),
                )
            )
        raise BadFigure(say("%(value)s °C is outside −60 to +60 °C", value=Number(value)))
    return converted_c


def humidity_percent(value: float) -> float:
    """Relative humidity from 0 to 100 %, a sensor's small overshoot cut to 100.

    Raises BadFigure.
    """
    if not 0.0 <= value <= _MOST_HUMID:
        raise BadFigure(say("humidity of %(value)s %% is outside 0 to 100", value=Number(value)))
    return min(value, 100.0)


def cloud_fraction(value: float, unit: str) -> float:
    """Cloud cover from 0 to 1, from "percent", "fraction" or "oktas".

    Raises BadFigure.
    """
    whole = {"percent": 100.0, "fraction": 1.0, "oktas": 8.0}[unit]
    if not 0.0 <= value <= whole:
        raise BadFigure(
            say(
                "cloud of %(value)s is outside 0 to %(most)s",
                value=Number(value),
                most=Number(whole),
            )
        )
    return value / whole


def wind_mps(value: float, unit: str) -> float:
    """Wind in m/s from "m/s", "km/h", "mph" or "kn".

    Raises BadFigure.
    """
    if not math.isfinite(value):
        raise BadFigure(say("is not a finite number"))
    converted = {
        "m/s": lambda speed: speed,
        "km/h": units.kmh_to_mps,
        "mph": units.mph_to_mps,
        "kn": units.knots_to_mps,
    }[unit](value)
    if not 0.0 <= converted <= _STRONGEST_MPS:
        raise BadFigure(
            say(
                "wind of %(value)s %(unit)s is outside 0 to %(most)s m/s",
                value=Number(value),
                unit=unit,
                most=Number(_STRONGEST_MPS),
            )
        )
    return float(converted)


def moment_utc(text: str) -> datetime:
    """A moment in UTC from ISO 8601 text that carries its offset.

    Raises BadFigure.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise BadFigure(say("%(text)s is not a date and time", text=quoted(text))) from error
    if moment.tzinfo is None:
        raise BadFigure(say("%(text)s does not say its offset from UTC", text=quoted(text)))
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise BadFigure(
            say(
                "the year %(year)s is outside %(first)s to %(last)s",
                year=moment.year,
                first=FIRST_YEAR,
                last=LAST_YEAR,
            )
        )
    return moment.astimezone(UTC)


def with_dew_point(hour: HourForecast) -> HourForecast:
    """The same hour, its dew point worked out from the humidity where none was given."""
    if hour.dew_point_c is not None or hour.humidity_percent is None:
        return hour
    try:
        dew_point_c = humidity.dew_point_c(hour.temp_c, hour.humidity_percent)
    except OutOfRange:  # bone-dry air or air outside the formula: leave it unknown
        return hour
    return replace(hour, dew_point_c=dew_point_c)
