"""Lending: who has what, until when, and what is overdue."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.errors import FieldRefused
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.store import Loan, Lot
from gardenapp.services.store import acts
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.subjects import Subject, called, may_return, subject_of
from gardenapp.words import _

USUAL_DAYS = 14
MOST_DAYS = 366


@dataclass(frozen=True)
class LoanLine:
    """One thing or quantity that somebody has."""

    subject: Subject
    name: str
    unit: str
    quantity_milli: int
    member_id: int
    member: str
    lent_at: datetime
    due_on: date | None
    is_overdue: bool
    may_return: bool


def lend(
    *,
    subject: Subject,
    happening: Happening,
    today: date,
    member: Member,
    now: datetime,
    form_key: str = "",
) -> None:
    """Lend a thing, or some of a material, to a member: who, how much and until when is said.

    Anybody borrows for themselves what is shared with the garden; the owner and coordinators
    lend to anybody. The first to ask wins.

    Raises NotFound, NotAllowed, FieldRefused, AlreadyClaimed with who has it, Impossible.
    """
    due_on = happening.due_on
    if due_on is None or not today <= due_on <= today + timedelta(days=MOST_DAYS):
        raise FieldRefused("due_on", _("Choose a day from today to a year from now."))
    acts.do(subject=subject, happening=happening, member=member, now=now, form_key=form_key)


def list_loans(*, member: Member, today: date) -> tuple[LoanLine, ...]:
    """What is lent, the longest overdue first."""
    rows = db.session.scalars(
        select(Loan)
        .where(Loan.is_open.is_(True))
        .options(joinedload(Loan.cover), joinedload(Loan.lot), joinedload(Loan.member))
    )
    lines = []
    for loan in rows:
        row = loan.cover or loan.lot
        if row is None:
            continue
        lines.append(
            LoanLine(
                subject=subject_of(row),
                name=called(row),
                unit=row.unit if isinstance(row, Lot) else "piece",
                quantity_milli=loan.quantity_milli,
                member_id=loan.member_id,
                member=loan.member.name,
                lent_at=loan.lent_at,
                due_on=loan.due_on,
                is_overdue=loan.due_on is not None and loan.due_on < today,
                may_return=may_return(row, loan.member_id, member),
            )
        )
    return tuple(sorted(lines, key=lambda line: (line.due_on or date.max, line.name)))
