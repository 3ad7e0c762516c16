"""`gardenapp replay`: a past winter run through the planner, beside rules of thumb."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click
from sqlalchemy.exc import OperationalError, ProgrammingError

from gardenapp.cli import main
from gardenapp.cli.base import fail, fail_on_file, with_app
from gardenapp.extensions import db
from gardenapp.messages import english
from gardenapp.readers.records import UnreadableFile
from gardenapp.services.clockwork import garden_zone, tonight
from gardenapp.services.garden.settings import has_garden
from gardenapp.services.season import replay as replays
from gardenapp.services.season.replay import GardenChoice, ReplayAsked

UNITS = {"C": "C", "F": "F", "tenths": "tenths C"}
LARGEST_COVERS_FILE = 100_000


@main.command("replay")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--covers",
    default="half",
    show_default=True,
    help="half of what would be needed, all the garden has, a number to multiply those by, "
    "or a CSV file of kind,count.",
)
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True)
@click.option(
    "--garden",
    "garden_choice",
    type=click.Choice(["current", "demo"]),
    help="The garden in the database, or a small invented one.  [default: current if there is one]",
)
@click.option("--unit", type=click.Choice(sorted(UNITS)), help="Of a daily record's temperatures.")
@click.option("--station", help="Where the file holds several.")
@click.option(
    "--daily-low",
    type=click.Choice(["morning", "evening"]),
    default="morning",
    show_default=True,
    help="When a day's low fell: the morning of its date, or the night after it.",
)
@click.option("--months", help="Only nights of these months, such as 3,4,5.")
@click.option(
    "--seconds",
    type=click.FloatRange(0.1, 600),
    default=replays.SOLVE_SECONDS,
    show_default=True,
    help="For planning one night; more is a little better and slower.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the whole result as JSON.")
@with_app
def replay(
    file: Path,
    covers: str,
    seed: int,
    garden_choice: str | None,
    unit: str | None,
    station: str | None,
    daily_low: Any,
    months: str | None,
    seconds: float,
    as_json: bool,
) -> None:
    """Replay the record in FILE night by night with simulated forecasts.

    FILE is a daily record (DATE, TMAX, TMIN), an hourly one, a TMY3 year, or a station's table.
    The same seed gives the same forecasts and, but for nights that the clock cut short, the same
    result.
    """
    choice = _garden(garden_choice)
    asked = ReplayAsked(
        garden=choice,
        covers=_covers(covers),
        seed=seed,
        unit=UNITS[unit] if unit else None,  # type: ignore[arg-type]
        station=station,
        daily_low_belongs_to=daily_low,
        months=_months(months),
        time_limit_s=seconds,
    )
    now = datetime.now(UTC)
    zone = garden_zone() if choice == "current" else ZoneInfo("UTC")
    try:
        record = replays.read_record(data=file.read_bytes(), time_zone=zone, asked=asked)
    except UnreadableFile as error:
        fail_on_file(file, error, "Nothing was replayed.")
    before = tonight(now) if choice == "current" else now.date()
    garden = replays.choose_garden(choice, before=before)
    given, steps = replays.prepare_replay(record=record, garden=garden, asked=asked)
    outcome: dict[str, Any] = {}
    with click.progressbar(
        length=len(record.nights), label="Nights", file=sys.stderr, update_min_steps=1
    ) as bar:
        for step in steps:
            bar.update(1)
            if step.result is not None:
                outcome = english(
                    replays.result_as_dict(step.result, covers=given, record=record, asked=asked)
                )
    if as_json:
        click.echo(json.dumps(outcome, indent=1, ensure_ascii=False))
    else:
        _print(outcome)


def _garden(choice: str | None) -> GardenChoice:
    if choice == "demo":
        return "invented"
    if choice == "current":
        return "current"
    try:
        return "current" if has_garden() else "invented"
    except (OperationalError, ProgrammingError):
        db.session.rollback()
        return "invented"  # no tables yet: there is no garden to speak of


def _covers(text: str) -> str:
    path = Path(text)
    if text.lower().endswith(".csv"):
        if not path.is_file():
            fail(f"There is no file {text}.")
        data = path.read_bytes()
        if len(data) > LARGEST_COVERS_FILE:
            fail(f"{path.name} is too large to be a list of covers.")
        try:
            return data.decode("utf-8-sig") + "\n"
        except UnicodeDecodeError:
            fail(f"{path.name} is not UTF-8 text.")
    return text


def _months(text: str | None) -> frozenset[int]:
    if not text:
        return frozenset()
    months = [part.strip() for part in text.split(",")]
    if not all(m.isascii() and m.isdigit() and 1 <= int(m) <= 12 for m in months):
        fail("Months are numbers from 1 to 12 with commas, such as 3,4,5.")
    return frozenset(map(int, months))


def _print(outcome: dict[str, Any]) -> None:
    record, covers = outcome["record"], outcome["covers"]
    click.echo(
        f"{record['nights']} nights from {record['first_night']} to {record['last_night']}, "
        f"{record['frosts']} air frosts; the plan saw danger on {record['risky_nights']}."
    )
    click.echo(
        f"{covers['words'][:1].upper()}{covers['words'][1:]}: {covers['count']} in all. "
        f"What would cover everything is {covers['needed_factor']:g} times what the garden has."
    )
    click.echo(
        f"\nWorth lost {'a year' if record['years'] > 1 else 'over these nights'} "
        "(a planting minded a little counts 1, much 3, dearly 9; "
        "each night begins with the whole garden):"
    )
    for policy in outcome["policies"]:
        click.echo(
            f"  {policy['name']:<28} {policy['loss_a_year']:9.1f}   "
            f"{policy['plants_a_year']:9.1f} plants   {policy['hours_a_year']:6.1f} h"
        )
    less, share = outcome["less_lost_than_best_rule"], outcome["share_of_foresight"]
    if less is not None:
        click.echo(f"The plan lost {less:.0%} less than the best rule, {outcome['best_rule']}.")
    if share is not None:
        click.echo(f"It avoided {share:.0%} of what perfect foresight would have.")
    if outcome["cut_nights"]:
        click.echo(f"{outcome['cut_nights']} solves were ended by the clock.")
    for name, words in (("damage", "plants hurt"), ("lows", "lows at 2, 0, −2 and −4 °C")):
        scores = outcome[name]
        if not scores["cases"]:
            continue
        click.echo(
            f"\nOdds of {words}: Brier score {scores['brier']:.3f} over {scores['cases']} cases "
            f"(always saying the usual share: {scores['brier_usual']:.3f})"
        )
        click.echo("  said       came     cases")
        for row in scores["rows"]:
            few = "" if row["is_enough"] else "  (few cases)"
            click.echo(f"  {row['said']:5.1%}   {row['came']:6.1%}   {row['cases']:7d}{few}")
