"""What the store keeps account of: a thing with its label, or a material by its quantity.

Most of what happens to the two is the same: both have an owner, a home, a condition, a history
and a code on their label. What differs between them stands in this module, once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.plots import StorePlace
from gardenapp.models.store import LedgerEntry, Loan, Lot
from gardenapp.words import _

Row = Cover | Lot
ONE = 1_000
MOST_MILLI = 1_000_000 * ONE


@dataclass(frozen=True)
class SubjectKind:
    """Things or materials: the table of their rows, and what they are called."""

    name: str
    table: type[Cover] | type[Lot]
    column: str  # names one of them in the ledger's and the loans' rows
    is_measured: bool  # there is more or less of it; a thing is one
    missing: str


THING = SubjectKind("thing", Cover, "cover_id", False, "We can’t find that item.")
MATERIAL = SubjectKind("material", Lot, "lot_id", True, "We can’t find that material.")


@dataclass(frozen=True)
class Subject:
    """Which thing or which material."""

    kind: SubjectKind
    id: int

    @property
    def is_measured(self) -> bool:
        """Whether there is more or less of it, as of a material; a thing is one."""
        return self.kind.is_measured

    def lock(self) -> Row:
        """Its row, held for this transaction. Raises NotFound."""
        table: Any = self.kind.table
        query = select(table).where(table.id == self.id)
        # The lock counts on PostgreSQL; on SQLite a writing transaction is alone anyway.
        row: Row | None = db.session.scalar(
            query.with_for_update().execution_options(populate_existing=True)
        )
        if row is None:
            raise NotFound(_(self.kind.missing))
        return row

    def owns(self, table: type[LedgerEntry] | type[Loan]) -> ColumnElement[bool]:
        """Which rows of the ledger, or of the loans, are about it."""
        column: ColumnElement[int] = getattr(table, self.kind.column)
        return column == self.id


def thing(cover_id: int) -> Subject:
    """The thing of this id."""
    return Subject(THING, cover_id)


def material(lot_id: int) -> Subject:
    """The material of this id."""
    return Subject(MATERIAL, lot_id)


def subject_of(row: Row | LedgerEntry | Loan) -> Subject:
    """What a row is, or what an entry of the ledger or a loan is about."""
    if isinstance(row, Cover):
        return thing(row.id)
    if isinstance(row, Lot):
        return material(row.id)
    return thing(row.cover_id) if row.cover_id is not None else material(row.lot_id or 0)


def called(row: Row) -> str:
    """What people call it: a thing's label, a material's name."""
    return row.label if isinstance(row, Cover) else row.name


def in_the_log(row: Row) -> str:
    """How the garden's log names it: `thing tote 7`, `material String`."""
    return f"{subject_of(row).kind.name} {called(row)}"


# --- who may do what --------------------------------------------------------------------------


def may_handle(row: Row, member: Member) -> bool:
    """Move, mend, count, take and cut: its owner, a coordinator, anybody where it is shared."""
    return member.is_coordinator or row.owner_id in {None, member.id}


def may_own(row: Row, member: Member) -> bool:
    """Say that it left, change its words: its owner or a coordinator."""
    return member.is_coordinator or row.owner_id == member.id


def may_borrow(row: Row, member: Member) -> bool:
    """Take it home for a while: what is shared with the whole garden, or one's own."""
    return row.lending == "garden" or may_own(row, member)


def may_return(row: Row, holder_id: int, member: Member) -> bool:
    """Say that it came back: who has it, its owner or a coordinator."""
    return holder_id == member.id or may_own(row, member)


def check_handle(row: Row, member: Member) -> None:
    """Raises NotAllowed unless `may_handle`."""
    if not may_handle(row, member):
        raise NotAllowed(_("It belongs to somebody: only they or a coordinator can do that."))


def check_own(row: Row, member: Member) -> None:
    """Raises NotAllowed unless `may_own`."""
    if not may_own(row, member):
        raise NotAllowed(
            _("Only a coordinator can do that with what belongs to the garden.")
            if row.owner_id is None
            else _("It belongs to somebody: only they or a coordinator can do that.")
        )


# --- what may be said -------------------------------------------------------------------------


def check_place(place_id: int | None) -> None:
    """Raises FieldRefused where there is no such place."""
    if place_id is not None and db.session.get(StorePlace, place_id) is None:
        raise FieldRefused("place_id", _("Choose a place from the list."))


def check_quantity(quantity_milli: int, unit: str, *, field: str = "quantity") -> None:
    """Raises FieldRefused for none, too much, or a part of a piece."""
    if not 0 < quantity_milli <= MOST_MILLI:
        raise FieldRefused(field, _("Enter how much: more than 0, up to a million."))
    if unit == "piece" and quantity_milli % ONE:
        raise FieldRefused(field, _("Pieces are counted whole."))
