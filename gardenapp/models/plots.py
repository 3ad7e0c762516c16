"""Plots and the places things are kept."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, false
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.people import PlotHolder
from gardenapp.models.types import Key, LineText, LongText, ShortText


class Plot(Base):
    """A plot, its size, and how its nights differ from the forecast's screen."""

    __tablename__ = "plot"
    __table_args__ = (
        CheckConstraint("length_cm > 0", name="length"),
        CheckConstraint("width_cm > 0", name="width"),
        CheckConstraint("bed_width_cm > 0", name="bed_width"),
        CheckConstraint("distance_m >= 0", name="distance"),
        CheckConstraint("offset_k BETWEEN -15 AND 15", name="offset"),
    )

    id: Mapped[Key]
    label: Mapped[ShortText] = mapped_column(unique=True)
    length_cm: Mapped[float | None]
    width_cm: Mapped[float | None]
    bed_width_cm: Mapped[float | None]
    offset_k: Mapped[float] = mapped_column(default=0.0)
    offset_sd_k: Mapped[float] = mapped_column(default=0.7)
    # Which usual offset was chosen; empty where the value is the garden's own.
    offset_choice: Mapped[ShortText] = mapped_column(default="")
    offset_reason: Mapped[LineText] = mapped_column(default="")
    distance_m: Mapped[float] = mapped_column(default=0.0)
    note: Mapped[LongText] = mapped_column(default="")
    # Its plantings stand side by side in one bed, so that one cover may stand over several.
    is_mixed: Mapped[bool] = mapped_column(default=False, server_default=false())

    holders: Mapped[list[PlotHolder]] = relationship(cascade="all, delete-orphan")


class StorePlace(Base):
    """Where covers and materials are kept."""

    __tablename__ = "store_place"

    id: Mapped[Key]
    label: Mapped[ShortText] = mapped_column(unique=True)
    note: Mapped[LongText] = mapped_column(default="")
