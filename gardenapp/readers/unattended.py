"""Reading a forecast when there is nobody to ask: every answer is tried, and the colder is taken.

A timetable fetches at night. A file that leaves a question open must not leave the garden without
a plan, and must not be planned by the milder of its two readings either.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import tzinfo

from gardenapp.messages import Words, say
from gardenapp.readers import headings
from gardenapp.readers.doubts import ASKS
from gardenapp.readers.records import (
    ForecastReading,
    LineError,
    NightForecast,
    ReadOptions,
    UnreadableFile,
)
from gardenapp.readers.stated_zones import meanings_in

MOST_READINGS = 16
Read = Callable[[ReadOptions], ForecastReading]


def read_colder(read: Read, options: ReadOptions, *, time_zone: tzinfo) -> ForecastReading:
    """The reading of a file without anybody to answer its questions.

    Parameters
    ----------
    read : reads the file with some answers.
    options : what somebody has said of this source before.
    time_zone : the garden's, tried as well where a file's own word for its zone means several.

    Returns
    -------
    Of each night the colder of all readings, and in `doubts` what would have been asked; without
    a question the file's one reading. A lone cold hour is left out before the colder is taken.

    Raises
    ------
    UnreadableFile : where no answer makes the file readable.
    """
    asked: dict[str, LineError] = {}
    answered = replace(options, accepted=options.accepted | ASKS)
    try:
        return read(options)
    except UnreadableFile as error:
        if not error.asks:
            raise
        first = error
        _remember(error, asked)
    readings: list[ForecastReading] = []
    refused: list[UnreadableFile] = []
    waiting = [answered]
    tried = 0
    while waiting and tried < MOST_READINGS:
        current = waiting.pop(0)
        tried += 1
        try:
            readings.append(read(current))
        except UnreadableFile as error:
            _remember(error, asked)
            following = list(_answers(error, current, time_zone))
            waiting.extend(following)
            if not following:
                refused.append(error)
    if not readings:
        raise refused[0] if refused else first
    return replace(_coldest(readings), doubts=tuple(error.whole for error in asked.values()))


def _remember(error: UnreadableFile, asked: dict[str, LineError]) -> None:
    for each in error.errors:
        if each.ask:
            asked.setdefault(each.ask, each)


def _answers(
    error: UnreadableFile, options: ReadOptions, time_zone: tzinfo
) -> Iterator[ReadOptions]:
    """The options with each answer to the first question that has not been answered yet."""
    for ask in error.asks:
        if ask == "spikes" and options.spikes is None:
            yield replace(options, spikes="drop")
        elif ask == "unit" and options.temperature_unit is None:
            yield replace(options, temperature_unit="C")
            yield replace(options, temperature_unit="F")
        elif ask == "daily_low" and options.daily_low_belongs_to is None:
            yield replace(options, daily_low_belongs_to="morning")
            yield replace(options, daily_low_belongs_to="evening")
        elif ask == "date_order" and options.date_order is None:
            yield replace(options, date_order="DMY")
            yield replace(options, date_order="MDY")
        elif ask == "encoding" and options.encoding is None:
            yield replace(options, encoding="cp1252")
        elif ask == "time_zone" and options.csv_time_zone is None:
            said = " ".join(str(each.message) for each in error.errors if each.ask == ask)
            for zone in (time_zone, *meanings_in(said)):
                yield replace(options, csv_time_zone=zone)
        elif ask == "columns":
            yield from _columns(error, options)
        else:
            continue
        return


def _columns(error: UnreadableFile, options: ReadOptions) -> Iterator[ReadOptions]:
    """The options with each column that by its name could be what is asked for."""
    chosen = dict(options.columns or {})
    for each in error.errors:
        role = str(each.column)
        if each.ask != "columns" or role in chosen:
            continue
        for column in error.columns:
            if headings.role_of(column.header) == role:
                yield replace(options, columns={**chosen, role: column.header})
        return


def _coldest(readings: list[ForecastReading]) -> ForecastReading:
    """Each night as the coldest of the readings has it."""
    nights: dict[object, NightForecast] = {}
    for reading in readings:
        for night in reading.nights:
            known = nights.get(night.night_of)
            if known is None or night.low_c < known.low_c:
                nights[night.night_of] = night
    ordered = tuple(nights[evening] for evening in sorted(nights))  # type: ignore[type-var]
    notes: list[Words] = [note for reading in readings[:1] for note in reading.notes]
    if len(readings) > 1:
        notes.append(
            say("Of %(count)s readings of this file the colder is taken.", count=len(readings))
        )
    return replace(readings[0], nights=ordered, notes=tuple(notes))
