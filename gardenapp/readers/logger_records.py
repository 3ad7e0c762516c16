"""What a logger file is read into, on the way and in the end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from gardenapp.messages import Words
from gardenapp.readers.csv_times import Stamp
from gardenapp.readers.records import ColumnGuess, Faults

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MISSING_CODES = (-999.0, -9999.0)
NO_OFFSET = -(10**6)  # a row whose time names no offset from UTC


@dataclass(frozen=True)
class LoggerOptions:
    """What a person has said about a logger's file, which wins over what it seems to say.

    `columns` maps "time", "date", "clock", "temperature" or "humidity" to the header of the
    column that holds it; an empty header leaves that role out. `csv_time_zone` is the zone of the
    file's local times (None: the garden's own). `encoding` is "utf-8" (None too) or "cp1252".
    """

    columns: Mapping[str, str] | None = None
    temperature_unit: Literal["C", "F"] | None = None
    csv_time_zone: ZoneInfo | None = None
    date_order: Literal["YMD", "DMY", "MDY"] | None = None
    encoding: Literal["utf-8", "cp1252"] | None = None


@dataclass(frozen=True, eq=False)
class LoggerReading:
    """One logger's record: moments and what was measured, equally long.

    at_s : whole seconds since 1970 in UTC, strictly rising.
    temp_c : temperature; none is missing. [°C]
    humidity_percent : relative humidity, nan where the logger has none; None where it never has.
    columns : what each column was taken for, to be shown and confirmed.
    notes : what was left out, averaged or inferred, in words.
    step_s : the usual time between two readings (their median). [s]
    label : the file's name without its ending.
    """

    at_s: Integers
    temp_c: Floats
    humidity_percent: Floats | None
    columns: tuple[ColumnGuess, ...]
    notes: tuple[Words, ...]
    step_s: float
    label: str


@dataclass
class Layout:
    """Where a logger's file keeps what: told from its beginning."""

    separator: str
    headers: tuple[str, ...]
    header_line: int
    first_line: int
    found: dict[str, int]
    units: dict[str, str]
    columns: tuple[ColumnGuess, ...]
    first_cells: tuple[str, ...]
    is_epoch: bool = False
    faults: Faults = field(default_factory=Faults)
    notes: list[Words] = field(default_factory=list)

    @property
    def time_header(self) -> str:
        """The header to name when a time is at fault."""
        return self.headers[self.found["time" if "time" in self.found else "date"]]

    def stop_if_faulty(self) -> None:
        """Refuse the file if anything was noted. Raises UnreadableFile."""
        self.faults.raise_if_any(columns=self.columns)


@dataclass(eq=False)
class RawRows:
    """The rows of a file as written, column by column, before units and zones.

    line : where each row stands, from 1. stamps : each way of writing a day that occurs, once;
    stamp_index : which of them a row has. clock_s : seconds after midnight, -1 where the row has
    none. offset_s : from UTC, NO_OFFSET where none is written. temperature, humidity : the
    figures in the file's unit, nan where missing.
    """

    line: Integers
    stamps: list[Stamp]
    stamp_index: Integers
    clock_s: Integers
    offset_s: Integers
    temperature: Floats
    humidity: Floats | None
    has_seconds: bool

    def taken(self, which: Integers | NDArray[np.bool_]) -> RawRows:
        """The same file with only some rows, or in another order."""
        return RawRows(
            self.line[which],
            self.stamps,
            self.stamp_index[which],
            self.clock_s[which],
            self.offset_s[which],
            self.temperature[which],
            None if self.humidity is None else self.humidity[which],
            self.has_seconds,
        )
