"""Tables from weather stations and from anyone's spreadsheet: hourly rows or daily lows.

There is no standard, so the layout is guessed from headers and cells; the guess is handed back as
`columns` to be confirmed. What cannot be inferred safely (°C or °F, the order of a date's
numbers) is asked for, never assumed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from statistics import median
from zoneinfo import ZoneInfo

from gardenapp.messages import Number, Words, say, say_n
from gardenapp.readers import csv_columns, csv_rows, csv_times
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
    ColumnGuess,
    Faults,
    ForecastReading,
    HourForecast,
    NightForecast,
    ReadOptions,
    quoted,
    refuse,
)

HOURLY = "csv_hourly"
DAILY = "csv_daily"
ROLES = csv_columns.ROLES

_HEADER_WITHIN_ROWS = 30
_MISSING_WORDS = frozenset({"", "na", "n/a", "null", "none"})
_DASHES = re.compile(r"-{1,4}(?:[.,]-{1,2})?")
_MISSING_CODES = (-999.0, -9999.0)
_WITH_POINT = re.compile(r"[+-]?(?:[0-9]{1,12}(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")
_WITH_COMMA = re.compile(r"[+-]?[0-9]{1,12}(?:[.,][0-9]*)?")
_HOT_NIGHT_C = 30.0
# Half the rows of a garden's record at 25 °C or more, and some past 60: no place on earth.
_WARM_FOR_CELSIUS = 25.0
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class _Dated:
    """A row with its date and time as written."""

    row: Row
    stamp: csv_times.Stamp


@dataclass
class _Table:
    """A table on its way to a reading."""

    separator: str
    headers: tuple[str, ...]
    rows: list[Row]
    found: dict[str, int] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    columns: tuple[ColumnGuess, ...] = ()
    faults: Faults = field(default_factory=Faults)
    notes: list[Words] = field(default_factory=list)

    def header(self, role: str) -> str:
        return self.headers[self.found[role]]

    def cell(self, row: Row, role: str) -> str:
        index = self.found.get(role)
        return row.cells[index] if index is not None and index < len(row.cells) else ""

    def fault(self, row: Row, role: str, message: Words) -> None:
        self.faults.add(message, line=row.line, column=self.header(role))

    def stop_if_faulty(self) -> None:
        self.faults.raise_if_any(columns=self.columns)


@dataclass(frozen=True)
class _Hour:
    """One row's figures in our units, with the row for its line number."""

    row: Row
    hour: HourForecast
    low_c: float | None


def read(text: str, *, time_zone: ZoneInfo, options: ReadOptions) -> ForecastReading:
    """Nights from a table.

    Parameters
    ----------
    text : the table.
    time_zone : the garden's; also that of the table's clock unless the options say otherwise.
    options : what a person has said about it.

    Raises
    ------
    UnreadableFile : all faults found, with `columns` where the table got that far.
    """
    table = _layout(text)
    table.found = csv_columns.columns_of(table.headers, table.rows, options.columns, table.faults)
    table.units = _units(table, options)
    table.columns = csv_columns.guesses(table.headers, table.rows, table.found, table.units)
    table.stop_if_faulty()
    daily = _is_daily(table)
    _check_kind(table, options, daily)
    _check_roles(table, daily)
    _check_widths(table)
    dated, order = _dated(table, options)
    if daily:
        nights = _daily_nights(table, dated, order, options)
    else:
        nights = _hourly_nights(table, dated, order, time_zone, options)
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


def _layout(text: str) -> _Table:
    """Separator, header and rows.

    The header is what stands above the first row with a date: one row, or two of equal width.
    """
    separator = csv_rows.separator_of(text)
    rows = [row for row in csv_rows.rows_of(text, separator) if not row.cells[0].startswith("#")]
    start = next(
        (index for index, row in enumerate(rows[:_HEADER_WITHIN_ROWS]) if _has_date(row)), None
    )
    if start is None:
        raise refuse(
            say(
                "No row with a date is found in the first %(rows)s. A table "
                "needs a header row and then rows with a date or a date and time.",
                rows=_HEADER_WITHIN_ROWS,
            )
        )
    above = [row for row in rows[:start] if sum(bool(cell) for cell in row.cells) > 1]
    if not above:
        raise refuse(
            say("The first row should name the columns, such as “Time” and “Temperature (°C)”."),
            line=rows[start].line,
        )
    header_rows = above[-1:]
    if len(above) > 1 and len(above[-2].cells) == len(above[-1].cells):
        header_rows = above[-2:]
    return _Table(separator, csv_rows.headers_of(header_rows), rows[start:])


def _has_date(row: Row) -> bool:
    for cell in row.cells:
        try:
            if csv_times.stamp_of(cell) is not None:
                return True
        except BadFigure:  # a date all the same, with a bad time of day
            return True
    return False


def _units(table: _Table, options: ReadOptions) -> dict[str, str]:
    """The unit of each role's column.

    A unit a person has chosen fills in for headers that name none. Where it contradicts the
    temperature's own header, that table's labels are wrong and the choice holds for all.
    """
    units = {
        role: csv_columns.unit_of(table.headers[index], role) for role, index in table.found.items()
    }
    chosen = options.temperature_unit
    main = units.get("temperature", units.get("low", "unknown"))
    for role in csv_columns.TEMPERATURE_ROLES & units.keys():
        if chosen is not None:
            if units[role] == "unknown" or main not in ("unknown", chosen):
                units[role] = chosen
        elif units[role] == "unknown":
            units[role] = main
    return units


def _is_daily(table: _Table) -> bool:
    """Whether dates come without any time of day."""
    return "time" not in table.found and "clock" not in table.found


def _check_kind(table: _Table, options: ReadOptions, daily: bool) -> None:
    if options.kind == DAILY and not daily:
        table.faults.add(say("This table has times of day; choose hourly."))
    if options.kind == HOURLY and daily:
        table.faults.add(say("This table has dates without times of day; choose daily."))
    table.stop_if_faulty()


def _check_roles(table: _Table, daily: bool) -> None:
    """Refuse a table whose needed columns, or their unit, are not known."""
    found = table.found
    if "time" not in found and "date" not in found:
        table.faults.add(say("No column with dates is found; choose it."), column="time")
    if daily and "low" not in found:
        table.faults.add(say("No column with the day's low is found; choose it."), column="low")
    if not daily and "temperature" not in found:
        if "low" in found:
            # A table of hourly lows alone: each is that hour's temperature.
            found["temperature"] = found.pop("low")
            table.units["temperature"] = table.units.pop("low")
        else:
            table.faults.add(
                say("No column with the outside temperature is found; choose it."),
                column="temperature",
            )
    main = "low" if daily else "temperature"
    if main in found and table.units[main] == "unknown":
        table.faults.add(say("say whether °C or °F"), column=table.header(main))
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


def _check_widths(table: _Table) -> None:
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


def _stamp_text(table: _Table, row: Row) -> str:
    if "time" in table.found:
        return table.cell(row, "time")
    return f"{table.cell(row, 'date')} {table.cell(row, 'clock')}".strip()


def _dated(table: _Table, options: ReadOptions) -> tuple[list[_Dated], csv_times.DateOrder]:
    """The rows that have a date, and the order of its numbers.

    Rows of words under the last dated one are a summary ("Min", "Average") and are told.
    """
    role = "time" if "time" in table.found else "date"
    dated: list[_Dated] = []
    undated: list[Row] = []
    for row in table.rows:
        text = _stamp_text(table, row)
        try:
            stamp = csv_times.stamp_of(text)
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
        table.faults.add(error.message, column=table.header(role))
        table.stop_if_faulty()
        raise AssertionError("unreachable") from error
    if note:
        table.notes.append(note)
    return kept, order


def number_in(text: str, separator: str) -> float | None:
    """A cell's number, None where the cell stands for a missing value.

    Raises BadFigure for anything else.
    """
    text = text.replace("\u2212", "-")
    if text.lower() in _MISSING_WORDS or _DASHES.fullmatch(text):
        return None
    if separator != "," and _WITH_COMMA.fullmatch(text):
        text = text.replace(",", ".")
    elif not _WITH_POINT.fullmatch(text):
        if separator == "," and _WITH_COMMA.fullmatch(text):
            raise BadFigure(
                say(
                    "%(text)s is not a number (a decimal comma needs semicolons between cells)",
                    text=quoted(text),
                )
            )
        raise BadFigure(say("%(text)s is not a number", text=quoted(text)))
    number = float(text)
    return None if number in _MISSING_CODES else number


def _figure(
    table: _Table, row: Row, role: str, convert: Callable[[float, str], float]
) -> float | None:
    if role not in table.found:
        return None
    try:
        number = number_in(table.cell(row, role), table.separator)
        return None if number is None else convert(number, table.units[role])
    except BadFigure as error:
        table.fault(row, role, error.message)
        return None


def _looks_like_fahrenheit(table: _Table, rows: Sequence[Row], role: str) -> None:
    """Say so where a column said to be °C is far too warm to be that, over 60 in places."""
    if table.units[role] != "C":
        return
    known: list[tuple[float, Row]] = []
    for row in rows:
        try:
            number = number_in(table.cell(row, role), table.separator)
        except BadFigure:  # told where the row is read
            continue
        if number is not None:
            known.append((number, row))
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


def _hourly_nights(
    table: _Table,
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

    clock = csv_times.WallClock(options.csv_time_zone or time_zone)
    _looks_like_fahrenheit(table, [entry.row for entry in dated], "temperature")
    found: dict[datetime, _Hour] = {}
    missing = repeated = 0
    for entry, local in placed:
        try:
            if entry.stamp.offset is None:
                at = clock.moment(local)
            else:
                at = (local - entry.stamp.offset).replace(tzinfo=UTC)
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
    table.stop_if_faulty()
    if not found:
        table.faults.add(say("holds no figures"), column=table.header("temperature"))
        table.stop_if_faulty()
    hours = [found[at] for at in sorted(found)]
    _check_swapped(table, hours)
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


def _hour(table: _Table, row: Row, at: datetime) -> _Hour | None:
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


def _check_swapped(table: _Table, hours: Sequence[_Hour]) -> None:
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
    table: _Table,
    dated: Sequence[_Dated],
    order: csv_times.DateOrder,
    options: ReadOptions,
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
    if options.daily_low_belongs_to == "morning":
        shift = _DAY
        table.notes.append(say("A date's low is taken for the night that ended on its morning."))
    else:
        shift = timedelta(0)
        table.notes.append(say("A date's low is taken for the night that began on its evening."))
    return tuple(NightForecast(night_of=day - shift, low_c=found[day][0]) for day in sorted(found))
