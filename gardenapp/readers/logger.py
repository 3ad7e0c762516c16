"""A temperature logger's file, inside a cover or outside it, to moments and figures in SI.

No two makers write the same columns. What can be told from the file is told and handed back in
`columns` to be confirmed; what cannot (°C or °F, the order of a date's numbers) is asked for.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from zoneinfo import ZoneInfo

import numpy as np

from gardenapp.messages import Number, say, say_n
from gardenapp.readers import csv_rows, logger_careful, logger_clock, logger_fast, logger_layout
from gardenapp.readers.logger_records import (
    Floats,
    Integers,
    Layout,
    LoggerOptions,
    LoggerReading,
    RawRows,
)
from gardenapp.readers.records import MOST_ERRORS, refuse
from gardenapp.science.units import f_to_c

__all__ = ["LARGEST_BYTES", "LoggerOptions", "LoggerReading", "read_logger"]

LARGEST_BYTES = 60_000_000
_HEAD_BYTES = 16_000
# The housing of a logger under film in the sun gets hotter than any air; 85 °C is where the
# usual sensor chips end (from memory).
LOWEST_C, HIGHEST_C = -60.0, 85.0
_MOST_HUMID_PERCENT = 105.0  # sensors overshoot a little in fog; read as 100
_WARM_FOR_CELSIUS = 25.0
_LONGEST_LABEL = 60
Progress = Callable[[float], None]


def read_logger(
    data: bytes,
    *,
    filename: str,
    time_zone: ZoneInfo,
    options: LoggerOptions | None = None,
    progress: Progress | None = None,
) -> LoggerReading:
    """One logger's record from its file.

    Parameters
    ----------
    data : the file as it came, at most 60 MB.
    filename : only for the label.
    time_zone : the garden's; also that of the file's clock unless the file or options say other.
    options : what a person has said about it; wins over what the file seems to say.
    progress : told the share done, 0 to 1, now and then.

    Returns
    -------
    LoggerReading: at least two moments, strictly rising, in UTC.

    Raises
    ------
    UnreadableFile : with line, column and cure for each fault. Nothing else.
    """
    options = options or LoggerOptions()

    def tell(share: float) -> None:
        if progress is not None:
            progress(share)

    if len(data) > LARGEST_BYTES:
        raise refuse(
            say(
                "The file has %(bytes)s bytes; at most %(most)s are read. Export "
                "fewer days, or a longer step.",
                bytes=Number(len(data), ","),
                most=Number(LARGEST_BYTES, ","),
            )
        )
    if b"\n" not in data:  # written with lone carriage returns
        data = data.replace(b"\r", b"\n")
    tell(0.0)
    layout = logger_layout.layout_of(
        _head(data, options),
        options,
        is_whole_file=len(data) <= _HEAD_BYTES,
    )
    raw = logger_fast.parse(data, _start_of_line(data, layout.first_line), layout)
    if raw is None:
        raw = logger_careful.parse(data, layout, options, lambda share: tell(0.8 * share))
    tell(0.8)
    layout.stop_if_faulty()
    if not len(raw.line):
        raise refuse(say("No row has a date that can be read."), column=layout.time_header)
    raw, at_s = logger_clock.moments(
        raw, layout, zone=options.csv_time_zone or time_zone, chosen=options.date_order
    )
    temp_c = _temperatures(raw, layout)
    humidity = _humidities(raw, layout)
    layout.stop_if_faulty()
    tell(0.9)
    kept = ~np.isnan(temp_c)
    if not kept.all():
        layout.notes.append(csv_rows.rows_without_temperature(int((~kept).sum())))
    at_s, temp_c, humidity = _in_order(
        at_s[kept],
        temp_c[kept],
        None if humidity is None else humidity[kept],
        raw.taken(kept),
        layout,
    )
    if len(at_s) < 2:
        layout.faults.add(
            say("holds no figures") if not len(at_s) else say("holds only one reading"),
            column=layout.headers[layout.found["temperature"]],
        )
        layout.stop_if_faulty()
    tell(1.0)
    return LoggerReading(
        at_s=at_s,
        temp_c=temp_c,
        humidity_percent=None if humidity is None or np.isnan(humidity).all() else humidity,
        columns=layout.columns,
        notes=tuple(layout.notes),
        step_s=float(np.median(np.diff(at_s))),
        label=_label(filename),
    )


def _head(data: bytes, options: LoggerOptions) -> str:
    """The text of the first whole lines."""
    head = data[:_HEAD_BYTES]
    if len(data) > _HEAD_BYTES and b"\n" in head:
        head = head[: head.rfind(b"\n") + 1]
    for _, _, text in logger_careful.texts_of(head, options.encoding):
        return text
    raise refuse(say("The file is empty."))


def _start_of_line(data: bytes, line: int) -> int:
    start = 0
    for _ in range(line - 1):
        start = data.find(b"\n", start) + 1
    return start


def _label(filename: str) -> str:
    """The last part of a file's name, without its ending, printable and short."""
    stem = re.sub(r"\.[A-Za-z0-9]{1,5}$", "", re.split(r"[/\\]", filename)[-1])
    return "".join(c for c in stem if c.isprintable())[:_LONGEST_LABEL] or "logger"


def _temperatures(raw: RawRows, layout: Layout) -> Floats:
    unit = layout.units["temperature"]
    header = layout.headers[layout.found["temperature"]]
    temp_c = f_to_c_all(raw.temperature) if unit == "F" else raw.temperature
    with np.errstate(invalid="ignore"):
        outside = (temp_c < LOWEST_C) | (temp_c > HIGHEST_C)
    if outside.any():
        is_doubtful = unit == "C" and np.nanmedian(temp_c) >= _WARM_FOR_CELSIUS
        rows = np.flatnonzero(outside)
        for row in rows[:MOST_ERRORS]:
            figure = Number(float(raw.temperature[row]))
            layout.faults.add(
                say(
                    "%(temperature)s °C is outside −60 to +85 °C. This looks like Fahrenheit; "
                    "choose °F if it is",
                    temperature=figure,
                )
                if is_doubtful
                else say(
                    "%(temperature)s °%(unit)s is outside −60 to +85 °C",
                    temperature=figure,
                    unit=unit,
                ),
                line=int(raw.line[row]),
                column=header,
            )
        layout.faults.add_more(len(rows) - MOST_ERRORS)
    elif unit == "C" and len(temp_c) and np.nanmin(_or_zero(temp_c)) > 30.0:
        layout.notes.append(say("Every reading is above 30 °C. If the figures are °F, choose °F."))
    return temp_c


def f_to_c_all(values: Floats) -> Floats:
    """`units.f_to_c`, which is plain arithmetic, over a whole column."""
    return f_to_c(values)  # type: ignore[arg-type, return-value]


def _or_zero(values: Floats) -> Floats:
    """The values, or a single 0 where none is known, so that a minimum exists."""
    return np.zeros(1) if np.isnan(values).all() else values


def _humidities(raw: RawRows, layout: Layout) -> Floats | None:
    if raw.humidity is None:
        return None
    header = layout.headers[layout.found["humidity"]]
    humidity = raw.humidity
    highest = np.nanmax(_or_zero(humidity))
    if 0.0 < highest <= 1.0 and "%" not in header:
        # Air is never so dry all through: these are shares.
        humidity = humidity * 100.0
        layout.notes.append(
            say("The humidity never passes 1 and is read as a share, 1 being 100 %.")
        )
    with np.errstate(invalid="ignore"):
        outside = (humidity < 0.0) | (humidity > _MOST_HUMID_PERCENT)
    rows = np.flatnonzero(outside)
    for row in rows[:MOST_ERRORS]:
        layout.faults.add(
            say(
                "humidity of %(humidity)s %% is outside 0 to 100",
                humidity=Number(raw.humidity[row]),
            ),
            line=int(raw.line[row]),
            column=header,
        )
    layout.faults.add_more(len(rows) - MOST_ERRORS)
    return np.minimum(humidity, 100.0)


def _in_order(
    at_s: Integers, temp_c: Floats, humidity: Floats | None, raw: RawRows, layout: Layout
) -> tuple[Integers, Floats, Floats | None]:
    """Rows by time, each moment once.

    The same figures twice (two downloads that overlap) count once. Different figures for one
    minute, line after line, come from a clock that writes no seconds: their mean is taken. Any
    other contradiction is a fault.
    """
    line = raw.line
    if (np.diff(at_s) < 0).any():
        order = np.argsort(at_s, kind="stable")
        at_s, temp_c, line = at_s[order], temp_c[order], line[order]
        humidity = None if humidity is None else humidity[order]
        layout.notes.append(
            say("The rows were not in the order of time and have been put in order.")
        )
    again = np.flatnonzero(np.diff(at_s) == 0) + 1
    if not len(again):
        return at_s, temp_c, humidity
    differs = temp_c[again] != temp_c[again - 1]
    if humidity is not None:
        with np.errstate(invalid="ignore"):
            differs |= np.abs(humidity[again] - humidity[again - 1]) > 0
    shares_minute = ~np.bool_(raw.has_seconds) & (np.abs(line[again] - line[again - 1]) == 1)
    for row in again[differs & ~shares_minute]:
        layout.faults.add(
            say("gives other figures for the same time as line %(line)s", line=int(line[row - 1])),
            line=int(line[row]),
            column=layout.time_header,
        )
    layout.stop_if_faulty()
    first = np.concatenate((np.ones(1, dtype=bool), np.diff(at_s) != 0))
    if not differs.all():
        layout.notes.append(csv_rows.rows_repeated(int((~differs).sum())))
    if not differs.any():
        return at_s[first], temp_c[first], None if humidity is None else humidity[first]
    layout.notes.append(
        say_n(
            "%(num)s row shares a minute with another; the mean of each minute is taken.",
            "%(num)s rows share a minute with another; the mean of each minute is taken.",
            int(differs.sum()),
        )
    )
    group = np.cumsum(first) - 1
    return (
        at_s[first],
        _means(group, temp_c),
        None if humidity is None else _means(group, humidity),
    )


def _means(group: Integers, values: Floats) -> Floats:
    """Mean of the known values of each group, nan where it has none."""
    known = ~np.isnan(values)
    size = int(group[-1]) + 1
    count = np.bincount(group[known], minlength=size)
    total = np.bincount(group[known], weights=values[known], minlength=size)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
