"""Everything the garden has, as tables of text in one file, and back again row for row.

The file is a zip of one CSV a table and a list (`manifest.json`) with each table's columns, rows
and checksum. What is written is exact: export, import, export gives the same bytes, on SQLite and
PostgreSQL alike. It is also safe to open in a spreadsheet: a text that begins like a formula gets
an apostrophe in front, which the import takes off again.

A cell is empty where nothing is stored. A text that is empty, or that begins with an apostrophe
or with a sign that a spreadsheet runs, begins with one apostrophe more. Numbers are numbers,
moments are UTC, days are ISO 8601, yes and no are 1 and 0, bytes are base64, lists are JSON.
Pictures that a row names go along as the files they are, each with its checksum.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
import os
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Connection,
    Date,
    Engine,
    Float,
    Integer,
    LargeBinary,
    Table,
    Time,
    column,
    func,
    inspect,
    select,
    table,
    text,
)

from gardenapp.errors import Refused
from gardenapp.extensions import WRITE_OPTION, Base
from gardenapp.models.types import UtcDateTime
from gardenapp.services.store import photos

FORMAT, VERSION = "garden tables", 1
MANIFEST = "manifest.json"
FOLDER = "tables/"
PICTURES = "photos/"
# What a spreadsheet may run, also in the full width of East Asian type.
TRIGGERS = frozenset("=+-@\t\r\n＝＋－＠'")
MOST_BYTES = 2_000_000_000
MOST_RATIO = 400
MOST_CELL = 200_000_000
BATCH = 500


class BadExport(Refused):
    """A file that is not an export of this app, or not a whole one."""


class NotEmpty(Refused):
    """The database that should be filled already has rows."""


@dataclass(frozen=True)
class TableCount:
    """One table as it was moved: rows, and the SHA-256 of its CSV."""

    name: str
    rows: int
    sha256: str


# --- export -----------------------------------------------------------------------------------


def export_to(
    path: Path, *, engine: Engine, now: datetime, app_version: str, pictures: Path | None = None
) -> list[TableCount]:
    """Write everything into the zip `path`, as it stood at one moment.

    `pictures` is the folder that pictures are kept in; without it none goes along. The file
    gets its name only when it is whole, for the owner's eyes alone: it holds password hashes
    and everybody's names. Raises OSError.
    """
    draft = path.with_name(f".{path.name}.{os.getpid()}.part")
    handle = os.open(draft, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
    counts: list[TableCount] = []
    try:
        with os.fdopen(handle, "w+b") as file:
            with (
                zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive,
                _snapshot(engine) as connection,
            ):
                described = []
                for each in Base.metadata.sorted_tables:
                    count = _write_table(archive, connection, each)
                    counts.append(count)
                    described.append(
                        {
                            "name": count.name,
                            "rows": count.rows,
                            "sha256": count.sha256,
                            "columns": [c.name for c in each.columns],
                        }
                    )
                manifest = {
                    "format": FORMAT,
                    "version": VERSION,
                    "app": app_version,
                    "revision": revision_of(connection),
                    "made_at": now.astimezone(UTC).isoformat(),
                    "tables": described,
                    "photos": _write_pictures(archive, connection, pictures),
                }
                archive.writestr(_info(MANIFEST), json.dumps(manifest, indent=1))
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
    return counts


def _write_table(archive: zipfile.ZipFile, connection: Connection, each: Table) -> TableCount:
    digest = hashlib.sha256()
    rows = -1
    with archive.open(_info(f"{FOLDER}{each.name}.csv"), "w", force_zip64=True) as member:
        for chunk in _csv_chunks(connection, each):
            member.write(chunk)
            digest.update(chunk)
            rows += 1
    return TableCount(each.name, rows, digest.hexdigest())


def _write_pictures(
    archive: zipfile.ZipFile, connection: Connection, folder: Path | None
) -> list[dict[str, str]]:
    """Every picture that a row names and that is there; gives names and checksums."""
    names: set[str] = set()
    if folder is None:
        return []
    for each in Base.metadata.sorted_tables:
        if "photo" in each.columns:
            column_ = each.columns["photo"]
            names |= set(connection.scalars(select(column_).where(column_.is_not(None))))
    written = []
    for name in sorted(names):
        file = folder / name
        if not photos.NAME.fullmatch(name) or not file.is_file():
            continue
        data = file.read_bytes()
        info = _info(f"{PICTURES}{name}")
        info.compress_type = zipfile.ZIP_STORED  # a JPEG does not get smaller
        archive.writestr(info, data)
        written.append({"name": name, "sha256": hashlib.sha256(data).hexdigest()})
    return written


def pictures_in(path: Path) -> int:
    """How many pictures an export holds."""
    with zipfile.ZipFile(path) as archive:
        return sum(name.startswith(PICTURES) for name in archive.namelist())


def _info(name: str) -> zipfile.ZipInfo:
    # No time of day in it: two exports of the same rows are the same bytes.
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o600 << 16
    return info


def _csv_chunks(connection: Connection, each: Table) -> Iterator[bytes]:
    """The table's CSV, a line at a time, the head line first; by primary key."""
    yield _line([c.name for c in each.columns])
    writers = [_writer(c.type) for c in each.columns]
    wanted: list[Any] = []
    for c in each.columns:
        # Nothing stored and a stored JSON null both read as None; the database tells them apart.
        wanted.append(c)
        if isinstance(c.type, JSON):
            wanted.append(c.is_(None).label(f"{c.name}__missing"))
    order = list(each.primary_key.columns)
    result = connection.execution_options(yield_per=BATCH).execute(select(*wanted).order_by(*order))
    for row in result:
        cells, at = [], 0
        for c, write in zip(each.columns, writers, strict=True):
            value = row[at]
            at += 1
            if isinstance(c.type, JSON):
                is_missing = row[at]
                at += 1
                cells.append("" if is_missing else write(value))
            else:
                cells.append("" if value is None else write(value))
        yield _line(cells)


def _line(cells: list[str]) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue().encode("utf-8")


def _writer(kind: Any) -> Callable[[Any], str]:
    if isinstance(kind, UtcDateTime):
        return lambda v: v.astimezone(UTC).isoformat()
    if isinstance(kind, Boolean):
        return lambda v: "1" if v else "0"
    if isinstance(kind, Integer):
        return lambda v: str(int(v))
    if isinstance(kind, Float):
        return lambda v: repr(float(v))
    if isinstance(kind, Date | Time):
        return lambda v: str(v.isoformat())
    if isinstance(kind, LargeBinary):
        return lambda v: "b" + base64.b64encode(v).decode("ascii")
    if isinstance(kind, JSON):
        return lambda v: _guarded(json.dumps(v, ensure_ascii=False, separators=(",", ":")))
    return lambda v: _guarded(str(v))


def _guarded(value: str) -> str:
    return "'" + value if not value or value[0] in TRIGGERS else value


def _reader(kind: Any) -> Callable[[str], Any]:
    if isinstance(kind, UtcDateTime):
        return datetime.fromisoformat
    if isinstance(kind, Boolean):
        return lambda t: {"1": True, "0": False}[t]
    if isinstance(kind, Integer):
        return int
    if isinstance(kind, Float):
        return float
    if isinstance(kind, Date):
        return date.fromisoformat
    if isinstance(kind, Time):
        return time.fromisoformat
    if isinstance(kind, LargeBinary):
        return lambda t: base64.b64decode(t.removeprefix("b"), validate=True)
    if isinstance(kind, JSON):

        def read_json(cell: str) -> Any:
            value = json.loads(_unguarded(cell))
            return JSON.NULL if value is None else value

        return read_json
    return _unguarded


def _unguarded(cell: str) -> str:
    return cell[1:] if cell.startswith("'") else cell


# --- import -----------------------------------------------------------------------------------


def import_from(
    path: Path, *, engine: Engine, replace: bool = False, pictures: Path | None = None
) -> list[TableCount]:
    """Fill the database with an export, whole or not at all, and check it row for row.

    With `replace` what is there is taken out first, in the same transaction. Pictures go into
    the folder `pictures`; none that is there already is touched.

    Raises BadExport, NotEmpty.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            manifest, shown = _checked_manifest(archive, engine)
            with _wide_cells(), _one_write(engine) as connection, _kept_if_whole(pictures) as kept:
                if replace:
                    _empty(connection)
                _require_empty(connection)
                for each in Base.metadata.sorted_tables:
                    with archive.open(f"{FOLDER}{each.name}.csv") as member:
                        _insert(connection, each, _parsed(member, each))
                _mend_sequences(connection)
                counts = count_tables(connection)
                for count in counts:
                    promised = manifest[count.name]
                    if (count.rows, count.sha256) != (promised["rows"], promised["sha256"]):
                        raise BadExport(
                            f"The table {count.name} is not as the file's own list says. Nothing "
                            "was changed."
                        )
                if pictures is not None:
                    for name, sha256 in shown.items():
                        _read_picture(archive, name, sha256, pictures, kept)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError) as error:
        raise BadExport("This is not a whole export file. Nothing was changed.") from error
    except (ValueError, KeyError, csv.Error, UnicodeDecodeError) as error:
        if isinstance(error, Refused):
            raise
        raise BadExport("This export cannot be read to its end. Nothing was changed.") from error
    return counts


@contextmanager
def _kept_if_whole(folder: Path | None) -> Iterator[list[str]]:
    """Names of pictures put into `folder`; they go again if the import ends early."""
    kept: list[str] = []
    try:
        yield kept
    except BaseException:
        if folder is not None:
            for name in kept:
                photos.drop(name, folder=folder)
        raise


def _read_picture(
    archive: zipfile.ZipFile, name: str, sha256: str, folder: Path, kept: list[str]
) -> None:
    info = archive.getinfo(f"{PICTURES}{name}")
    data = archive.read(info) if info.file_size <= photos.LARGEST_BYTES else b""
    if hashlib.sha256(data).hexdigest() != sha256:
        raise BadExport("A picture is not as the file's own list says. Nothing was changed.")
    try:
        photos.remake(data)
    except Refused as error:
        raise BadExport("A picture in this file cannot be read. Nothing was changed.") from error
    if not (folder / name).exists():
        photos.put(data, name=name, folder=folder)
        kept.append(name)


def _checked_manifest(
    archive: zipfile.ZipFile, engine: Engine
) -> tuple[dict[str, dict[str, Any]], dict[str, str]]:
    """The file's lists of tables and pictures, once names and sizes are what an export has.

    Checked before anything is unpacked: Python's reader stops at the declared size, and a lie
    in it fails the checksum.
    """
    expected = {MANIFEST} | {f"{FOLDER}{t.name}.csv" for t in Base.metadata.sorted_tables}
    infos = archive.infolist()
    names = [info.filename for info in infos]
    if MANIFEST not in names or len(names) != len(set(names)):
        raise BadExport("This is not an export of this app. Nothing was changed.")
    declared = sum(info.file_size for info in infos)
    packed = sum(info.compress_size for info in infos)
    if declared > MOST_BYTES or declared > 1_000_000 + MOST_RATIO * packed:
        raise BadExport("This file would unpack to far more than a garden has. It was not opened.")
    if archive.getinfo(MANIFEST).file_size > 200_000:
        raise BadExport("This is not an export of this app. Nothing was changed.")
    manifest = json.loads(archive.read(MANIFEST))
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise BadExport("This is not an export of this app. Nothing was changed.")
    with engine.connect() as connection:
        here = revision_of(connection)
    if manifest.get("version") != VERSION or manifest.get("revision") != here:
        raise BadExport(
            f"This export was made at revision {manifest.get('revision')!r} of the tables and this "
            f"app is at {here!r}. Import it with the version that made it, then upgrade. Nothing "
            "was changed."
        )
    shown = {entry["name"]: entry["sha256"] for entry in manifest.get("photos", [])}
    if not all(photos.NAME.fullmatch(name) for name in shown):
        raise BadExport("This is not an export of this app. Nothing was changed.")
    if set(names) != expected | {f"{PICTURES}{name}" for name in shown}:
        raise BadExport("The tables in this file are not this app's. Nothing was changed.")
    return {entry["name"]: entry for entry in manifest["tables"]}, shown


def _parsed(member: Any, each: Table) -> Iterator[dict[str, Any]]:
    reader = csv.reader(io.TextIOWrapper(member, "utf-8", newline=""), strict=True)
    if next(reader, None) != [c.name for c in each.columns]:
        raise BadExport(f"The columns of {each.name} are not this app's. Nothing was changed.")
    readers = [_reader(c.type) for c in each.columns]
    names = [c.name for c in each.columns]
    for cells in reader:
        if len(cells) != len(names):
            raise BadExport(f"A row of {each.name} is cut short. Nothing was changed.")
        yield {
            name: None if cell == "" else read(cell)
            for name, read, cell in zip(names, readers, cells, strict=True)
        }


def _insert(connection: Connection, each: Table, rows: Iterator[dict[str, Any]]) -> None:
    # A bare table: no defaults of the model may fill in what the file leaves empty.
    bare = table(
        each.name,
        *(
            column(c.name, JSON(none_as_null=True) if isinstance(c.type, JSON) else c.type)
            for c in each.columns
        ),
    )
    batch: list[dict[str, Any]] = []
    for row in rows:
        batch.append(row)
        if len(batch) == BATCH:
            connection.execute(bare.insert(), batch)
            batch = []
    if batch:
        connection.execute(bare.insert(), batch)


# --- copying to another database ---------------------------------------------------------------


def copy_to(target: Engine, *, source: Engine) -> list[TableCount]:
    """Copy everything into the empty, migrated database `target`, and prove it.

    Rows and checksums of every table are compared before the copy is committed.

    Raises NotEmpty, Refused (tables at another revision, or a table that came out different).
    """
    with _wide_cells(), _snapshot(source) as reading, _one_write(target) as writing:
        if revision_of(reading) != revision_of(writing):
            raise Refused("The two databases are at different revisions. Upgrade both first.")
        _require_empty(writing)
        for each in Base.metadata.sorted_tables:
            lines = _csv_chunks(reading, each)
            _insert(writing, each, _parsed(_Joined(lines), each))
        _mend_sequences(writing)
        here, there = count_tables(reading), count_tables(writing)
        for mine, theirs in zip(here, there, strict=True):
            if mine != theirs:
                raise Refused(
                    f"The table {mine.name} came out different ({mine.rows} rows here, "
                    f"{theirs.rows} there). The other database was left empty."
                )
    return here


class _Joined(io.RawIOBase):
    """Chunks of bytes as one readable file."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        self._chunks, self._left = chunks, b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._left:
            chunk = next(self._chunks, None)
            if chunk is None:
                return 0
            self._left = chunk
        size = min(len(buffer), len(self._left))
        buffer[:size], self._left = self._left[:size], self._left[size:]
        return size


def count_tables(connection: Connection) -> list[TableCount]:
    """Rows and checksum of every table, in one order whatever the database."""
    counts = []
    for each in Base.metadata.sorted_tables:
        digest, rows = hashlib.sha256(), -1
        for chunk in _csv_chunks(connection, each):
            digest.update(chunk)
            rows += 1
        counts.append(TableCount(each.name, rows, digest.hexdigest()))
    return counts


def revision_of(connection: Connection) -> str:
    """Which migration the tables are at; empty where there are none."""
    if not inspect(connection).has_table("alembic_version"):
        return ""
    rows = connection.execute(text("SELECT version_num FROM alembic_version ORDER BY 1")).scalars()
    return ",".join(rows)


# --- transactions -------------------------------------------------------------------------------


@contextmanager
def _snapshot(engine: Engine) -> Iterator[Connection]:
    """Read only, everything as it stood at one moment, while others write."""
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            connection = connection.execution_options(isolation_level="REPEATABLE READ")
        yield connection
        connection.rollback()


@contextmanager
def _one_write(engine: Engine) -> Iterator[Connection]:
    with (
        engine.connect() as opened,
        opened.execution_options(**{WRITE_OPTION: True}) as connection,
        connection.begin(),
    ):
        yield connection


@contextmanager
def _wide_cells() -> Iterator[None]:
    """Let a cell hold a whole trial's readings; the limit is one for the process, so put back."""
    before = csv.field_size_limit(MOST_CELL)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _require_empty(connection: Connection) -> None:
    for each in Base.metadata.sorted_tables:
        if connection.execute(select(func.count()).select_from(each)).scalar_one():
            raise NotEmpty(
                f"There is something in the table {each.name} already. Nothing was changed."
            )


def _empty(connection: Connection) -> None:
    for each in reversed(Base.metadata.sorted_tables):
        _delete_all(connection, each)


def _delete_all(connection: Connection, each: Table) -> None:
    # Rows that point at others of the same table go last to first.
    own = [
        c
        for c in each.columns
        if c.nullable and any(k.column.table is each for k in c.foreign_keys)
    ]
    if own:
        connection.execute(each.update().values({c.name: None for c in own}))
    connection.execute(each.delete())


def _mend_sequences(connection: Connection) -> None:
    """Let new rows be numbered after the ones that were put in with their numbers."""
    if connection.dialect.name != "postgresql":
        return
    for each in Base.metadata.sorted_tables:
        for key in each.primary_key.columns:
            if not isinstance(key.type, Integer):
                continue
            sequence = connection.execute(
                select(func.pg_get_serial_sequence(f'"{each.name}"', key.name))
            ).scalar()
            if sequence:
                highest = connection.execute(select(func.max(key))).scalar()
                connection.execute(select(func.setval(sequence, highest or 1, highest is not None)))
