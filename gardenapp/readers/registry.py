"""The one door to every forecast format."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from gardenapp.messages import Words, say
from gardenapp.readers import (
    csv_table,
    json_text,
    metno_compact,
    nws_gridpoint,
    nws_hourly,
    nws_periods,
    open_model,
    plain_text,
    taf,
)
from gardenapp.readers.doubts import Home, doubts_about, without_spikes
from gardenapp.readers.json_text import Node
from gardenapp.readers.records import (
    KINDS,
    ForecastReading,
    ReadOptions,
    UnreadableFile,
    quoted,
    refuse,
)

__all__ = ["KINDS", "Home", "ReadOptions", "UnreadableFile", "read_forecast"]

_METNO_KINDS = ("metno_compact", "metno_complete")
_JSON_KINDS = (
    nws_gridpoint.KIND,
    nws_hourly.KIND,
    nws_periods.KIND,
    open_model.KIND,
    *_METNO_KINDS,
)


def read_forecast(
    data: bytes,
    *,
    filename: str,
    time_zone: ZoneInfo,
    now: datetime,
    options: ReadOptions | None = None,
    home: Home | None = None,
) -> ForecastReading:
    """Turn a file into nights, judging its format by what is in it.

    Parameters
    ----------
    data : the file as it came, at most 2 MB.
    filename : only for words to the reader; the format is never judged by it.
    time_zone : the garden's; decides where one night ends and the next begins.
    now : the moment of reading, aware; a TAF names no month.
    options : what a person has said about the file.
    home : where the garden is; None where a forecast for any place and of any age will do.

    Returns
    -------
    ForecastReading with at least one night.

    Raises
    ------
    UnreadableFile : with line, column and cure for each fault. Nothing else.
    """
    assert now.tzinfo is not None, "the moment of reading is aware"
    options = options or ReadOptions()
    if options.kind is not None and options.kind not in KINDS:
        raise refuse(
            say("%(kind)s is not a kind of forecast that is known here.", kind=quoted(options.kind))
        )
    reading = _read(data, time_zone=time_zone, now=now, options=options)
    reading, doubts = without_spikes(reading, time_zone=time_zone, options=options)
    if home is not None:
        doubts += doubts_about(reading, home=home, time_zone=time_zone, now=now)
    open_doubts = [doubt for doubt in doubts if doubt.ask not in options.accepted]
    if open_doubts:
        raise UnreadableFile(open_doubts, columns=reading.columns)
    return reading


def _read(
    data: bytes, *, time_zone: ZoneInfo, now: datetime, options: ReadOptions
) -> ForecastReading:
    text, encoding = plain_text.decode_as(data, encoding=options.encoding)
    looks_like_json = text.lstrip()[:1] in ("{", "[")
    if options.kind in _JSON_KINDS or (options.kind is None and looks_like_json):
        return _read_json(text, time_zone=time_zone, now=now, kind=options.kind)
    if options.kind == taf.KIND or (options.kind is None and taf.recognises(text)):
        return taf.read(text, time_zone=time_zone, now=now)
    reading = csv_table.read(text, time_zone=time_zone, options=options, now=now)
    if encoding == "cp1252" and options.encoding is None:
        note = say("The text is taken for Windows-1252.")
        reading = replace(reading, notes=(*reading.notes, note))
    return reading


def _read_json(
    text: str, *, time_zone: ZoneInfo, now: datetime, kind: str | None
) -> ForecastReading:
    root = _one_place(json_text.load(text))
    if kind is None:
        kind = _kind_of(root)
    if kind == nws_gridpoint.KIND:
        return nws_gridpoint.read(root, time_zone=time_zone, now=now)
    if kind == nws_hourly.KIND:
        return nws_hourly.read(root, time_zone=time_zone)
    if kind == nws_periods.KIND:
        return nws_periods.read(root, time_zone=time_zone)
    if kind == open_model.KIND:
        return open_model.read(root, time_zone=time_zone)
    return metno_compact.read(root, time_zone=time_zone)


def _one_place(root: Node) -> Node:
    """The document itself where it is a list of one; several places cannot be one forecast."""
    if not isinstance(root.value, list) or not root.value:
        return root
    places = list(root.items())
    if not all(isinstance(p.value, dict) and open_model.recognises(p) for p in places):
        return root
    if len(places) > 1:
        raise refuse(
            say("This holds %(count)s places. Fetch the garden’s alone.", count=len(places))
        )
    return places[0]


def _kind_of(root: Node) -> str:
    """Which of the services' documents this is.

    Raises UnreadableFile for any other, with what to fetch where that is known.
    """
    if not isinstance(root.value, dict):
        raise refuse(say("This is JSON, but a list or a single value and not a forecast."))
    if metno_compact.recognises(root):
        return "metno_compact"
    if open_model.recognises(root):
        return open_model.KIND
    if nws_periods.recognises(root):
        return nws_periods.KIND
    if nws_hourly.recognises(root):
        return nws_hourly.KIND
    if nws_gridpoint.recognises(root):
        return nws_gridpoint.KIND
    properties = root.find("properties")
    if properties is not None and properties.has("forecastGridData"):
        links = [
            str(properties.value[key])
            for key in ("forecastGridData", "forecastHourly")
            if isinstance(properties.value, dict) and isinstance(properties.value.get(key), str)
        ]
        wanted: Words = say("its forecastGridData link")
        if len(links) == 2:
            wanted = say("%(one)s or %(other)s", one=_address(links[0]), other=_address(links[1]))
        elif links:
            wanted = _address(links[0])
        raise refuse(
            say(
                "This names a place's forecast and is not the forecast itself. Fetch "
                "%(wanted)s instead.",
                wanted=wanted,
            ),
            column="properties.forecastGridData",
        )
    if root.has("title") and root.has("status"):
        raise refuse(
            say(
                "The service sent an error instead of a forecast: %(title)s.",
                title=quoted(root.value["title"]),
            ),
            column="title",
        )
    raise refuse(say("This is JSON, but not of a weather service that is known here."))


def _address(link: str) -> str:
    """A link out of a file, shown only where it is plainly one."""
    plain = link.isascii() and link.isprintable() and " " not in link and len(link) <= 200
    return link if plain and link.startswith("https://") else quoted(link)
