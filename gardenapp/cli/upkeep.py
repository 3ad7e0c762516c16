"""Keeping the garden's data: copies, moving it, a check-up, and the licences of what it uses."""

from __future__ import annotations

import shutil
import sys
from importlib import metadata
from pathlib import Path
from typing import Any

import click
from flask import current_app
from sqlalchemy import create_engine
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError

from gardenapp.cli import main
from gardenapp.cli.base import now, upgrade_if_needed, with_app
from gardenapp.config import with_driver
from gardenapp.errors import NotFound, Refused
from gardenapp.extensions import db, prepare_engine
from gardenapp.services.store import photos
from gardenapp.services.upkeep import backup, doctor, transfer
from gardenapp.services.upkeep.schema import Shape, shape_of
from gardenapp.version import __version__

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


def _instance() -> Path:
    return Path(current_app.instance_path)


def _known_revisions() -> tuple[set[str], set[str]]:
    """(every revision this version of the app knows, the newest)."""
    from alembic.script import ScriptDirectory

    config = current_app.extensions["migrate"].migrate.get_config()
    script = ScriptDirectory.from_config(config)
    return {r.revision for r in script.walk_revisions()}, set(script.get_heads())


@main.command("backup")
@click.option("--daily", is_flag=True, help="Only if a day has passed; drops old ones. For cron.")
@with_app
def backup_command(daily: bool) -> None:
    """Make a copy of the database while the server runs, and check it."""
    engine, instance, at = db.engine, _instance(), now()
    keep_days = current_app.config["BACKUP_DAYS"]
    try:
        if daily:
            done = backup.back_up_daily(
                engine=engine,
                instance=instance,
                keep_days=keep_days,
                now=at,
                app_version=__version__,
            )
            click.echo(done or "The last copy is not a day old yet; nothing to do.")
            return
        made = backup.make_backup(
            engine=engine, instance=instance, why="by-hand", now=at, app_version=__version__
        )
    except OSError as error:
        raise Refused(f"No copy was made: {error.strerror or error}.") from error
    click.echo(f"Copied and checked: {made.path} ({made.size_bytes} bytes)")


@main.command("restore")
@click.argument("file", type=FILE)
@with_app
def restore_command(file: Path) -> None:
    """Put a copy back in the place of the database; the server must be stopped.

    The copy is checked first, and what is there now is kept beside the other copies.
    """
    known, _ = _known_revisions()
    url = db.engine.url
    if file.suffix == ".zip":
        counts = _replaced_by(file)
        click.echo(f"{sum(c.rows for c in counts)} rows are put back and checked.")
        return
    if url.get_backend_name() != "sqlite" or not url.database:
        raise Refused("This database takes export files only: gardenapp restore FILE.zip")
    db.session.remove()
    db.engine.dispose()
    try:
        kept = backup.restore_sqlite(
            file=file,
            database=Path(url.database),
            instance=_instance(),
            known_revisions=known,
            shape_at=shape_at,
            now=now(),
        )
    except OSError as error:
        raise Refused(f"Nothing was changed: {error.strerror or error}.") from error
    click.echo(f"{file.name} is put back.")
    if kept is not None:
        click.echo(f"What was there before is kept in {kept}")
    upgrade_if_needed()
    click.echo(
        "Phones that were signed out since that copy was made are signed in again: let go again "
        "whom you let go since."
    )


@main.command("export")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@with_app
def export_command(file: Path) -> None:
    """Write everything into FILE, a zip of one CSV a table."""
    if file.exists():
        raise NotFound(f"{file} is there already; choose another name.")
    try:
        counts = transfer.export_to(
            file,
            engine=db.engine,
            now=now(),
            app_version=__version__,
            pictures=photos.folder_in(_instance()),
        )
    except OSError as error:
        raise Refused(f"Nothing was written: {error.strerror or error}.") from error
    click.echo(f"{sum(c.rows for c in counts)} rows of {len(counts)} tables are in {file}")
    click.echo(f"Pictures in it: {transfer.pictures_in(file)}")
    click.echo("It holds names and password hashes; keep it as you would a key.")


@main.command("import")
@click.argument("file", type=FILE)
@click.option("--replace", is_flag=True, help="Take out what is there first.")
@with_app
def import_command(file: Path, replace: bool) -> None:
    """Fill an empty database with an export, whole or not at all."""
    upgrade_if_needed()
    if replace:
        counts = _replaced_by(file)
    else:
        counts = transfer.import_from(
            file, engine=db.engine, pictures=photos.folder_in(_instance())
        )
    click.echo(f"{sum(c.rows for c in counts)} rows are read in and checked.")


def _replaced_by(file: Path) -> list[transfer.TableCount]:
    """Put an export in the place of what is there, after keeping a copy of that."""
    db.session.remove()
    try:
        kept = backup.keep_before_replacing(
            engine=db.engine, instance=_instance(), now=now(), app_version=__version__
        )
    except OSError as error:
        raise Refused(f"Nothing was changed: {error.strerror or error}.") from error
    counts = transfer.import_from(
        file, engine=db.engine, replace=True, pictures=photos.folder_in(_instance())
    )
    click.echo(f"What was there before is kept in {kept}")
    return counts


def shape_at(revision: str) -> Shape:
    """What the tables of a revision look like: made by the same migrations in an empty file."""
    import sqlite3
    import tempfile

    from flask_migrate import upgrade

    from gardenapp import create_app
    from gardenapp.config import read_settings

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shape.sqlite"
        other = create_app(
            read_settings({"GARDEN_INSTANCE": folder, "DATABASE_URL": f"sqlite:///{path}"})
        )
        with other.app_context():
            try:
                upgrade(revision=revision)
            finally:
                db.session.remove()
                db.engine.dispose()
        connection = sqlite3.connect(path)
        try:
            return shape_of(connection)
        finally:
            connection.close()


@main.command("copy-to")
@click.argument("url")
@with_app
def copy_to_command(url: str) -> None:
    """Copy the garden into the empty database at URL, and prove the copy.

    Stop the server first: what is written meanwhile would stay behind.
    """
    upgrade_if_needed()
    try:
        target = create_engine(with_driver(url), hide_parameters=True)
        prepare_engine(target)
        _make_tables(with_driver(url))
        counts = transfer.copy_to(target, source=db.engine)
        target.dispose()
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise NotFound(
            "That is not an address of a database, such as postgresql://user@host/garden."
        ) from error
    except SQLAlchemyError as error:
        cause = type(getattr(error, "orig", None) or error).__name__
        raise Refused(f"The other database could not be filled ({cause}).") from error
    width = max(len(c.name) for c in counts)
    for count in counts:
        if count.rows:
            click.echo(f"{count.name:{width}}  {count.rows:7}  {count.sha256[:16]}")
    click.echo(f"{sum(c.rows for c in counts)} rows, the same on both sides.")
    click.echo("Now start the server with DATABASE_URL set to that address.")


def _make_tables(url: str) -> None:
    """Bring the other database to the newest revision, with the same migrations."""
    import dataclasses

    from gardenapp import create_app
    from gardenapp.config import read_settings

    other = create_app(dataclasses.replace(read_settings(), database_url=url))
    with other.app_context():
        try:
            upgrade_if_needed()
        finally:
            db.session.remove()
            db.engine.dispose()


@main.command("doctor")
@with_app
def doctor_command() -> None:
    """Check the installation; leaves with 1 if something is broken."""
    _, newest = _known_revisions()
    config = current_app.config
    patient = doctor.Patient(
        instance=_instance(),
        database_url=str(config["SQLALCHEMY_DATABASE_URI"]),
        newest_revisions=newest,
        keeps_backups=config["BACKUP_DAYS"] > 0,
        has_scheduler=config["HAS_SCHEDULER"],
        free_bytes=shutil.disk_usage(_instance()).free,
    )
    findings = doctor.check_up(patient=patient, now=now())
    click.echo(f"gardenapp {__version__}")
    for finding in findings:
        click.echo(f"{finding.state:>4}  {finding.what}: {finding.words}")
    if any(finding.state == doctor.BAD for finding in findings):
        sys.exit(1)


@main.command("licences")
def licences_command() -> None:
    """List the installed packages with their versions and licences."""
    for name, version, licence in licences():
        click.echo(f"{name} {version}: {licence}")


def licences() -> list[tuple[str, str, str]]:
    """(name, version, licence) of every installed package, from what each says of itself."""
    found = {}
    for each in metadata.distributions():
        about: Any = each.metadata  # a mail message, which its declared type does not say
        said = about.get("License-Expression") or ""
        if not said:
            classed = [
                line.rpartition("::")[2].strip()
                for line in about.get_all("Classifier") or []
                if line.startswith("License ::")
            ]
            said = "; ".join(c for c in classed if c != "OSI Approved")
        if not said:
            said = " ".join((about.get("License") or "not stated").split())[:60]
        found[about["Name"].lower()] = (about["Name"], each.version, said)
    return [found[key] for key in sorted(found)]
