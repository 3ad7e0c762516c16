"""The US National Weather Service's hourly periods, `/gridpoints/…/forecast/hourly`.

Temperatures are whole degrees, °F unless `units=si` was asked for, as a number with
`temperatureUnit` or as a `{unitCode, value}` object; both are read. Source: the service's public
documentation and OpenAPI file 1.9.0.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from gardenapp.messages import Words, say
from gardenapp.readers import nws_common
from gardenapp.readers.json_text import Node, position
from gardenapp.readers.nights import nights_from_hours
from gardenapp.readers.quantities import with_dew_point
from gardenapp.readers.records import ForecastReading, HourForecast, quoted, refuse

KIND = "nws_hourly"

_MOST_PERIODS = 24 * 30
_LONGEST_PERIOD = timedelta(hours=3)


def recognises(root: Node) -> bool:
    """Whether a JSON document has the shape of a list of periods."""
    properties = root.find("properties")
    return (
        properties is not None
        and isinstance(properties.value, dict)
        and (properties.has("periods"))
    )


def read(root: Node, *, time_zone: ZoneInfo) -> ForecastReading:
    """Nights from hourly periods. Cloud is in none of them and stays unknown.

    Raises UnreadableFile, also for the twelve-hour periods of `/forecast` among hourly ones.
    """
    properties = root.get("properties")
    hours: dict[datetime, HourForecast] = {}
    notes: list[Words] = []
    for period in properties.get("periods").items():
        hour = _hour(period, notes)
        if hour is None:
            continue
        known = hours.setdefault(hour.at, hour)
        if known.temp_c != hour.temp_c:
            raise period.fault(
                say(
                    "gives another temperature for %(at)s UTC than an earlier period",
                    at=f"{hour.at:%Y-%m-%d %H:%M}",
                )
            )
        if len(hours) > _MOST_PERIODS:
            raise refuse(
                say("has more than %(most)s periods", most=_MOST_PERIODS),
                column="properties.periods",
            )
    if not hours:
        raise refuse(say("holds no temperatures at all"), column="properties.periods")
    nights, night_notes = nights_from_hours(
        (hours[at] for at in sorted(hours)), time_zone=time_zone
    )
    if not nights:
        raise refuse(say("No night is covered by these hours."), column="properties.periods")
    latitude, longitude = position(root)
    return ForecastReading(
        kind=KIND,
        nights=nights,
        issued_at=nws_common.issued_at(properties),
        attribution=nws_common.ATTRIBUTION,
        notes=(*dict.fromkeys(notes), *night_notes),
        latitude=latitude,
        longitude=longitude,
        elevation_m=nws_common.elevation_m(properties),
    )


def _hour(period: Node, notes: list[Words]) -> HourForecast | None:
    """One period, None where its temperature is null."""
    start_at = period.get("startTime").moment()
    end = period.find("endTime")
    if end is not None and end.moment() - start_at > _LONGEST_PERIOD:
        raise end.fault(
            say(
                "This is the forecast in twelve-hour periods. Fetch the hourly one: the same "
                "address with /hourly at its end."
            )
        )
    temperature = period.get("temperature")
    if temperature.is_null:
        return None
    if isinstance(temperature.value, dict):
        if temperature.get("value").is_null:
            return None
        temp_c = nws_common.temperature_of(temperature.get("value"), temperature.get("unitCode"))
    else:
        temp_c = nws_common.temperature_of(temperature, period.get("temperatureUnit"))
    return with_dew_point(
        HourForecast(
            at=start_at,
            temp_c=temp_c,
            dew_point_c=_measured(period.find("dewpoint"), nws_common.temperature_of),
            humidity_percent=_measured(
                period.find("relativeHumidity"), lambda value, _unit: nws_common.humidity_of(value)
            ),
            wind_mps=wind_in_words_or_figures(period.find("windSpeed"), notes),
            gust_mps=wind_in_words_or_figures(period.find("windGust"), notes),
        )
    )


def _measured(node: Node | None, convert: Callable[[Node, Node], float]) -> float | None:
    """The value of a `{unitCode, value}` object, None where it is missing or null."""
    if node is None or node.get("value").is_null:
        return None
    return convert(node.get("value"), node.get("unitCode"))


def wind_in_words_or_figures(node: Node | None, notes: list[Words]) -> float | None:
    """Wind as an object or as words; words that are not understood are told and left out."""
    if node is None:
        return None
    if isinstance(node.value, dict):
        return _measured(node, nws_common.wind_of)
    words = node.text()
    speed_mps = nws_common.wind_from_words(words) if words.strip() else None
    if speed_mps is None and words.strip():
        notes.append(
            say("Wind given as %(words)s is not understood and left out.", words=quoted(words))
        )
    return speed_mps
