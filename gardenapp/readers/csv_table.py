"""Tables from weather stations and from anyone's spreadsheet: hourly rows or daily lows.

There is no standard, so the layout is guessed from headers and cells; the guess is handed back as
`columns` to be confirmed. What cannot be inferred safely (°C or °F, the order of a date's
numbers) is asked for, never assumed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, timezone, tzinfo
from itertools import pairwise
from statistics import median
from zoneinfo import ZoneInfo

from gardenapp.messages import Celsius, Day, Number, Words, say, say_n
from gardenapp.readers import csv_columns, csv_rows, csv_times, headings, stated_zones
from gardenapp.readers.csv_layout import Table, figure_in, knows_unit, number_in, table_of, zone_of
from gardenapp.readers.csv_rows import Row
from gardenapp.readers.nights import SpanLow, nights_from_hours
from gardenapp.readers.quantities import (
    HIGHEST_C,
    BadFigure,
    cloud_fraction,
    humidity_percent,
    temperature_c,
    wind_mps,
    with_dew_point,
)
from gardenapp.readers.records import (
    ForecastReading,
    HourForecast,
    NightForecast,
    ReadOptions,
    quoted,
)
from gardenapp.science.units import c_to_f

__all__ = ["DAILY", "HOURLY", "ROLES", "number_in", "read"]

HOURLY = "csv_hourly"
DAILY = "csv_daily"
ROLES = csv_columns.ROLES

_HOT_NIGHT_C = 30.0
# Half the rows of a garden's record at 25 °C or more, and some past 60: no place on earth.
_WARM_FOR_CELSIUS = 25.0
# Two rows of a table within an hour and a half, further apart than weather makes them and just as
# far as °C and °F are: common practice, no source.
_JUMP_K, _LIKE_UNITS_K = 15.0, 6.0
_TO_NEXT_ROW = timedelta(hours=1.5)
# What a table can be planned without: a cell that cannot be read is left out and told.
_SPARE_ROLES = frozenset({"high", "dew_point", "humidity", "cloud", "wind", "gust"})
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class _Dated:
    """A row with its date and time as written."""

    row: Row
    stamp: csv_times.Stamp


@dataclass(frozen=True)
class _Hour:
    """One row's figures in our units, with the row for its line number."""

    row: Row
    hour: HourForecast
    low_c: float | None


def read(
    text: str, *, time_zone: ZoneInfo, options: ReadOptions, now: datetime | None = None
) -> ForecastReading:
    """Nights from a table.

    Parameters
    ----------
    text : the table.
    time_zone : the garden's; also that of the table's clock unless the file or the options say
        otherwise.
    options : what a person has said about it.
    now : aware; names tonight in the question to which night a date's low belongs.

    Raises
    ------
    UnreadableFile : all faults found, with `columns` where the table got that far.
    """
    table = table_of(text, options)
    daily = _is_daily(table)
    _check_kind(table, options, daily)
    _check_roles(table, daily)
    _check_widths(table)
    dated, order = _dated(table, options)
    if daily:
        nights = _daily_nights(table, dated, order, time_zone, options, now)
    else:
        nights = _hourly_nights(table, dated, order, time_zone, options)
    table.stop_if_faulty()
    if nights and min(night.low_c for night in nights) > _HOT_NIGHT_C:
        table.notes.append(
            say(
                "Every low is above %(limit)s °C. If the figures are °F, choose °F.",
                limit=Number(_HOT_NIGHT_C),
            )
        )
    return ForecastReading(
        kind=DAILY if daily else HOURLY,
        nights=nights,
        attribution="Imported table",
        columns=table.columns,
        notes=tuple(table.notes),
    )


def _is_daily(table: Table) -> bool:
    """Whether dates come without a time of day, or with midnight as a mere form of the date."""
    if "time" not in table.found and "clock" not in table.found:
        return True
    if "low" not in table.found or "temperature" in table.found:
        return False
    stamps = [csv_columns.stamp_or_none(_stamp_text(table, row)) for row in table.rows]
    told = [stamp for stamp in stamps if stamp is not None]
    days = {stamp.numbers for stamp in told}
    return bool(told) and len(days) == len(told) and all(s.clock == (0, 0, 0) for s in told)


def _check_kind(table: Table, options: ReadOptions, daily: bool) -> None:
    if options.kind == DAILY and not daily:
        table.faults.add(say("This table has times of day; choose hourly."))
    if options.kind == HOURLY and daily:
        table.faults.add(say("This table has dates without times of day; choose daily."))
    table.stop_if_faulty()


def _check_roles(table: Table, daily: bool) -> None:
    """Refuse a table whose needed columns, or their unit, are not known."""
    found = table.found
    if "time" not in found and "date" not in found:
        table.faults.add(
            say("No column with dates is found; choose it."), column="time", ask="columns"
        )
    if daily and "low" not in found:
        table.faults.add(
            say("No column with the day's low is found; choose it."), column="low", ask="columns"
        )
    if not daily and "temperature" not in found:
        if "low" in found:
            # A table of hourly lows alone: each is that hour's temperature.
            found["temperature"] = found.pop("low")
            table.units["temperature"] = table.units.pop("low")
        else:
            table.faults.add(
                say("No column with the outside temperature is found; choose it."),
                column="temperature",
                ask="columns",
            )
    main = "low" if daily else "temperature"
    if main in found and not knows_unit(table, main):
        table.faults.add(say("say whether °C or °F"), column=table.header(main), ask="unit")
    table.stop_if_faulty()
    for role in ("wind", "gust", "cloud"):
        if role in found and table.units[role] == "unknown" and not daily:
            table.notes.append(
                say(
                    "%(role)s is left out: its header names no unit.",
                    role=quoted(table.header(role)),
                )
            )
            del found[role]


def _check_widths(table: Table) -> None:
    """Rows must have a cell for each header; empty ones too many at the end do no harm."""
    width = len(table.headers)
    for row in table.rows:
        short = len(row.cells) < width and _stamp_text(table, row)[:1].isdigit()
        if short or any(row.cells[width:]):
            table.faults.add(
                say(
                    "has %(number)s cells where the header has %(width)s",
                    number=len(row.cells),
                    width=width,
                ),
                line=row.line,
            )


def _stamp_text(table: Table, row: Row) -> str:
    if "time" in table.found:
        return table.cell(row, "time")
    clock = table.cell(row, "clock")
    return f"{table.cell(row, 'date')} {csv_times.clock_of_number(clock) or clock}".strip()


def _stamp_of(table: Table, text: str) -> csv_times.Stamp | None:
    """A row's date and time; bare numbers too, where the column's heading speaks of time."""
    stamp = csv_times.stamp_of(text)
    if stamp is None and "clock" not in table.found:
        stamp = csv_times.number_stamp_of(text)
    return stamp


def _dated(table: Table, options: ReadOptions) -> tuple[list[_Dated], csv_times.DateOrder]:
    """The rows that have a date, and the order of its numbers.

    Rows of words under the last dated one are a summary ("Min", "Average") and are told.
    """
    role = "time" if "time" in table.found else "date"
    dated: list[_Dated] = []
    undated: list[Row] = []
    for row in table.rows:
        text = _stamp_text(table, row)
        try:
            stamp = _stamp_of(table, text)
        except BadFigure as error:
            table.fault(row, role, error.message)
            continue
        if stamp is not None:
            dated.append(_Dated(row, stamp))
        elif any(character.isdigit() for character in text):
            table.fault(
                row,
                role,
                say("%(text)s is not a date and time that is known here", text=quoted(text)),
            )
        else:
            undated.append(row)
    if not dated:
        table.faults.add(say("No row has a date that can be read."), column=table.header(role))
        table.stop_if_faulty()
    last_line = dated[-1].row.line
    for row in undated:
        if row.line < last_line:
            table.fault(row, role, say("has no date"))
        else:
            table.notes.append(
                say(
                    "Line %(line)s, %(cells)s, has no date and is left out.",
                    line=row.line,
                    cells=quoted(row.cells[0]),
                )
            )
    usual = csv_times.usual_family([entry.stamp for entry in dated])
    kept = []
    for entry in dated:
        if entry.stamp.family == usual:
            kept.append(entry)
        else:
            table.fault(entry.row, role, say("its date is written in another way than the others"))
    try:
        order, note = csv_times.order_of([entry.stamp for entry in kept], options.date_order)
    except BadFigure as error:
        table.faults.add(error.message, column=table.header(role), ask="date_order")
        table.stop_if_faulty()
        raise AssertionError("unreachable") from error
    if note:
        table.notes.append(note)
    return kept, order


def _figure(
    table: Table, row: Row, role: str, convert: Callable[[float, str], float]
) -> float | None:
    """A cell's figure in our unit, None where it is missing or, in a spare column, unreadable."""
    if role not in table.found:
        return None
    try:
        number, in_cell = figure_in(table.cell(row, role), table.separator)
        if number is None:
            return None
        unit = table.units[role]
        if role in csv_columns.TEMPERATURE_ROLES:
            unit = table.temperature_unit(row, role, in_cell)
        return convert(number, unit)
    except BadFigure as error:
        if role in _SPARE_ROLES:
            table.odd[role].append((row, error.message))
        else:
            table.fault(row, role, error.message)
        return None


def _tell_odd(table: Table, rows: int) -> None:
    """Say which cells of spare columns were left out; where most cannot be read, refuse them."""
    for role, odd in table.odd.items():
        if len(odd) * 2 > rows:
            for row, message in odd:
                table.fault(row, role, message)
        else:
            row, message = odd[0]
            table.notes.append(
                say_n(
                    "%(num)s figure of %(column)s is left out; line %(line)s: %(why)s.",
                    "%(num)s figures of %(column)s are left out; line %(line)s: %(why)s.",
                    len(odd),
                    column=quoted(table.header(role)),
                    line=row.line,
                    why=message,
                )
            )


def _looks_like_fahrenheit(table: Table, rows: Sequence[Row], role: str) -> None:
    """Say so where a column said to be °C is far too warm to be that, over 60 in places."""
    known: list[tuple[float, Row]] = []
    for row in rows:
        try:
            number, in_cell = figure_in(table.cell(row, role), table.separator)
            if number is not None and table.temperature_unit(row, role, in_cell) == "C":
                known.append((number, row))
        except BadFigure:  # told where the row is read
            continue
    too_warm = [row for number, row in known if number > HIGHEST_C]
    if too_warm and median(number for number, _ in known) >= _WARM_FOR_CELSIUS:
        table.fault(
            too_warm[0],
            role,
            say(
                "looks like Fahrenheit, though it is taken as °C (or the column is not the "
                "temperature). Choose °F if it is"
            ),
        )


def _check_jumps(table: Table, hours: Sequence[_Hour], options: ReadOptions) -> None:
    """Ask about a leap as from °C to °F from one row to the next."""
    if "jump" in options.accepted:
        return
    for before, after in pairwise(hours):
        one, other = before.hour.temp_c, after.hour.temp_c
        if after.hour.at - before.hour.at > _TO_NEXT_ROW or abs(one - other) < _JUMP_K:
            continue
        if min(abs(c_to_f(one) - other), abs(c_to_f(other) - one)) <= _LIKE_UNITS_K:
            table.faults.add(
                say(
                    "leaps from %(one)s to %(other)s: is it °C in one part of the file and °F in "
                    "the other?",
                    one=Celsius(one),
                    other=Celsius(other),
                ),
                line=after.row.line,
                column=table.header("temperature"),
                ask="jump",
            )
            return


class _Zones:
    """The zone of each row's clock: what the row says, else the table, else what was chosen."""

    def __init__(self, table: Table, home: ZoneInfo, chosen: tzinfo | None) -> None:
        self._table, self._home, self._chosen = table, home, chosen
        self._stated = zone_of(table, home, chosen)
        self._clocks: dict[tzinfo, csv_times.WallClock] = {}
        self._contradicted = False

    def moment(self, entry: _Dated, local: datetime) -> datetime:
        """The moment of a row in UTC. Raises BadFigure."""
        stated = self._of_row(entry)
        if entry.stamp.offset is not None:
            stated = timezone(entry.stamp.offset)
        elif stated is None:
            stated = self._stated
        zone = stated or self._chosen or self._home
        at = self._clocks.setdefault(zone, csv_times.WallClock(zone)).moment(local)
        if stated is not None and self._chosen is not None and not self._contradicted:
            self._contradicted = not stated_zones.same_zone(stated, self._chosen, at)
            if self._contradicted:
                raise BadFigure(
                    say(
                        "the file's times are in %(stated)s; %(chosen)s was chosen. Leave the "
                        "choice open",
                        stated=stated_zones.name_of(stated),
                        chosen=stated_zones.name_of(self._chosen),
                    )
                )
        return at

    def _of_row(self, entry: _Dated) -> tzinfo | None:
        text = entry.stamp.zone or self._table.cell(entry.row, "zone")
        return stated_zones.zone_in(text, self._home) if text else None


def _hourly_nights(
    table: Table,
    dated: Sequence[_Dated],
    order: csv_times.DateOrder,
    time_zone: ZoneInfo,
    options: ReadOptions,
) -> tuple[NightForecast, ...]:
    role = "time" if "time" in table.found else "date"
    placed: list[tuple[_Dated, datetime]] = []
    for entry in dated:
        try:
            placed.append((entry, csv_times.local_of(entry.stamp, order)))
        except BadFigure as error:
            table.fault(entry.row, role, error.message)
    if csv_times.runs_backwards([local for _, local in placed]):
        placed.reverse()

    zones = _Zones(table, time_zone, options.csv_time_zone)
    _looks_like_fahrenheit(table, [entry.row for entry in dated], "temperature")
    found: dict[datetime, _Hour] = {}
    missing = repeated = 0
    for entry, local in placed:
        try:
            at = zones.moment(entry, local)
        except BadFigure as error:
            table.fault(entry.row, role, error.message)
            continue
        hour = _hour(table, entry.row, at)
        if hour is None:
            missing += 1
            continue
        known = found.setdefault(at, hour)
        if known is not hour:
            repeated += 1
            if (known.hour, known.low_c) != (hour.hour, hour.low_c):
                table.fault(
                    entry.row,
                    role,
                    say(
                        "gives other figures for the same time as line %(line)s",
                        line=known.row.line,
                    ),
                )
    _tell_odd(table, len(placed))
    table.stop_if_faulty()
    if not found:
        table.faults.add(say("holds no figures"), column=table.header("temperature"))
        table.stop_if_faulty()
    hours = [found[at] for at in sorted(found)]
    _check_swapped(table, hours)
    _check_jumps(table, hours, options)
    if missing:
        table.notes.append(csv_rows.rows_without_temperature(missing))
    if repeated:
        table.notes.append(csv_rows.rows_repeated(repeated))
    lows = [
        SpanLow(each.hour.at, each.hour.at, each.low_c) for each in hours if each.low_c is not None
    ]
    if lows:
        table.notes.append(
            say(
                "Each night's low is the lowest of %(value)s too.",
                value=quoted(table.header("low")),
            )
        )
    nights, notes = nights_from_hours(
        (with_dew_point(each.hour) for each in hours), time_zone=time_zone, span_lows=lows
    )
    table.notes.extend(notes)
    if not nights:
        table.faults.add(
            say(
                "No night is covered by these rows: they need hours between 18:00 and 08:00 "
                "and up to its cold end."
            ),
            column=table.header(role),
        )
        table.stop_if_faulty()
    return nights


def _hour(table: Table, row: Row, at: datetime) -> _Hour | None:
    """One row's figures, None where it has no temperature."""
    temp_c = _figure(table, row, "temperature", temperature_c)
    low_c = _figure(table, row, "low", temperature_c)
    dew_point_c = _figure(table, row, "dew_point", temperature_c)
    humid_percent = _figure(table, row, "humidity", lambda value, _unit: humidity_percent(value))
    clouded = _figure(table, row, "cloud", cloud_fraction)
    speed_mps = _figure(table, row, "wind", wind_mps)
    gust_mps = _figure(table, row, "gust", wind_mps)
    if temp_c is None:
        return None
    hour = HourForecast(
        at=at,
        temp_c=temp_c,
        dew_point_c=dew_point_c,
        humidity_percent=humid_percent,
        cloud_fraction=clouded,
        wind_mps=speed_mps,
        gust_mps=gust_mps,
    )
    return _Hour(row, hour, low_c)


def _check_swapped(table: Table, hours: Sequence[_Hour]) -> None:
    """Refuse what air cannot do: a dew point above its temperature in every row, and the like."""
    pairs = [
        (each.hour.temp_c, each.hour.dew_point_c)
        for each in hours
        if each.hour.dew_point_c is not None
    ]
    above = sum(dew_c > temp_c + 0.3 for temp_c, dew_c in pairs)
    if len(pairs) > 2 and above == len(pairs):
        table.faults.add(
            say("the dew point is above the temperature in every row: the columns look swapped"),
            column=table.header("dew_point"),
        )
    elif above:
        table.notes.append(
            say_n(
                "The dew point is above the temperature in %(num)s row.",
                "The dew point is above the temperature in %(num)s rows.",
                above,
            )
        )
    humid = [
        (each.hour.temp_c, each.hour.humidity_percent)
        for each in hours
        if each.hour.humidity_percent is not None
    ]
    if (
        len(humid) > 2
        and median(temp for temp, _ in humid) >= 40.0
        and median(percent for _, percent in humid) <= 25.0
    ):
        table.faults.add(
            say("temperature and humidity look swapped: it is hot as a desert and as dry"),
            column=table.header("temperature"),
        )
    table.stop_if_faulty()


def _daily_nights(
    table: Table,
    dated: Sequence[_Dated],
    order: csv_times.DateOrder,
    time_zone: ZoneInfo,
    options: ReadOptions,
    now: datetime | None,
) -> tuple[NightForecast, ...]:
    """One night a date, from the date's minimum."""
    _looks_like_fahrenheit(table, [entry.row for entry in dated], "low")
    found: dict[date, tuple[float, Row]] = {}
    missing = repeated = upside_down = both = 0
    for entry in dated:
        try:
            day = csv_times.date_of(entry.stamp, order)
        except BadFigure as error:
            table.fault(entry.row, "date", error.message)
            continue
        low_c = _figure(table, entry.row, "low", temperature_c)
        high_c = _figure(table, entry.row, "high", temperature_c)
        if low_c is None:
            missing += 1
            continue
        if high_c is not None:
            both += 1
            upside_down += low_c > high_c
        known_c, known_row = found.setdefault(day, (low_c, entry.row))
        if known_row is not entry.row:
            repeated += 1
            if known_c != low_c:
                table.fault(
                    entry.row,
                    "low",
                    say(
                        "gives another low for the same date as line %(line)s", line=known_row.line
                    ),
                )
    _tell_odd(table, len(dated))
    if both > 1 and upside_down == both:
        table.faults.add(
            say("the low is above the high in every row: the columns look swapped"),
            column=table.header("low"),
        )
    table.stop_if_faulty()
    if not found:
        table.faults.add(say("holds no figures"), column=table.header("low"))
        table.stop_if_faulty()
    if upside_down:
        table.notes.append(
            say_n(
                "The low is above the high in %(num)s row.",
                "The low is above the high in %(num)s rows.",
                upside_down,
            )
        )
    if missing:
        table.notes.append(
            say_n(
                "%(num)s row without a low left out.",
                "%(num)s rows without a low left out.",
                missing,
            )
        )
    if repeated:
        table.notes.append(
            say_n(
                "%(num)s row repeated with the same low, counted once.",
                "%(num)s rows repeated with the same low, counted once.",
                repeated,
            )
        )
    lows = {day: low_c for day, (low_c, _) in found.items()}
    if "low_time" in table.found:
        return _nights_by_time(table, {day: row for day, (_, row) in found.items()}, lows, options)
    belongs = _belongs_to(table, options)
    if belongs is None and now is not None and max(lows) < now.astimezone(time_zone).date():
        belongs = "evening"  # over either way, which is told
    if belongs is None:
        _ask_which_night(table, lows, time_zone, now)
    if belongs == "morning":
        table.notes.append(say("A date's low is taken for the night that ended on its morning."))
    else:
        table.notes.append(say("A date's low is taken for the night that began on its evening."))
    shift = _DAY if belongs == "morning" else timedelta(0)
    return tuple(NightForecast(night_of=day - shift, low_c=lows[day]) for day in sorted(lows))


def _belongs_to(table: Table, options: ReadOptions) -> str | None:
    """To which night a date's low belongs: what its heading says, or what was chosen."""
    heading = table.header("date" if "date" in table.found else "time").replace("_", " ")
    stated = None
    if headings.NIGHT_BEGINS.search(heading):
        stated = "evening"
    elif headings.NIGHT_ENDS.search(heading):
        stated = "morning"
    chosen = options.daily_low_belongs_to
    if stated is not None and chosen not in (None, stated):
        table.faults.add(
            say("says by its name to which night a low belongs; leave the choice open"),
            column=heading,
        )
        table.stop_if_faulty()
    return stated or chosen


def _ask_which_night(
    table: Table, lows: Mapping[date, float], time_zone: ZoneInfo, now: datetime | None
) -> None:
    """Ask, showing what either answer makes of tonight."""
    evening = min(lows) if now is None else now.astimezone(time_zone).date()

    def told(day: date) -> Words | Celsius:
        return Celsius(lows[day]) if day in lows else say("no low")

    table.faults.add(
        say(
            "When does a date's low fall? On the morning of its date: the low of the night of "
            "%(evening)s is %(morning)s. In the night after its date: %(after)s.",
            evening=Day(evening),
            morning=told(evening + _DAY),
            after=told(evening),
        ),
        column=table.header("low"),
        ask="daily_low",
    )
    table.stop_if_faulty()


def _nights_by_time(
    table: Table, rows: Mapping[date, Row], lows: Mapping[date, float], options: ReadOptions
) -> tuple[NightForecast, ...]:
    """Nights of a table that says at what time each day's low fell."""
    nights: dict[date, float] = {}
    for day, low_c in sorted(lows.items()):
        text = table.cell(rows[day], "low_time")
        stamp = csv_columns.stamp_or_none(text)
        if stamp is None and csv_times.is_clock(text):
            stamp = csv_columns.stamp_or_none(f"{day.isoformat()} {text}")
        if stamp is None or stamp.clock is None:
            table.fault(rows[day], "low_time", say("says no time of day"))
            continue
        is_morning = stamp.clock[0] < 12
        if options.daily_low_belongs_to not in (None, "morning" if is_morning else "evening"):
            table.fault(
                rows[day],
                "low_time",
                say("says when the low fell; leave the choice of the night open"),
            )
            break
        evening = day - _DAY if is_morning else day
        nights[evening] = min(low_c, nights.get(evening, low_c))
    table.stop_if_faulty()
    table.notes.append(say("A date's low is taken for the night in which it fell, by its time."))
    return tuple(NightForecast(night_of=day, low_c=low_c) for day, low_c in sorted(nights.items()))
