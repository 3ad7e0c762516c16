"""`gardenapp notices`: what is told, sent and listed, for cron and for whoever looks after it."""

from __future__ import annotations

import click

from gardenapp.cli import main
from gardenapp.cli.base import local_time, now, outlet, with_app
from gardenapp.services.notices import telling
from gardenapp.services.upkeep import scheduler


@main.group("notices")
def notices_group() -> None:
    """Notices of cold nights."""


@notices_group.command("send")
@with_app
def notices_send() -> None:
    """Queue what tonight's plan has not told yet and send what is due; for cron."""
    at = now()
    queued = telling.catch_up(now=at)
    done = telling.send_due(now=at, outlet=outlet())
    words = f"{done.sent} sent, {done.failed} failed, {done.waiting} waiting."
    scheduler.beat(job=scheduler.SEND, result=words, was_good=True, now=at)
    click.echo(f"{queued} queued, {words}")


@notices_group.command("list")
@with_app
def notices_list() -> None:
    """Print the newest notices and what became of them."""
    for line in telling.list_notices():
        error = f"  {line.last_error}" if line.last_error else ""
        click.echo(
            f"{local_time(line.made_at)}  {line.name}  {line.channel}  {line.kind}  "
            f"{line.state}  {line.tries} tries{error}"
        )
