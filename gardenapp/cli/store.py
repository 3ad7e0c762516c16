"""`gardenapp store check`: the proof that present state is what the ledger adds up to."""

from __future__ import annotations

import sys

import click
from sqlalchemy import func, select

from gardenapp.cli import main
from gardenapp.cli.base import with_app
from gardenapp.extensions import db
from gardenapp.models.store import LedgerEntry
from gardenapp.services.store import ledger


@main.group("store")
def store_group() -> None:
    """The store of covers and materials."""


@store_group.command("check")
@with_app
def store_check() -> None:
    """Add up every entry of the ledger; print what differs and leave with 1."""
    found = ledger.differences()
    entries = db.session.scalar(select(func.count()).select_from(LedgerEntry)) or 0
    for line in found:
        click.echo(line)
    if found:
        click.echo(f"{len(found)} differences in {entries} entries.", err=True)
        sys.exit(1)
    click.echo(f"All {entries} entries add up to what the store says.")
