"""Covers to be built, what materials cost, and the nights of winters past."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot
from gardenapp.models.types import Key, LineText, Moment, ShortText


class BuildPlan(Base):
    """A design with its sizes, for these plants or this much ground; later the cover it became.

    `sizes` are in mm, µm, degrees and g/m² by name. `plants` are ids of plantings.
    """

    __tablename__ = "build_plan"
    __table_args__ = (
        CheckConstraint("gust_mps >= 0", name="gust"),
        CheckConstraint("kerf_mm >= 0", name="kerf"),
    )

    id: Mapped[Key]
    made_at: Mapped[Moment]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    shape: Mapped[str] = mapped_column(String(24))
    sizes: Mapped[dict[str, Any]] = mapped_column(JSON)
    plot_id: Mapped[int | None] = mapped_column(ForeignKey("plot.id", ondelete="SET NULL"))
    plants: Mapped[list[int]] = mapped_column(JSON)
    # Of the plants that are to stand inside: the tallest, the widest, how many.
    height_mm: Mapped[float]
    spread_mm: Mapped[float]
    plant_count: Mapped[int]
    bed_length_mm: Mapped[float | None]
    bed_width_mm: Mapped[float | None]
    gust_mps: Mapped[float]
    kerf_mm: Mapped[float]
    # Made with the form: sending the same form twice finds the plan of the first time.
    form_key: Mapped[str | None] = mapped_column(String(80), default=None, unique=True)
    built_at: Mapped[Moment | None]
    cover_id: Mapped[int | None] = mapped_column(ForeignKey("cover.id", ondelete="SET NULL"))

    made_by: Mapped[Member | None] = relationship()
    plot: Mapped[Plot | None] = relationship()
    cover: Mapped[Cover | None] = relationship()


class UnitPrice(Base):
    """What a material costs here: a metre, a square metre or one, by what it is called."""

    __tablename__ = "unit_price"
    __table_args__ = (CheckConstraint("price_hundredths >= 0", name="price"),)

    id: Mapped[Key]
    what: Mapped[ShortText] = mapped_column(unique=True)
    price_hundredths: Mapped[int]
    # Timber is sold in this length; None where the shop cuts it.
    sold_length_mm: Mapped[float | None]
    changed_at: Mapped[Moment]
    changed_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))


class ClimateNight(Base):
    """One night of a past record, at the garden or near it. [°C]"""

    __tablename__ = "climate_night"
    __table_args__ = (CheckConstraint("low_c BETWEEN -100 AND 100", name="low"),)

    night_of: Mapped[date] = mapped_column(primary_key=True)
    low_c: Mapped[float]
    source: Mapped[LineText]
