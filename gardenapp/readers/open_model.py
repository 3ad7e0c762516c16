"""The open model API's JSON: hours in lists side by side, with a block of units beside them.

Times carry no offset; they are in the zone that the document names. Units follow whatever was
asked for, so they are read and never taken for granted. A day's minimum is that of the calendar
day, which is no night's: hours are used wherever there are any. Shape: seen in public clients.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from gardenapp.messages import Words, say
from gardenapp.readers.json_text import Node
from gardenapp.readers.nights import lows_of_days, nights_from_hours
from gardenapp.readers.quantities import (
    BadFigure,
    cloud_fraction,
    humidity_percent,
    temperature_c,
    wind_mps,
    with_dew_point,
)
from gardenapp.readers.records import ForecastReading, HourForecast, NightForecast, quoted, refuse

KIND = "open_model"
ATTRIBUTION = "Weather data by Open-Meteo.com (CC BY 4.0)"
MOST_HOURS = 24 * 40
_AIR = "temperature_2m"
_DEGREES = {"°c": "C", "c": "C", "°f": "F", "f": "F"}
_SPEEDS = {"km/h": "km/h", "m/s": "m/s", "mp/h": "mph", "mph": "mph", "kn": "kn"}


def recognises(root: Node) -> bool:
    """Whether a JSON document has the shape of the API's answer, or of its error."""
    return any(root.has(block) and root.has(f"{block}_units") for block in ("hourly", "daily")) or (
        root.has("error") and root.has("reason")
    )


def read(root: Node, *, time_zone: ZoneInfo) -> ForecastReading:
    """Nights from the hours, or from the days where there are no hours.

    Raises UnreadableFile, also for the API's own error and for several models or members, of which
    one has to be chosen.
    """
    if root.has("error"):
        reason = root.find("reason")
        raise refuse(
            say(
                "The service sent an error instead of a forecast: %(title)s.",
                title=quoted("" if reason is None else reason.value),
            ),
            column="reason",
        )
    zone = _zone(root)
    hours = _hours(root, zone)
    notes: tuple[Words, ...] = ()
    nights: tuple[NightForecast, ...]
    if hours:
        days = (
            {night.night_of + timedelta(days=1): night.low_c for night in _nights_of_days(root)}
            if root.has("daily") and root.get("daily").has(f"{_AIR}_min")
            else {}
        )
        nights, notes = nights_from_hours(
            hours, time_zone=time_zone, span_lows=lows_of_days(days, hours, zone)
        )
    else:
        nights = _nights_of_days(root)
        notes = (
            say(
                "Only days’ minima, no hours: a night’s low is taken to be that of the day it "
                "ends on."
            ),
        )
    if not nights:
        raise refuse(say("No night is covered by these hours."), column="hourly")
    elevation = root.find("elevation")
    return ForecastReading(
        kind=KIND,
        nights=nights,
        attribution=ATTRIBUTION,
        notes=notes,
        latitude=_number(root.find("latitude")),
        longitude=_number(root.find("longitude")),
        elevation_m=None if elevation is None else elevation.number(),
    )


def _zone(root: Node) -> tzinfo:
    """The zone that the document's times are in."""
    named = root.find("timezone")
    offset = root.find("utc_offset_seconds")
    if named is not None and named.text() not in ("GMT", "UTC"):
        try:
            return ZoneInfo(named.text())
        except (ZoneInfoNotFoundError, ValueError, OSError):
            if offset is None:
                raise named.fault(say("is no time zone that is known here")) from None
    if offset is None:
        return UTC
    seconds = offset.number()
    if abs(seconds) > 86_000 or seconds != int(seconds):
        raise offset.fault(say("is no offset from UTC"))
    return timezone(timedelta(seconds=int(seconds)))


def _hours(root: Node, zone: tzinfo) -> list[HourForecast]:
    block = root.find("hourly")
    if block is None:
        return []
    units = root.get("hourly_units")
    temperatures = _column(block, units, _AIR, needed=True)
    assert temperatures is not None  # it is needed, or refused
    times = list(block.get("time").items())
    if len(times) > MOST_HOURS:
        raise block.get("time").fault(say("has more than %(most)s steps", most=MOST_HOURS))
    _check_length(temperatures, times)
    others = {
        name: _column(block, units, name)
        for name in (
            "dew_point_2m",
            "relative_humidity_2m",
            "cloud_cover",
            "wind_speed_10m",
            "wind_gusts_10m",
        )
    }
    for column in others.values():
        if column is not None:
            _check_length(column, times)
    moment = _moments(units, zone)
    found: dict[datetime, HourForecast] = {}
    degree = _degree(units, _AIR)
    for at, time_node in enumerate(times):
        if temperatures[at].is_null:
            continue
        hour = HourForecast(
            at=moment(time_node),
            temp_c=_figure(temperatures[at], lambda value: temperature_c(value, degree)) or 0.0,
            dew_point_c=_at(others, "dew_point_2m", at, units),
            humidity_percent=_at(others, "relative_humidity_2m", at, units),
            cloud_fraction=_at(others, "cloud_cover", at, units),
            wind_mps=_at(others, "wind_speed_10m", at, units),
            gust_mps=_at(others, "wind_gusts_10m", at, units),
        )
        if hour.at in found:
            raise time_node.fault(say("is there twice"))
        found[hour.at] = with_dew_point(hour)
    if not found:
        raise block.fault(say("holds no temperatures at all"))
    return [found[at] for at in sorted(found)]


def _at(columns: dict[str, list[Node] | None], name: str, at: int, units: Node) -> float | None:
    """One figure of a column in our unit; None where it is missing."""
    column = columns[name]
    if column is None or column[at].is_null:
        return None
    unit = units.find(name)
    if name == "dew_point_2m":
        degree = _degree(units, name)
        return _figure(column[at], lambda value: temperature_c(value, degree))
    if name == "relative_humidity_2m":
        return _figure(column[at], humidity_percent)
    if name == "cloud_cover":
        return _figure(column[at], lambda value: cloud_fraction(value, "percent"))
    speed = _SPEEDS.get("" if unit is None else unit.text().lower())
    if speed is None:
        where = unit if unit is not None else units
        raise where.fault(say("is not a unit of wind that is known here"))
    return _figure(column[at], lambda value: wind_mps(value, speed))


def _column(block: Node, units: Node, name: str, *, needed: bool = False) -> list[Node] | None:
    """A column's entries. A name with a model's or member's behind it is none of ours."""
    if block.has(name):
        return list(block.get(name).items())
    if not needed:
        return None
    assert isinstance(block.value, dict)
    several = sorted(key for key in block.value if str(key).startswith(f"{name}_"))
    if several:
        raise block.fault(
            say(
                "holds several models or members (%(names)s). Fetch one: the address without "
                "models, or with one of them.",
                names=", ".join(quoted(key) for key in several[:3]),
            )
        )
    raise refuse(say("is missing"), column=f"{block.path}.{name}")


def _check_length(column: list[Node], times: list[Node]) -> None:
    if len(column) != len(times):
        where = column[0] if column else times[0]
        raise where.fault(
            say(
                "has %(one)s entries where there are %(other)s times",
                one=len(column),
                other=len(times),
            )
        )


def _moments(units: Node, zone: tzinfo) -> Callable[[Node], datetime]:
    """How times are read: seconds of UTC, or local times of the document's zone."""
    unit = units.find("time")
    if unit is not None and unit.text() == "unixtime":
        return _from_seconds
    seen: set[str] = set()

    def local(node: Node) -> datetime:
        text = node.text()
        try:
            naive = datetime.fromisoformat(text)
        except ValueError as error:
            raise node.fault(say("is no date and time")) from error
        if naive.tzinfo is not None:
            return naive.astimezone(UTC)
        # An hour told twice is the clocks going back: its second telling is the later.
        moment = naive.replace(tzinfo=zone, fold=1 if text in seen else 0)
        seen.add(text)
        return moment.astimezone(UTC)

    return local


def _from_seconds(node: Node) -> datetime:
    try:
        return datetime.fromtimestamp(node.number(), UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise node.fault(say("is no date and time")) from error


def _nights_of_days(root: Node) -> tuple[NightForecast, ...]:
    """Nights from days' minima alone, each taken for the morning of its date."""
    block, units = root.get("daily"), root.get("daily_units")
    name = f"{_AIR}_min"
    lows = _column(block, units, name, needed=True)
    assert lows is not None  # it is needed, or refused
    times = list(block.get("time").items())
    _check_length(lows, times)
    degree = _degree(units, name)
    found = []
    for low, time_node in zip(lows, times, strict=True):
        if low.is_null:
            continue
        low_c = _figure(low, lambda value: temperature_c(value, degree))
        found.append(NightForecast(_day(time_node, root, units) - timedelta(days=1), low_c or 0.0))
    return tuple(sorted(found, key=lambda night: night.night_of))


def _day(node: Node, root: Node, units: Node) -> date:
    unit = units.find("time")
    if unit is not None and unit.text() == "unixtime":
        # Of a day the seconds are its midnight in the zone: the offset leads to the date.
        offset = root.find("utc_offset_seconds")
        shift = timedelta(seconds=0 if offset is None else offset.number())
        return (_from_seconds(node) + shift).date()
    try:
        return date.fromisoformat(node.text())
    except ValueError as error:
        raise node.fault(say("is no date")) from error


def _degree(units: Node, name: str) -> str:
    """The unit of a temperature. Raises UnreadableFile where it is not said or not known."""
    unit = units.get(name)
    degree = _DEGREES.get(unit.text().lower())
    if degree is None:
        raise unit.fault(say("is not °C or °F"))
    return degree


def _figure(node: Node, convert: Callable[[float], float]) -> float | None:
    try:
        return convert(node.number())
    except BadFigure as error:
        raise node.fault(error.message) from error


def _number(node: Node | None) -> float | None:
    return None if node is None else node.number()
