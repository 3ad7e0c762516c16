"""The row-by-row way through a logger's file, naming the line of each fault."""

from __future__ import annotations

import re
from array import array
from collections.abc import Callable, Iterator

import numpy as np

from gardenapp.messages import say, say_n
from gardenapp.readers import csv_rows, csv_table, csv_times, plain_text
from gardenapp.readers.csv_rows import Row
from gardenapp.readers.logger_layout import EPOCH
from gardenapp.readers.logger_records import NO_OFFSET, Layout, LoggerOptions, RawRows
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import LineError, UnreadableFile, quoted

_CHUNK_BYTES = 1_000_000  # below what one text or one table may hold, so their limits never bite
_MISSING_WORDS = frozenset({"nan", "err", "error", "#n/a", "#value!"})
_LINE_BREAK = re.compile(r"\r\n|\r|\n")
_MOST_UNDATED_NOTES = 5
_Moment = tuple[csv_times.Stamp, int, int]


def texts_of(data: bytes, encoding: str | None) -> Iterator[tuple[int, int, str]]:
    """The file's text in pieces of whole lines: bytes read so far, lines before it, and the piece.

    Raises UnreadableFile as `plain_text.decode` does, with the line in the whole file.
    """
    begin = lines = 0
    while begin < len(data):
        end = len(data)
        if end - begin > _CHUNK_BYTES:
            cut = data.rfind(b"\n", begin, begin + _CHUNK_BYTES)
            end = cut + 1 if cut >= 0 else begin + _CHUNK_BYTES
        piece = data[begin:end]
        if piece.strip() or len(data) == len(piece):
            try:
                text = plain_text.decode(piece, encoding=encoding)
            except UnreadableFile as error:
                raise _moved(error, lines) from error
            yield end, lines, text
            lines += len(_LINE_BREAK.findall(text))
        else:
            lines += piece.count(b"\n")
        begin = end


def _moved(error: UnreadableFile, lines: int) -> UnreadableFile:
    """The same refusal, for a piece that begins `lines` lines down the file."""
    return UnreadableFile(
        [
            LineError(None if each.line is None else each.line + lines, each.column, each.message)
            for each in error.errors
        ],
        columns=error.columns,
    )


def _rows_of(
    data: bytes, layout: Layout, options: LoggerOptions, told: Callable[[float], None]
) -> Iterator[Row]:
    for end, lines, text in texts_of(data, options.encoding):
        try:
            rows = csv_rows.rows_of(text, layout.separator)
        except UnreadableFile as error:
            raise _moved(error, lines) from error
        for row in rows:
            line = row.line + lines
            if line >= layout.first_line and not row.cells[0].startswith("#"):
                yield Row(line, row.cells)
        told(end / len(data))


def parse(
    data: bytes, layout: Layout, options: LoggerOptions, told: Callable[[float], None]
) -> RawRows:
    """Every row of the file that has a date; faults go to `layout.faults`, not raised here.

    Raises UnreadableFile for broken text or quotation marks only.
    """
    width = len(layout.headers)
    indices = [layout.found[role] for role in ("time", "date") if role in layout.found]
    if "time" not in layout.found:
        indices.append(layout.found["clock"])
    line, stamp_index, clock_s, offset_s = array("q"), array("q"), array("q"), array("q")
    temperature, humidity = array("d"), array("d")
    known: dict[csv_times.Stamp, int] = {}
    undated: list[Row] = []
    has_seconds = repeated_headers = 0
    for row in _rows_of(data, layout, options, told):
        cells = row.cells
        written = " ".join(cells[index] for index in indices if index < len(cells)).strip()
        try:
            moment = _moment_of(written, layout)
        except BadFigure as error:
            layout.faults.add(error.message, line=row.line, column=layout.time_header)
            continue
        if moment is None:
            if cells == layout.headers or cells[: len(indices)] == layout.headers[: len(indices)]:
                repeated_headers += 1
            elif any(character.isdigit() for character in written):
                layout.faults.add(
                    say(
                        "%(written)s is not a date and time that is known here",
                        written=quoted(written),
                    ),
                    line=row.line,
                    column=layout.time_header,
                )
            elif len(undated) <= _MOST_UNDATED_NOTES:
                undated.append(row)
            continue
        if len(cells) < width or any(cells[width:]):
            layout.faults.add(
                say(
                    "has %(number)s cells where the header has %(width)s",
                    number=len(cells),
                    width=width,
                ),
                line=row.line,
            )
            continue
        stamp, clock, offset = moment
        day = csv_times.Stamp(stamp.family, stamp.numbers, None, None)
        line.append(row.line)
        stamp_index.append(known.setdefault(day, len(known)))
        clock_s.append(clock)
        offset_s.append(offset)
        has_seconds = has_seconds or written.count(":") > 1 + (offset != NO_OFFSET)
        temperature.append(_figure(row, "temperature", layout))
        humidity.append(_figure(row, "humidity", layout) if "humidity" in layout.found else np.nan)
    last_line = line[-1] if line else 0
    for row in undated[:_MOST_UNDATED_NOTES]:
        if row.line < last_line:
            layout.faults.add(say("has no date"), line=row.line, column=layout.time_header)
        else:
            layout.notes.append(
                say(
                    "Line %(line)s, %(cells)s, has no date and is left out.",
                    line=row.line,
                    cells=quoted(row.cells[0]),
                )
            )
    if repeated_headers:
        layout.notes.append(
            say_n(
                "The header comes once more and is left out.",
                "The header comes %(num)s times more and is left out.",
                repeated_headers,
            )
        )
    return RawRows(
        np.array(line, dtype=np.int64),
        list(known),
        np.array(stamp_index, dtype=np.int64),
        np.array(clock_s, dtype=np.int64),
        np.array(offset_s, dtype=np.int64),
        np.array(temperature, dtype=np.float64),
        np.array(humidity, dtype=np.float64) if "humidity" in layout.found else None,
        bool(has_seconds) or layout.is_epoch,
    )


def _moment_of(written: str, layout: Layout) -> _Moment | None:
    """A row's day, seconds after midnight and offset; None where it has no date.

    Raises BadFigure for a date with an impossible time of day.
    """
    if layout.is_epoch:
        if not EPOCH.fullmatch(written):
            return None
        seconds = int(written[:10])
        days = np.datetime64(seconds // 86_400, "D").astype(object)
        stamp = csv_times.Stamp("Y-", (days.year, days.month, days.day), None, None)
        return stamp, seconds % 86_400, 0
    stamp_or_none = csv_times.stamp_of(written)
    if stamp_or_none is None:
        return None
    if stamp_or_none.clock is None:
        return stamp_or_none, -1, NO_OFFSET
    hour, minute, second = stamp_or_none.clock
    offset = stamp_or_none.offset
    return (
        stamp_or_none,
        hour * 3600 + minute * 60 + second,
        NO_OFFSET if offset is None else round(offset.total_seconds()),
    )


def _figure(row: Row, role: str, layout: Layout) -> float:
    cell = row.cells[layout.found[role]]
    if cell.lower() in _MISSING_WORDS:
        return float("nan")
    try:
        # The station tables' own rule, so that "missing" means one thing everywhere.
        number = csv_table.number_in(cell, layout.separator)
    except BadFigure as error:
        layout.faults.add(error.message, line=row.line, column=layout.headers[layout.found[role]])
        return float("nan")
    return float("nan") if number is None else number
