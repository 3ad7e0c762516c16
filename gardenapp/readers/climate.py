"""Past nights from the files in which weather records are published.

Three layouts are known by their first lines: daily summaries with a station column (the style of
the world's daily climate records), an hourly table with a `time_hour` in UTC, and the typical
meteorological year of the United States, third edition. Anything else is read as a weather
station's own table. What a file does not say is asked for, never assumed.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from gardenapp.messages import Number, Words, listed, say, say_n
from gardenapp.readers import csv_rows, csv_table, csv_times, plain_text, quantities
from gardenapp.readers.csv_rows import Row
from gardenapp.readers.nights import nights_from_hours
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import (
    Faults,
    HourForecast,
    NightForecast,
    ReadOptions,
    quoted,
    refuse,
)

DAILY = "daily summaries"
HOURLY = "hourly table"
TYPICAL_YEAR = "typical year"
TABLE = "station table"

LARGEST_BYTES = 4_000_000
FEWEST_NIGHTS = 2
MOST_NIGHTS = 4_000

Unit = Literal["C", "F", "tenths C"]

_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,7}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})", re.ASCII)
_MISSING = frozenset({"", "NA", "N/A", "NAN", "NULL", "M", "-9999", "-9999.0", "-9900"})
_ISO_DAY = re.compile(r"([0-9]{4})[-/]?([0-9]{2})[-/]?([0-9]{2})", re.ASCII)
_YEAR_LAST = re.compile(r"([0-9]{1,2})/([0-9]{1,2})/([0-9]{4})", re.ASCII)
_STATION_COLUMNS = ("station", "origin")
_DAY = timedelta(days=1)
_HOUR = timedelta(hours=1)
# The months of a typical year come from different years; set side by side they make this one.
# It has no 29 February, as the file has none.
_ONE_YEAR = 2001
_WARMEST_AIR_C = 56.7  # the highest air temperature on record, from memory


@dataclass(frozen=True)
class ClimateNight:
    """One night that has been.

    `night_of` is the date of its evening, `low_c` its lowest temperature. `measured_on` is the
    evening's own date: in a typical year it tells which nights really followed one another.
    `evening_c` is near 20:00; cloud, wind and dew point are means over the night, the gust its
    strongest. What the record does not hold is None, and `hours` is then empty.
    """

    night_of: date
    low_c: float
    measured_on: date
    evening_c: float | None = None
    dew_point_c: float | None = None
    cloud_fraction: float | None = None
    wind_mps: float | None = None
    gust_mps: float | None = None
    hours: tuple[HourForecast, ...] = ()


@dataclass(frozen=True)
class ClimateDay:
    """One calendar day that has been: its lowest and highest temperature. [°C]"""

    on_date: date
    min_c: float
    max_c: float


@dataclass(frozen=True)
class ClimateReading:
    """A record's nights, in order and each once, and what was done to read them.

    `days` are those that a daily record holds, by their own dates; empty for the others.
    """

    kind: str
    station: str
    nights: tuple[ClimateNight, ...]
    notes: tuple[Words, ...] = ()
    days: tuple[ClimateDay, ...] = ()


def read_climate(
    data: bytes,
    *,
    time_zone: ZoneInfo,
    unit: Unit | None = None,
    station: str | None = None,
    daily_low_belongs_to: Literal["morning", "evening"] = "morning",
) -> ClimateReading:
    """The nights of a published weather record.

    Parameters
    ----------
    data : the file.
    time_zone : of a table that gives local times and says no zone; the known layouts say theirs.
    unit : of a daily record's temperatures; it seldom says.
    station : whose rows to take where a file holds several; the first one's if not said.
    daily_low_belongs_to : whether a day's low came in the morning of its date, so that its night
        began the evening before (usual), or after its evening.

    Returns
    -------
    The reading; it has at least two nights.

    Raises UnreadableFile with the line, the column and the cure of everything found wrong.
    """
    text = plain_text.decode(data, encoding=None, largest_bytes=LARGEST_BYTES)
    separator = csv_rows.separator_of(text)
    rows = csv_rows.rows_of(text, separator)
    if not rows:
        raise refuse(say("The file holds no rows."))
    header = [cell.lower() for cell in rows[0].cells]
    notes: list[Words] = []
    if _is_typical_year(rows):
        reading = _typical_year(rows)
    else:
        rows, chosen = _one_station(rows, header, station, notes)
        if "time_hour" in header and "temp" in header:
            reading = _hourly(rows, header, chosen)
        elif "tmin" in header or "temp_min" in header:
            reading = _daily(rows, header, chosen, unit, daily_low_belongs_to)
        else:
            reading = _table(text, time_zone, unit, daily_low_belongs_to)
    if len(reading.nights) < FEWEST_NIGHTS:
        raise refuse(
            say_n(
                "The file holds %(num)s whole night; two are the least.",
                "The file holds %(num)s whole nights; two are the least.",
                len(reading.nights),
            )
        )
    if len(reading.nights) > MOST_NIGHTS:
        raise refuse(
            say(
                "The file holds %(nights)s nights; at most %(most)s are taken. Keep "
                "the last ten years of it.",
                nights=Number(len(reading.nights), ","),
                most=Number(MOST_NIGHTS, ","),
            )
        )
    return replace(reading, notes=(*notes, *reading.notes))


# --- several stations in one file -------------------------------------------------------------


def _one_station(
    rows: list[Row], header: Sequence[str], wanted: str | None, notes: list[Words]
) -> tuple[list[Row], str]:
    index = next((header.index(name) for name in _STATION_COLUMNS if name in header), None)
    if index is None:
        if wanted:
            raise refuse(say("The file has no column that names a station."), line=rows[0].line)
        return rows, ""
    names = Counter(row.cells[index] for row in rows[1:] if index < len(row.cells))
    names.pop("", None)
    if not names:
        raise refuse(say("The file holds no rows under its header."), line=rows[0].line)
    first = next(iter(names))
    chosen = wanted or first
    if chosen not in names:
        known = listed(quoted(name) for name in list(names)[:8])
        raise refuse(
            say(
                "There is no station %(chosen)s; the file has %(known)s.",
                chosen=quoted(chosen),
                known=known,
            )
        )
    if len(names) > 1 and not wanted:
        notes.append(
            say(
                "The file holds %(stations)s stations; %(chosen)s was taken, the first.",
                stations=len(names),
                chosen=chosen,
            )
        )
    kept = [row for row in rows[1:] if index < len(row.cells) and row.cells[index] == chosen]
    return [rows[0], *kept], chosen


# --- cells ------------------------------------------------------------------------------------


class _Cells:
    """Reads the cells of one layout and gathers what is wrong with them."""

    def __init__(self, header: Sequence[str]) -> None:
        self.header = tuple(header)
        self.faults = Faults()

    def index(self, *names: str) -> int | None:
        return next((self.header.index(name) for name in names if name in self.header), None)

    def text(self, row: Row, index: int | None) -> str:
        return row.cells[index] if index is not None and index < len(row.cells) else ""

    def fault(self, row: Row, index: int, message: Words) -> None:
        self.faults.add(message, line=row.line, column=self.header[index])

    def number(self, row: Row, index: int | None) -> float | None:
        """The number, or None where it is missing or wrong (and then noted)."""
        text = self.text(row, index)
        if index is None or text.upper() in _MISSING:
            return None
        if not _NUMBER.fullmatch(text):
            self.fault(row, index, say("%(text)s is not a number", text=quoted(text)))
            return None
        value = float(text)
        return None if value in (-9900.0, -9999.0) else value

    def celsius(self, row: Row, index: int | None, unit: str) -> float | None:
        value = self.number(row, index)
        if value is None or index is None:
            return None
        try:
            return quantities.temperature_c(
                value / 10.0 if unit == "tenths C" else value, "F" if unit == "F" else "C"
            )
        except BadFigure as error:
            self.fault(row, index, error.message)
            return None

    def wind(self, row: Row, index: int | None, unit: str) -> float | None:
        value = self.number(row, index)
        if value is None or index is None:
            return None
        try:
            return quantities.wind_mps(value, unit)
        except BadFigure as error:
            # Published hourly tables hold a few impossible gusts; the night stays without them.
            if value > 0:
                return None
            self.fault(row, index, error.message)
            return None


def _day_of(text: str, order: csv_times.DateOrder = "MDY") -> date | None:
    """A date; one that ends with its year is read in that order."""
    match = _ISO_DAY.fullmatch(text)
    parts = None if match is None else (int(match[1]), int(match[2]), int(match[3]))
    if parts is None:
        match = _YEAR_LAST.fullmatch(text)
        if match is not None and order == "MDY":
            parts = (int(match[3]), int(match[1]), int(match[2]))
        elif match is not None:
            parts = (int(match[3]), int(match[2]), int(match[1]))
    if parts is None or not quantities.FIRST_YEAR <= parts[0] <= quantities.LAST_YEAR:
        return None
    try:
        return date(*parts)
    except ValueError:
        return None


# --- daily summaries --------------------------------------------------------------------------


def _daily(
    rows: list[Row], header: Sequence[str], station: str, unit: Unit | None, belongs_to: str
) -> ClimateReading:
    cells = _Cells(header)
    low_at, high_at = cells.index("tmin", "temp_min"), cells.index("tmax", "temp_max")
    day_at = cells.index("date")
    if day_at is None:
        raise refuse(say("The table needs a column DATE."), line=rows[0].line)
    notes: list[Words] = []
    if unit is None:
        unit = _unit_of(rows, cells, low_at, high_at)
        notes.append(
            say(
                "Temperatures were taken as %(unit_words)s: they can be nothing else.",
                unit_words=_UNIT_WORDS[unit],
            )
        )
    lows: dict[date, float] = {}
    days: list[ClimateDay] = []
    missing = 0
    order = _order_of(rows, cells, day_at)
    for row in rows[1:]:
        text = cells.text(row, day_at)
        day = _day_of(text[:10], order)
        if day is None:
            cells.fault(
                row, day_at, say("%(text)s is not a date such as 2016-01-31", text=quoted(text))
            )
            continue
        low_c = cells.celsius(row, low_at, unit)
        if low_c is None:
            missing += 1
            continue
        high_c = cells.celsius(row, high_at, unit)
        if high_c is not None and high_c < low_c:
            cells.fault(
                row,
                low_at or 0,
                say(
                    "the low %(low_c)s °C is above the high %(high_c)s °C",
                    low_c=Number(low_c),
                    high_c=Number(high_c),
                ),
            )
            continue
        evening = day - _DAY if belongs_to == "morning" else day
        if evening in lows:
            cells.fault(row, day_at, say("%(day)s comes a second time", day=day.isoformat()))
            continue
        lows[evening] = low_c
        if high_c is not None:
            days.append(ClimateDay(day, low_c, high_c))
    cells.faults.raise_if_any()
    if missing:
        notes.append(
            say_n(
                "%(num)s day without a low was left out.",
                "%(num)s days without a low were left out.",
                missing,
            )
        )
    nights = tuple(ClimateNight(evening, lows[evening], evening) for evening in sorted(lows))
    days.sort(key=lambda of: of.on_date)
    return ClimateReading(DAILY, station, nights, tuple(notes), tuple(days))


def _order_of(rows: list[Row], cells: _Cells, day_at: int) -> csv_times.DateOrder:
    """In which order dates that end with their year are written; they seldom are.

    Raises UnreadableFile where both are possible.
    """
    texts = [cells.text(row, day_at)[:10] for row in rows[1:]]
    stamps = [csv_times.stamp_of(text) for text in texts if _YEAR_LAST.fullmatch(text)]
    if not stamps:
        return "YMD"
    try:
        return csv_times.order_of([stamp for stamp in stamps if stamp is not None], None)[0]
    except BadFigure as error:
        raise refuse(error.message, line=rows[0].line, column=cells.header[day_at]) from error


_UNIT_WORDS: dict[str, Words] = {"C": "°C", "F": "°F", "tenths C": say("tenths of a °C")}


def _unit_of(rows: list[Row], cells: _Cells, low_at: int | None, high_at: int | None) -> Unit:
    """The only unit in which these can be air temperatures.

    Whole numbers up to a hundred or so can be °F, or tenths of a °C at a cold coast, so they are
    not told apart. Raises UnreadableFile where more than one is possible.
    """
    values = [
        value
        for row in rows[1:]
        for value in (cells.number(row, low_at), cells.number(row, high_at))
        if value is not None
    ]
    most = max(map(abs, values), default=0.0)
    are_whole = all(value == int(value) for value in values)
    if are_whole and most > 140.0:
        return "tenths C"
    if _WARMEST_AIR_C < most <= 140.0 and not are_whole:
        return "F"
    raise refuse(
        say(
            "The file does not say whether its temperatures are °C, °F or tenths of a "
            "°C. Say which."
        ),
        line=rows[0].line,
    )


# --- hours ------------------------------------------------------------------------------------


def _hourly(rows: list[Row], header: Sequence[str], station: str) -> ClimateReading:
    """Observations of airports as a teaching data set carries them: °F, mph, `time_hour` in UTC."""
    cells = _Cells(header)
    at_index, temp = cells.index("time_hour"), cells.index("temp")
    dew, wind, gust = cells.index("dewp"), cells.index("wind_speed"), cells.index("wind_gust")
    hour_index = cells.index("hour")
    offsets: Counter[int] = Counter()
    hours: dict[datetime, HourForecast] = {}
    for row in rows[1:]:
        try:
            at = quantities.moment_utc(cells.text(row, at_index))
        except BadFigure as error:
            cells.fault(row, at_index or 0, error.message)
            continue
        local_hour = cells.number(row, hour_index)
        if local_hour is not None:
            offsets[(int(local_hour) - at.hour + 12) % 24 - 12] += 1
        temp_c = cells.celsius(row, temp, "F")
        if temp_c is not None and at not in hours:
            hours[at] = HourForecast(
                at=at,
                temp_c=temp_c,
                dew_point_c=cells.celsius(row, dew, "F"),
                wind_mps=cells.wind(row, wind, "mph"),
                gust_mps=cells.wind(row, gust, "mph"),
            )
    cells.faults.raise_if_any()
    # Standard time, which is the westernmost of the clocks that the rows' own hours keep; a few
    # odd rows do not make a clock.
    usual = [offset for offset, count in offsets.items() if count * 10 >= offsets.total()]
    offset_h = min(usual, default=0)
    zone = _fixed_zone(offset_h)
    nights, notes = nights_from_hours((hours[at] for at in sorted(hours)), time_zone=zone)
    whole, left_out = _whole(nights)
    return ClimateReading(HOURLY, station, whole, (*left_out, *_few(notes)))


def _fixed_zone(offset_h: int) -> ZoneInfo:
    """A clock that is never changed; the names of these zones count westwards."""
    return ZoneInfo("UTC" if offset_h == 0 else f"Etc/GMT{-offset_h:+d}")


TYPICAL_NOTE = say(
    "Each month of a typical year comes from another year: nights at the turn of "
    "a month did not follow one another."
)


def _whole(nights: Sequence[NightForecast]) -> tuple[tuple[ClimateNight, ...], tuple[Words, ...]]:
    """The nights whose hours leave no gap in which the low could hide."""
    kept = tuple(_night(night) for night in nights if night.covers_night)
    gone = len(nights) - len(kept)
    if not gone:
        return kept, ()
    return kept, (
        say_n(
            "%(num)s night with hours missing was left out.",
            "%(num)s nights with hours missing were left out.",
            gone,
        ),
    )


def _night(night: NightForecast) -> ClimateNight:
    return ClimateNight(
        night_of=night.night_of,
        low_c=night.low_c,
        measured_on=night.night_of,
        evening_c=night.evening_c,
        dew_point_c=night.dew_point_c,
        cloud_fraction=night.cloud_fraction,
        wind_mps=night.wind_mps,
        gust_mps=night.gust_mps,
        hours=night.hours,
    )


def _few(notes: Sequence[Words], most: int = 5) -> tuple[Words, ...]:
    if len(notes) <= most:
        return tuple(notes)
    return (
        *notes[:most],
        say_n(
            "and %(num)s more note of this kind",
            "and %(num)s more notes of this kind",
            len(notes) - most,
        ),
    )


# --- the typical year -------------------------------------------------------------------------


def _is_typical_year(rows: Sequence[Row]) -> bool:
    return (
        len(rows) > 2
        and len(rows[0].cells) == 7
        and re.fullmatch(r"[0-9]{6}", rows[0].cells[0]) is not None
        and rows[1].cells[0].startswith("Date (")
    )


def _typical_year(rows: Sequence[Row]) -> ClimateReading:
    """Hours end at the hour named, 01:00 to 24:00, in standard time all year."""
    head = rows[0].cells
    try:
        offset_h = float(head[3])
    except ValueError:
        offset_h = math.nan
    if offset_h != offset_h or offset_h != int(offset_h) or not -12 <= offset_h <= 14:
        raise refuse(
            say("%(head)s is not an offset from UTC in whole hours.", head=quoted(head[3])),
            line=rows[0].line,
        )
    cells = _Cells(rows[1].cells)
    day_at, clock_at = 0, cells.index("Time (HH:MM)")
    temp, dew = cells.index("Dry-bulb (C)"), cells.index("Dew-point (C)")
    cloud, wind = cells.index("TotCld (tenths)"), cells.index("Wspd (m/s)")
    if clock_at is None or temp is None:
        raise refuse(
            say("The second line names no Time (HH:MM) or no Dry-bulb (C)."), line=rows[1].line
        )
    hours: dict[datetime, HourForecast] = {}
    original: dict[tuple[int, int], int] = {}
    for row in rows[2:]:
        day = _day_of(cells.text(row, day_at))
        clock = cells.text(row, clock_at)
        if day is None or not re.fullmatch(r"(?:0[1-9]|1[0-9]|2[0-4]):00", clock, re.ASCII):
            cells.fault(
                row,
                clock_at if day else day_at,
                say("is not a date and an hour from 01:00 to 24:00"),
            )
            continue
        if (day.month, day.day) == (2, 29):
            continue
        original[day.month, day.day] = day.year
        local = datetime(_ONE_YEAR, day.month, day.day, tzinfo=UTC) + int(clock[:2]) * _HOUR
        at = local - timedelta(hours=offset_h)
        temp_c = cells.celsius(row, temp, "C")
        if temp_c is None:
            continue
        if at in hours:
            cells.fault(row, day_at, say("this hour comes a second time"))
            continue
        tenths = cells.number(row, cloud)
        hours[at] = HourForecast(
            at=at,
            temp_c=temp_c,
            dew_point_c=cells.celsius(row, dew, "C"),
            cloud_fraction=None if tenths is None else min(1.0, max(0.0, tenths / 10.0)),
            wind_mps=cells.wind(row, wind, "m/s"),
        )
    cells.faults.raise_if_any()
    nights, notes = nights_from_hours(
        (hours[at] for at in sorted(hours)), time_zone=_fixed_zone(int(offset_h))
    )
    whole, left_out = _whole(nights)
    dated = []
    for night in whole:
        year = original.get((night.night_of.month, night.night_of.day), _ONE_YEAR)
        dated.append(replace(night, measured_on=night.night_of.replace(year=year)))
    return ClimateReading(
        TYPICAL_YEAR,
        f"{head[1]} {head[2]}".strip(),
        tuple(dated),
        (
            TYPICAL_NOTE,
            *left_out,
            *_few(notes),
        ),
    )


# --- anything else ----------------------------------------------------------------------------


def _table(text: str, zone: ZoneInfo, unit: Unit | None, belongs_to: str) -> ClimateReading:
    options = ReadOptions(
        temperature_unit="C" if unit == "C" else "F" if unit == "F" else None,
        daily_low_belongs_to="evening" if belongs_to == "evening" else "morning",
    )
    reading = csv_table.read(text, time_zone=zone, options=options)
    whole, left_out = _whole(reading.nights)
    return ClimateReading(TABLE, "", whole, (*left_out, *_few(reading.notes)))
