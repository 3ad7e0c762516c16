"""`gardenapp trial analyse`: what two loggers say about a cover, from the shell.

Works without any garden when the place and the time zone are given.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from gardenapp.cli import main
from gardenapp.cli.base import fail, with_app
from gardenapp.errors import GardenError, NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.messages import english
from gardenapp.models.people import Garden
from gardenapp.readers.logger import LARGEST_BYTES, LoggerOptions, LoggerReading, read_logger
from gardenapp.readers.records import UnreadableFile
from gardenapp.science.trials import analysis
from gardenapp.science.trials.analysis import Series, TrialResult

_Place = tuple[float, float, str]


@main.group("trial")
def trial_group() -> None:
    """Trials of a cover with two loggers."""


@trial_group.command("analyse")
@click.argument("inside", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("outside", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything, as JSON.")
@click.option(
    "--time-zone", help="Of both files' clocks and of the nights; the garden's if not given."
)
@click.option("--utc", is_flag=True, help="The files' times are UTC.")
@click.option("--unit", type=click.Choice(["C", "F"]), help="Where the files do not say.")
@click.option(
    "--date-order",
    type=click.Choice(["YMD", "DMY", "MDY"]),
    help="Where the dates leave it open.",
)
@click.option(
    "--inside-offset",
    type=float,
    metavar="SECONDS",
    help="Add to the inside logger's times; estimated if not given.",
)
@click.option("--latitude", type=float, help="The garden's if not given; north is above 0.")
@click.option("--longitude", type=float, help="The garden's if not given; east is above 0.")
@click.option("--heat-max", type=float, metavar="CELSIUS", help="Highest the crop stands.")
@click.option("--progress", "shows_progress", is_flag=True, help="Show how far it is.")
def analyse(
    inside: Path,
    outside: Path,
    as_json: bool,
    time_zone: str | None,
    utc: bool,
    unit: Any,
    date_order: Any,
    inside_offset: float | None,
    latitude: float | None,
    longitude: float | None,
    heat_max: float | None,
    shows_progress: bool,
) -> None:
    """Compare the logger file INSIDE a cover with the one OUTSIDE it.

    The lift of each night is the lowest inside less the lowest outside. Prints the nights, the
    days, moisture, and every reason to doubt the trial.
    """
    try:
        place = _place(latitude, longitude, time_zone)
        zone = _zone(place[2])
        options = LoggerOptions(
            temperature_unit=unit,
            date_order=date_order,
            csv_time_zone=ZoneInfo("UTC") if utc else None,
        )
        parts = _Parts(shows_progress or (sys.stderr.isatty() and not as_json))
        readings = []
        failed = False
        for name, path in (("inside", inside), ("outside", outside)):
            try:
                readings.append(_read(path, zone, options, parts.next(f"reading {name}")))
            except UnreadableFile as error:
                failed = True
                for fault in error.errors:
                    click.echo(f"{path.name}: {fault}", err=True)
        if failed:
            fail("Nothing was analysed.")
        result = analysis.analyse(
            _series(readings[0]),
            _series(readings[1]),
            nights=analysis.nights_between(
                min(int(reading.at_s[0]) for reading in readings),
                max(int(reading.at_s[-1]) for reading in readings),
                latitude=place[0],
                longitude=place[1],
                time_zone=zone,
            ),
            heat_max_c=heat_max,
            clock_offset_s=inside_offset,
            progress=parts.next("analysing"),
        )
    except GardenError as error:
        fail(str(error))
    notes = {
        "inside": [str(note) for note in readings[0].notes],
        "outside": [str(note) for note in readings[1].notes],
    }
    if as_json:
        plain = {**english(analysis.as_plain(result)), "notes": notes}
        click.echo(json.dumps(plain, indent=1, ensure_ascii=False))
    else:
        for line in _words(result, notes, zone):
            click.echo(line)


class _Parts:
    """Shares done, on one line of stderr."""

    def __init__(self, shown: bool) -> None:
        self._shown = shown

    def next(self, what: str) -> Callable[[float], None] | None:
        """Begin a part; the function to tell the share done to."""
        if not self._shown:
            return None

        def tell(share: float) -> None:
            end = "\n" if share >= 1.0 else ""
            click.echo(f"\r{what}: {share:4.0%}{end}", err=True, nl=False)

        return tell


def _place(latitude: float | None, longitude: float | None, time_zone: str | None) -> _Place:
    """Latitude, longitude and zone: as given, and the rest from the garden."""
    if latitude is None or longitude is None or time_zone is None:
        garden: _Place = _garden_place()
        latitude = garden[0] if latitude is None else latitude
        longitude = garden[1] if longitude is None else longitude
        time_zone = garden[2] if time_zone is None else time_zone
    return latitude, longitude, time_zone


@with_app
def _garden_place() -> _Place:
    garden = db.session.get(Garden, 1)
    if garden is None:
        raise NotFound(
            "There is no garden yet. Give --latitude, --longitude and --time-zone, or run: "
            "gardenapp init"
        )
    return garden.latitude, garden.longitude, garden.time_zone


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise OutOfRange(f"{name} is not a time zone; say one like Europe/London") from error


def _read(
    path: Path,
    zone: ZoneInfo,
    options: LoggerOptions,
    progress: Callable[[float], None] | None,
) -> LoggerReading:
    # One byte more than is read, so that the reader refuses in its own words.
    with path.open("rb") as file:
        data = file.read(LARGEST_BYTES + 1)
    return read_logger(data, filename=path.name, time_zone=zone, options=options, progress=progress)


def _series(reading: LoggerReading) -> Series:
    return Series(reading.at_s, reading.temp_c, reading.humidity_percent, reading.label)


def _words(result: TrialResult, notes: dict[str, list[str]], zone: ZoneInfo) -> Iterator[str]:
    yield (
        f"{result.starts_at.astimezone(zone):%Y-%m-%d %H:%M} to "
        f"{result.ends_at.astimezone(zone):%Y-%m-%d %H:%M}, {result.matched_count} moments in both"
    )
    offset = result.clock_offset
    yield f"Clock: {offset.offset_s:+.0f} s added to the inside logger's times ({offset.method})"
    for side, lines in notes.items():
        for line in lines:
            yield f"  {side}: {line}"
    for flag in result.flags:
        yield f"{'DOUBTFUL' if flag.doubts else 'Note'}: {flag.words}"
    for night in result.nights:
        part = "" if night.is_whole else f"  ({night.covered_fraction:.0%} of the night)"
        yield (
            f"Night of {night.night_of}: lift {night.lift_at_minimum_k:+.1f} K "
            f"(mean {night.lift_mean_k:+.1f}), low inside {night.inside_low_c:.1f} °C, "
            f"outside {night.outside_low_c:.1f} °C at "
            f"{night.outside_low_at.astimezone(zone):%H:%M}{part}"
        )
    for day in result.days:
        above = ""
        if day.hours_above_max is not None:
            above = f", {day.hours_above_max:.1f} h above {result.heat_max_c:g} °C"
        part = "" if day.is_whole else f"  ({day.covered_fraction:.0%} of the day)"
        yield (
            f"Day {day.on}: gain {day.gain_max_k:+.1f} K (mean {day.gain_mean_k:+.1f}), highest "
            f"inside {day.inside_max_c:.1f} °C, outside {day.outside_max_c:.1f} °C{above}{part}"
        )
    for name, noun, spread in (
        ("Lift", "night", result.totals.lift_at_minimum_k),
        ("Day gain", "day", result.totals.gain_max_k),
    ):
        if spread is not None:
            scatter = "" if spread.sd is None else f" ± {spread.sd:.1f}"
            yield (
                f"{name}: {spread.mean:+.1f}{scatter} K over {spread.count} whole {noun}"
                f"{'' if spread.count == 1 else 's'} ({spread.lowest:+.1f} to "
                f"{spread.highest:+.1f})"
            )
    humidity = result.humidity
    if humidity is not None:
        for name, air in (("inside", humidity.inside), ("outside", humidity.outside)):
            dew = "none" if air.mean_dew_point_c is None else f"{air.mean_dew_point_c:.1f} °C"
            yield (
                f"Humidity {name}: lowest {air.lowest_percent:.1f} %, dew point {dew}, "
                f"{air.mean_absolute_gm3:.1f} g/m³, deficit "
                f"{air.mean_vapour_pressure_deficit_hpa:.1f} hPa, "
                f"{air.hours_humid:.1f} h at or above 90 %"
            )
        yield from map(str, humidity.words)
