"""What members say happened to things and materials, and what then stands in the tables."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.services.store import acts
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lending import lend
from gardenapp.services.store.subjects import Subject
from tests.conftest import NOW

TODAY = NOW.date()
DUE = TODAY + timedelta(days=14)


def fresh(cover_id: int) -> Cover:
    db.session.expire_all()
    cover = db.session.get(Cover, cover_id)
    assert cover is not None
    return cover


def fresh_lot(lot_id: int) -> Lot:
    db.session.expire_all()
    lot = db.session.get(Lot, lot_id)
    assert lot is not None
    return lot


def actions(cover_id: int) -> list[str]:
    query = select(LedgerEntry.action).where(LedgerEntry.cover_id == cover_id)
    return list(db.session.scalars(query.order_by(LedgerEntry.number)))


def say(subject: Subject, member: Member, action: str, **values: Any) -> None:
    """Let `member` say what happened."""
    acts.do(subject=subject, happening=Happening(action, **values), member=member, now=NOW)


def borrow(subject: Subject, to: Member, *, by: Member | None = None, **values: Any) -> None:
    """Lend something to a member; by that member, unless said."""
    said = Happening("lent", other_member_id=to.id, **{"due_on": DUE, **values})
    lend(subject=subject, happening=said, today=TODAY, member=by or to, now=NOW)
