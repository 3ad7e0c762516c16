"""A check-up of the installation: what is well, what to look at, what is broken."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError

from gardenapp.errors import Refused
from gardenapp.extensions import db
from gardenapp.models.forecasts import ForecastImport
from gardenapp.models.notices import Heartbeat
from gardenapp.models.people import Garden, LogEntry
from gardenapp.services.clockwork import is_believable
from gardenapp.services.transaction import is_replaced, write_transaction
from gardenapp.services.upkeep import backup, transfer

GOOD, LOOK, BAD = "good", "look", "bad"
FORECAST_OLD = timedelta(hours=36)
BACKUP_OLD = timedelta(days=2)
SCHEDULER_OLD = timedelta(minutes=10)
CLOCK_MAY_DIFFER = timedelta(minutes=2)
LITTLE_ROOM_BYTES = 200_000_000
# Less than this does not hold the write-ahead log of a busy evening.
NO_ROOM_BYTES = 20_000_000
DOCTOR, CHECK = "check-up", "database check"


@dataclass(frozen=True)
class Finding:
    """One line of the check-up."""

    what: str
    state: str
    words: str


@dataclass(frozen=True)
class Patient:
    """What the check-up has to know of the installation."""

    instance: Path
    database_url: str
    newest_revisions: Collection[str]
    keeps_backups: bool
    has_scheduler: bool
    free_bytes: int


def check_up(*, patient: Patient, now: datetime) -> list[Finding]:
    """Look at everything; a part that cannot be looked at is a finding itself.

    Writes one row of its own and reads it back.
    """
    parts: list[tuple[str, Callable[[], Finding]]] = [
        ("database", lambda: _database(patient)),
        ("tables", lambda: _tables(patient)),
        ("writing", lambda: _writing(now)),
        ("clock", lambda: _clock(now)),
        ("time zone", _zone),
        ("forecast", lambda: _forecast(now)),
        ("backup", lambda: _backup(patient, now)),
        ("timetable", lambda: _scheduler(patient, now)),
        ("secrets", lambda: _secrets(patient.instance)),
        ("room on the disk", lambda: _room(patient)),
    ]
    found = []
    for what, look in parts:
        try:
            found.append(look())
        except DBAPIError as error:
            db.session.rollback()
            found.append(Finding(what, BAD, f"cannot be read: {type(error.orig).__name__}"))
    return found


def tick_of(group: str) -> str:
    """The heartbeat that says a group of jobs had its turn."""
    return f"turn of {group}"


def troubles(
    *, now: datetime, has_scheduler: bool, instance: Path, free_bytes: int | None = None
) -> tuple[str, ...]:
    """What keeps the server from its work, without names or paths; empty where all is well.

    For a machine that asks often: it reads only. That writing works is told by the timetable's
    own rows, which are written and read back each minute.
    """
    found = []
    try:
        db.session.execute(text("SELECT 1"))
        db.session.execute(select(Garden.id).limit(1))
        if is_replaced(db.session.connection()):
            found.append("the database file was replaced under the server; restart it")
        beats = {row.job: row for row in db.session.scalars(select(Heartbeat))}
    except DBAPIError:
        db.session.rollback()
        return ("the database does not answer",)
    check = beats.get(CHECK)
    if check is not None and not check.was_good:
        found.append("the database is damaged")
    for job, row in sorted(beats.items()):
        if not job.startswith(tick_of("")) or not has_scheduler:
            continue
        if not is_believable(row.last_run_at, now):
            found.append("the clock went back")
        elif now - row.last_run_at > SCHEDULER_OLD:
            found.append(f"{job.removeprefix(tick_of(''))} has stopped")
    free = shutil.disk_usage(instance).free if free_bytes is None else free_bytes
    if free < NO_ROOM_BYTES:
        found.append("the disk is full")
    if os.statvfs(instance).f_flag & os.ST_RDONLY:
        found.append("the disk is read-only")
    return tuple(found)


def damage() -> str:
    """What a quick look through all pages of a SQLite database finds wrong; empty where nothing."""
    connection = db.session.connection()
    if connection.dialect.name != "sqlite":
        return ""
    try:
        said = [row[0] for row in connection.exec_driver_sql("PRAGMA quick_check(1)")]
    except DBAPIError as error:
        db.session.rollback()
        return f"Damaged: {type(error.orig).__name__}."
    return "" if said == ["ok"] else f"Damaged: {said[0]}"


def _database(patient: Patient) -> Finding:
    connection = db.session.connection()
    if connection.dialect.name != "sqlite":
        (version,) = connection.exec_driver_sql("SHOW server_version").one()
        return Finding("database", GOOD, f"PostgreSQL {version} answers")
    said = [row[0] for row in connection.exec_driver_sql("PRAGMA integrity_check(3)")]
    if said != ["ok"]:
        return Finding("database", BAD, f"damaged: {said[0]}; put back a copy: gardenapp restore")
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if broken:
        return Finding("database", BAD, f"{len(broken)} rows point at nothing")
    (mode,) = connection.exec_driver_sql("PRAGMA journal_mode").one()
    (synchronous,) = connection.exec_driver_sql("PRAGMA synchronous").one()
    if (mode, synchronous) != ("wal", 2):
        return Finding("database", BAD, f"journal {mode}, synchronous {synchronous}")
    return Finding("database", GOOD, "SQLite, whole, with write-ahead log and full syncing")


def _tables(patient: Patient) -> Finding:
    present = set(filter(None, transfer.revision_of(db.session.connection()).split(",")))
    if present == set(patient.newest_revisions):
        return Finding("tables", GOOD, f"at the newest revision, {', '.join(sorted(present))}")
    return Finding("tables", BAD, "not at the newest revision; run: gardenapp db upgrade")


def _writing(now: datetime) -> Finding:
    try:
        with write_transaction(changes_board=False) as session:
            row = session.scalar(select(Heartbeat).where(Heartbeat.job == DOCTOR))
            if row is None:
                row = Heartbeat(job=DOCTOR, last_run_at=now)
                session.add(row)
            row.last_run_at, row.last_result, row.was_good = now, "Written by the check-up.", True
    except (Refused, DBAPIError) as error:
        db.session.rollback()
        return Finding("writing", BAD, f"does not work: {getattr(error, 'orig', None) or error}")
    kept = db.session.scalar(select(Heartbeat.last_run_at).where(Heartbeat.job == DOCTOR))
    if kept != now:
        return Finding("writing", BAD, "what was written did not come back")
    return Finding("writing", GOOD, "a row was written and read back")


def _clock(now: datetime) -> Finding:
    ran = db.session.scalar(select(func.max(Heartbeat.last_run_at)).where(Heartbeat.job != DOCTOR))
    if ran is not None and not is_believable(ran, now):
        return Finding(
            "clock", BAD, f"a job ran at {ran:%Y-%m-%d %H:%M} UTC, in the future: look at the clock"
        )
    newest = db.session.scalar(select(func.max(LogEntry.at)))
    if newest is not None and newest - now > CLOCK_MAY_DIFFER:
        return Finding(
            "clock", BAD, f"the log's last line is from {newest:%Y-%m-%d %H:%M} UTC, in the future"
        )
    connection = db.session.connection()
    if connection.dialect.name == "postgresql":
        (there,) = connection.exec_driver_sql("SELECT clock_timestamp()").one()
        if abs(there - now) > CLOCK_MAY_DIFFER:
            return Finding("clock", BAD, "this computer and the database server differ by minutes")
    return Finding("clock", GOOD, f"{now.astimezone(UTC):%Y-%m-%d %H:%M} UTC")


def _zone() -> Finding:
    garden = db.session.get(Garden, 1)
    if garden is None:
        return Finding("time zone", LOOK, "there is no garden yet; run: gardenapp init")
    try:
        ZoneInfo(garden.time_zone)
    except (ZoneInfoNotFoundError, ValueError):
        return Finding("time zone", BAD, f"{garden.time_zone} is not known on this computer")
    return Finding("time zone", GOOD, garden.time_zone)


def _forecast(now: datetime) -> Finding:
    newest = db.session.scalar(select(func.max(ForecastImport.entered_at)))
    if newest is None:
        return Finding("forecast", LOOK, "none has come in yet")
    age = now - newest
    words = f"the newest came in {_ago(age)}"
    return Finding("forecast", LOOK if age > FORECAST_OLD else GOOD, words)


def _backup(patient: Patient, now: datetime) -> Finding:
    kept = backup.list_backups(patient.instance)
    if not kept:
        words = "no copy has been made; run: gardenapp backup"
        return Finding("backup", LOOK if patient.keeps_backups else GOOD, words)
    newest = kept[0]
    words = f"{len(kept)} copies, the newest made {_ago(now - newest.made_at)}"
    if newest.path.suffix == ".sqlite":
        try:
            backup.prove(newest.path)
        except backup.BadBackup as error:
            return Finding("backup", BAD, str(error))
        words += " and whole"
    return Finding("backup", LOOK if now - newest.made_at > BACKUP_OLD else GOOD, words)


def _scheduler(patient: Patient, now: datetime) -> Finding:
    rows = list(
        db.session.scalars(
            select(Heartbeat).where(Heartbeat.job != DOCTOR).order_by(Heartbeat.last_run_at.desc())
        )
    )
    if not rows:
        return Finding("timetable", LOOK, "has not run yet; it runs within gardenapp serve")
    failed = [row.job for row in rows if not row.was_good]
    age = now - rows[0].last_run_at
    words = f"last ran {_ago(age)}"
    if failed:
        return Finding("timetable", LOOK, f"{words}; went wrong: {', '.join(failed)}")
    late = patient.has_scheduler and age > SCHEDULER_OLD
    return Finding("timetable", LOOK if late else GOOD, words)


def _secrets(instance: Path) -> Finding:
    if not stat.S_IMODE(instance.stat().st_mode) & 0o007:
        return Finding("secrets", GOOD, "in a folder for its owner alone")
    open_files = [
        path.name
        for pattern in ("secret_key", "*_key.pem", "*password*", "*.sqlite", "backups/*")
        for path in instance.glob(pattern)
        if path.is_file() and stat.S_IMODE(path.stat().st_mode) & 0o007
    ]
    others = [name for name in open_files if name.endswith(".sqlite")]
    secret = sorted(set(open_files) - set(others))
    if secret:
        return Finding("secrets", BAD, f"others on this computer may read {', '.join(secret)}")
    if others:
        return Finding("secrets", LOOK, f"others on this computer may read {', '.join(others)}")
    return Finding("secrets", GOOD, "for their owner alone")


def _room(patient: Patient) -> Finding:
    words = f"{patient.free_bytes // 1_000_000} MB free"
    return Finding(
        "room on the disk", LOOK if patient.free_bytes < LITTLE_ROOM_BYTES else GOOD, words
    )


def _ago(age: timedelta) -> str:
    minutes = int(age.total_seconds() // 60)
    if minutes < 0:
        return "in the future"
    if minutes < 120:
        return f"{minutes} minutes ago"
    hours = minutes // 60
    return f"{hours} hours ago" if hours < 72 else f"{hours // 24} days ago"
