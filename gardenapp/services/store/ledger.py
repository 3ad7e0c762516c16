"""The one place where the ledger is written: an entry and the state it leads to, together.

Every change of a cover's or a lot's place, condition, quantity or whereabouts goes through
`write`. It locks the row, adds up what has happened so far, lets the pure rules judge the new
entry, and writes entry and state in the caller's transaction. Three things keep two people at
once apart, and each would do alone: the lock, the count of entries that must still be the
same when the state is written, and the database's own unique indexes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, cast

from sqlalchemy import CursorResult, select, update

from gardenapp.errors import AlreadyClaimed
from gardenapp.extensions import db
from gardenapp.messages import Day, Words, say
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot
from gardenapp.models.store import LedgerEntry, Loan, Lot
from gardenapp.science.store.ledger import (
    Entry,
    Impossible,
    LotState,
    NotHere,
    ThingState,
    apply_to_lot,
    apply_to_thing,
    replay_lot,
    replay_thing,
)
from gardenapp.services.store.subjects import (
    Row,
    Subject,
    in_the_log,
    material,
    subject_of,
    thing,
)
from gardenapp.words import _, later

OPENING = later("was here before we kept records")


@dataclass(frozen=True)
class Happening:
    """What happened, as a service says it; the ledger adds who, when and the number."""

    action: str
    quantity_milli: int | None = None
    place_id: int | None = None
    other_member_id: int | None = None
    due_on: date | None = None
    condition: str | None = None
    night_of: date | None = None
    plot_id: int | None = None
    went_to: str | None = None
    note: str = ""


def lock_cover(cover_id: int) -> Cover:
    """The cover, held for this transaction. Raises NotFound."""
    return cast(Cover, thing(cover_id).lock())


def lock_lot(lot_id: int) -> Lot:
    """The lot, held for this transaction. Raises NotFound."""
    return cast(Lot, material(lot_id).lock())


def is_done(form_key: str | None) -> bool:
    """Whether this very form was written before: sent twice, it does its work once."""
    if not form_key:
        return False
    query = select(LedgerEntry.id).where(LedgerEntry.form_key == form_key)
    return db.session.scalar(query) is not None


def write(
    subject: Row,
    happening: Happening,
    *,
    at: datetime,
    member_id: int | None,
    caused_by_id: int | None = None,
    form_key: str | None = None,
) -> LedgerEntry:
    """Add an entry to a locked cover or lot and keep the state it leads to.

    Raises Impossible where that cannot have happened, AlreadyClaimed with who has it where the
    thing is lent or on a bed, or where somebody changed it at the same moment.
    """
    number = subject.ledger_number + 1
    if number == 1 and happening.action not in {"acquired", "made"}:
        _open(subject, at)
        number = subject.ledger_number + 1
    facts = vars(happening)
    row = LedgerEntry(
        at=at,
        member_id=member_id,
        number=number,
        caused_by_id=caused_by_id,
        form_key=form_key or None,
        **facts,
    )
    # The note is for people; the rules do not read it.
    judged = {name: value for name, value in facts.items() if name != "note"}
    entry = Entry(number=number, at=at, member_id=member_id, **judged)
    return _keep(subject, entry, row)


def undo(entry: LedgerEntry, *, at: datetime, member_id: int | None) -> None:
    """Take back an entry and what it caused, each with a counter-entry.

    Raises Impossible where something has happened since.
    """
    caused = list(
        db.session.scalars(
            select(LedgerEntry)
            .where(LedgerEntry.caused_by_id == entry.id)
            .order_by(LedgerEntry.id.desc())
        )
    )
    for one in [*caused, entry]:
        subject = subject_of(one).lock()
        number = subject.ledger_number + 1
        row = LedgerEntry(
            at=at, member_id=member_id, action="reversed", number=number, reverses_id=one.id
        )
        _keep(subject, Entry(number, "reversed", at, member_id, reverses=one.number), row)


def _open(subject: Row, at: datetime) -> None:
    """The first entry of something that was written down before it had a ledger."""
    quantity = subject.on_hand_milli if isinstance(subject, Lot) else None
    write(
        subject,
        Happening(
            "acquired",
            quantity_milli=quantity,
            place_id=subject.place_id,
            condition=subject.condition,
            note=OPENING,
        ),
        at=at,
        member_id=None,
    )


def _keep(subject: Row, entry: Entry, row: LedgerEntry) -> LedgerEntry:
    session = db.session
    past = entries_of(subject)
    state: ThingState | LotState
    try:
        if isinstance(subject, Cover):
            row.cover_id = subject.id
            before = replay_thing(past)
            state = apply_to_thing(before, entry)
            values = thing_columns(state)
            values["is_usable"] = _is_usable(subject.is_usable, before, state)
            table: type[Cover] | type[Lot] = Cover
        else:
            row.lot_id = subject.id
            state = apply_to_lot(replay_lot(past), entry)
            values = lot_columns(state)
            table = Lot
    except NotHere as refusal:
        raise AlreadyClaimed(_whereabouts(refusal)) from None
    result = session.execute(
        update(table)
        .where(table.id == subject.id, table.ledger_number == entry.number - 1)
        .values(ledger_number=entry.number, **values)
        .execution_options(synchronize_session=False)
    )
    assert isinstance(result, CursorResult)
    if result.rowcount != 1:
        raise AlreadyClaimed(_("Somebody changed this at the same moment. Look at it again."))
    session.add(row)
    session.flush()
    _keep_loans(subject, state, entry.at)
    session.refresh(subject)
    return row


def entries_of(subject: Row) -> list[Entry]:
    """All that happened to a cover or a lot, in its order, as the pure rules read it."""
    query = select(LedgerEntry).where(subject_of(subject).owns(LedgerEntry))
    return as_entries(db.session.scalars(query.order_by(LedgerEntry.number)))


def as_entries(rows: Iterable[LedgerEntry]) -> list[Entry]:
    """Rows of one cover or lot, in order, as the pure rules read them."""
    number_of: dict[int, int] = {}
    entries = []
    for row in rows:
        number_of[row.id] = row.number
        entries.append(
            Entry(
                number=row.number,
                action=row.action,
                at=row.at,
                member_id=row.member_id,
                quantity_milli=row.quantity_milli,
                place_id=row.place_id,
                other_member_id=row.other_member_id,
                due_on=row.due_on,
                condition=row.condition,
                night_of=row.night_of,
                plot_id=row.plot_id,
                went_to=row.went_to,
                reverses=number_of.get(row.reverses_id) if row.reverses_id is not None else None,
            )
        )
    return entries


def thing_columns(state: ThingState) -> dict[str, Any]:
    """What a cover's row says in this state."""
    return {
        "status": state.status,
        "place_id": state.place_id,
        "condition": state.condition,
        "holder_id": state.holder_id,
        "due_on": state.due_on,
        "went_to": state.went_to,
    }


def lot_columns(state: LotState) -> dict[str, Any]:
    """What a lot's row says in this state."""
    return {
        "place_id": state.place_id,
        "condition": state.condition,
        "on_hand_milli": state.on_hand_milli,
        "lent_milli": state.lent_milli,
        "out_milli": state.out_milli,
    }


def _is_usable(present: bool, before: ThingState, after: ThingState) -> bool:
    """Broken and retired is not ready to use; mended is. Else it is what somebody ticked."""

    def bad(state: ThingState) -> bool:
        return state.condition == "broken" or state.status == "retired"

    if bad(after):
        return False
    return True if bad(before) and before.status != "none" else present


def loans_in(subject: Row, state: ThingState | LotState) -> dict[int, tuple[int, date | None]]:
    """Who has how much until when, in this state."""
    if isinstance(state, ThingState):
        if state.status != "lent" or state.holder_id is None:
            return {}
        return {state.holder_id: (1_000, state.due_on)}
    return {loan.member_id: (loan.quantity_milli, loan.due_on) for loan in state.loans}


def open_loans(subject: Row) -> list[Loan]:
    """The loans of a cover or lot that the table has open."""
    own = subject_of(subject).owns(Loan)
    return list(db.session.scalars(select(Loan).where(own, Loan.is_open.is_(True))))


def _keep_loans(subject: Row, state: ThingState | LotState, at: datetime) -> None:
    """Make the table of loans say what the state says."""
    wanted = loans_in(subject, state)
    for loan in open_loans(subject):
        now_lent = wanted.pop(loan.member_id, None)
        if now_lent is None:
            loan.is_open, loan.closed_at = False, at
        else:
            loan.quantity_milli, loan.due_on = now_lent
    db.session.flush()
    for member_id, (quantity, due_on) in wanted.items():
        db.session.add(
            Loan(
                cover_id=subject.id if isinstance(subject, Cover) else None,
                lot_id=subject.id if isinstance(subject, Lot) else None,
                member_id=member_id,
                quantity_milli=quantity,
                lent_at=at,
                due_on=due_on,
            )
        )
    db.session.flush()


def _whereabouts(refusal: NotHere) -> Words:
    """Where it is, in names, for the one who came second."""
    state = refusal.state
    if state.status == "lent":
        holder = db.session.get(Member, state.holder_id or 0)
        name = holder.name if holder else say("a member")
        if state.due_on is None:
            return say("Somebody was first: %(name)s has it.", name=name)
        return say(
            "Somebody was first: %(name)s has it until %(day)s.", name=name, day=Day(state.due_on)
        )
    if state.status == "out":
        plot = db.session.get(Plot, state.plot_id or 0)
        label = plot.label if plot else "?"
        return say("It is on plot %(plot)s now. Take it off there first.", plot=label)
    return refusal.message


# --- the proof --------------------------------------------------------------------------------


def differences() -> list[str]:
    """Where present state is not what the ledger adds up to; empty when all is well.

    Reads everything afresh: what this session has in memory proves nothing.
    """
    db.session.rollback()
    db.session.expire_all()
    found: list[str] = []
    entries: dict[Subject, list[LedgerEntry]] = {}
    for entry in db.session.scalars(select(LedgerEntry).order_by(LedgerEntry.number)):
        entries.setdefault(subject_of(entry), []).append(entry)
    loans: dict[Subject, dict[int, tuple[int, date | None]]] = {}
    for loan in db.session.scalars(select(Loan).where(Loan.is_open.is_(True))):
        lent = loans.setdefault(subject_of(loan), {})
        lent[loan.member_id] = (loan.quantity_milli, loan.due_on)
    rows: list[Row] = [
        *db.session.scalars(select(Cover).order_by(Cover.id)),
        *db.session.scalars(select(Lot).order_by(Lot.id)),
    ]
    for row in rows:
        subject = subject_of(row)
        name = f"{in_the_log(row)} ({row.code})" if isinstance(row, Lot) else in_the_log(row)
        if subject in entries:
            found += _differs(name, row, entries[subject], loans.get(subject, {}))
        elif isinstance(row, Lot):
            found.append(f"{name}: the ledger has nothing of it")
        elif row.status != "here" or row.ledger_number:
            found.append(f"{name}: is {row.status}, and the ledger has nothing of it")
    return found


def _differs(
    name: str,
    subject: Row,
    rows: list[LedgerEntry],
    loans: dict[int, tuple[int, date | None]],
) -> list[str]:
    found = []
    if [row.number for row in rows] != list(range(1, len(rows) + 1)):
        return [f"{name}: its entries are not numbered 1 to {len(rows)}"]
    entries = as_entries(rows)
    try:
        if isinstance(subject, Cover):
            thing = replay_thing(entries)
            state: ThingState | LotState = thing
            wanted = thing_columns(thing)
        else:
            lot = replay_lot(entries)
            state, wanted = lot, lot_columns(lot)
            if not lot.is_balanced():
                found.append(f"{name}: what came in and what is accounted for differ")
    except Impossible as refusal:
        return [f"{name}: its entries cannot have happened: {refusal}"]
    wanted["ledger_number"] = len(rows)
    for column, value in wanted.items():
        present = getattr(subject, column)
        if present != value:
            found.append(f"{name}: {column} is {present}, the ledger adds up to {value}")
    if loans != loans_in(subject, state):
        found.append(f"{name}: its open loans are not those of the ledger")
    return found
