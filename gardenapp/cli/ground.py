"""`gardenapp night ground`: the rule for the ground held against what was read. Needs no garden."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import click

from gardenapp.cli import main
from gardenapp.cli.base import fail, fail_on_file
from gardenapp.errors import OutOfRange
from gardenapp.readers.ground import read_ground
from gardenapp.readers.records import UnreadableFile
from gardenapp.science.night import ground

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@main.group("night")
def night_group() -> None:
    """Nights that have been, and how good the rules for them are."""


@night_group.command("ground")
@click.argument("file", type=_FILE)
@click.option(
    "--fit-on",
    type=_FILE,
    metavar="FILE2",
    help="Fit a rule on this table first; the app's own rule stays as it is.",
)
@click.option("--south", is_flag=True, help="The station lies south of the equator.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def night_ground(file: Path, fit_on: Path | None, south: bool, as_json: bool) -> None:
    """Hold the rule for how cold the ground gets against the nights in FILE.

    FILE is a CSV with the columns night (the date on which the minima are booked), screen_min_c
    and ground_min_c, and where known cloud_eighths, wind_mean_mps and vapour_pressure_hpa (means;
    cells may be empty). Weather services publish such tables for their stations.
    """
    nights = _read(file, south)
    rule = ground.DEFAULT_RULE
    if fit_on is not None:
        try:
            rule = ground.fit(_read(fit_on, south))
        except OutOfRange as error:
            fail(f"{fit_on.name}: {error}")
    seasons = ground.judge(rule, nights)
    if as_json:
        found: dict[str, Any] = {"seasons": [ground.as_record(each) for each in seasons]}
        click.echo(json.dumps(found, indent=1))
        return
    click.echo(_in_words(rule))
    click.echo(
        "season        nights  error  bias   constant  nothing  in 80 %  missed  false  Brier"
    )
    for each in seasons:
        click.echo(
            f"{each.season:<12} {each.nights:>7}  {each.rmse_k:>5.2f}  {each.bias_k:>+5.2f}"
            f"  {each.constant_rmse_k:>8.2f}  {each.nothing_rmse_k:>7.2f}"
            f"  {_percent(each.interval_80_covered)}  {_percent(each.missed_fraction)}"
            f" {_percent(each.false_fraction)}  {each.brier:>5.3f}"
        )
    click.echo(
        "Errors in K, of the rule, of the best single number, of the screen itself; bias is\n"
        "expected minus read. Missed: 0 to 3 °C in the screen and below −1 at the ground, and the\n"
        "ground was expected at or above 0. False: at or above 0 at the ground, expected below."
    )


def _read(file: Path, south: bool) -> ground.GroundNights:
    try:
        nights = read_ground(file.read_bytes())
    except UnreadableFile as error:
        fail_on_file(file, error, "Nothing was judged.")
    return nights.shifted_by_half_a_year() if south else nights


def _in_words(rule: ground.GroundRule) -> str:
    overcast = rule.clear_k * (1.0 - rule.cloud_takes)
    return (
        f"Below the screen at 5 cm: {rule.clear_k:.1f} K on a clear calm night,"
        f" {overcast:.1f} K under closed cloud, half of what is between in a wind of"
        f" {rule.wind_halves_mps:.1f} m/s; give or take"
        f" {rule.spread_of(overcast):.1f} to {rule.spread_of(rule.clear_k):.1f} K."
    )


def _percent(fraction: float) -> str:
    return "      -" if math.isnan(fraction) else f"{fraction:>6.1%} "
