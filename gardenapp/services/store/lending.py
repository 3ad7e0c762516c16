"""Lending: who has what, until when, and what is overdue."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import joinedload

from gardenapp.errors import AlreadyClaimed, FieldRefused, NotAllowed
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.store import Loan, Lot
from gardenapp.services import change_log
from gardenapp.services.store import ledger
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.things import may_borrow, may_own, may_return
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

USUAL_DAYS = 14
MOST_DAYS = 366


@dataclass(frozen=True)
class LoanLine:
    """One thing or quantity that somebody has."""

    is_lot: bool
    id: int
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
    is_lot: bool,
    subject_id: int,
    to_id: int,
    due_on: date,
    today: date,
    quantity_milli: int | None = None,
    note: str = "",
    member: Member,
    now: datetime,
    request_key: str = "",
) -> None:
    """Lend a thing, or some of a lot, to a member.

    Anybody borrows for themselves what is shared with the garden; the owner and coordinators
    lend to anybody. The first to ask wins.

    Raises NotFound, NotAllowed, FieldRefused, AlreadyClaimed with who has it, Impossible.
    """
    if not today <= due_on <= today + timedelta(days=MOST_DAYS):
        raise FieldRefused("due_on", _("Choose a day from today to a year from now."))
    try:
        with write_transaction() as session:
            if ledger.is_done(request_key):
                return
            subject = ledger.lock_lot(subject_id) if is_lot else ledger.lock_cover(subject_id)
            to = session.get(Member, to_id)
            if to is None or not to.is_active:
                raise FieldRefused("to_id", _("Choose a member from the list."))
            if not may_own(subject, member) and (
                to_id != member.id or not may_borrow(subject, member)
            ):
                raise NotAllowed(_("Its owner does not lend it, or you lend it for somebody else."))
            ledger.write(
                subject,
                Happening(
                    "lent",
                    quantity_milli=quantity_milli if is_lot else None,
                    other_member_id=to_id,
                    due_on=due_on,
                    note=note,
                ),
                at=now,
                member_id=member.id,
                request_key=request_key or None,
            )
            change_log.record(
                action="lent",
                subject=_name(subject),
                detail=f"to {to.name} until {due_on.isoformat()}",
                at=now,
                member_id=member.id,
            )
    except IntegrityError:  # the transaction has been rolled back
        if ledger.is_done(request_key):
            return
        raise AlreadyClaimed(_("Somebody was first: it is lent now.")) from None


def give_back(
    *,
    is_lot: bool,
    subject_id: int,
    from_id: int,
    quantity_milli: int | None = None,
    place_id: int | None = None,
    condition: str | None = None,
    note: str = "",
    member: Member,
    now: datetime,
    request_key: str = "",
) -> None:
    """Say that something lent came back: whoever has it, its owner or a coordinator.

    Raises NotFound, NotAllowed, Impossible.
    """
    with write_transaction():
        if ledger.is_done(request_key):
            return
        subject = ledger.lock_lot(subject_id) if is_lot else ledger.lock_cover(subject_id)
        if isinstance(subject, Cover) and subject.holder_id is not None:
            from_id = subject.holder_id
        if not may_return(subject, from_id, member):
            raise NotAllowed(_("Only whoever has it, its owner or a coordinator says it is back."))
        ledger.write(
            subject,
            Happening(
                "returned",
                quantity_milli=quantity_milli if is_lot else None,
                other_member_id=from_id,
                place_id=None if is_lot else place_id,
                condition=None if is_lot else condition,
                note=note,
            ),
            at=now,
            member_id=member.id,
            request_key=request_key or None,
        )
        change_log.record(action="came back", subject=_name(subject), at=now, member_id=member.id)


def list_loans(*, member: Member, today: date) -> tuple[LoanLine, ...]:
    """What is lent, the longest overdue first."""
    rows = db.session.scalars(
        select(Loan)
        .where(Loan.is_open.is_(True))
        .options(joinedload(Loan.cover), joinedload(Loan.lot), joinedload(Loan.member))
    )
    lines = []
    for loan in rows:
        subject = loan.cover or loan.lot
        if subject is None:
            continue
        lines.append(
            LoanLine(
                is_lot=isinstance(subject, Lot),
                id=subject.id,
                name=subject.name if isinstance(subject, Lot) else subject.label,
                unit=subject.unit if isinstance(subject, Lot) else "piece",
                quantity_milli=loan.quantity_milli,
                member_id=loan.member_id,
                member=loan.member.name,
                lent_at=loan.lent_at,
                due_on=loan.due_on,
                is_overdue=loan.due_on is not None and loan.due_on < today,
                may_return=may_return(subject, loan.member_id, member),
            )
        )
    return tuple(sorted(lines, key=lambda line: (line.due_on or date.max, line.name)))


def _name(subject: Cover | Lot) -> str:
    return f"material {subject.name}" if isinstance(subject, Lot) else f"thing {subject.label}"
