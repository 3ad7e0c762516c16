"""MET Norway Locationforecast 2.0, `compact` and `complete`.

Values belong to moments: hourly for two and a half days, then every six hours. Compact states no
minimum, so in the six-hourly part a dip between two moments is missed, and those nights say
so. Complete states the lowest temperature of the six hours to come, which is used. Source: the
service's JSON format pages and terms.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from gardenapp.messages import say
from gardenapp.readers.json_text import Node, position
from gardenapp.readers.nights import SpanLow, nights_from_hours
from gardenapp.readers.quantities import (
    BadFigure,
    cloud_fraction,
    humidity_percent,
    temperature_c,
    wind_mps,
    with_dew_point,
)
from gardenapp.readers.records import ForecastReading, HourForecast, refuse

ATTRIBUTION = "Data from MET Norway (CC BY 4.0)"

_SIX_HOURS = timedelta(hours=6)
_MOST_STEPS = 2_000
_TEMPERATURE_UNITS = {"celsius": "C", "fahrenheit": "F"}


def recognises(root: Node) -> bool:
    """Whether a JSON document has the shape of a time series, bare or as a stored response."""
    properties = _feature(root).find("properties")
    return (
        properties is not None
        and isinstance(properties.value, dict)
        and properties.has("timeseries")
    )


def read(root: Node, *, time_zone: ZoneInfo) -> ForecastReading:
    """Nights from a time series.

    Raises UnreadableFile.
    """
    feature = _feature(root)
    properties = feature.get("properties")
    meta = properties.get("meta")
    units = meta.find("units")
    degree = _temperature_unit(units)
    _check_wind_unit(units)
    hours: dict[datetime, HourForecast] = {}
    lows: list[SpanLow] = []
    for index, step in enumerate(properties.get("timeseries").items()):
        if index >= _MOST_STEPS:
            raise refuse(
                say("has more than %(most)s steps", most=_MOST_STEPS),
                column="properties.timeseries",
            )
        at = step.get("time").moment()
        data = step.get("data")
        hour = _hour(at, data.get("instant").get("details"), degree)
        if hour is not None and hours.setdefault(at, hour).temp_c != hour.temp_c:
            raise step.fault(say("gives another temperature than an earlier step of the same time"))
        low_c = _low_ahead_c(data, degree)
        if low_c is not None:
            lows.append(SpanLow(at, at + _SIX_HOURS, low_c))
    if not hours:
        raise refuse(say("holds no temperatures at all"), column="properties.timeseries")
    nights, notes = nights_from_hours(
        (hours[at] for at in sorted(hours)), time_zone=time_zone, span_lows=lows
    )
    if not nights:
        raise refuse(say("No night is covered by these steps."), column="properties.timeseries")
    latitude, longitude = position(feature)
    updated = meta.find("updated_at")
    return ForecastReading(
        kind="metno_complete" if lows else "metno_compact",
        nights=nights,
        issued_at=None if updated is None else updated.moment(),
        attribution=ATTRIBUTION,
        notes=notes,
        latitude=latitude,
        longitude=longitude,
        elevation_m=_elevation_m(feature),
    )


def _feature(root: Node) -> Node:
    """The forecast itself, taken out of a response stored as `{status, headers, body}`."""
    body = root.find("body")
    return body if body is not None and isinstance(body.value, dict) else root


def _temperature_unit(units: Node | None) -> str:
    """The unit the file names; the documented one where it names none."""
    node = None if units is None else units.find("air_temperature")
    if node is None:
        return "C"
    unit = _TEMPERATURE_UNITS.get(node.text().lower())
    if unit is None:
        raise node.fault(say("is not celsius or fahrenheit"))
    return unit


def _check_wind_unit(units: Node | None) -> None:
    node = None if units is None else units.find("wind_speed")
    if node is not None and node.text() != "m/s":
        raise node.fault(say("is not m/s"))


def _hour(at: datetime, details: Node, degree: str) -> HourForecast | None:
    """One moment, None where it has no temperature."""
    temp_c = _temperature(details.find("air_temperature"), degree)
    if temp_c is None:
        return None
    return with_dew_point(
        HourForecast(
            at=at,
            temp_c=temp_c,
            dew_point_c=_temperature(details.find("dew_point_temperature"), degree),
            humidity_percent=_figure(details.find("relative_humidity"), humidity_percent),
            cloud_fraction=_figure(
                details.find("cloud_area_fraction"), lambda value: cloud_fraction(value, "percent")
            ),
            wind_mps=_wind(details.find("wind_speed")),
            gust_mps=_wind(details.find("wind_speed_of_gust")),
        )
    )


def _temperature(node: Node | None, degree: str) -> float | None:
    return _figure(node, lambda value: temperature_c(value, degree))


def _wind(node: Node | None) -> float | None:
    return _figure(node, lambda value: wind_mps(value, "m/s"))


def _figure(node: Node | None, convert: Callable[[float], float]) -> float | None:
    """A number in our unit, None where it is missing; a bad one is named by its path."""
    if node is None:
        return None
    try:
        return convert(node.number())
    except BadFigure as error:
        raise node.fault(error.message) from error


def _low_ahead_c(data: Node, degree: str) -> float | None:
    """Lowest temperature of the six hours to come, as `complete` states it."""
    ahead = data.find("next_6_hours")
    details = None if ahead is None else ahead.find("details")
    return None if details is None else _temperature(details.find("air_temperature_min"), degree)


def _elevation_m(feature: Node) -> float | None:
    """Height the forecast was worked out for: the position's third number."""
    geometry = feature.find("geometry")
    coordinates = None if geometry is None else geometry.find("coordinates")
    if coordinates is None or not isinstance(coordinates.value, list):
        return None
    entries = list(coordinates.items())
    return entries[2].number() if len(entries) > 2 else None
