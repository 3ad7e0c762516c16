"""The store: materials, the ledger of what happened to things, loans, asks and offers.

A thing is a cover; what is counted or measured is a lot. The ledger is added to and never
changed: present state is kept in columns for quick reading and always equals what the
ledger's entries add up to.
"""

from __future__ import annotations

from datetime import date

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint, event, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.covers import Cover, new_code
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.models.types import Key, LineText, LongText, Moment, ShortText

UNITS = ("piece", "m", "m2", "kg", "l")
SORTS = (
    "film",
    "timber",
    "pallet",
    "box",
    "bag",
    "fleece",
    "glass",
    "string",
    "hoop",
    "ballast",
    "leaves",
    "tool",
    "other",
)
ACTIONS = (
    "acquired",
    "made",
    "lent",
    "returned",
    "deployed",
    "brought back",
    "moved",
    "damaged",
    "mended",
    "cut",
    "counted",
    "retired",
    "reversed",
)


class Lot(Base):
    """A quantity of one material, counted or measured. Quantities are in thousandths."""

    __tablename__ = "lot"
    __table_args__ = (
        CheckConstraint("unit IN ('piece', 'm', 'm2', 'kg', 'l')", name="unit"),
        CheckConstraint("lending IN ('garden', 'own plots')", name="lending"),
        CheckConstraint("condition IN ('sound', 'worn', 'broken')", name="condition"),
        CheckConstraint("on_hand_milli >= 0", name="on_hand"),
        CheckConstraint("lent_milli >= 0", name="lent"),
        CheckConstraint("out_milli >= 0", name="out"),
        Index("ix_lot_place", "place_id"),
    )

    id: Mapped[Key]
    code: Mapped[str] = mapped_column(String(16), unique=True, default=new_code)
    name: Mapped[ShortText]
    sort: Mapped[ShortText] = mapped_column(default="other")
    unit: Mapped[str] = mapped_column(String(8), default="piece")
    # Film and fleece have a width and a thickness; timber a length and a section.
    width_cm: Mapped[float | None]
    thickness_um: Mapped[float | None]
    length_mm: Mapped[float | None]
    section: Mapped[ShortText] = mapped_column(default="")
    resin: Mapped[str] = mapped_column(String(8), default="")
    # The treatment code of ISPM 15 on a pallet; `none` where there is none to read.
    mark: Mapped[str] = mapped_column(String(8), default="")
    wood: Mapped[str] = mapped_column(String(16), default="")
    is_for_beds: Mapped[bool] = mapped_column(default=True)
    owner_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    lending: Mapped[str] = mapped_column(String(16), default="garden")
    origin: Mapped[str] = mapped_column(String(16), default="")
    cost_hundredths: Mapped[int | None]
    acquired_on: Mapped[date | None]
    note: Mapped[LongText] = mapped_column(default="")
    photo: Mapped[str | None] = mapped_column(String(80), default=None)
    # Made with the form: sending the same form twice finds the lot of the first time.
    form_key: Mapped[str | None] = mapped_column(String(80), default=None, unique=True)
    # What the ledger adds up to
    place_id: Mapped[int | None] = mapped_column(ForeignKey("store_place.id", ondelete="SET NULL"))
    condition: Mapped[str] = mapped_column(String(16), default="sound")
    on_hand_milli: Mapped[int] = mapped_column(default=0)
    lent_milli: Mapped[int] = mapped_column(default=0)
    out_milli: Mapped[int] = mapped_column(default=0)
    ledger_number: Mapped[int] = mapped_column(default=0)

    owner: Mapped[Member | None] = relationship()
    place: Mapped[StorePlace | None] = relationship()


class LedgerEntry(Base):
    """One thing that happened to one cover or one lot. Added, never changed, never deleted."""

    __tablename__ = "ledger_entry"
    __table_args__ = (
        CheckConstraint("(cover_id IS NULL) <> (lot_id IS NULL)", name="one_subject"),
        CheckConstraint("quantity_milli >= 0", name="quantity"),
        # Two people at once cannot both write the next entry of the same thing.
        UniqueConstraint("cover_id", "number"),
        UniqueConstraint("lot_id", "number"),
        UniqueConstraint("reverses_id"),
        UniqueConstraint("request_key"),
        Index("ix_ledger_entry_at", "at"),
        Index("ix_ledger_entry_cause", "caused_by_id"),
    )

    id: Mapped[Key]
    at: Mapped[Moment]
    member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    action: Mapped[str] = mapped_column(String(16))
    cover_id: Mapped[int | None] = mapped_column(ForeignKey("cover.id", ondelete="RESTRICT"))
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id", ondelete="RESTRICT"))
    # Counts the entries of one cover or lot from 1.
    number: Mapped[int]
    quantity_milli: Mapped[int | None]
    place_id: Mapped[int | None] = mapped_column(ForeignKey("store_place.id", ondelete="RESTRICT"))
    other_member_id: Mapped[int | None] = mapped_column(
        ForeignKey("member.id", ondelete="RESTRICT")
    )
    due_on: Mapped[date | None]
    condition: Mapped[str | None] = mapped_column(String(16))
    night_of: Mapped[date | None]
    plot_id: Mapped[int | None] = mapped_column(ForeignKey("plot.id", ondelete="RESTRICT"))
    went_to: Mapped[str | None] = mapped_column(String(24))
    note: Mapped[LongText] = mapped_column(default="")
    reverses_id: Mapped[int | None] = mapped_column(
        ForeignKey("ledger_entry.id", ondelete="RESTRICT")
    )
    # A cut makes pieces, a cover taken apart gives its parts back: undone together.
    caused_by_id: Mapped[int | None] = mapped_column(
        ForeignKey("ledger_entry.id", ondelete="RESTRICT")
    )
    # As `form_key` elsewhere, the form this was sent with; the column has its older name.
    form_key: Mapped[str | None] = mapped_column("request_key", String(80), default=None)

    member: Mapped[Member | None] = relationship(foreign_keys=[member_id])
    other_member: Mapped[Member | None] = relationship(foreign_keys=[other_member_id])
    place: Mapped[StorePlace | None] = relationship()
    plot: Mapped[Plot | None] = relationship()


@event.listens_for(LedgerEntry, "before_update")
@event.listens_for(LedgerEntry, "before_delete")
def _refuse_change(_mapper: object, _connection: object, entry: LedgerEntry) -> None:
    raise RuntimeError(f"ledger entry {entry.id} cannot be changed; write a counter-entry")


class Loan(Base):
    """Who has what until when. The index lets a cover be lent to one person at a time."""

    __tablename__ = "loan"
    __table_args__ = (
        CheckConstraint("(cover_id IS NULL) <> (lot_id IS NULL)", name="one_subject"),
        Index(
            "uq_loan_open_cover",
            "cover_id",
            unique=True,
            sqlite_where=text("is_open"),
            postgresql_where=text("is_open"),
        ),
        Index(
            "uq_loan_open_lot_member",
            "lot_id",
            "member_id",
            unique=True,
            sqlite_where=text("is_open"),
            postgresql_where=text("is_open"),
        ),
    )

    id: Mapped[Key]
    cover_id: Mapped[int | None] = mapped_column(ForeignKey("cover.id", ondelete="RESTRICT"))
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id", ondelete="RESTRICT"))
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="RESTRICT"), index=True)
    quantity_milli: Mapped[int]
    lent_at: Mapped[Moment]
    due_on: Mapped[date | None]
    is_open: Mapped[bool] = mapped_column(default=True)
    closed_at: Mapped[Moment | None]

    cover: Mapped[Cover | None] = relationship()
    lot: Mapped[Lot | None] = relationship()
    member: Mapped[Member] = relationship()


class CoverPart(Base):
    """What a cover is made of: so much of a lot, and whether it can be used again."""

    __tablename__ = "cover_part"
    __table_args__ = (
        CheckConstraint("quantity_milli > 0", name="quantity"),
        Index("ix_cover_part_cover", "cover_id"),
    )

    id: Mapped[Key]
    cover_id: Mapped[int] = mapped_column(ForeignKey("cover.id", ondelete="RESTRICT"))
    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id", ondelete="RESTRICT"))
    entry_id: Mapped[int] = mapped_column(ForeignKey("ledger_entry.id", ondelete="RESTRICT"))
    quantity_milli: Mapped[int]

    lot: Mapped[Lot] = relationship()


class Notice(Base):
    """A member asks for a material, or offers one."""

    __tablename__ = "notice"
    __table_args__ = (
        CheckConstraint("kind IN ('ask', 'offer')", name="kind"),
        Index("ix_notice_open", "closed_at"),
    )

    id: Mapped[Key]
    kind: Mapped[str] = mapped_column(String(8))
    what: Mapped[LineText]
    how_much: Mapped[ShortText] = mapped_column(default="")
    note: Mapped[LongText] = mapped_column(default="")
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"))
    made_at: Mapped[Moment]
    closed_at: Mapped[Moment | None]
    closed_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    form_key: Mapped[str | None] = mapped_column(String(80), default=None, unique=True)

    member: Mapped[Member] = relationship(foreign_keys=[member_id])
