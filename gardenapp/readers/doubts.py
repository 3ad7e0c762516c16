"""What makes a forecast doubtful though it can be read: whose it is, of when, and a lone cold hour.

Limits are common practice, no source: a garden 30 km from a forecast's point has another night,
and so has one 300 m higher; what a service issued a day and a half ago it has issued anew since.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from math import asin, cos, radians, sin, sqrt
from zoneinfo import ZoneInfo

from gardenapp.messages import Celsius, Day, Number, say
from gardenapp.readers.nights import nights_from_hours
from gardenapp.readers.records import (
    ForecastReading,
    HourForecast,
    LineError,
    NightForecast,
    ReadOptions,
)

FAR_KM, FAR_M = 30.0, 300.0
OLD_AFTER, EARLY_BY = timedelta(hours=36), timedelta(hours=2)
FAR_AHEAD_DAYS = 20
# One hour this much colder than both its neighbours.
SPIKE_K = 8.0
_NEIGHBOURS_WITHIN = timedelta(hours=3)
_EARTH_KM = 6_371.0
# Doubts that a person can look at and accept.
ASKS = frozenset({"place", "height", "issue", "nights", "jump"})


@dataclass(frozen=True)
class Home:
    """Where the garden is; `height_m` None where nobody has said."""

    latitude: float
    longitude: float
    height_m: float | None


def doubts_about(
    reading: ForecastReading, *, home: Home, time_zone: ZoneInfo, now: datetime
) -> tuple[LineError, ...]:
    """What a person should look at before this forecast is planned by.

    home : the garden. time_zone : its. now : aware.
    """
    today = now.astimezone(time_zone).date()
    if reading.nights[-1].night_of < today - timedelta(days=1):
        return ()  # it is over, which is told
    found = []
    if reading.latitude is not None and reading.longitude is not None:
        away_km = _distance_km(home, reading.latitude, reading.longitude)
        if away_km > FAR_KM:
            found.append(
                LineError(
                    None,
                    "",
                    say(
                        "This forecast is for a place %(away)s km from the garden.",
                        away=Number(away_km, ".0f"),
                    ),
                    "place",
                )
            )
    if reading.elevation_m is not None and home.height_m is not None:
        apart_m = reading.elevation_m - home.height_m
        if abs(apart_m) > FAR_M:
            found.append(
                LineError(
                    None,
                    "",
                    say(
                        "This forecast is for a height of %(there)s m; the garden lies at "
                        "%(here)s m.",
                        there=Number(reading.elevation_m, ".0f"),
                        here=Number(home.height_m, ".0f"),
                    ),
                    "height",
                )
            )
    if reading.issued_at is not None:
        age = now - reading.issued_at
        if age > OLD_AFTER or age < -EARLY_BY:
            found.append(
                LineError(
                    None,
                    "",
                    say(
                        "This forecast was issued on %(day)s. There should be a newer one.",
                        day=Day(reading.issued_at.astimezone(time_zone).date()),
                    )
                    if age > OLD_AFTER
                    else say(
                        "This forecast says it was issued on %(day)s, which is still to come.",
                        day=Day(reading.issued_at.astimezone(time_zone).date()),
                    ),
                    "issue",
                )
            )
    first = reading.nights[0].night_of
    if first > today + timedelta(days=FAR_AHEAD_DAYS):
        found.append(
            LineError(
                None,
                "",
                say("Its first night is that of %(day)s. Is the year right?", day=Day(first)),
                "nights",
            )
        )
    return tuple(found)


def _distance_km(home: Home, latitude: float, longitude: float) -> float:
    """Along a great circle (haversine)."""
    here, there = radians(home.latitude), radians(latitude)
    half = (
        sin((there - here) / 2) ** 2
        + cos(here) * cos(there) * sin(radians(longitude - home.longitude) / 2) ** 2
    )
    return 2 * _EARTH_KM * asin(min(1.0, sqrt(half)))


def spikes_of(hours: Sequence[HourForecast]) -> tuple[HourForecast, ...]:
    """Lone hours far colder than the hour before and the hour after. `hours` : in order of time."""
    return tuple(
        at
        for before, at, after in zip(hours, hours[1:], hours[2:], strict=False)
        if after.at - before.at <= 2 * _NEIGHBOURS_WITHIN
        and at.temp_c < min(before.temp_c, after.temp_c) - SPIKE_K
    )


def without_spikes(
    reading: ForecastReading, *, time_zone: ZoneInfo, options: ReadOptions
) -> tuple[ForecastReading, tuple[LineError, ...]]:
    """The reading with its lone cold hours left out or kept as a person said, or the question."""
    hours = [hour for night in reading.nights for hour in night.hours]
    spikes = spikes_of(hours)
    if not spikes or options.spikes == "keep":
        return reading, ()
    if options.spikes is None:
        worst = min(spikes, key=lambda hour: hour.temp_c)
        local = worst.at.astimezone(time_zone)
        return reading, (
            LineError(
                None,
                "",
                say(
                    "One hour, %(clock)s on %(day)s, is at %(value)s, far colder than the hours "
                    "beside it. Leave it out, or keep it?",
                    clock=f"{local:%H:%M}",
                    day=Day(local.date()),
                    value=Celsius(worst.temp_c),
                ),
                "spikes",
            ),
        )
    lone = {hour.at for hour in spikes}
    nights = []
    for night in reading.nights:
        kept = [hour for hour in night.hours if hour.at not in lone]
        nights.append(
            night if len(kept) == len(night.hours) else _again(night, kept, time_zone, lone)
        )
    return replace(reading, nights=tuple(nights)), ()


def _again(
    night: NightForecast, kept: list[HourForecast], time_zone: ZoneInfo, lone: set[datetime]
) -> NightForecast:
    """A night reckoned anew from the hours that were kept, and from the low its source states."""
    found, _ = nights_from_hours(kept, time_zone=time_zone)
    anew = next((one for one in found if one.night_of == night.night_of), None)
    if anew is None:
        return night
    lows = [anew.low_c, *([] if night.stated_low_c is None else [night.stated_low_c])]
    begin = datetime.combine(night.night_of, time(12), time_zone)
    left_out = sorted(at for at in lone if timedelta(0) <= at - begin < timedelta(days=1))
    note = say(
        "A lone cold hour at %(clock)s was left out.",
        clock=f"{left_out[0].astimezone(time_zone):%H:%M}",
    )
    return replace(
        night,
        low_c=min(lows),
        low_at=anew.low_at,
        evening_c=anew.evening_c,
        hours=anew.hours,
        notes=(*night.notes, note),
    )


def nearest_night(reading: ForecastReading, evening: date) -> NightForecast | None:
    """That night of a reading, None where it has none."""
    return next((night for night in reading.nights if night.night_of == evening), None)
