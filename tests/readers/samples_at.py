"""The sample files beside the tests, read as the app would."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from gardenapp.readers.records import ForecastReading, NightForecast, ReadOptions
from gardenapp.readers.registry import read_forecast

SAMPLES = Path(__file__).parent / "samples"
NOW = datetime(2026, 5, 3, 12, tzinfo=UTC)
CHICAGO = ZoneInfo("America/Chicago")
LONDON = ZoneInfo("Europe/London")
BERLIN = ZoneInfo("Europe/Berlin")


def sample(name: str) -> bytes:
    """The bytes of one sample."""
    return (SAMPLES / name).read_bytes()


def read_bytes(
    data: bytes | str,
    *,
    zone: ZoneInfo = LONDON,
    now: datetime = NOW,
    options: ReadOptions | None = None,
) -> ForecastReading:
    """A reading of some bytes; text is sent as UTF-8."""
    if isinstance(data, str):
        data = data.encode()
    return read_forecast(data, filename="upload", time_zone=zone, now=now, options=options)


def read_sample(
    name: str, *, zone: ZoneInfo, options: ReadOptions | None = None, now: datetime = NOW
) -> ForecastReading:
    """A reading of one sample."""
    return read_bytes(sample(name), zone=zone, now=now, options=options)


def lows(reading: ForecastReading) -> dict[str, float]:
    """Each night's low to two decimals, by the date of its evening."""
    return {night.night_of.isoformat(): round(night.low_c, 2) for night in reading.nights}


def only_night(reading: ForecastReading) -> NightForecast:
    """The one night of a reading that must have just one."""
    (night,) = reading.nights
    return night
