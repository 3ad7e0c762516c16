"""Copies of the database: made while the app runs, proved by opening them, kept for some days.

On SQLite a copy is a database file made with the online backup, because a plain copy would miss
what still stands in the write-ahead log. On PostgreSQL it is an export file (`transfer`); the
server's own tools may well be used beside it.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Engine, text

from gardenapp.errors import Refused
from gardenapp.services.clockwork import is_believable
from gardenapp.services.upkeep import transfer
from gardenapp.services.upkeep.schema import Shape, differences, shape_of

FOLDER = "backups"
DAILY = "daily"
# So many daily copies are kept however old they seem to be.
LEAST_DAILY = 7
STAMP = "%Y%m%dT%H%M%S%fZ"
# A table that every garden's database has had from the first.
PROOF_TABLE = "garden"


class BadBackup(Refused):
    """A copy that is damaged, foreign, or newer than this app."""


class InUse(Refused):
    """The database is open somewhere else."""


@dataclass(frozen=True)
class Backup:
    """One kept copy."""

    path: Path
    why: str
    made_at: datetime
    size_bytes: int


def make_backup(
    *, engine: Engine, instance: Path, why: str, now: datetime, app_version: str = ""
) -> Backup:
    """Make a copy beside the database and prove it; it gets its name only when it is good.

    Raises BadBackup (the copy is not whole), OSError (the disk is full, and nothing is left).
    """
    folder = instance / FOLDER
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    _drop_drafts(folder, now)
    stem = f"garden-{why}-{now.astimezone(UTC).strftime(STAMP)}"
    if engine.dialect.name != "sqlite":
        target = folder / f"{stem}.zip"
        transfer.export_to(target, engine=engine, now=now, app_version=app_version)
        return _described(target)
    target = folder / f"{stem}.sqlite"
    draft = folder / f".{stem}.{os.getpid()}.part"
    os.close(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    try:
        _copy(Path(str(engine.url.database)), draft)
        prove(draft)
        _sync(draft)
        draft.replace(target)
        _sync(folder)
    except sqlite3.Error as error:
        raise BadBackup(f"No copy could be made: {error}. The garden's own is as it was.") from None
    finally:
        _drop(draft)
    return _described(target)


def list_backups(instance: Path) -> list[Backup]:
    """The copies that are kept, newest first."""
    folder = instance / FOLDER
    found = []
    for path in folder.glob("garden-*") if folder.is_dir() else ():
        if path.suffix in {".sqlite", ".zip"}:
            with contextlib.suppress(ValueError, OSError):
                found.append(_described(path))
    return sorted(found, key=lambda b: b.made_at, reverse=True)


def forget_old(*, instance: Path, keep_days: int, now: datetime) -> int:
    """Delete copies older than `keep_days`, but never the newest; says how many.

    The newest `LEAST_DAILY` daily copies stay whatever the clock says, and the newest of each
    other kind. A copy from the future is neither counted nor deleted: some clock is wrong.
    """
    seen: Counter[str] = Counter()
    least = max(1, min(LEAST_DAILY, keep_days))
    gone = 0
    for each in list_backups(instance):
        if not is_believable(each.made_at, now):
            continue
        seen[each.why] += 1
        if seen[each.why] <= (least if each.why == DAILY else 1):
            continue
        if now - each.made_at > timedelta(days=keep_days):
            _drop(each.path)
            gone += 1
    return gone


def is_due(*, instance: Path, now: datetime) -> bool:
    """Whether the last daily copy is a day old, or there is none."""
    daily = [b for b in list_backups(instance) if b.why == DAILY and is_believable(b.made_at, now)]
    return not daily or now - daily[0].made_at >= timedelta(hours=23, minutes=30)


def back_up_daily(
    *, engine: Engine, instance: Path, keep_days: int, now: datetime, app_version: str = ""
) -> str | None:
    """Make the day's copy if it is due and drop old ones; gives what to note, or None.

    Raises BadBackup, OSError.
    """
    if keep_days <= 0 or not is_due(instance=instance, now=now):
        return None
    made = make_backup(
        engine=engine, instance=instance, why=DAILY, now=now, app_version=app_version
    )
    gone = forget_old(instance=instance, keep_days=keep_days, now=now)
    return (
        f"{made.path.name}: copied and checked, {made.size_bytes} bytes; {gone} old ones dropped."
    )


def prove(
    file: Path,
    *,
    known_revisions: Collection[str] | None = None,
    shape_at: Callable[[str], Shape] | None = None,
) -> str:
    """Open a SQLite copy and check it from end to end; gives the revision of its tables.

    shape_at : what the tables of a revision look like, for a copy that somebody brings.

    Raises BadBackup where it is no database, is damaged, has broken references, is not a
    garden's, is at a revision that is not among `known_revisions`, or has another shape.
    """
    try:
        # Without `immutable` opening a copy would leave files beside it.
        connection = sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    except sqlite3.Error as error:
        raise BadBackup(f"{file.name} cannot be opened: {error}.") from None
    try:
        names = {
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        }
        if PROOF_TABLE not in names or "alembic_version" not in names:
            raise BadBackup(f"{file.name} is a database, but not a garden's.")
        said = [row[0] for row in connection.execute("PRAGMA integrity_check(5)")]
        if said != ["ok"]:
            raise BadBackup(f"{file.name} is damaged: {said[0]}.")
        if connection.execute("PRAGMA foreign_key_check").fetchone():
            raise BadBackup(f"{file.name} has rows that point at nothing.")
        revisions = [r for (r,) in connection.execute("SELECT version_num FROM alembic_version")]
        shape = shape_of(connection)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # damage can lie in the text of the schema
        raise BadBackup(f"{file.name} cannot be read: {error}.") from None
    finally:
        connection.close()
    if len(revisions) != 1 or (known_revisions is not None and revisions[0] not in known_revisions):
        raise BadBackup(
            f"{file.name} was made by a newer version of the app. Install that version first."
        )
    if shape_at is not None:
        wrong = differences(shape, shape_at(str(revisions[0])))
        if wrong:
            more = f" and {len(wrong) - 1} more" if len(wrong) > 1 else ""
            raise BadBackup(
                f"{file.name} is not made as this app makes its tables: it {wrong[0]}{more}. "
                "Nothing was changed."
            )
    return str(revisions[0])


def restore_sqlite(
    *,
    file: Path,
    database: Path,
    instance: Path,
    known_revisions: Collection[str],
    shape_at: Callable[[str], Shape],
    now: datetime,
) -> Path | None:
    """Put a copy in the place of the database; gives where the one from before is kept.

    The copy is proved first, so a bad one changes nothing. The database must be open nowhere
    else: who has the old file open would go on writing into it. What stands in the old
    write-ahead log belongs to the old file; it is folded in and the log taken away, or the next
    start would lay it over the new one.

    Raises BadBackup, InUse, OSError.
    """
    prove(file, known_revisions=known_revisions, shape_at=shape_at)
    draft = database.with_name(f".{database.name}.{os.getpid()}.part")
    os.close(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600))
    try:
        _copy(file, draft)
        prove(draft, known_revisions=known_revisions)
        _sync(draft)
        kept = _set_aside(database, instance, now)
        for ending in ("-wal", "-shm", "-journal"):
            _drop(database.with_name(database.name + ending))
        draft.replace(database)
        _sync(database.parent)
    except sqlite3.Error as error:
        raise BadBackup(f"{file.name} could not be copied: {error}. Nothing was changed.") from None
    finally:
        _drop(draft)
    return kept


def keep_before_replacing(
    *, engine: Engine, instance: Path, now: datetime, app_version: str
) -> Path:
    """A copy of what an export is about to replace; only where nobody else has the database open.

    Raises InUse, BadBackup, OSError.
    """
    require_alone(engine)
    return make_backup(
        engine=engine, instance=instance, why="before-restore", now=now, app_version=app_version
    ).path


def require_alone(engine: Engine) -> None:
    """Raises InUse where a server, or anybody else, has the database open."""
    engine.dispose()
    words = "The database is in use. Stop the server first; nothing was changed."
    if engine.dialect.name == "postgresql":
        with engine.connect() as connection:
            others = connection.execute(
                text(
                    "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() "
                    "AND pid <> pg_backend_pid() AND backend_type = 'client backend'"
                )
            ).scalar_one()
        if others:
            raise InUse(words)
        return
    if not engine.url.database or not Path(engine.url.database).exists():
        return
    live = sqlite3.connect(engine.url.database, isolation_level=None, timeout=1.0)
    try:
        # Leaving the write-ahead log is possible only for one who is alone with the file.
        (mode,) = live.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError as error:
        if "locked" in str(error) or "busy" in str(error):
            raise InUse(words) from None
        raise
    finally:
        live.close()
    if mode != "delete":
        raise InUse(words)


def _set_aside(database: Path, instance: Path, now: datetime) -> Path | None:
    """Keep the database from before; a damaged one is kept as it is, log and all."""
    if not database.exists():
        return None
    stamp = now.astimezone(UTC).strftime(STAMP)
    folder = instance / FOLDER
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    live = sqlite3.connect(database, isolation_level=None, timeout=1.0)
    try:
        # Leaving the write-ahead log is possible only for one who is alone with the file.
        (mode,) = live.execute("PRAGMA journal_mode = DELETE").fetchone()
        if mode != "delete":
            raise InUse("The database is in use. Stop the server first; nothing was changed.")
        target = folder / f"garden-before-restore-{stamp}.sqlite"
        part = target.with_suffix(".part")
        copy = sqlite3.connect(part)
        try:
            live.backup(copy)
        finally:
            copy.close()
        part.chmod(0o600)
        part.replace(target)
        return target
    except sqlite3.OperationalError as error:
        if "locked" in str(error) or "busy" in str(error):
            raise InUse(
                "The database is in use. Stop the server first; nothing was changed."
            ) from None
        raise
    except sqlite3.DatabaseError:
        live.close()
        kept = folder / f"damaged-{stamp}.sqlite"
        for ending in ("-wal", "-shm"):
            part = database.with_name(database.name + ending)
            if part.exists():
                part.replace(kept.with_name(kept.name + ending))
        database.replace(kept)
        return kept
    finally:
        live.close()


def _copy(source: Path, target: Path) -> None:
    taken = sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True, timeout=10.0)
    try:
        made = sqlite3.connect(target)
        try:
            taken.backup(made)
            # One file by itself: no log may belong to it.
            made.execute("PRAGMA journal_mode = DELETE")
        finally:
            made.close()
    finally:
        taken.close()


def _described(path: Path) -> Backup:
    _, _, rest = path.stem.partition("-")
    why, _, stamp = rest.rpartition("-")
    at = datetime.strptime(stamp, STAMP).replace(tzinfo=UTC)
    return Backup(path, why, at, path.stat().st_size)


def _drop_drafts(folder: Path, now: datetime) -> None:
    """What a copy that was killed half-way left behind, once it is surely nobody's any more."""
    for draft in folder.glob(".garden-*.part*"):
        with contextlib.suppress(OSError):
            if now.timestamp() - draft.stat().st_mtime > 3_600:
                draft.unlink()


def _drop(path: Path) -> None:
    for each in _with_logs(path):
        each.unlink(missing_ok=True)


def _with_logs(path: Path) -> Iterator[Path]:
    yield path
    if path.suffix == ".part":
        for ending in ("-wal", "-shm", "-journal"):
            yield path.with_name(path.name + ending)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
