"""How long two loggers' year takes, beside what pandas needs to read the same two files.

    python -m tests.bench.bench_trials

The bar is three times pandas, in the same run. Two bars are shown: pandas with its times parsed
into moments, which is what our reader does too, and pandas told nothing, which leaves them text.
Times are of the processor, so that other work on the machine weighs on both alike; the best of
several rounds counts. Nothing passes or fails here.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from gardenapp.readers.logger import LoggerReading, read_logger
from gardenapp.science.trials.analysis import Series, TrialResult, analyse, nights_between

STEP_S = 300
DAYS = 365
ROUNDS = 9
UTC_ZONE = ZoneInfo("UTC")
ZONE = ZoneInfo("Europe/London")


def invented_year() -> tuple[bytes, bytes]:
    """An inside and an outside file of a year at five-minute steps."""
    rng = np.random.default_rng(5)
    begin = int(datetime(2025, 1, 1, tzinfo=UTC).timestamp())
    at = begin + STEP_S * np.arange(DAYS * 86_400 // STEP_S)
    season = -np.cos((at - begin) / (365.0 * 86_400.0) * 2.0 * np.pi)
    day = -np.cos((at / 3600.0 - 4.0) / 24.0 * 2.0 * np.pi)
    gusts = np.convolve(rng.normal(0.0, 0.4, len(at)), np.ones(6) / 2.4, "same")
    outside_c = 9.0 + 8.0 * season + 5.0 * day + gusts
    inside_c = outside_c + 1.2 + 9.0 * np.clip(day, 0.0, None)
    files = []
    for temp_c in (inside_c, outside_c):
        humid = np.clip(85.0 - 2.0 * (temp_c - 9.0), 12.0, 99.0)
        rows = [
            f"{datetime.fromtimestamp(int(when), tz=UTC):%Y-%m-%d %H:%M:%S},{t:.1f},{h:.1f}"
            for when, t, h in zip(at, temp_c, humid, strict=True)
        ]
        files.append("\n".join(["Time,Temperature (°C),Humidity (%)", *rows, ""]).encode())
    return files[0], files[1]


def ours(files: tuple[bytes, bytes], progress: Callable[[float], None] | None) -> TrialResult:
    """Parsed, matched and analysed."""
    inside, outside = (
        read_logger(data, filename="a.csv", time_zone=UTC_ZONE, progress=progress) for data in files
    )
    nights = nights_between(
        int(outside.at_s[0]),
        int(outside.at_s[-1]),
        latitude=52.0,
        longitude=0.0,
        time_zone=ZONE,
    )
    return analyse(
        _series(inside), _series(outside), nights=nights, heat_max_c=30.0, progress=progress
    )


def _series(reading: LoggerReading) -> Series:
    return Series(reading.at_s, reading.temp_c, reading.humidity_percent)


def best_s(work: Callable[[], object]) -> float:
    """The least processor time of several rounds. [s]"""
    times = []
    for _ in range(ROUNDS):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return min(times)


def main() -> None:
    """Print what each part takes, and how many times pandas that is."""
    files = invented_year()
    told: list[float] = []
    result = ours(files, told.append)
    print(f"{result.matched_count} moments, {len(result.nights)} nights, told {len(told)} times")

    plain = best_s(lambda: [pd.read_csv(io.BytesIO(data)) for data in files])
    with_times = best_s(lambda: [pd.read_csv(io.BytesIO(data), parse_dates=[0]) for data in files])
    readings = [read_logger(data, filename="a.csv", time_zone=UTC_ZONE) for data in files]
    reading = best_s(
        lambda: [read_logger(data, filename="a.csv", time_zone=UTC_ZONE) for data in files]
    )
    first, last = int(readings[0].at_s[0]), int(readings[0].at_s[-1])
    place = {"latitude": 52.0, "longitude": 0.0}
    nights = nights_between(first, last, **place, time_zone=ZONE)
    sun = best_s(lambda: nights_between(first, last, **place, time_zone=ZONE))
    inside, outside = (_series(each) for each in readings)
    analysing = best_s(lambda: analyse(inside, outside, nights=nights, heat_max_c=30.0))
    whole = best_s(lambda: ours(files, None))
    print(f"pandas, times left as text  {plain * 1000:7.0f} ms")
    print(f"pandas, times parsed        {with_times * 1000:7.0f} ms")
    print(f"ours, reading both          {reading * 1000:7.0f} ms")
    print(f"ours, a year's sun times    {sun * 1000:7.0f} ms")
    print(f"ours, matching + analysing  {analysing * 1000:7.0f} ms")
    print(f"ours, all of it             {whole * 1000:7.0f} ms")
    for name, theirs in (("as text", plain), ("parsed", with_times)):
        print(f"  {whole / theirs:.2f} times pandas, times {name}")


if __name__ == "__main__":
    main()
