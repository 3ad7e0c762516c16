"""`gardenapp hardiness`: what a crop bears day by day, from its weather. Needs no garden."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import click
import numpy as np

from gardenapp.cli import main
from gardenapp.cli.base import fail, fail_on_file
from gardenapp.readers.days import WeatherDay, read_days
from gardenapp.readers.records import UnreadableFile
from gardenapp.reference import StageDefault, load_stages
from gardenapp.reference.crop_finding import crops_called, fold
from gardenapp.science.night.bearing import Hardiness
from gardenapp.science.night.hardening import Kinds, course, filled, seasonal_share
from gardenapp.services.garden.hardiness import published_hardiness

# A usual latitude of either half of the earth: it only tells the seasons apart.
NORTH, SOUTH = 50.0, -38.0


@main.command("hardiness")
@click.argument("crop")
@click.option("--stage", "stage_name", help="The stage or part; without it, the crop's first.")
@click.option(
    "--weather",
    "file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    required=True,
    help="A CSV with the columns date, min_c, max_c and, where known, mean_c.",
)
@click.option("--soft", is_flag=True, help="Begin soft, as plants raised indoors.")
@click.option("--south", is_flag=True, help="The garden lies south of the equator.")
@click.option("--json", "as_json", is_flag=True, help="Print the days as JSON.")
def hardiness_command(
    crop: str, stage_name: str | None, file: Path, soft: bool, south: bool, as_json: bool
) -> None:
    """Print what CROP bears, day by day, from the weather it has had.

    Plants start with a cautious value for the season, or soft. The temperature printed is that of
    the leaf at which first harm begins; the state is 0 for soft plants and 1 in midwinter.
    """
    stage = _stage(crop, stage_name)
    try:
        days = read_days(file.read_bytes())
    except UnreadableFile as error:
        fail_on_file(file, error, "Nothing was worked out.")
    found = day_by_day(
        published_hardiness(stage), days, latitude=SOUTH if south else NORTH, is_soft=soft
    )
    if as_json:
        click.echo(json.dumps({"crop": stage.crop, "stage": stage.stage, "days": found}, indent=1))
        return
    click.echo(f"{stage.crop}, {stage.stage}: where first harm begins, in °C at the leaf.")
    for day in found:
        doubt = "  uncertain: the weather before it is not whole" if day["uncertain"] else ""
        click.echo(f"{day['date']}  {day['bears_c']:>6.1f}  state {day['state']:.2f}{doubt}")


def day_by_day(
    hardiness: Hardiness, days: tuple[WeatherDay, ...], *, latitude: float, is_soft: bool
) -> list[dict[str, Any]]:
    """What a crop bears at the end of each day, as plain values."""
    nothing = float("nan")
    lows = np.array([nothing if day.min_c is None else day.min_c for day in days])
    means = np.array([nothing if day.mean_c is None else day.mean_c for day in days])
    whole = filled(lows, means)
    usual = np.array([seasonal_share(day.on_date, latitude) for day in days])
    states = np.zeros(len(days))
    if hardiness.is_moved:
        states = course(
            min_c=whole.min_c[:, None],
            mean_c=whole.mean_c[:, None],
            kinds=Kinds.of([hardiness.hardens]),
            start=np.array([0.0 if is_soft else usual[0]]),
            begins=np.array([0]),
            usual=usual,
            is_said=np.array([is_soft]),
        )[:, 0]
    return [
        _as_dict(day.on_date, hardiness, float(state), hardiness.is_moved and bool(doubtful))
        for day, state, doubtful in zip(days, states, whole.is_uncertain, strict=True)
    ]


def _as_dict(on: date, hardiness: Hardiness, state: float, is_uncertain: bool) -> dict[str, Any]:
    return {
        "date": on.isoformat(),
        "bears_c": round(hardiness.at(state).bears_c, 2),
        "state": round(state, 4),
        "uncertain": is_uncertain,
    }


def _stage(crop: str, stage_name: str | None) -> StageDefault:
    called = crops_called(crop)
    if not called:
        fail(f"Nobody here knows a crop called {crop[:60]!r}. See the catalogue for its names.")
    exact = [name for name in called if fold(name) == fold(crop)]
    if not exact and len(called) > 1 and not _is_name_of(called[0], crop):
        fail(f"{crop[:60]!r} could be {', '.join(called[:6])}. Say which.")
    chosen = exact[0] if exact else called[0]
    stages = [stage for stage in load_stages() if stage.crop == chosen]
    if stage_name is None:
        return stages[0]
    for stage in stages:
        if fold(stage.stage) == fold(stage_name):
            return stage
    known = "; ".join(stage.stage for stage in stages)
    fail(f"{chosen} has no stage {stage_name[:60]!r}. It has: {known}.")


def _is_name_of(crop: str, text: str) -> bool:
    from gardenapp.reference.crop_finding import names_of_crops

    return " ".join(fold(text).split()) in names_of_crops()[crop]
