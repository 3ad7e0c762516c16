"""The command line on the garden's own computer.

Each command runs with the app (`with_app`); an error that the app has words for is printed to
stderr without a traceback, and the exit code is 2. Commands for forecasts and plans live in
`gardenapp/cli_night.py`, which uses the groups below.
"""

from __future__ import annotations

import dataclasses
import functools
import importlib
import logging
import pkgutil
import socket
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import click
from flask import Flask, current_app
from sqlalchemy import select
from sqlalchemy.exc import OperationalError, ProgrammingError
from werkzeug.middleware.proxy_fix import ProxyFix

from gardenapp import __version__, create_app
from gardenapp.config import MAX_LOGGER_UPLOAD_BYTES, MAX_UPLOAD_BYTES, read_settings
from gardenapp.errors import GardenError, NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Garden, Member
from gardenapp.request_log import write_json_to_stderr
from gardenapp.services.garden import people
from gardenapp.services.garden import settings as gardens
from gardenapp.services.garden.settings import GardenSettings
from gardenapp.services.transaction import write_transaction
from gardenapp.services.upkeep import backup

Command = TypeVar("Command", bound=Callable[..., Any])
# Flask answers 413 with our own page above MAX_UPLOAD_BYTES, or above MAX_LOGGER_UPLOAD_BYTES on
# the page for loggers' files. The server refuses larger bodies itself, without a page, before it
# has stored them.
LARGEST_BODY_BYTES = MAX_LOGGER_UPLOAD_BYTES + 2 * MAX_UPLOAD_BYTES


def with_app(command: Command) -> Command:
    """Run `command` inside the app; say errors in words and exit with 2."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> Any:
        try:
            app = create_app()
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


def fail(message: str) -> None:
    """Print `message` to stderr and leave with exit code 2."""
    click.echo(message, err=True)
    sys.exit(2)


def now() -> datetime:
    """The present moment."""
    return datetime.now(UTC)


def local_time(moment: datetime) -> str:
    """A moment at the garden, for printing: `Tue 24 Nov 2026, 18:40 GMT`."""
    garden = db.session.get(Garden, 1)
    local = moment.astimezone(ZoneInfo(garden.time_zone if garden else "UTC"))
    return f"{local:%a} {local.day} {local:%b %Y, %H:%M %Z}"


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def main() -> None:
    """Gets a community garden's vulnerable plants through cold nights."""


@main.command("version")
def version() -> None:
    """Print the version."""
    click.echo(f"gardenapp {__version__}")


# --- the database -----------------------------------------------------------------------------


@main.group("db")
def database() -> None:
    """The database."""


@database.command("upgrade")
@with_app
def db_upgrade() -> None:
    """Bring the tables up to date; a copy is kept first."""
    if not upgrade_if_needed():
        click.echo("The tables are up to date.")


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


# --- setting up and serving -------------------------------------------------------------------


@main.command("init")
@click.option("--name", help="Name of the garden.")
@click.option("--latitude", type=float, help="Degrees north.")
@click.option("--longitude", type=float, help="Degrees east.")
@click.option("--zone", help="Time zone, such as Europe/London.")
@click.option("--elevation", type=float, help="Height above the sea in metres.")
@click.option("--coordinator", help="Name of the first coordinator.")
@click.option("--password-stdin", is_flag=True, help="Read the password from standard input.")
@click.option("--sample-plots", is_flag=True, help="Add four sample plots.")
@with_app
def init(
    name: str | None,
    latitude: float | None,
    longitude: float | None,
    zone: str | None,
    elevation: float | None,
    coordinator: str | None,
    password_stdin: bool,
    sample_plots: bool,
) -> None:
    """Make the tables, the garden, its first coordinator and the plant catalogue.

    What is not given as an option is asked for. Running it again changes no garden.
    """
    upgrade_if_needed()
    if gardens.has_garden():
        from gardenapp.services.garden.seeding import seed_catalogue

        with write_transaction() as session:
            seed_catalogue(session)
        click.echo(
            "There is a garden already; only the published catalogue was brought up to date."
        )
        return
    settings = GardenSettings(
        name=name or click.prompt("Name of the garden"),
        latitude=_ask(latitude, "Latitude in degrees, north is plus"),
        longitude=_ask(longitude, "Longitude in degrees, east is plus"),
        time_zone=gardens.find_zone(zone or click.prompt("Time zone, such as Europe/London")),
        elevation_m=_ask(elevation, "Height above the sea in metres"),
    )
    coordinator = coordinator or click.prompt("Name of the first coordinator")
    if password_stdin:
        password = sys.stdin.readline().rstrip("\r\n")
    else:
        password = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    gardens.create_garden(
        settings=settings,
        coordinator=coordinator,
        password=password,
        with_sample_plots=sample_plots,
        now=datetime.now(UTC),
    )
    gardens.forget_setup_code(Path(current_app.instance_path))
    click.echo(f"{settings.name} is set up. Start it with: gardenapp serve")


def _ask(value: float | None, question: str) -> float:
    if value is None:
        value = click.prompt(question, type=float)
    if not abs(value) <= 9_000:  # refuses NaN too
        raise OutOfRange(f"{question}: {value:g} is not a place on Earth.")
    return value


@main.command("serve")
@click.option(
    "--host",
    # Phones on the garden's network are what the app is for. Until the garden is set up the
    # set-up code guards it, afterwards signing in.
    default="0.0.0.0",  # noqa: S104
    show_default=True,
    help="Address to listen on; 127.0.0.1 for this computer alone.",
)
@click.option("--port", default=8080, show_default=True, type=click.IntRange(1, 65_535))
@click.option("--threads", default=8, show_default=True, type=click.IntRange(1, 64))
@click.option(
    "--certificate",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Serve HTTPS with this certificate (PEM, with its chain); `gardenapp certificate` "
    "makes a private one.",
)
@click.option("--key", type=click.Path(dir_okay=False, path_type=Path), help="Its key (PEM).")
@with_app
def serve(host: str, port: int, threads: int, certificate: Path | None, key: Path | None) -> None:
    """Serve the pages, after bringing the tables up to date."""
    from gardenapp.cli_notices import start_scheduler

    if (certificate is None) != (key is None):
        raise NotFound("Give --certificate and --key together.")
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]
    write_json_to_stderr()
    upgrade_if_needed()
    if certificate is not None and not app.config["IS_HTTPS"]:
        # Cookies for HTTPS only, and browsers told to stay with it.
        app = create_app(dataclasses.replace(read_settings(), is_https=True))
    try:
        run, close = _server(app, host, port, threads, certificate, key)
    except OSError as error:
        raise NotFound(f"Cannot listen on {host}, port {port}: {error.strerror}.") from error
    for line in welcome(host, port, scheme="https" if certificate else "http"):
        click.echo(line)
    # Nothing of this command's own may stay open while the server's threads work.
    db.session.remove()
    end = start_scheduler(app) if app.config["HAS_SCHEDULER"] else None
    try:
        run()
    except KeyboardInterrupt:
        click.echo("Stopped.")
    finally:
        close()
        if end is not None:
            end()


def _server(
    app: Flask, host: str, port: int, threads: int, certificate: Path | None, key: Path | None
) -> tuple[Callable[[], None], Callable[[], None]]:
    """How to run and how to close the server; it listens already. Raises OSError."""
    import waitress

    if certificate is not None and key is not None:
        from gardenapp.cli_notices import tls_server

        secure = tls_server(
            app,
            host=host,
            port=port,
            threads=threads,
            certificate=certificate,
            key=key,
            largest=LARGEST_BODY_BYTES,
        )
        secure.prepare()
        return secure.serve, secure.stop
    server = waitress.create_server(
        app,
        host=host,
        port=port,
        threads=threads,
        ident=None,
        max_request_body_size=LARGEST_BODY_BYTES,
        # Behind a proxy that was declared, its headers are read by the app; otherwise
        # they come from a visitor and are dropped.
        clear_untrusted_proxy_headers=not isinstance(app.wsgi_app, ProxyFix),
    )
    return server.run, server.close


def welcome(host: str, port: int, *, scheme: str = "http") -> list[str]:
    """What to say at the start: where the pages are, and the set-up code if there is no garden."""
    lines = [f"The garden's pages are at {scheme}://{a}:{port}/" for a in addresses(host)]
    if not gardens.has_garden():
        code = gardens.make_setup_code(Path(current_app.instance_path))
        lines += [
            "",
            "There is no garden yet. Open the page and type this set-up code:",
            f"    {code}",
            "It works once, and a new one is made at each start.",
        ]
    return lines


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


# --- members ----------------------------------------------------------------------------------


@main.group("member")
def member_group() -> None:
    """Members and their links."""


@member_group.command("add")
@click.argument("name")
@click.option("--coordinator", is_flag=True, help="Somebody who may change everything.")
@click.option("--address", default="", help="Where the pages are, such as http://192.0.2.7:8080")
@with_app
def member_add(name: str, coordinator: bool, address: str) -> None:
    """Add NAME and print the link that lets them in once."""
    if not gardens.has_garden():
        raise NotFound("There is no garden yet. Run: gardenapp init")
    now = datetime.now(UTC)
    cleaned = " ".join(name.split())
    if not cleaned or len(cleaned) > 80 or not cleaned.isprintable():
        raise OutOfRange("A name has 1 to 80 letters, on one line.")
    member_id = people.create_member(
        name=cleaned, role="coordinator" if coordinator else "member", by_id=None, now=now
    )
    _print_link(member_id, cleaned, address, now)


@member_group.command("link")
@click.argument("name")
@click.option("--address", default="", help="Where the pages are, such as http://192.0.2.7:8080")
@with_app
def member_link(name: str, address: str) -> None:
    """Print a new link for NAME: for a lost phone, or when no coordinator can get in."""
    member = db.session.scalar(
        select(Member).where(Member.sign_in_name == people.sign_in_name_of(name))
    )
    if member is None:
        raise NotFound(f"There is nobody called {name}.")
    _print_link(member.id, member.name, address, datetime.now(UTC))


def _print_link(member_id: int, name: str, address: str, now: datetime) -> None:
    token = people.make_invite(member_id=member_id, by_id=None, now=now)
    until = people.look_at_invite(token=token, now=now).expires_at
    base = address.rstrip("/") or f"http://{addresses('')[-1]}:8080"
    click.echo(f"Link for {name}, for one phone, until {local_time(until)}:")
    click.echo(f"{base}/join/{token}")


# --- the night --------------------------------------------------------------------------------


@main.group("forecast")
def forecast_group() -> None:
    """Forecasts."""


# Each part of the command line is a module of its own that adds to the groups above.
for _part in sorted(part.name for part in pkgutil.iter_modules([str(Path(__file__).parent)])):
    if _part.startswith("cli_"):
        importlib.import_module(f"gardenapp.{_part}")
