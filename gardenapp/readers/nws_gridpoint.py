"""The US National Weather Service's raw grid, `/gridpoints/{office}/{x},{y}`.

Each layer is a list of intervals and values. Equal neighbouring hours are merged into one
interval, so every interval is expanded to its hours again. Source: the service's public
documentation and OpenAPI file 1.9.0.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from gardenapp.messages import Celsius, Day, say
from gardenapp.readers import nws_common
from gardenapp.readers.json_text import Node, position
from gardenapp.readers.nights import SpanLow, night_of, nights_from_hours
from gardenapp.readers.quantities import BadFigure, cloud_fraction, moment_utc, with_dew_point
from gardenapp.readers.records import (
    ForecastReading,
    HourForecast,
    NightForecast,
    UnreadableFile,
    quoted,
    refuse,
)

KIND = "nws_gridpoint"

_HOUR = timedelta(hours=1)
_MOST_HOURS = 24 * 30  # the grid reaches eight days ahead
_DURATION = re.compile(
    r"P(?:([0-9]{1,3})W)?(?:([0-9]{1,3})D)?"
    r"(?:T(?:([0-9]{1,4})H)?(?:([0-9]{1,5})M)?(?:([0-9]{1,6})S)?)?",
    re.ASCII,
)
# FR.Y and FZ.W are seen in the service's documentation; FZ.A and the two HZ are from memory.
_COLD_HAZARDS = {
    ("FR", "Y"): say("a frost advisory"),
    ("FZ", "W"): say("a freeze warning"),
    ("FZ", "A"): say("a freeze watch"),
    ("HZ", "W"): say("a hard freeze warning"),
    ("HZ", "A"): say("a hard freeze watch"),
}
# What such a notice says of the air: 36, 32 and 28 °F or less (the service's glossary, from
# memory).
_AT_MOST_C = {"FR": 2.2, "FZ": 0.0, "HZ": -2.2}
_Code = tuple[str, str]


def recognises(root: Node) -> bool:
    """Whether a JSON document has the shape of the raw grid."""
    properties = root.find("properties")
    if properties is None or not isinstance(properties.value, dict):
        return False
    return not properties.has("periods") and (
        isinstance(properties.value.get("temperature"), dict)
        or isinstance(properties.value.get("minTemperature"), dict)
    )


def read(root: Node, *, time_zone: ZoneInfo, now: datetime) -> ForecastReading:
    """Nights from the raw grid; each night's low is the service's own `minTemperature`.

    Where a night has no such value its low is that of its hours.

    Raises UnreadableFile.
    """
    properties = root.get("properties")
    temperatures = _hourly(properties, "temperature", now, nws_common.temperature_of)
    dew_points = _hourly(properties, "dewpoint", now, nws_common.temperature_of)
    humidities = _hourly(
        properties, "relativeHumidity", now, lambda value, _unit: nws_common.humidity_of(value)
    )
    clouds = _hourly(properties, "skyCover", now, _cloud)
    winds = _hourly(properties, "windSpeed", now, nws_common.wind_of)
    gusts = _hourly(properties, "windGust", now, nws_common.wind_of)
    lows = [
        SpanLow(start_at, end_at, low_c)
        for start_at, end_at, low_c in _intervals(
            properties, "minTemperature", now, nws_common.temperature_of
        )
    ]
    if not temperatures and not lows:
        raise refuse(say("holds no temperatures at all"), column="properties.temperature")

    hours = [
        with_dew_point(
            HourForecast(
                at=at,
                temp_c=temp_c,
                dew_point_c=dew_points.get(at),
                humidity_percent=humidities.get(at),
                cloud_fraction=clouds.get(at),
                wind_mps=winds.get(at),
                gust_mps=gusts.get(at),
            )
        )
        for at, temp_c in sorted(temperatures.items())
    ]
    nights, notes = nights_from_hours(hours, time_zone=time_zone, stated_lows=lows)
    if not nights:
        raise refuse(say("No night is covered by these hours."), column="properties.temperature")
    latitude, longitude = position(root)
    return ForecastReading(
        kind=KIND,
        nights=_with_hazards(nights, _hazards(properties, now, time_zone)),
        issued_at=nws_common.issued_at(properties),
        attribution=nws_common.ATTRIBUTION,
        notes=notes,
        latitude=latitude,
        longitude=longitude,
        elevation_m=nws_common.elevation_m(properties),
    )


def _cloud(value: Node, _unit: Node) -> float:
    try:
        return cloud_fraction(value.number(), "percent")
    except BadFigure as error:
        raise value.fault(error.message) from error


def _intervals(
    properties: Node, layer_name: str, now: datetime, convert: Callable[[Node, Node], float]
) -> Iterator[tuple[datetime, datetime, float]]:
    """Start, end and value of each interval of a layer that has a value."""
    layer = properties.find(layer_name)
    if layer is None:
        return
    for entry in layer.get("values").items():
        value = entry.get("value")
        if value.is_null:
            continue
        start_at, end_at = _interval(entry.get("validTime"), now)
        # A layer with figures but no unit is refused by get(): a guess could be 30 K wrong.
        yield start_at, end_at, convert(value, layer.get("uom"))


def _hourly(
    properties: Node, layer_name: str, now: datetime, convert: Callable[[Node, Node], float]
) -> dict[datetime, float]:
    """A layer's value for every whole hour it covers."""
    values: dict[datetime, float] = {}
    for start_at, end_at, value in _intervals(properties, layer_name, now, convert):
        at = start_at.replace(minute=0, second=0, microsecond=0)
        while at < end_at:
            if values.setdefault(at, value) != value:
                raise refuse(
                    say("has two different values for %(at)s UTC", at=f"{at:%Y-%m-%d %H:%M}"),
                    column=f"properties.{layer_name}",
                )
            if len(values) > _MOST_HOURS:
                raise refuse(
                    say("covers more than %(most)s hours", most=_MOST_HOURS),
                    column=f"properties.{layer_name}",
                )
            at += _HOUR
    return values


def _interval(node: Node, now: datetime) -> tuple[datetime, datetime]:
    """Start and end of an ISO 8601 interval: start/duration, start/end or duration/end."""
    first, slash, second = node.text().partition("/")
    if not slash:
        raise node.fault(say("%(node)s is not an interval of time", node=quoted(node.text())))
    try:
        if first.startswith("P"):
            end_at = _moment(second, now)
            start_at = end_at - _duration(first)
        else:
            start_at = _moment(first, now)
            end_at = (
                start_at + _duration(second) if second.startswith("P") else _moment(second, now)
            )
    except BadFigure as error:
        raise node.fault(error.message) from error
    if not timedelta(0) < end_at - start_at <= _MOST_HOURS * _HOUR:
        raise node.fault(
            say("%(node)s is not a length of time that a forecast has", node=quoted(node.text()))
        )
    return start_at, end_at


def _moment(text: str, now: datetime) -> datetime:
    return now.astimezone(UTC) if text == "NOW" else moment_utc(text)


def _duration(text: str) -> timedelta:
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()):
        raise BadFigure(say("%(text)s is not a length of time", text=quoted(text)))
    weeks, days, hours, minutes, seconds = (int(group or 0) for group in match.groups())
    return timedelta(weeks=weeks, days=days, hours=hours, minutes=minutes, seconds=seconds)


def _hazards(properties: Node, now: datetime, time_zone: ZoneInfo) -> dict[date, set[_Code]]:
    """Frost and freeze notices by night. An entry in a new shape is passed over."""
    found: dict[date, set[_Code]] = {}
    try:
        layer = properties.find("hazards")
        entries = list(layer.get("values").items()) if layer is not None else []
    except UnreadableFile:
        return {}
    for entry in entries:
        try:
            start_at, end_at = _interval(entry.get("validTime"), now)
            codes = [
                (hazard.get("phenomenon").text(), hazard.get("significance").text())
                for hazard in entry.get("value").items()
            ]
        except UnreadableFile:
            continue
        at = start_at
        while at < end_at:
            found.setdefault(night_of(at, time_zone), set()).update(
                code for code in codes if code in _COLD_HAZARDS
            )
            at += _HOUR
    return found


def _with_hazards(
    nights: Iterable[NightForecast], hazards: Mapping[date, set[_Code]]
) -> tuple[NightForecast, ...]:
    """The nights with the notices out for them, and no milder than those notices mean."""
    found = []
    for night in nights:
        notes = list(night.notes)
        low_c = night.low_c
        for code in sorted(hazards.get(night.night_of, ())):
            notes.append(
                say(
                    "The weather service has %(notice)s out for the night of %(day)s.",
                    notice=_COLD_HAZARDS[code],
                    day=Day(night.night_of),
                )
            )
            low_c = min(low_c, _AT_MOST_C[code[0]])
        if low_c < night.low_c:
            notes.append(
                say(
                    "Planned by that notice, which means %(most)s or less: the stated low is "
                    "milder, %(low)s.",
                    most=Celsius(low_c),
                    low=Celsius(night.low_c),
                )
            )
        found.append(replace(night, low_c=low_c, notes=tuple(notes)))
    return tuple(found)
