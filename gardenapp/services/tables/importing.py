"""A table on its way in: sent, looked at, answered, kept, and taken back as one act."""

from __future__ import annotations

import json
import secrets
import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import delete, select

from gardenapp.errors import NotFound, Refused
from gardenapp.extensions import db
from gardenapp.messages import Words, from_json, to_json
from gardenapp.models.people import Garden, Member
from gardenapp.models.tables import TableImport
from gardenapp.readers.cells import LONGEST_CELL, CellRow, CellSheet
from gardenapp.services.clockwork import garden_zone, get_garden
from gardenapp.services.permission import coordinator_only
from gardenapp.services.tables import keeping
from gardenapp.services.tables.findings import Findings
from gardenapp.services.tables.garden_now import load_garden
from gardenapp.services.tables.reading import Reader
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

# How long a table waits to be looked at.
WAITS_FOR = timedelta(days=7)
MOST_WAITING = 5
TRIES = 3
LONGEST_ANSWER, MOST_ANSWERS = 200, 2_000
MOST_COLUMNS = 60


@dataclass(frozen=True)
class Imported:
    """A table that was kept, for the page that tells of it."""

    id: int
    token: str
    kept_at: datetime
    taken_back_at: datetime | None
    counts: Counter[tuple[str, str]]


def send(*, sheets: Sequence[CellSheet], member: Member, now: datetime) -> str:
    """Keep a table that was read until it is looked at; gives its token. Raises NotAllowed."""
    coordinator_only(member)
    token = secrets.token_urlsafe(24)
    packed = _pack(sheets)
    with write_transaction(changes_board=False) as session:
        waiting = select(TableImport.id).where(
            TableImport.member_id == member.id, TableImport.kept_at.is_(None)
        )
        older = session.scalars(waiting.order_by(TableImport.id.desc()).offset(MOST_WAITING - 1))
        session.execute(
            delete(TableImport).where(
                TableImport.kept_at.is_(None),
                (TableImport.sent_at < now - WAITS_FOR) | TableImport.id.in_(older.all()),
            )
        )
        session.add(
            TableImport(
                token=token,
                member_id=member.id,
                sent_at=now,
                sheets=packed,
                answers={},
                kept_at=None,
                made={},
                taken_back_at=None,
            )
        )
    return token


def answer(*, token: str, answers: Mapping[str, str], member: Member) -> None:
    """Keep the answers to a waiting table's questions. Raises NotFound, Refused, NotAllowed."""
    coordinator_only(member)
    kept = {k[:60]: v[:LONGEST_ANSWER] for k, v in list(answers.items())[:MOST_ANSWERS]}
    with write_transaction(changes_board=False):
        row = _waiting(token, member)
        row.answers = row.answers | kept


def change_cells(*, token: str, cells: Mapping[tuple[int, int, int], str], member: Member) -> None:
    """Put other texts into cells of a waiting table.

    cells : by sheet (from 0), row and column (from 1). Cells of rows that are not there are left.
    Raises NotFound, Refused, NotAllowed.
    """
    coordinator_only(member)
    sheets = _unpack(_waiting(token, member).sheets)
    by_row: dict[tuple[int, int], list[tuple[int, str]]] = {}
    for (where, number, column), text in cells.items():
        by_row.setdefault((where, number), []).append((column, text))
    changed = []
    for at, sheet in enumerate(sheets):
        rows = []
        for row in sheet.rows:
            texts = list(row.cells)
            for column, text in by_row.get((at, row.number), ()):
                if 1 <= column <= MOST_COLUMNS:
                    texts += [""] * (column - len(texts))
                    texts[column - 1] = text.strip()[:LONGEST_CELL]
            rows.append(CellRow(row.number, tuple(texts)))
        kept = tuple(row for row in rows if any(row.cells))
        changed.append(CellSheet(sheet.name, kept, sheet.merged, sheet.notes))
    packed = _pack(changed)
    with write_transaction(changes_board=False):
        _waiting(token, member).sheets = packed


def preview(*, token: str, member: Member, now: datetime) -> Findings:
    """What a waiting table would do; writes nothing. Raises NotFound, Refused, NotAllowed."""
    coordinator_only(member)
    return _read(_waiting(token, member), member, now)


def keep(*, token: str, member: Member, now: datetime) -> int:
    """Write all that a waiting table says and give the import's number.

    Raises NotFound, NotAllowed, Refused: something is wrong or open, and nothing was written.
    """
    coordinator_only(member)
    on = now.astimezone(garden_zone()).date()
    for attempt in range(TRIES):
        row = _waiting(token, member)
        findings = _read(row, member, now)
        if not findings.may_be_kept:
            raise Refused(_("The table has something that is not right. We changed nothing."))
        try:
            keeping.keep(import_id=row.id, findings=findings, member=member, on=on, now=now)
            return row.id
        except keeping.ChangedMeanwhile:
            if attempt == TRIES - 1:
                raise
    raise AssertionError("unreachable")


def take_back(*, token: str, member: Member, now: datetime) -> tuple[Words, ...]:
    """Undo a kept table; gives what stays. Raises NotFound, NotAllowed, Refused."""
    return keeping.take_back(
        import_id=imported(token=token, member=member).id, member=member, now=now
    )


def imported(*, token: str, member: Member) -> Imported:
    """A table that was kept. Raises NotFound, NotAllowed."""
    coordinator_only(member)
    row = db.session.scalar(select(TableImport).where(TableImport.token == token))
    if row is None or row.kept_at is None:
        raise NotFound(_("There is no such import."))
    return _imported(row)


def last_imports(*, member: Member, most: int = 5) -> tuple[Imported, ...]:
    """The tables that were kept last, newest first. Raises NotAllowed."""
    coordinator_only(member)
    rows = db.session.scalars(
        select(TableImport)
        .where(TableImport.kept_at.is_not(None))
        .order_by(TableImport.id.desc())
        .limit(most)
    )
    return tuple(map(_imported, rows))


def _imported(row: TableImport) -> Imported:
    assert row.kept_at is not None
    made = row.made
    counts: Counter[tuple[str, str]] = Counter()
    for key, what in (
        ("plots", "plot"),
        ("members", "member"),
        ("plantings", "planting"),
        ("covers", "cover"),
        ("lots", "lot"),
        ("places", "place"),
    ):
        if made.get(key):
            counts[what, "made"] = len(made[key])
    changed = len(made.get("changed", ())) + made.get("store_changed", 0)
    if changed:
        counts["row", "changed"] = changed
    return Imported(row.id, row.token, row.kept_at, row.taken_back_at, counts)


def _waiting(token: str, member: Member) -> TableImport:
    row = db.session.scalar(
        select(TableImport)
        .where(TableImport.token == token, TableImport.member_id == member.id)
        .execution_options(populate_existing=True)
    )
    if row is None:
        raise NotFound(_("This table is no longer waiting. Paste it again."))
    if row.kept_at is not None:
        raise Refused(_("This table is saved already."))
    return row


def _read(row: TableImport, member: Member, now: datetime) -> Findings:
    garden = get_garden()
    version = db.session.scalar(select(Garden.version)) or 0
    here = load_garden(garden, now.astimezone(garden_zone()).date())
    findings = Reader(here, member, row.answers).read(_unpack(row.sheets))
    findings.version = version
    return findings


def _pack(sheets: Sequence[CellSheet]) -> bytes:
    plain: list[Any] = [
        [
            sheet.name,
            [[row.number, list(row.cells)] for row in sheet.rows],
            [list(area) for area in sheet.merged],
            [to_json(note) for note in sheet.notes],
        ]
        for sheet in sheets
    ]
    return zlib.compress(json.dumps(plain, ensure_ascii=False).encode("utf-8", "replace"), 1)


def _unpack(packed: bytes) -> tuple[CellSheet, ...]:
    return tuple(
        CellSheet(
            name,
            tuple(CellRow(number, tuple(cells)) for number, cells in rows),
            tuple((a, b, c, d) for a, b, c, d in merged),
            tuple(map(from_json, notes)),
        )
        for name, rows, merged, notes in json.loads(zlib.decompress(packed))
    )
