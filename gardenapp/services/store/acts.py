"""What happens to things and materials: who may say so, and what it must be to be written.

Each act that is one entry of the ledger has a judge in `JUDGES`. `do` holds the row, asks the
judge and writes, the same way for all of them. What is more than one entry (a thing taken apart
gives its parts back) adds the rest in the same transaction.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from gardenapp.errors import AlreadyClaimed, FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.services import change_log
from gardenapp.services.store import ledger
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.subjects import (
    Row,
    Subject,
    called,
    check_handle,
    check_own,
    check_place,
    check_quantity,
    in_the_log,
    may_borrow,
    may_own,
    may_return,
    subject_of,
    thing,
)
from gardenapp.services.store.things import WENT_WORDS, parts_of, why_not_undo
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

# Raises where it may not be; gives what is to be written, or None where it is so already.
Judge = Callable[[Row, Happening, Member], Happening | None]


def do(
    *,
    subject: Subject,
    happening: Happening,
    member: Member,
    now: datetime,
    form_key: str = "",
    then: Callable[[Row, LedgerEntry], None] | None = None,
) -> None:
    """Let `member` say what happened to a thing or a material. The same form is written once.

    `then` writes what goes with it, in the same transaction. The first to say so wins: the
    database's own uniqueness decides between two at once.

    Raises NotFound, NotAllowed, FieldRefused, Impossible, and AlreadyClaimed with who has it.
    """
    try:
        with write_transaction():
            if ledger.is_done(form_key):
                return
            row = subject.lock()
            judged = JUDGES[happening.action](row, happening, member)
            if judged is None:
                return
            entry = write_down(row, judged, member, now, form_key)
            if then is not None:
                then(row, entry)
    except IntegrityError:  # the transaction has been rolled back
        if ledger.is_done(form_key):
            return
        if happening.action != "lent":
            raise
        raise AlreadyClaimed(_("Somebody was first: it is lent out now.")) from None


def write_down(
    row: Row, happening: Happening, member: Member, now: datetime, form_key: str
) -> LedgerEntry:
    """An entry of a held row, in the ledger and in the garden's log."""
    entry = ledger.write(row, happening, at=now, member_id=member.id, form_key=form_key or None)
    action, detail = f"store: {happening.action}", happening.note
    if happening.action == "lent" and happening.due_on is not None:
        to = db.session.get(Member, happening.other_member_id or 0)
        name = to.name if to is not None else ""
        action, detail = "lent", f"to {name} until {happening.due_on.isoformat()}"
    elif happening.action == "returned":
        action, detail = "came back", ""
    change_log.record(
        action=action, subject=in_the_log(row), detail=detail, at=now, member_id=member.id
    )
    return entry


# --- the judges -------------------------------------------------------------------------------


def _lent(row: Row, said: Happening, member: Member) -> Happening:
    """Anybody borrows for themselves what is shared; its owner and coordinators lend to anybody."""
    to = db.session.get(Member, said.other_member_id or 0)
    if to is None or not to.is_active:
        raise FieldRefused("to_id", _("Choose a member from the list."))
    if not may_own(row, member) and (to.id != member.id or not may_borrow(row, member)):
        raise NotAllowed(_("Its owner does not lend it, or you are lending it for somebody else."))
    return said


def _returned(row: Row, said: Happening, member: Member) -> Happening:
    """Whoever has it, its owner or a coordinator; a thing is with one person, whoever is named."""
    if isinstance(row, Cover) and row.holder_id is not None:
        said = replace(said, other_member_id=row.holder_id)
    if not may_return(row, said.other_member_id or 0, member):
        raise NotAllowed(_("Only whoever has it, its owner or a coordinator can say it is back."))
    return said


def _moved(row: Row, said: Happening, member: Member) -> Happening | None:
    check_handle(row, member)
    check_place(said.place_id)
    # That a missing thing is where it always was is news: it was found.
    is_missing = isinstance(row, Cover) and row.status == "missing"
    return said if said.place_id != row.place_id or is_missing else None


def _damaged(_row: Row, said: Happening, _member: Member) -> Happening:
    """Anybody of the garden may say so: it is a fact."""
    return said


def _mended(row: Row, said: Happening, member: Member) -> Happening:
    check_handle(row, member)
    return said


def _retired(row: Row, said: Happening, member: Member) -> Happening:
    """A thing leaves whole, and its owner says so; of a material some is gone."""
    check_went(said.went_to)
    if isinstance(row, Cover):
        check_own(row, member)
        return said
    if said.went_to == "parts":
        raise FieldRefused("went_to", _("Choose where it went."))
    return _some(row, said, member)


def _some(row: Row, said: Happening, member: Member) -> Happening:
    """So much of a material came, was used on a plot or is back from there."""
    check_handle(row, member)
    if isinstance(row, Lot):
        check_quantity(said.quantity_milli or 0, row.unit)
    return said


def _counted(row: Row, said: Happening, member: Member) -> Happening:
    """So much is there; none at all is a count too."""
    if said.quantity_milli:
        return _some(row, said, member)
    check_handle(row, member)
    return said


JUDGES: dict[str, Judge] = {
    "acquired": _some,
    "lent": _lent,
    "returned": _returned,
    "deployed": _some,
    "brought back": _some,
    "moved": _moved,
    "damaged": _damaged,
    "mended": _mended,
    "counted": _counted,
    "retired": _retired,
}


def check_went(went_to: str | None) -> None:
    """Raises FieldRefused for a place that things do not go to."""
    if went_to not in WENT_WORDS:
        raise FieldRefused("went_to", _("Choose where it went."))


# --- more than one entry ----------------------------------------------------------------------


def retire_thing(
    *,
    cover_id: int,
    happening: Happening,
    keep_part_ids: tuple[int, ...] = (),
    member: Member,
    now: datetime,
    form_key: str = "",
) -> None:
    """Say that a thing left, and where it went; parts worth keeping go back to their lots.

    Raises NotFound, NotAllowed, FieldRefused, AlreadyClaimed where it is lent or on a bed.
    """
    check_went(happening.went_to)
    if keep_part_ids and happening.went_to != "parts":
        raise FieldRefused("went_to", _("Parts come back only from an item that is taken apart."))

    def give_parts_back(row: Row, entry: LedgerEntry) -> None:
        parts = {part.id: part for part in parts_of(cover_id)}
        if any(part_id not in parts for part_id in keep_part_ids):
            raise FieldRefused("went_to", _("One of those parts is not in it."))
        for part_id in keep_part_ids:
            part = parts[part_id]
            made = Happening("made", quantity_milli=part.quantity_milli, note=f"from {called(row)}")
            ledger.write(
                ledger.lock_lot(part.lot_id),
                made,
                at=now,
                member_id=member.id,
                caused_by_id=entry.id,
            )

    do(
        subject=thing(cover_id),
        happening=happening,
        member=member,
        now=now,
        form_key=form_key,
        then=give_parts_back,
    )


def undo_entry(*, entry_id: int, member: Member, now: datetime) -> Subject:
    """Take an entry back with a counter-entry; gives whose it was.

    Raises NotFound, NotAllowed, Refused where something has happened since.
    """
    with write_transaction() as session:
        entry = session.get(LedgerEntry, entry_id)
        if entry is None:
            raise NotFound(_("We can’t find that entry."))
        subject = subject_of(entry)
        taken = session.scalar(select(LedgerEntry.id).where(LedgerEntry.reverses_id == entry_id))
        if taken is not None:
            return subject  # pressed twice
        why_not = why_not_undo(entry, member)
        if why_not is not None:
            raise why_not
        ledger.undo(entry, at=now, member_id=member.id)
        change_log.record(
            action="took back in the store",
            subject=f"{entry.action}: {called(subject.lock())}",
            at=now,
            member_id=member.id,
        )
        return subject


def set_photo(*, subject: Subject, photo: str | None, member: Member, now: datetime) -> str | None:
    """Keep the name of a picture that was stored, or none; gives the name of the one before."""
    with write_transaction() as session:
        row = subject.lock()
        check_handle(row, member)
        before, row.photo = row.photo, photo
        session.flush()
        change_log.record(
            action="picture changed",
            subject=row.name if isinstance(row, Lot) else in_the_log(row),
            at=now,
            member_id=member.id,
        )
        return before
