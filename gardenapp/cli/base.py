"""What every command needs: the app around it, errors in words, and tables that are up to date."""

from __future__ import annotations

import functools
import logging
import socket
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn, TypeVar
from zoneinfo import ZoneInfo

import click
from flask import current_app
from sqlalchemy.exc import OperationalError, ProgrammingError

from gardenapp import create_app
from gardenapp.errors import GardenError, Refused
from gardenapp.extensions import db
from gardenapp.improver import improve_here
from gardenapp.models.people import Garden
from gardenapp.readers.records import UnreadableFile
from gardenapp.services.notices.telling import Outlet
from gardenapp.services.transaction import write_transaction
from gardenapp.services.upkeep import backup
from gardenapp.version import __version__

Command = TypeVar("Command", bound=Callable[..., Any])


def with_app(command: Command) -> Command:
    """Run `command` inside the app; say errors in words and exit with 2."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> Any:
        try:
            app = create_app()
            improve_here(app)  # who types a command waits for its answer
            with app.app_context():
                try:
                    return command(*args, **kwargs)
                finally:
                    db.session.remove()
                    db.engine.dispose()
        except GardenError as error:
            fail(str(error))
        except (OperationalError, ProgrammingError) as error:
            logging.getLogger("gardenapp.cli").debug("database", exc_info=error)
            fail(
                "The database could not be used. If it is new or older than the app, run "
                "`gardenapp db upgrade` first."
            )

    return run  # type: ignore[return-value]


def fail(message: str) -> NoReturn:
    """Print `message` to stderr and leave with exit code 2."""
    click.echo(message, err=True)
    sys.exit(2)


def fail_on_file(file: Path, error: UnreadableFile, message: str) -> NoReturn:
    """Print what is wrong with a file, line by line, then `message`, and leave with exit code 2."""
    for line in error.errors:
        click.echo(f"{file.name}: {line}", err=True)
    fail(message)


def data_of(file: Path) -> tuple[bytes, str]:
    """What a file holds, and its name; `-` is standard input."""
    if str(file) == "-":
        return sys.stdin.buffer.read(), "standard input"
    return file.read_bytes(), file.name


def local_time(moment: datetime) -> str:
    """A moment at the garden, for printing: `Tue 24 Nov 2026, 18:40 GMT`."""
    garden = db.session.get(Garden, 1)
    local = moment.astimezone(ZoneInfo(garden.time_zone if garden else "UTC"))
    return f"{local:%a} {local.day} {local:%b %Y, %H:%M %Z}"


def upgrade_if_needed() -> bool:
    """Run pending migrations after keeping a copy; says whether there were any."""
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory
    from flask_migrate import upgrade

    config = current_app.extensions["migrate"].migrate.get_config()
    script = ScriptDirectory.from_config(config)
    newest = set(script.get_heads())
    with db.engine.connect() as connection:
        present = set(MigrationContext.configure(connection).get_current_heads())
    if present == newest:
        return False
    if not present <= {revision.revision for revision in script.walk_revisions()}:
        raise Refused(
            "This database was made by a newer version of the app. Nothing was changed; install "
            "that version, or put back a copy from before."
        )
    if present:
        kept = back_up("before-upgrade")
        if kept is not None:
            click.echo(f"A copy from before the upgrade is kept in {kept}")
        else:
            click.echo("This database keeps its own backups; none was made here.")
    upgrade()
    click.echo("The tables are brought up to date.")
    return True


def bring_catalogue_up_to_date() -> None:
    """Give a garden that is there the published values of this version; says which lifts moved."""
    from gardenapp.services.garden.seeding import seed_catalogue
    from gardenapp.services.garden.settings import has_garden

    if not has_garden():
        return
    with write_transaction() as session:
        changed = seed_catalogue(session).kinds_changed
    if changed:
        click.echo(f"Published values were brought up to date: {', '.join(sorted(changed))}.")


def back_up(why: str) -> Path | None:
    """A proved copy of a SQLite file, made while the app may be running.

    Returns None for another kind of database: its tables may be older than the export knows.
    """
    if db.engine.dialect.name != "sqlite" or not db.engine.url.database:
        return None
    made = backup.make_backup(
        engine=db.engine,
        instance=Path(current_app.instance_path),
        why=why,
        now=datetime.now(UTC),
        app_version=__version__,
    )
    return made.path


def now() -> datetime:
    """The present moment."""
    return datetime.now(UTC)


def outlet() -> Outlet:
    """What sending needs, from the app's settings."""
    return Outlet(
        instance=Path(current_app.instance_path),
        allowed_private_hosts=current_app.config["FETCH_ALLOWED_HOSTS"],
        backup_days=current_app.config["BACKUP_DAYS"],
    )


def addresses(host: str) -> list[str]:
    """Where a browser reaches a server that listens on `host`, this computer first."""
    if host not in {"0.0.0.0", "::", ""}:  # noqa: S104  (compared with, not listened on)
        return [f"[{host}]" if ":" in host else host]
    found = ["127.0.0.1"]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # Sends nothing: it only asks which of this computer's addresses leads outside.
            # The address is from the block kept for documentation, RFC 5737.
            probe.connect(("192.0.2.1", 9))
            outside = str(probe.getsockname()[0])
        except OSError:
            outside = ""
    if outside and outside not in found and outside != "0.0.0.0":  # noqa: S104
        found.append(outside)
    return found
