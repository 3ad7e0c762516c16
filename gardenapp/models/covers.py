"""Kinds of cover, and the covers the garden has."""

from __future__ import annotations

import secrets
from datetime import date

from sqlalchemy import CheckConstraint, ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.people import Member
from gardenapp.models.plots import StorePlace
from gardenapp.models.types import Key, LineText, LongText, ShortText

LENDING = ("garden", "own plots")
CONDITIONS = ("sound", "worn", "broken")
# here: in its place; out: on a bed; missing: not found at the last count
COVER_STATUSES = ("here", "out", "lent", "missing", "retired")
# Without those that are mistaken for one another on a wet label.
CODE_LETTERS = "23456789abcdefghjkmnpqrstuvwxyz"
CODE_LENGTH = 8


def new_code() -> str:
    """A short word for a label's address, one of some 8 × 10¹¹."""
    return "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))


class CoverKind(Base):
    """A kind of cover: how it is made, how big it is inside, and what it is believed to add."""

    __tablename__ = "cover_class"
    __table_args__ = (
        CheckConstraint("inner_length_cm > 0", name="inner_length"),
        CheckConstraint("inner_width_cm > 0", name="inner_width"),
        CheckConstraint("inner_height_cm > 0", name="inner_height"),
        CheckConstraint("minutes >= 0", name="minutes"),
        CheckConstraint("clear_sd_k > 0 AND cloudy_sd_k > 0", name="spreads"),
    )

    id: Mapped[Key]
    name: Mapped[ShortText] = mapped_column(unique=True)
    construction: Mapped[ShortText]
    # Which published way of building its lift comes from; copies with other sizes keep it.
    reference_key: Mapped[ShortText] = mapped_column(default="")
    is_published: Mapped[bool] = mapped_column(default=False)
    # A published kind that somebody changed here: loading the published tables leaves it alone.
    is_edited: Mapped[bool] = mapped_column(default=False)
    material: Mapped[LineText] = mapped_column(default="")
    film: Mapped[ShortText] = mapped_column(default="")
    layers: Mapped[int] = mapped_column(default=1)
    inner_length_cm: Mapped[float]
    inner_width_cm: Mapped[float]
    inner_height_cm: Mapped[float | None]
    outer_length_cm: Mapped[float]
    outer_width_cm: Mapped[float]
    is_rigid: Mapped[bool] = mapped_column(default=True)
    # Says how it stands on the ground. The lift below already counts it: take nothing off again.
    is_sealed: Mapped[bool] = mapped_column(default=True)
    may_touch: Mapped[bool] = mapped_column(default=False)
    goes_under: Mapped[bool] = mapped_column(default=False)
    minutes: Mapped[float]
    # Of one, dry; None where nobody has said.
    mass_kg: Mapped[float | None] = mapped_column(default=None)
    gust_limit_mps: Mapped[float | None]
    gust_source: Mapped[LineText] = mapped_column(default="")
    clear_mean_k: Mapped[float]
    clear_sd_k: Mapped[float]
    cloudy_mean_k: Mapped[float]
    cloudy_sd_k: Mapped[float]
    leaf_shield: Mapped[float] = mapped_column(default=0.5)
    leaf_shield_source_id: Mapped[ShortText] = mapped_column(default="")
    leaf_shield_status: Mapped[str] = mapped_column(String(16), default="memory")
    day_gain_k: Mapped[float | None]
    day_gain_source_id: Mapped[ShortText] = mapped_column(default="")
    source_ids: Mapped[LineText] = mapped_column(default="")
    status: Mapped[str] = mapped_column(String(16), default="seen")
    why: Mapped[LongText] = mapped_column(default="")
    cautions: Mapped[LineText] = mapped_column(default="")

    covers: Mapped[list[Cover]] = relationship(back_populates="cover_kind")


class Cover(Base):
    """One cover that somebody can fetch and carry."""

    __tablename__ = "cover"
    __table_args__ = (
        CheckConstraint("lending IN ('garden', 'own plots')", name="lending"),
        CheckConstraint("condition IN ('sound', 'worn', 'broken')", name="condition"),
        CheckConstraint("status IN ('here', 'out', 'lent', 'missing', 'retired')", name="status"),
        Index("ix_cover_class", "class_id"),
        Index("ix_cover_place", "place_id"),
    )

    id: Mapped[Key]
    class_id: Mapped[int] = mapped_column(ForeignKey("cover_class.id", ondelete="RESTRICT"))
    label: Mapped[ShortText] = mapped_column(unique=True)
    owner_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    lending: Mapped[str] = mapped_column(String(16), default="garden")
    place_id: Mapped[int | None] = mapped_column(ForeignKey("store_place.id", ondelete="SET NULL"))
    condition: Mapped[str] = mapped_column(String(16), default="sound")
    is_usable: Mapped[bool] = mapped_column(default=True)
    note: Mapped[LongText] = mapped_column(default="")
    # What the ledger adds up to, with place and condition above
    status: Mapped[str] = mapped_column(String(16), default="here")
    holder_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    due_on: Mapped[date | None]
    went_to: Mapped[str | None] = mapped_column(String(24), default=None)
    ledger_number: Mapped[int] = mapped_column(default=0)
    # What the store knows of it
    code: Mapped[str] = mapped_column(String(16), unique=True, default=new_code)
    origin: Mapped[str] = mapped_column(String(16), default="")
    cost_hundredths: Mapped[int | None]
    acquired_on: Mapped[date | None]
    film_area_m2: Mapped[float | None]
    film_thickness_um: Mapped[float | None]
    resin: Mapped[str] = mapped_column(String(8), default="")
    mark: Mapped[str] = mapped_column(String(8), default="")
    wood: Mapped[str] = mapped_column(String(16), default="")
    off_season_job: Mapped[LineText] = mapped_column(default="")
    photo: Mapped[str | None] = mapped_column(String(80), default=None)
    # Made with the form: sending the same form twice adds nothing the second time.
    form_key: Mapped[str | None] = mapped_column(String(80), default=None, unique=True)

    cover_kind: Mapped[CoverKind] = relationship(back_populates="covers")
    owner: Mapped[Member | None] = relationship(foreign_keys=[owner_id])
    holder: Mapped[Member | None] = relationship(foreign_keys=[holder_id])
    place: Mapped[StorePlace | None] = relationship()
