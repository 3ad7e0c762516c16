"""Needs and offers: what members ask for and have to spare, and what tonight's plan is short of."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.people import Member
from gardenapp.models.store import Notice
from gardenapp.services import change_log
from gardenapp.services.clockwork import tonight
from gardenapp.services.kept_plans import stories_of
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later

KIND_WORDS = {"ask": later("looking for"), "offer": later("to spare")}


@dataclass(frozen=True)
class NoticeLine:
    """An ask or an offer."""

    id: int
    kind: str
    what: str
    how_much: str
    note: str
    member: str
    made_at: datetime
    may_close: bool


@dataclass(frozen=True)
class Shortage:
    """What one planting of tonight's plan would need. [cm]"""

    planting_id: int
    name: str
    plot: str
    plants: int
    units_wanted: int | None
    needs_height_cm: float | None
    needs_spread_cm: float | None


def list_notices(*, member: Member) -> tuple[NoticeLine, ...]:
    """The open asks and offers, the newest first."""
    rows = db.session.scalars(
        select(Notice)
        .where(Notice.closed_at.is_(None))
        .options(joinedload(Notice.member))
        .order_by(Notice.made_at.desc(), Notice.id.desc())
        .limit(200)
    )
    return tuple(
        NoticeLine(
            id=row.id,
            kind=row.kind,
            what=row.what,
            how_much=row.how_much,
            note=row.note,
            member=row.member.name,
            made_at=row.made_at,
            may_close=member.is_coordinator or row.member_id == member.id,
        )
        for row in rows
    )


def add_notice(
    *,
    kind: str,
    what: str,
    how_much: str,
    note: str,
    member: Member,
    now: datetime,
    form_key: str = "",
) -> int:
    """Ask for something or offer it; the same form once. Raises FieldRefused."""
    if kind not in KIND_WORDS:
        raise FieldRefused("kind", _("Choose whether you look for it or have it to spare."))
    with write_transaction() as session:
        if form_key:
            before = session.scalar(select(Notice.id).where(Notice.form_key == form_key))
            if before is not None:
                return before
        notice = Notice(
            kind=kind,
            what=what,
            how_much=how_much,
            note=note,
            member_id=member.id,
            made_at=now,
            form_key=form_key or None,
        )
        session.add(notice)
        session.flush()
        change_log.record(
            action="asked for" if kind == "ask" else "offered",
            subject=what,
            at=now,
            member_id=member.id,
        )
        return notice.id


def close_notice(*, notice_id: int, member: Member, now: datetime) -> None:
    """It is found or gone: whoever wrote it, or a coordinator. Twice does it once.

    Raises NotFound, NotAllowed.
    """
    with write_transaction() as session:
        notice = session.get(Notice, notice_id)
        if notice is None:
            raise NotFound(_("We can’t find that note."))
        if not member.is_coordinator and notice.member_id != member.id:
            raise NotAllowed(_("Only whoever wrote it, or a coordinator, can take it down."))
        if notice.closed_at is not None:
            return
        notice.closed_at, notice.closed_by_id = now, member.id
        change_log.record(
            action="note taken down", subject=notice.what, at=now, member_id=member.id
        )


def list_shortages(*, now: datetime) -> tuple[Shortage, ...]:
    """What tonight's plan cannot save, and how many covers of what size would."""
    plan = db.session.scalar(
        select(Plan).where(Plan.night_of == tonight(now), Plan.is_current.is_(True))
    )
    return tuple(
        Shortage(
            planting_id=story.planting_id,
            name=story.name,
            plot=story.plot,
            plants=story.lost,
            units_wanted=story.reason.units_wanted if story.reason else None,
            needs_height_cm=story.reason.needs_height_cm if story.reason else None,
            needs_spread_cm=story.reason.needs_spread_cm if story.reason else None,
        )
        for story in (() if plan is None else stories_of(plan))
        if story.status == "short"
    )
