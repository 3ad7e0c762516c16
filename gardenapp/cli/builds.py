"""`gardenapp cutplan`: which piece from which board, from the shell. Needs no garden."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar

import click

from gardenapp.cli import main
from gardenapp.cli.base import fail, fail_on_file
from gardenapp.errors import GardenError
from gardenapp.readers.pieces import read_pieces, read_stock
from gardenapp.readers.records import UnreadableFile
from gardenapp.science.timber.cutting import KEEP_FROM_MM, CutPlan, plan_cuts

T = TypeVar("T")
_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@main.command("cutplan")
@click.argument("pieces", type=_FILE)
@click.argument("stock", type=_FILE)
@click.option(
    "--kerf",
    "kerf_mm",
    type=float,
    default=3.0,
    show_default=True,
    help="Width of the saw's cut, in mm.",
)
@click.option(
    "--keep",
    "keep_from_mm",
    type=float,
    default=KEEP_FROM_MM,
    show_default=True,
    help="Shortest left-over worth keeping, in mm.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the whole plan, as JSON.")
def cutplan(pieces: Path, stock: Path, kerf_mm: float, keep_from_mm: float, as_json: bool) -> None:
    """Plan how to cut PIECES from STOCK, buying as little timber as can be.

    PIECES has the columns name, length_mm, count and if wanted section; STOCK has name,
    length_mm, count (empty: can be bought without limit) and if wanted section, is_offcut, price
    and defects ("100-140; 900-910"). Lengths may be given as length_in. The exit code is 1 where
    some pieces have no board, 2 where nothing could be planned.
    """
    wanted, boards = _read(pieces, read_pieces), _read(stock, read_stock)
    try:
        plan = plan_cuts(wanted, boards, kerf_mm=kerf_mm, keep_from_mm=keep_from_mm)
    except GardenError as error:
        fail(str(error))
    if as_json:
        click.echo(json.dumps(as_dict(plan), indent=1, ensure_ascii=False))
    else:
        for line in in_words(plan):
            click.echo(line)
    if plan.missing:
        raise SystemExit(1)


def _read(file: Path, reader: Callable[[bytes], T]) -> T:
    try:
        return reader(file.read_bytes())
    except UnreadableFile as error:
        fail_on_file(file, error, "Nothing was planned.")


def as_dict(plan: CutPlan) -> dict[str, Any]:
    """A plan as plain values, for JSON."""
    return {**asdict(plan), "is_complete": plan.is_complete}


def in_words(plan: CutPlan) -> list[str]:
    """A plan as lines to be taken to the saw."""
    lines = []
    for number, board in enumerate(plan.boards, start=1):
        kind = "offcut" if board.is_offcut else "buy" if board.is_bought else "on hand"
        lines.append(f"{number}. {board.stock_name}, {board.length_mm:g} mm ({kind})")
        lines += [
            f"     {cut.from_mm:8.1f}  {cut.name}, {cut.length_mm:g} mm" for cut in board.cuts
        ]
        lines += [f"     {at:8.1f}  keep {rest:.0f} mm" for at, rest in board.kept]
    if plan.bought:
        bought = ", ".join(f"{count} x {name}" for name, count in plan.bought)
        cost = "" if plan.cost is None else f", {plan.cost:.2f} in all"
        lines.append(f"Buy {bought}: {plan.bought_mm / 1000.0:.2f} m{cost}.")
    else:
        lines.append("Nothing has to be bought.")
    if plan.is_proven:
        lines.append("No plan buys less.")
    else:
        lines.append(
            f"A plan might buy {plan.gap_fraction:.1%} less, but not under "
            f"{plan.bound_mm / 1000.0:.2f} m."
        )
    lines.append(f"Scrap {plan.scrap_mm:.0f} mm, sawdust {plan.sawdust_mm:.0f} mm.")
    lines += [
        f"Not cut: {gap.count} x {gap.name}, {gap.length_mm:g} mm. {gap.reason}"
        for gap in plan.missing
    ]
    return [*lines, *map(str, plan.notes)]
