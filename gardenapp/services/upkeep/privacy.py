"""What is held about a member, handing it over, and erasing it.

Which rows are a member's is read from the tables' own references to `member`, so that a table
added later is found by itself. Erasing empties the member's row of everything personal and keeps
the row: the ledger, claims and loans go on pointing at somebody who has no name any more. Rows
that mean nothing without the person (links, addresses, which plots were theirs) are deleted.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Column, LargeBinary, String, Table, Text, delete, func, select, update

from gardenapp.errors import NotAllowed, NotFound
from gardenapp.extensions import Base, db
from gardenapp.models.people import LogEntry, Member, SignInTry
from gardenapp.services import change_log
from gardenapp.services.garden.people import LastCoordinator
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later

NAMELESS = later("Somebody who left")
# Deleted with the member by the database if the row went; here the row stays, and so do they.
HISTORY = frozenset({"claim", "loan"})
KEPT_TO_ITSELF = re.compile(r"_hash$|^secret$|token$")
WORDS = {
    "board_look": later("nights whose board they opened"),
    "claim": later("jobs they took"),
    "cover": later("covers they own or hold"),
    "crop": later("crops they added"),
    "crop_stage": later("stages they added"),
    "deployment": later("covers they put on or took off"),
    "feed_link": later("private feed address"),
    "forecast_import": later("forecasts they imported"),
    "invite": later("sign-in links"),
    "ledger_entry": later("lines about items in the shed"),
    "loan": later("loans"),
    "log_entry": later("lines in the log of changes"),
    "lot": later("materials they own"),
    "notice": later("asks and offers"),
    "notice_channel": later("addresses for notices"),
    "observed_low": later("lows they read"),
    "outcome": later("damage they saved"),
    "outgoing_notice": later("notices sent to them"),
    "pending_upload": later("files not saved yet"),
    "plan": later("plans they made"),
    "plot_holder": later("plots"),
    "table_import": later("tables they imported"),
    "sent_fact": later("marks sent from their phone"),
    "trial": later("trials they entered"),
}


@dataclass(frozen=True)
class HeldLine:
    """How many rows of one kind are about a member."""

    table: str
    words: str
    rows: int
    is_deleted: bool


@dataclass(frozen=True)
class Held:
    """What is held about a member."""

    member_id: int
    name: str
    role: str
    has_password: bool
    lines: tuple[HeldLine, ...]
    mentions: int


def held_about(*, member_id: int, by: Member) -> Held:
    """What is held about a member, in numbers. Themselves or a coordinator may ask.

    Raises NotFound, NotAllowed.
    """
    member = _get_for(member_id, by)
    lines = []
    for each, columns in _tables_about_members():
        rows = db.session.scalar(
            select(func.count()).select_from(each).where(_is_about(columns, member_id))
        )
        if rows:
            words = WORDS.get(each.name, each.name.replace("_", " "))
            lines.append(HeldLine(each.name, words, rows, _goes(each, columns)))
    return Held(
        member_id=member.id,
        name=member.name,
        role=member.role,
        has_password=member.password_hash is not None,
        lines=tuple(sorted(lines, key=lambda line: line.words)),
        mentions=len(list(_mentions(member.name))),
    )


def hand_over(*, member_id: int, by: Member, now: datetime) -> str:
    """Everything held about a member as JSON, secrets and bytes left out.

    Raises NotFound, NotAllowed.
    """
    member = _get_for(member_id, by)
    whole: dict[str, Any] = {
        "made_at": now.isoformat(),
        "member": _row(
            Base.metadata.tables["member"],
            db.session.execute(
                select(Base.metadata.tables["member"]).where(
                    Base.metadata.tables["member"].c.id == member.id
                )
            )
            .mappings()
            .one(),
        ),
    }
    for each, columns in _tables_about_members():
        rows = db.session.execute(
            select(each).where(_is_about(columns, member_id)).order_by(*each.primary_key.columns)
        ).mappings()
        found = [_row(each, row) for row in rows]
        if found:
            whole[each.name] = found
    return json.dumps(whole, ensure_ascii=False, indent=1)


def erase(*, member_id: int, by_id: int | None, now: datetime) -> int:
    """Take a member's name and everything personal away for good; their sessions end at once.

    A member may erase themselves, a coordinator anybody; the last coordinator nobody can. Gives
    the number of notes written by people in which the name still stands.

    Raises NotFound, NotAllowed, LastCoordinator.
    """
    with write_transaction() as session:
        member = session.get(Member, member_id, populate_existing=True, with_for_update=True)
        if member is None:
            raise NotFound(_("We can’t find that member."))
        if by_id is not None and by_id != member_id:
            actor = session.get(Member, by_id, populate_existing=True)
            if actor is None or not actor.is_active or not actor.is_coordinator:
                raise NotAllowed(_("Only a coordinator can do this."))
        if member.is_coordinator and member.is_active:
            others = session.scalars(
                select(Member.id)
                .where(Member.role == "coordinator", Member.is_active, Member.id != member.id)
                .with_for_update()
            ).all()
            if not others:
                raise LastCoordinator(
                    _(
                        "%(name)s is the only coordinator. Make somebody else one first.",
                        name=member.name,
                    )
                )
        old_name = member.name
        for each, columns in _tables_about_members():
            if _goes(each, columns):
                session.execute(delete(each).where(_is_about(columns, member_id)))
        session.execute(delete(SignInTry))
        for name in _earlier_names(old_name):
            _forget_in_log(name)
        member.name, member.sign_in_name, member.password_hash = NAMELESS, None, None
        member.role, member.is_active = "member", False
        member.session_epoch += 1
        session.flush()
        change_log.record(
            action="erased a member",
            subject=NAMELESS,
            at=now,
            # Who erases themselves leaves no name behind either.
            member_id=by_id if by_id != member_id else None,
            detail=f"number {member_id}",
        )
        return len(list(_mentions(old_name)))


# --- which rows -------------------------------------------------------------------------------


def _tables_about_members() -> Iterator[tuple[Table, list[Column[Any]]]]:
    for each in Base.metadata.sorted_tables:
        columns = [
            c for c in each.columns if any(k.column.table.name == "member" for k in c.foreign_keys)
        ]
        if columns:
            yield each, columns


def _is_about(columns: list[Column[Any]], member_id: int) -> Any:
    condition = columns[0] == member_id
    for other in columns[1:]:
        condition = condition | (other == member_id)
    return condition


def _goes(each: Table, columns: list[Column[Any]]) -> bool:
    """Whether the rows of a table are deleted: those the database itself would delete."""
    if each.name in HISTORY:
        return False
    return any(k.ondelete == "CASCADE" for c in columns for k in c.foreign_keys)


def _row(each: Table, row: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for c in each.columns:
        value = row[c]
        if KEPT_TO_ITSELF.search(c.name) and value:
            found[c.name] = "kept, not shown"
        elif isinstance(c.type, LargeBinary):
            found[c.name] = f"{len(value or b'')} bytes"
        elif isinstance(value, datetime | date):
            found[c.name] = value.isoformat()
        else:
            found[c.name] = value
    return found


def _get_for(member_id: int, by: Member) -> Member:
    if by.id != member_id and not by.is_coordinator:
        raise NotFound(_("We can’t find that member."))
    member = db.session.get(Member, member_id)
    if member is None:
        raise NotFound(_("We can’t find that member."))
    return member


# --- names in text ----------------------------------------------------------------------------


def _earlier_names(name: str) -> set[str]:
    """A member's names so far, from the log's own lines about renaming."""
    names, waiting = {name}, [name]
    while waiting:
        current = waiting.pop()
        for detail in db.session.scalars(
            select(LogEntry.detail).where(
                LogEntry.action == "changed a member", LogEntry.subject == current
            )
        ):
            match = re.match(r"name was ([^;]+)", detail)
            if match and match[1] not in names:
                names.add(match[1])
                waiting.append(match[1])
    return names


def _forget_in_log(name: str) -> None:
    db.session.execute(
        update(LogEntry)
        .where(LogEntry.subject == name)
        .values(subject=NAMELESS)
        .execution_options(synchronize_session=False)
    )
    wanted = _word(name)
    for entry_id, subject, detail in db.session.execute(
        select(LogEntry.id, LogEntry.subject, LogEntry.detail).where(
            LogEntry.detail.contains(name, autoescape=True)
            | LogEntry.subject.contains(name, autoescape=True)
        )
    ).all():
        db.session.execute(
            update(LogEntry)
            .where(LogEntry.id == entry_id)
            .values(
                subject=wanted.sub(NAMELESS, subject)[:200], detail=wanted.sub(NAMELESS, detail)
            )
            .execution_options(synchronize_session=False)
        )


def _word(name: str) -> re.Pattern[str]:
    return re.compile(rf"(?<!\w){re.escape(name)}(?!\w)")


def _mentions(name: str) -> Iterator[str]:
    """Notes of any table in which the name stands as a word; people wrote them, people judge."""
    wanted = _word(name)
    for each in Base.metadata.sorted_tables:
        if each.name in {"member", "log_entry"}:
            continue
        for c in each.columns:
            if not isinstance(c.type, String | Text):
                continue
            for value in db.session.scalars(select(c).where(c.contains(name, autoescape=True))):
                if value and wanted.search(value):
                    yield f"{each.name}.{c.name}"
