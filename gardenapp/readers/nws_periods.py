"""The US National Weather Service's forecast in twelve-hour periods, `/gridpoints/…/forecast`.

A period of night states that night's low as a whole number. `Overnight` begins after midnight and
belongs to the evening before. There are no hours in it, no cloud and no dew point: the hourly
forecast says more, and this is for who has only this one. Shape: seen in a public client.
"""

from __future__ import annotations

from datetime import date, timedelta
from zoneinfo import ZoneInfo

from gardenapp.messages import Words, say
from gardenapp.readers import nws_common
from gardenapp.readers.json_text import Node, position
from gardenapp.readers.nights import night_of
from gardenapp.readers.nws_hourly import wind_in_words_or_figures
from gardenapp.readers.records import ForecastReading, NightForecast, UnreadableFile, refuse

KIND = "nws_periods"
SHORTEST_PERIOD = timedelta(hours=3)
MOST_PERIODS = 60
LOOKED_AT = 3


def recognises(root: Node) -> bool:
    """Whether a JSON document is a list of periods, the first of them of more than three hours."""
    try:
        first = list(root.get("properties").get("periods").items())[:LOOKED_AT]
        lasting = [p.get("endTime").moment() - p.get("startTime").moment() for p in first]
        says_when = all(p.has("isDaytime") for p in first)
    except UnreadableFile:
        return False
    return says_when and bool(lasting) and min(lasting) > SHORTEST_PERIOD


def read(root: Node, *, time_zone: ZoneInfo) -> ForecastReading:
    """Nights from the periods of night. Raises UnreadableFile."""
    properties = root.get("properties")
    found: dict[date, NightForecast] = {}
    notes: list[Words] = [
        say("Only each night’s low, no hours: the hourly forecast of the same place says more.")
    ]
    for number, period in enumerate(properties.get("periods").items()):
        if number >= MOST_PERIODS:
            raise refuse(
                say("has more than %(most)s periods", most=MOST_PERIODS),
                column="properties.periods",
            )
        night = _night(period, time_zone, notes)
        if night is None:
            continue
        known = found.get(night.night_of)
        if known is None or night.low_c < known.low_c:  # the colder of two is the safe one
            found[night.night_of] = night
    if not found:
        raise refuse(say("holds no period of night"), column="properties.periods")
    latitude, longitude = position(root)
    return ForecastReading(
        kind=KIND,
        nights=tuple(found[evening] for evening in sorted(found)),
        issued_at=nws_common.issued_at(properties),
        attribution=nws_common.ATTRIBUTION,
        notes=tuple(dict.fromkeys(notes)),
        latitude=latitude,
        longitude=longitude,
        elevation_m=nws_common.elevation_m(properties),
    )


def _night(period: Node, time_zone: ZoneInfo, notes: list[Words]) -> NightForecast | None:
    """A period of night; None for one of day, or where its low is not known."""
    is_daytime = period.get("isDaytime")
    if not isinstance(is_daytime.value, bool):
        raise is_daytime.fault(say("is not true or false"))
    if is_daytime.value:
        return None
    temperature = period.get("temperature")
    if temperature.is_null:
        return None
    if isinstance(temperature.value, dict):
        if temperature.get("value").is_null:
            return None
        low_c = nws_common.temperature_of(temperature.get("value"), temperature.get("unitCode"))
    else:
        low_c = nws_common.temperature_of(temperature, period.get("temperatureUnit"))
    start_at = period.get("startTime").moment()
    is_whole = start_at.astimezone(time_zone).hour >= 12
    return NightForecast(
        night_of=night_of(start_at, time_zone),
        low_c=low_c,
        notes=()
        if is_whole
        else (say("Begins after midnight: what was colder before is not in it."),),
        covers_night=is_whole,
        wind_mps=wind_in_words_or_figures(period.find("windSpeed"), notes),
        gust_mps=wind_in_words_or_figures(period.find("windGust"), notes),
    )
