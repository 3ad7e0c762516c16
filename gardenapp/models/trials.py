"""Trials of covers, what became of plants, and loggers that send their readings by themselves."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import (
    JSON,
    CheckConstraint,
    ForeignKey,
    Index,
    LargeBinary,
    String,
    UniqueConstraint,
    false,
    text,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.models.types import READ_AT, Key, LineText, LongText, Moment, ShortText

SKIES = ("clear", "cloudy", "mixed", "unknown")
TRIAL_STATES = ("kept", "doubted", "left out")
DAMAGES = ("none", "some", "much", "dead")
LOGGER_KINDS = ("inside", "outside")
ALERT_KINDS = ("low", "high", "silent")


class Trial(Base):
    """Two loggers' records of one cover, analysed; learnt from while `status` is kept."""

    __tablename__ = "trial"
    __table_args__ = (
        CheckConstraint("sky IN ('clear', 'cloudy', 'mixed', 'unknown')", name="sky"),
        CheckConstraint("status IN ('kept', 'doubted', 'left out')", name="status"),
        Index("ix_trial_class", "class_id"),
    )

    id: Mapped[Key]
    class_id: Mapped[int] = mapped_column(ForeignKey("cover_class.id", ondelete="CASCADE"))
    cover_id: Mapped[int | None] = mapped_column(ForeignKey("cover.id", ondelete="SET NULL"))
    place: Mapped[LineText] = mapped_column(default="")
    # As it stood in the trial; a kind that is listed otherwise does not learn from it.
    is_sealed: Mapped[bool]
    sky: Mapped[str] = mapped_column(String(16), default="unknown")
    note: Mapped[LongText] = mapped_column(default="")
    status: Mapped[str] = mapped_column(String(16))
    entered_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    entered_at: Mapped[Moment]
    inside_name: Mapped[LineText]
    outside_name: Mapped[LineText]
    first_at: Mapped[Moment]
    last_at: Mapped[Moment]
    # Everything the analysis said, in the types of JSON; the matched rows are in `data`.
    result: Mapped[dict[str, Any]] = mapped_column(JSON)
    data: Mapped[bytes] = mapped_column(LargeBinary, deferred=True)
    # Made with the form: sending the same form twice finds the trial of the first time.
    form_key: Mapped[str | None] = mapped_column(String(64), default=None, unique=True)

    cover_kind: Mapped[CoverKind] = relationship()
    cover: Mapped[Cover | None] = relationship()
    entered_by: Mapped[Member | None] = relationship()
    nights: Mapped[list[TrialNight]] = relationship(
        cascade="all, delete-orphan", order_by="TrialNight.night_of"
    )
    days: Mapped[list[TrialDay]] = relationship(
        cascade="all, delete-orphan", order_by="TrialDay.on_date"
    )


class TrialNight(Base):
    """One whole night of a trial: what is learnt from."""

    __tablename__ = "trial_night"
    __table_args__ = (UniqueConstraint("trial_id", "night_of"),)

    id: Mapped[Key]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id", ondelete="CASCADE"))
    night_of: Mapped[date]
    lift_k: Mapped[float]
    # 1 a clear calm night, 0 a cloudy or windy one, a half where nobody knows.
    clear_share: Mapped[float]


class TrialDay(Base):
    """One whole day of a trial, its gain brought to the full sun that day gains are quoted for."""

    __tablename__ = "trial_day"
    __table_args__ = (UniqueConstraint("trial_id", "on_date"),)

    id: Mapped[Key]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id", ondelete="CASCADE"))
    on_date: Mapped[date]
    gain_k: Mapped[float]
    full_sun_gain_k: Mapped[float]


class Outcome(Base):
    """What a night did to a planting, as somebody saw it, beside what had been expected."""

    __tablename__ = "outcome"
    __table_args__ = (
        UniqueConstraint("night_of", "planting_id"),
        CheckConstraint("damage IN ('none', 'some', 'much', 'dead')", name="damage"),
    )

    id: Mapped[Key]
    night_of: Mapped[date]
    planting_id: Mapped[int] = mapped_column(ForeignKey("planting.id", ondelete="CASCADE"))
    damage: Mapped[str] = mapped_column(String(8))
    # Expected share lost under what really stood over it; empty where there was no plan.
    expected_share: Mapped[float | None]
    # The leaf under what stood over it, and what it had been taken to bear without anything learnt;
    # empty where part of it was bare and part under something. [°C, K]
    felt_c: Mapped[float | None]
    felt_sd_k: Mapped[float | None]
    taken_t50_c: Mapped[float | None]
    taken_sd_k: Mapped[float | None]
    # What a crop is learnt to bear leaves it out: a coordinator took it back.
    is_left_out: Mapped[bool] = mapped_column(default=False, server_default=false())
    entered_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    entered_at: Mapped[Moment]

    planting: Mapped[Planting] = relationship()


class Logger(Base):
    """Something that sends temperatures by itself, its token, its limits and its newest reading."""

    __tablename__ = "logger"
    __table_args__ = (
        CheckConstraint("kind IN ('inside', 'outside')", name="kind"),
        CheckConstraint(READ_AT, name="place"),
    )

    id: Mapped[Key]
    label: Mapped[ShortText] = mapped_column(unique=True)
    plot_id: Mapped[int] = mapped_column(ForeignKey("plot.id", ondelete="CASCADE"), index=True)
    cover_id: Mapped[int | None] = mapped_column(ForeignKey("cover.id", ondelete="SET NULL"))
    kind: Mapped[str] = mapped_column(String(8))
    # As of a low that is read: height, shade and spot in one word; empty where nobody said.
    place: Mapped[str] = mapped_column(String(12), default="", server_default="")
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    alert_below_c: Mapped[float | None]
    alert_above_c: Mapped[float | None]
    # Where set, the limits follow what grows in the plot: the highest threshold plus this.
    margin_k: Mapped[float | None]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    made_at: Mapped[Moment]
    revoked_at: Mapped[Moment | None]
    last_at: Mapped[Moment | None]
    last_temp_c: Mapped[float | None]
    last_humidity_percent: Mapped[float | None]
    # The reading that boards were last made anew for; a nearby one is not worth it.
    shown_temp_c: Mapped[float | None]
    # Calls within the minute that began at `window_at`, kept here so that all workers count one.
    window_at: Mapped[Moment | None]
    window_calls: Mapped[int] = mapped_column(default=0)

    plot: Mapped[Plot] = relationship()
    cover: Mapped[Cover | None] = relationship()


class Reading(Base):
    """One temperature that a logger sent. The keys make sending it again harmless."""

    __tablename__ = "reading"
    __table_args__ = (
        UniqueConstraint("logger_id", "key"),
        Index("uq_reading_moment", "logger_id", "at", unique=True),
    )

    id: Mapped[Key]
    logger_id: Mapped[int] = mapped_column(ForeignKey("logger.id", ondelete="CASCADE"))
    key: Mapped[ShortText]
    at: Mapped[Moment]
    temp_c: Mapped[float]
    humidity_percent: Mapped[float | None]
    received_at: Mapped[Moment]


class Alert(Base):
    """A reading left its range; open until a later one is back inside it."""

    __tablename__ = "alert"
    __table_args__ = (
        CheckConstraint("kind IN ('low', 'high', 'silent')", name="kind"),
        Index(
            "uq_alert_open",
            "logger_id",
            "kind",
            unique=True,
            sqlite_where=text("cleared_at IS NULL"),
            postgresql_where=text("cleared_at IS NULL"),
        ),
    )

    id: Mapped[Key]
    logger_id: Mapped[int] = mapped_column(ForeignKey("logger.id", ondelete="CASCADE"))
    kind: Mapped[str] = mapped_column(String(8))
    at: Mapped[Moment]
    temp_c: Mapped[float]
    limit_c: Mapped[float]
    text: Mapped[LineText]
    cleared_at: Mapped[Moment | None]

    logger: Mapped[Logger] = relationship()
