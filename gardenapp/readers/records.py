"""What every forecast reader returns, and the one error they raise.

Units are inside the names: temperatures in °C, shares from 0 to 1, wind in m/s, moments in UTC.
A night is named by the date of its evening and runs from local noon to local noon.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from typing import Literal

from gardenapp.errors import GardenError
from gardenapp.messages import Joined, Words, say

KINDS = (
    "nws_gridpoint",
    "nws_hourly",
    "nws_periods",
    "open_model",
    "metno_compact",
    "metno_complete",
    "taf",
    "csv_hourly",
    "csv_daily",
)

# What can be asked about a file: an option of `ReadOptions`, or a doubt to accept.
ASKS = (
    "columns",
    "unit",
    "time_zone",
    "date_order",
    "daily_low",
    "encoding",
    "spikes",
    "jump",
    "place",
    "height",
    "issue",
    "nights",
)

MOST_ERRORS = 50  # one page of errors is enough to see what is wrong
_QUOTED_CHARACTERS = 40


@dataclass(frozen=True)
class HourForecast:
    """One moment of a forecast or of a station's record."""

    at: datetime
    temp_c: float
    dew_point_c: float | None = None
    humidity_percent: float | None = None
    cloud_fraction: float | None = None
    wind_mps: float | None = None
    gust_mps: float | None = None
    # What falls in the time this figure speaks for, in mm of water and in cm of new snow; and the
    # standard deviation of the temperature where the source states one. [K]
    precipitation_mm: float | None = None
    snow_cm: float | None = None
    sd_k: float | None = None


@dataclass(frozen=True)
class NightForecast:
    """One night, from local noon on `night_of` to local noon on the next day.

    `low_c` is the lowest between 15:00 and 11:00. `evening_c` is the temperature nearest 20:00
    (within an hour and a half). `cloud_fraction`, `wind_mps` and `dew_point_c` are means over
    18:00 to 08:00, `gust_mps` is the strongest between 15:00 and 11:00; `precipitation_mm` and
    `snow_cm` are sums over 15:00 to 11:00. `sd_k` is the source's own standard deviation of the
    low, `ground_low_c` its lowest 5 cm above the ground, and `stated_low_c` the lowest that it
    states for the night or for some hours of it at a time. What is not known is None.

    `covers_night` is False where hours are more than three apart between 18:00 and 08:00, so that
    a dip could have been missed; `notes` then says so in words.
    """

    night_of: date
    low_c: float
    low_at: datetime | None = None
    evening_c: float | None = None
    cloud_fraction: float | None = None
    wind_mps: float | None = None
    gust_mps: float | None = None
    dew_point_c: float | None = None
    hours: tuple[HourForecast, ...] = ()
    notes: tuple[Words, ...] = ()
    covers_night: bool = True
    precipitation_mm: float | None = None
    snow_cm: float | None = None
    sd_k: float | None = None
    ground_low_c: float | None = None
    stated_low_c: float | None = None


@dataclass(frozen=True)
class ColumnGuess:
    """What a table's column was taken for, to be shown and confirmed.

    `role` is one of `csv_table.ROLES` or empty for a column that is not used. `unit` is "C", "F",
    "percent", "fraction", "oktas", "m/s", "km/h", "mph", "kn", "unknown", or empty where a column
    has no unit. `samples` are its first three values as written in the file.
    """

    header: str
    role: str
    unit: str
    samples: tuple[str, ...]


@dataclass(frozen=True)
class ForecastReading:
    """Everything one file said. `nights` is in order and never empty.

    `attribution` must be shown wherever the figures are. `columns` is for tables only. `doubts`
    are what somebody would have been asked, had anybody been there (`unattended`).
    """

    kind: str
    nights: tuple[NightForecast, ...]
    issued_at: datetime | None = None
    attribution: str = ""
    columns: tuple[ColumnGuess, ...] = ()
    notes: tuple[Words, ...] = ()
    latitude: float | None = None
    longitude: float | None = None
    elevation_m: float | None = None
    doubts: tuple[Words, ...] = ()


@dataclass(frozen=True)
class ReadOptions:
    """What a person has said about a file: it speaks where the file is silent.

    A choice that contradicts what the file itself says is refused.

    `kind` is one of `KINDS`. `columns` maps a role to the header of the column that holds it.
    `csv_time_zone` is the zone of a table's local times (None: the garden's own).
    `daily_low_belongs_to` says whether a day's minimum fell on the morning of that date (the night
    began the evening before) or after its evening; None: nobody has said. `encoding` is "utf-8"
    or "cp1252". `spikes` says what to do with one hour far colder than both its neighbours.
    `accepted` names the doubts (`doubts.ASKS`) that somebody has looked at and found right.
    """

    kind: str | None = None
    columns: Mapping[str, str] | None = None
    temperature_unit: Literal["C", "F"] | None = None
    daily_low_belongs_to: Literal["morning", "evening"] | None = None
    csv_time_zone: tzinfo | None = None
    date_order: Literal["YMD", "DMY", "MDY"] | None = None
    encoding: Literal["utf-8", "cp1252"] | None = None
    spikes: Literal["drop", "keep"] | None = None
    accepted: frozenset[str] = frozenset()


@dataclass(frozen=True)
class LineError:
    """One thing wrong with a file: where, and what to do about it.

    `line` counts from 1 and is None where a line says nothing (a JSON value, the file as a
    whole). `column` is a table's header, a path such as `properties.periods[3].temperature`, or
    empty. `ask` names what a person could say to have the file read, empty where nothing helps:
    one of `ASKS`.
    """

    line: int | None
    column: Words
    message: Words
    ask: str = ""

    @property
    def whole(self) -> Words:
        """Where and what in one: `line 3, TMIN: is missing`."""
        if self.line is None:
            return Joined((self.column, self.message), ": ") if self.column else self.message
        where: Words = say("line %(line)s", line=self.line)
        if self.column:
            where = Joined((where, self.column), ", ")
        return Joined((where, self.message), ": ")

    def __str__(self) -> str:
        return str(self.whole)


class UnreadableFile(GardenError):
    """A file that gives no forecast, with every reason found (the first fifty).

    `errors` is never empty; past fifty its last entry says how many `more` there were. `columns`
    holds the guess at a table's columns where it got that far, so that a page can offer them for
    choosing. `asks` names what a person could say to have it read, in order, each once.
    """

    def __init__(
        self,
        errors: Sequence[LineError],
        *,
        more: int = 0,
        columns: tuple[ColumnGuess, ...] = (),
    ) -> None:
        assert errors, "an unreadable file says why"
        more += max(0, len(errors) - MOST_ERRORS)
        shown = tuple(errors[:MOST_ERRORS])
        if more:
            shown = (*shown, LineError(None, "", say("and %(more)s more", more=more)))
        self.errors = shown
        self.columns = columns
        self.asks = tuple(dict.fromkeys(error.ask for error in shown if error.ask))
        super().__init__(Joined(tuple(error.whole for error in shown[:3]), "; "))


class Faults:
    """Gathers what is wrong with a file, so that all of it can be put right in one go."""

    def __init__(self) -> None:
        self._kept: list[LineError] = []
        self._more = 0

    def add(
        self, message: Words, *, line: int | None = None, column: Words = "", ask: str = ""
    ) -> None:
        """Note one fault; past the first fifty only their number is kept."""
        if len(self._kept) < MOST_ERRORS:
            self._kept.append(LineError(line, column, message, ask))
        else:
            self._more += 1

    def add_more(self, count: int) -> None:
        """Count faults like the last ones: for whoever has noted fifty of a kind already."""
        self._more += max(0, count)

    def raise_if_any(self, *, columns: tuple[ColumnGuess, ...] = ()) -> None:
        """Refuse the file if anything was noted.

        Raises UnreadableFile.
        """
        if self._kept:
            raise UnreadableFile(self._kept, more=self._more, columns=columns)


def refuse(
    message: Words, *, line: int | None = None, column: Words = "", ask: str = ""
) -> UnreadableFile:
    """The error for a file with one thing wrong. The caller raises it."""
    return UnreadableFile((LineError(line, column, message, ask),))


def quoted(text: object) -> str:
    """A piece of a file, safe to put into a message: short, printable, no lone surrogates."""
    shown = "".join(
        "?" if unicodedata.category(character)[0] == "C" else character
        for character in str(text)[: _QUOTED_CHARACTERS + 1]
    )
    if len(shown) > _QUOTED_CHARACTERS:
        shown = shown[:_QUOTED_CHARACTERS] + "…"
    return f"“{shown}”"
