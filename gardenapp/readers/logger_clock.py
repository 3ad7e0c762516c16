"""A logger's written times to seconds in UTC, all rows at once.

The rules are those of `csv_times`; only days on which the clock changes are gone through row by
row.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from gardenapp.messages import say
from gardenapp.readers import csv_times
from gardenapp.readers.csv_times import WallClock
from gardenapp.readers.logger_records import NO_OFFSET, Integers, Layout, RawRows
from gardenapp.readers.quantities import BadFigure

_DAY_S = 86_400
_EPOCH_DAY = date(1970, 1, 1).toordinal()
_WALL_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 -- a wall clock without a zone, on purpose


def moments(
    raw: RawRows, layout: Layout, *, zone: ZoneInfo, chosen: csv_times.DateOrder | None
) -> tuple[RawRows, Integers]:
    """The rows that have a moment, oldest first where the file ran backwards, and the moments.

    Raises UnreadableFile, with lines, for dates that cannot be.
    """
    raw = _of_one_family(raw, layout)
    days = _days(raw, layout, chosen)[raw.stamp_index]
    for row in np.flatnonzero(raw.clock_s < 0):
        layout.faults.add(
            say("has a date and no time of day"),
            line=int(raw.line[row]),
            column=layout.time_header,
        )
    layout.stop_if_faulty()
    local_s = days * _DAY_S + raw.clock_s
    steps = np.diff(local_s)
    if (steps < 0).sum() > (steps > 0).sum():
        raw, local_s = raw.taken(np.arange(len(local_s))[::-1]), local_s[::-1]
        layout.notes.append(say("The newest row comes first; the rows are read from the end."))
    at_s = local_s - raw.offset_s
    without = raw.offset_s == NO_OFFSET
    if without.any():
        at_s[without] = _from_wall_clock(local_s[without], raw.line[without], layout, zone)
    layout.stop_if_faulty()
    return raw, at_s


def _of_one_family(raw: RawRows, layout: Layout) -> RawRows:
    """Add a fault for each row whose date is written in another way than most."""
    families = np.array([stamp.family for stamp in raw.stamps])
    names, which = np.unique(families, return_inverse=True)
    if len(names) > 1:
        of_row = which[raw.stamp_index]
        usual = int(np.bincount(of_row).argmax())
        for row in np.flatnonzero(of_row != usual):
            layout.faults.add(
                say("its date is written in another way than the others"),
                line=int(raw.line[row]),
                column=layout.time_header,
            )
        layout.stop_if_faulty()
    return raw


def _days(raw: RawRows, layout: Layout, chosen: csv_times.DateOrder | None) -> Integers:
    """Days since 1970 of each way of writing a day."""
    try:
        # Mostly the extremes of its days settle it, and a day counts once for them.
        order, note = csv_times.order_of(raw.stamps, chosen, _timed(raw))
    except BadFigure as error:
        layout.faults.add(error.message, column=layout.time_header)
        layout.stop_if_faulty()
        raise AssertionError("unreachable") from error
    if note:
        layout.notes.append(note)
    days = np.zeros(len(raw.stamps), dtype=np.int64)
    for index, stamp in enumerate(raw.stamps):
        try:
            days[index] = csv_times.date_of(stamp, order).toordinal() - _EPOCH_DAY
        except BadFigure as error:
            rows = np.flatnonzero(raw.stamp_index == index)
            layout.faults.add(error.message, line=int(raw.line[rows[0]]), column=layout.time_header)
    layout.stop_if_faulty()
    return days


def _timed(raw: RawRows) -> Iterator[csv_times.Stamp]:
    """Every row's day and time as written; a row without a time of day has none here either."""
    for index, clock_s in zip(raw.stamp_index.tolist(), raw.clock_s.tolist(), strict=True):
        minutes, second = divmod(clock_s, 60)
        clock = None if clock_s < 0 else (*divmod(minutes, 60), second)
        yield replace(raw.stamps[index], clock=clock)


def _from_wall_clock(local_s: Integers, line: Integers, layout: Layout, zone: ZoneInfo) -> Integers:
    days, day_of_row = np.unique(local_s // _DAY_S, return_inverse=True)
    at_midnight = {day: _offsets_s(day, zone) for day in {*days.tolist(), *(days + 1).tolist()}}
    offsets = [
        first[0] if len({*first, *at_midnight[day + 1]}) == 1 else None
        for day in days.tolist()
        for first in (at_midnight[day],)
    ]
    by_day = np.array([0 if offset is None else offset for offset in offsets], dtype=np.int64)
    at_s: Integers = local_s - by_day[day_of_row]
    odd = np.array([offset is None for offset in offsets], dtype=bool)[day_of_row]
    if odd.any():
        _by_row(at_s, odd, local_s, line, layout, zone)
    return at_s


def _offsets_s(day: int, zone: ZoneInfo) -> tuple[int, int]:
    """The offsets from UTC at a local day's first moment, should that come twice. [s]

    A day whose both ends have one and the same offset has no change of the clock in it.
    """
    midnight = datetime.combine(date.fromordinal(day + _EPOCH_DAY), time(0), tzinfo=zone)
    first, second = midnight.utcoffset(), midnight.replace(fold=1).utcoffset()
    assert first is not None and second is not None, "a zone always has an offset"
    return round(first.total_seconds()), round(second.total_seconds())


def _by_row(
    at_s: Integers,
    odd: NDArray[np.bool_],
    local_s: Integers,
    line: Integers,
    layout: Layout,
    zone: ZoneInfo,
) -> None:
    """Fill in the rows of days on which the clock changes, in the order of the file."""
    clock = WallClock(zone)
    rows = np.flatnonzero(odd)
    previous = -2
    twice = second_time = 0
    for row in rows.tolist():
        if row != previous + 1 and row > 0:
            clock = WallClock(zone)
            # The row before tells whether the doubled hour has been passed already.
            clock.moment(_WALL_EPOCH + timedelta(seconds=int(local_s[row - 1])))
        previous = row
        wall = _WALL_EPOCH + timedelta(seconds=int(local_s[row]))
        try:
            at = clock.moment(wall)
        except BadFigure as error:
            layout.faults.add(error.message, line=int(line[row]), column=layout.time_header)
            continue
        at_s[row] = int((at - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds())
        first = wall.replace(tzinfo=zone, fold=0).utcoffset()
        other = wall.replace(tzinfo=zone, fold=1).utcoffset()
        if first != other:
            twice += 1
            second_time += at.astimezone(zone).fold
    if twice and not second_time:
        layout.notes.append(
            say(
                "The hour that %(key)s has twice when its clock is put back occurs once "
                "here. If the logger keeps standard time all year, choose its time zone.",
                key=zone.key,
            )
        )
