"""Forecasts: every version that came in, with who brought it, when and from what."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, LargeBinary, String
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.types import Key, LineText, LongText, Moment, ShortText

# How a version came that the garden's own readings have corrected.
LIVE = "live"


class ForecastImport(Base):
    """One act of entering, importing or fetching."""

    __tablename__ = "forecast_import"

    id: Mapped[Key]
    came_by: Mapped[str] = mapped_column(String(16))  # hand, file, address, live
    kind: Mapped[ShortText]
    name: Mapped[LineText]
    sha256: Mapped[str] = mapped_column(String(64), default="")
    entered_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    entered_at: Mapped[Moment]
    issued_at: Mapped[Moment | None]
    attribution: Mapped[LineText] = mapped_column(default="")
    notes: Mapped[LongText] = mapped_column(default="")
    # What somebody would have been asked about it, had anybody been there.
    doubts: Mapped[LongText] = mapped_column(default="", server_default="")


class Forecast(Base):
    """What one import says of one night. The newest import for a night is the one in force."""

    __tablename__ = "forecast"
    __table_args__ = (
        CheckConstraint("low_c BETWEEN -60 AND 60", name="low"),
        CheckConstraint("cloud_fraction BETWEEN 0 AND 1", name="cloud"),
        CheckConstraint("wind_mps >= 0", name="wind"),
        CheckConstraint("gust_mps >= 0", name="gust"),
        CheckConstraint("low_sd_k > 0", name="low_sd"),
        Index("ix_forecast_night", "night_of", "id"),
    )

    id: Mapped[Key]
    import_id: Mapped[int] = mapped_column(ForeignKey("forecast_import.id", ondelete="CASCADE"))
    night_of: Mapped[date]
    low_c: Mapped[float]
    # Of a low that the garden's own readings have corrected; empty where the record says it.
    low_sd_k: Mapped[float | None]
    low_at: Mapped[Moment | None]
    evening_c: Mapped[float | None]
    cloud_fraction: Mapped[float | None]
    wind_mps: Mapped[float | None]
    gust_mps: Mapped[float | None]
    dew_point_c: Mapped[float | None]
    # From 15:00 to 11:00: water, and new snow.
    precipitation_mm: Mapped[float | None]
    snow_cm: Mapped[float | None]
    # The source's own spread of the low, and its low 5 cm above the ground.
    stated_sd_k: Mapped[float | None]
    ground_low_c: Mapped[float | None]
    hours: Mapped[list[Any]] = mapped_column(JSON, default=list)
    notes: Mapped[LongText] = mapped_column(default="")

    source: Mapped[ForecastImport] = relationship()


class ForecastAddress(Base):
    """An address the forecast is fetched from, and what it answered last."""

    __tablename__ = "forecast_address"

    id: Mapped[Key]
    url: Mapped[str] = mapped_column(String(500))
    etag: Mapped[LineText] = mapped_column(default="")
    last_modified: Mapped[LineText] = mapped_column(default="")
    expires_at: Mapped[Moment | None]
    asked_at: Mapped[Moment | None]
    last_answer: Mapped[LongText] = mapped_column(default="")


class ForecastAnswer(Base):
    """What somebody said of tables with these columns, so that it is not asked again."""

    __tablename__ = "forecast_answer"

    id: Mapped[Key]
    signature: Mapped[str] = mapped_column(String(64), unique=True)
    answers: Mapped[dict[str, Any]] = mapped_column(JSON)
    told_at: Mapped[Moment]


class PendingUpload(Base):
    """A file waiting for its columns to be confirmed: one a member, gone once taken."""

    __tablename__ = "pending_upload"

    id: Mapped[Key]
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"), unique=True)
    token: Mapped[str] = mapped_column(String(64), unique=True)
    filename: Mapped[LineText]
    data: Mapped[bytes] = mapped_column(LargeBinary)
    made_at: Mapped[Moment]
