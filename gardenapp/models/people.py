"""The garden itself, its members, and what lets them in."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint, false, true
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.types import Key, LineText, LongText, Moment, ShortText

ROLES = ("coordinator", "member")
TEMPERATURE_UNITS = ("C", "F")
LENGTH_UNITS = ("metric", "inch")
LANGUAGES = ("en", "es")


class Garden(Base):
    """The one garden of this installation: row 1."""

    __tablename__ = "garden"
    __table_args__ = (
        CheckConstraint("id = 1", name="only_one"),
        CheckConstraint("latitude BETWEEN -90 AND 90", name="latitude"),
        CheckConstraint("longitude BETWEEN -180 AND 180", name="longitude"),
    )

    id: Mapped[Key]
    name: Mapped[ShortText]
    latitude: Mapped[float]
    longitude: Mapped[float]
    time_zone: Mapped[ShortText]
    # Above the sea; None where nobody has said.
    elevation_m: Mapped[float | None] = mapped_column(default=None)
    board_is_open: Mapped[bool] = mapped_column(default=True)
    temperature_unit: Mapped[str] = mapped_column(String(1), default="C")
    length_unit: Mapped[str] = mapped_column(String(8), default="metric")
    language: Mapped[str] = mapped_column(String(5), default="en", server_default="en")
    contact: Mapped[LineText] = mapped_column(default="")
    minutes_budget: Mapped[float | None] = mapped_column(default=None)
    # What ten minutes of somebody's evening are worth, as a word of `allocation.weights`.
    walk_worth: Mapped[str] = mapped_column(String(8), default="lettuce", server_default="lettuce")
    shelter_spaces: Mapped[int] = mapped_column(default=0)
    shelter_label: Mapped[ShortText] = mapped_column(default="")
    # The garden from above, as `science.garden_map` reads it; empty where nobody has drawn it.
    map_text: Mapped[LongText] = mapped_column(default="", server_default="")
    # Where north is: degrees clockwise from the top of the map; None where nobody said.
    map_north: Mapped[float | None] = mapped_column(default=None)
    # Steps of the first run that this garden does without, of `services.garden.first_run`.
    steps_left: Mapped[LineText] = mapped_column(default="", server_default="")
    is_demo: Mapped[bool] = mapped_column(default=False)
    # Counts every change, so that a rendered board can be kept until the next one.
    version: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[Moment]

    @property
    def height_m(self) -> float:
        """Height above the sea to reckon with: 0 where nobody has said."""
        return self.elevation_m or 0.0


class Member(Base):
    """Somebody of the garden."""

    __tablename__ = "member"
    __table_args__ = (
        CheckConstraint("role IN ('coordinator', 'member')", name="role"),
        CheckConstraint("temperature_unit IN ('C', 'F')", name="temperature_unit"),
        CheckConstraint("length_unit IN ('metric', 'inch')", name="length_unit"),
        Index("uq_member_sign_in_name", "sign_in_name", unique=True),
    )

    id: Mapped[Key]
    name: Mapped[ShortText]
    role: Mapped[str] = mapped_column(String(16), default="member")
    sign_in_name: Mapped[str | None] = mapped_column(String(80), default=None)
    password_hash: Mapped[str | None] = mapped_column(String(200), default=None)
    temperature_unit: Mapped[str] = mapped_column(String(1), default="C")
    length_unit: Mapped[str] = mapped_column(String(8), default="metric")
    # None: whatever the phone asks for, then the garden's.
    language: Mapped[str | None] = mapped_column(String(5), default=None)
    # Part of what the cookie says: raising it ends every session of this member.
    session_epoch: Mapped[int] = mapped_column(default=1)
    is_active: Mapped[bool] = mapped_column(default=True)
    # Whether loggers' alerts come by the member's own ways, and the garden's hours when they wait.
    tells_alerts: Mapped[bool] = mapped_column(default=True, server_default=true())
    quiet_from: Mapped[str] = mapped_column(String(5), default="22:00", server_default="22:00")
    quiet_until: Mapped[str] = mapped_column(String(5), default="06:00", server_default="06:00")
    # What they are not asked to do.
    no_lifting: Mapped[bool] = mapped_column(default=False, server_default=false())
    no_ice: Mapped[bool] = mapped_column(default=False, server_default=false())
    # A hard frost may wake them.
    wakes_for_frost: Mapped[bool] = mapped_column(default=False, server_default=false())
    created_at: Mapped[Moment]

    plots: Mapped[list[PlotHolder]] = relationship(back_populates="member", cascade="all, delete")

    @property
    def is_coordinator(self) -> bool:
        return self.role == "coordinator"


class Invite(Base):
    """A personal link that lets one member in, once."""

    __tablename__ = "invite"

    id: Mapped[Key]
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"), index=True)
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    # Of the short code on a join slip, keyed: a plain one could be searched through. None: no code.
    code_hash: Mapped[str | None] = mapped_column(String(64), unique=True, default=None)
    made_at: Mapped[Moment]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    expires_at: Mapped[Moment]
    used_at: Mapped[Moment | None]


class SignInTry(Base):
    """One failed sign-in, kept so that guessing slows down even across a restart."""

    __tablename__ = "sign_in_try"
    __table_args__ = (Index("ix_sign_in_try_lookup", "subject", "tried_at"),)

    id: Mapped[Key]
    subject: Mapped[LineText]
    tried_at: Mapped[Moment]


class EndedSession(Base):
    """A phone that signed out. The cookie is signed, not stored, so a copy of it would live on."""

    __tablename__ = "ended_session"

    id: Mapped[Key]
    phone_hash: Mapped[str] = mapped_column(String(64), unique=True)
    ended_at: Mapped[Moment]


class PlotHolder(Base):
    """Which member holds which plot; several either way."""

    __tablename__ = "plot_holder"
    __table_args__ = (UniqueConstraint("plot_id", "member_id"),)

    id: Mapped[Key]
    plot_id: Mapped[int] = mapped_column(ForeignKey("plot.id", ondelete="CASCADE"))
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"), index=True)

    member: Mapped[Member] = relationship(back_populates="plots")


class LogEntry(Base):
    """Who changed what, when: one line a change, never edited."""

    __tablename__ = "log_entry"
    __table_args__ = (Index("ix_log_entry_at", "at"),)

    id: Mapped[Key]
    at: Mapped[Moment]
    member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    action: Mapped[ShortText]
    subject: Mapped[LineText]
    detail: Mapped[LongText] = mapped_column(default="")
