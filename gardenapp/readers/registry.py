"""The one door to every forecast format."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from gardenapp.readers.records import ForecastReading, ReadOptions, refuse

__all__ = ["ReadOptions", "read_forecast"]


def read_forecast(
    data: bytes,
    *,
    filename: str,
    time_zone: ZoneInfo,
    now: datetime,
    options: ReadOptions | None = None,
) -> ForecastReading:
    """Turn a file into nights, judging its format by what is in it.

    Parameters
    ----------
    data : the file as it came, at most 2 MB.
    filename : only for words to the reader; the format is never judged by it.
    time_zone : the garden's; decides where one night ends and the next begins.
    now : the moment of reading, aware; a TAF names no month.
    options : what a person has said about the file; wins over what the file seems to say.

    Returns
    -------
    ForecastReading with at least one night.

    Raises
    ------
    UnreadableFile : with line, column and cure for each fault. Nothing else.
    """
    raise refuse("No forecast format is known yet.")
