"""What the two forms of the US National Weather Service's forecast have in common."""

from __future__ import annotations

import re
from datetime import datetime

from gardenapp.messages import say
from gardenapp.readers.json_text import Node
from gardenapp.readers.quantities import BadFigure, humidity_percent, temperature_c, wind_mps

ATTRIBUTION = "Forecast: US National Weather Service (public domain)"

_TEMPERATURE_UNITS = {"degc": "C", "c": "C", "degf": "F", "f": "F"}
_WIND_UNITS = {
    "km_h-1": "km/h",
    "km/h": "km/h",
    "m_s-1": "m/s",
    "m/s": "m/s",
    "mph": "mph",
    "mi_h-1": "mph",
    "kn": "kn",
    "kt": "kn",
    "kts": "kn",
    "knot": "kn",
}
_WIND_WORDS = re.compile(
    r"\s*([0-9]{1,3})(?:\s+to\s+([0-9]{1,3}))?\s*(mph|km/h|m/s|kts?|kn)\s*", re.ASCII
)


def bare_unit(text: str) -> str:
    """A unit code without its prefix: "wmoUnit:degC", "wmo:degC" and "degC" are the same."""
    return text.rpartition(":")[2].strip()


def temperature_of(node: Node, unit_node: Node) -> float:
    """A temperature in °C whose unit stands elsewhere.

    Raises UnreadableFile for an unknown unit, a wrong type or a figure outside -60 to 60 °C.
    """
    unit = _TEMPERATURE_UNITS.get(bare_unit(unit_node.text()).lower())
    if unit is None:
        raise unit_node.fault(say("is not °C or °F"))
    try:
        return temperature_c(node.number(), unit)
    except BadFigure as error:
        raise node.fault(error.message) from error


def wind_of(node: Node, unit_node: Node) -> float:
    """A wind speed in m/s whose unit stands elsewhere.

    Raises UnreadableFile for an unknown unit, a wrong type or an impossible speed.
    """
    unit = _WIND_UNITS.get(bare_unit(unit_node.text()).lower())
    if unit is None:
        raise unit_node.fault(say("is not a unit of wind that is known here"))
    try:
        return wind_mps(node.number(), unit)
    except BadFigure as error:
        raise node.fault(error.message) from error


def humidity_of(node: Node) -> float:
    """A relative humidity in percent.

    Raises UnreadableFile for a wrong type or a figure outside 0 to 100.
    """
    try:
        return humidity_percent(node.number())
    except BadFigure as error:
        raise node.fault(error.message) from error


def wind_from_words(words: str) -> float | None:
    """Wind in m/s from words such as "2 mph" or "5 to 10 mph" (the middle); None if unknown."""
    match = _WIND_WORDS.fullmatch(words)
    if match is None:
        return None
    slower = float(match[1])
    faster = float(match[2]) if match[2] else slower
    try:
        return wind_mps((slower + faster) / 2.0, _WIND_UNITS[match[3]])
    except BadFigure:
        return None


def issued_at(properties: Node) -> datetime | None:
    """When the forecast was last changed by the service, None where it does not say."""
    updated = properties.find("updateTime") or properties.find("updated")
    return None if updated is None else updated.moment()


def elevation_m(properties: Node) -> float | None:
    """Height of the forecast's place in metres, None where it is not given in metres."""
    elevation = properties.find("elevation")
    if elevation is None or not elevation.has("value") or not elevation.has("unitCode"):
        return None
    if bare_unit(elevation.get("unitCode").text()) != "m":
        return None
    return elevation.get("value").number()
