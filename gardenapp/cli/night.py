"""`gardenapp forecast import` and `gardenapp plan`: a night from the shell."""

from __future__ import annotations

import contextlib
import json
import os
from datetime import UTC, date, datetime, tzinfo
from pathlib import Path
from typing import Any

import click
from flask import current_app

from gardenapp.cli import main
from gardenapp.cli.base import data_of, fail, fail_on_file, local_time, with_app
from gardenapp.cli.base import now as present
from gardenapp.errors import NotFound
from gardenapp.readers.doubts import ASKS
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import ReadOptions, UnreadableFile
from gardenapp.readers.stated_zones import zone_in
from gardenapp.science.allocation.reasons import words_of
from gardenapp.science.allocation.solve import Progress
from gardenapp.services.clockwork import garden_zone
from gardenapp.services.fetching import FetchFailed
from gardenapp.services.night import forecasts, tonight
from gardenapp.services.night.machine_board import board_as_dict
from gardenapp.services.night.plan_night import plan_night
from gardenapp.services.notices.planned import (
    improve_and_tell,
    keep_planned,
    replan_if_needed,
)


@main.group("forecast")
def forecast_group() -> None:
    """Forecasts."""


@forecast_group.command("import")
@click.argument(
    "file", type=click.Path(exists=True, dir_okay=False, path_type=Path, allow_dash=True)
)
@click.option("--unit", type=click.Choice(["C", "F"]), help="Where the file does not say.")
@click.option("--utc", is_flag=True, help="The file's times are UTC; short for --time-zone UTC.")
@click.option("--time-zone", help="Of the file's times, such as UTC-5 or America/New_York.")
@click.option(
    "--columns",
    multiple=True,
    metavar="ROLE=HEADER",
    help="Which column is which, such as 'temperature=Temp out'; may be given again.",
)
@click.option(
    "--encoding", type=click.Choice(["utf-8", "cp1252"]), help="Where the file leaves it open."
)
@click.option(
    "--date-order",
    type=click.Choice(["YMD", "DMY", "MDY"]),
    help="Where the dates leave it open.",
)
@click.option(
    "--daily-low",
    type=click.Choice(["morning", "evening"]),
    help="When a day's low fell: the morning of its date, or the night after it.",
)
@click.option(
    "--spikes",
    type=click.Choice(["drop", "keep"]),
    help="A lone hour far colder than its neighbours.",
)
@click.option(
    "--accept",
    multiple=True,
    type=click.Choice(sorted(ASKS)),
    help="A doubt that you have looked at and found right; may be given again.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything the board shows.")
@with_app
def forecast_import(
    file: Path,
    unit: Any,
    utc: bool,
    time_zone: str | None,
    columns: tuple[str, ...],
    encoding: Any,
    date_order: Any,
    daily_low: Any,
    spikes: Any,
    accept: tuple[str, ...],
    as_json: bool,
) -> None:
    """Read FILE (- for standard input), keep its nights from tonight on, and plan tonight."""
    now = datetime.now(UTC)
    options = ReadOptions(
        temperature_unit=unit,
        columns=_columns(columns),
        csv_time_zone=_zone("UTC" if utc else time_zone),
        date_order=date_order,
        daily_low_belongs_to=daily_low,
        encoding=encoding,
        spikes=spikes,
        accepted=frozenset(accept),
    )
    data, name = data_of(file)
    try:
        imported = forecasts.import_file(
            data=data, filename=name, member_id=None, now=now, options=options
        )
    except UnreadableFile as error:
        for ask in error.asks:
            click.echo(f"To answer: {_ANSWERED_BY[ask]}", err=True)
        fail_on_file(Path(name), error, "Nothing has changed.")
    for column in imported.columns:
        if column.role:
            unit_of_it = f" [{column.unit}]" if column.unit else ""
            click.echo(
                f"{column.role}: {column.header}{unit_of_it} (--columns {column.role}=HEADER "
                "for another)",
                err=True,
            )
    _planned(imported, now, as_json)


_ANSWERED_BY = {
    "columns": "--columns ROLE=HEADER",
    "unit": "--unit C or --unit F",
    "time_zone": "--time-zone ZONE",
    "date_order": "--date-order YMD, DMY or MDY",
    "daily_low": "--daily-low morning or --daily-low evening",
    "encoding": "--encoding cp1252",
    "spikes": "--spikes drop or --spikes keep",
    **{ask: f"--accept {ask}" for ask in sorted(ASKS)},
}


def _columns(typed: tuple[str, ...]) -> dict[str, str] | None:
    found = {}
    for each in typed:
        role, sign, header = each.partition("=")
        if not sign:
            raise click.BadParameter(f"{each}: write ROLE=HEADER", param_hint="--columns")
        found[role.strip()] = header.strip()
    return found or None


def _zone(typed: str | None) -> tzinfo | None:
    if not typed:
        return None
    try:
        found = zone_in(typed, garden_zone())
    except BadFigure as error:
        raise click.BadParameter(str(error), param_hint="--time-zone") from error
    if found is None:
        raise click.BadParameter(
            f"{typed}: write a zone such as UTC, UTC-5 or America/New_York",
            param_hint="--time-zone",
        )
    return found


@forecast_group.command("fetch")
@click.option("--json", "as_json", is_flag=True, help="Print everything the board shows.")
@with_app
def forecast_fetch(as_json: bool) -> None:
    """Ask the garden's forecast address; for cron."""
    now = datetime.now(UTC)
    try:
        imported = forecasts.fetch(
            member_id=None,
            now=now,
            allowed_private_hosts=current_app.config["FETCH_ALLOWED_HOSTS"],
        )
    except FetchFailed as error:
        fail(str(error))
    if imported is None:
        click.echo("There is no newer forecast.")
        if keep_planned(now=now) is not None:
            click.echo("Tonight had no plan from it; it has now.")
            _print_board(now, None)
        return
    _planned(imported, now, as_json)


def _planned(imported: forecasts.Imported, now: datetime, as_json: bool) -> None:
    plans = replan_if_needed(nights=imported.nights, member_id=None, now=now)
    if as_json:
        _print_json({"imported": _imported(imported), "board": board_as_dict(now=now)})
        return
    nights = ", ".join(night.isoformat() for night in imported.nights)
    click.echo(f"Taken in ({imported.kind}), nights of {nights}.")
    for note in (*imported.doubts, *imported.notes):
        click.echo(f"  {note}", err=True)
    if plans:
        _print_board(now, None)
    else:
        click.echo("Tonight is not among them, so nothing was planned.")


@main.command("plan")
@click.option(
    "--night", type=click.DateTime(["%Y-%m-%d"]), help="Evening's date; tonight if not given."
)
@click.option("--json", "as_json", is_flag=True, help="Print everything the board shows.")
@with_app
def plan(night: datetime | None, as_json: bool) -> None:
    """Plan a night from its newest forecast and print the board."""
    now = datetime.now(UTC)
    evening = night.date() if night else None
    plan_id = plan_night(night_of=evening, member_id=None, now=now, at_once=True)
    improve_and_tell(plan_id, clock=present, say=None if as_json else _say_progress)
    if as_json:
        _print_json(board_as_dict(now=now, night_of=evening))
    else:
        _print_board(now, evening)


@main.command("improve", hidden=True)
@click.argument("plan_id", type=int)
@with_app
def improve(plan_id: int) -> None:
    """Look for a better plan than the one in force; servers start this."""
    # Pages come first on a small computer.
    with contextlib.suppress(AttributeError, OSError):
        os.nice(10)
    improve_and_tell(plan_id, clock=present)


def _say_progress(progress: Progress) -> None:
    click.echo(f"{progress.seconds:5.1f} s: at most {progress.gap:.2%} from the best")


def _imported(imported: forecasts.Imported) -> dict[str, Any]:
    return {
        "kind": imported.kind,
        "nights": [night.isoformat() for night in imported.nights],
        "attribution": imported.attribution,
        "notes": list(map(str, imported.notes)),
        "doubts": list(map(str, imported.doubts)),
    }


def _print_json(value: Any) -> None:
    click.echo(json.dumps(value, indent=1, ensure_ascii=False))


def _print_board(now: datetime, evening: date | None) -> None:
    page = tonight.tonight_page(now=now, night_of=evening)
    if page.header is None:
        raise NotFound("That night has no plan.")
    low = page.header.low
    click.echo(f"Night of {page.night_of.isoformat()}: low {low.mean:.1f} °C ± {low.sd:.1f} K")
    if page.header.put_on_by is not None:
        click.echo(f"Put on by {local_time(page.header.put_on_by)}")
    click.echo("  ".join(f"{name} {number}" for name, number in sorted(page.counts.items())))
    click.echo(f"Best within {page.gap:.2%} ({page.method})")
    for job in page.jobs:
        where = "; ".join(
            f"{', '.join(labels)} from {place}" if place else ", ".join(labels)
            for place, labels in job.places
        )
        verb = "take off" if job.must_come_off else job.state
        click.echo(f"  {job.plot}: {job.name.label} ({where or 'by hand'}) [{verb}]")
    for story in page.with_status("short"):
        reason = story.reason
        words = "" if reason is None else words_of(reason.code, reason.values)
        click.echo(
            f"  short: {story.name} in {story.plot}, about {story.after:.0%} likely lost; {words}"
        )
