"""What goes out to people: feed links, ways to be told, the queue of notices, the timetable."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, String, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.people import Member
from gardenapp.models.types import Key, LineText, LongText, Moment, ShortText

CHANNEL_KINDS = ("mail", "hook")
NOTICE_KINDS = ("plan", "confirm", "test", "watch", "alert")
NOTICE_STATES = ("waiting", "sent", "failed", "replaced")
SECURITIES = ("starttls", "tls", "none")


class FeedLink(Base):
    """A member's private address for calendars and readers. Only the hash of its secret is kept."""

    __tablename__ = "feed_link"

    id: Mapped[Key]
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"), unique=True)
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    all_plots: Mapped[bool] = mapped_column(default=False)
    made_at: Mapped[Moment]

    member: Mapped[Member] = relationship()


class NoticeChannel(Base):
    """One way a member asked to be told: an e-mail address or a web hook."""

    __tablename__ = "notice_channel"
    __table_args__ = (
        CheckConstraint("kind IN ('mail', 'hook')", name="kind"),
        Index(
            "uq_notice_channel_open",
            "member_id",
            "kind",
            unique=True,
            sqlite_where=text("ended_at IS NULL"),
            postgresql_where=text("ended_at IS NULL"),
        ),
    )

    id: Mapped[Key]
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"), index=True)
    kind: Mapped[str] = mapped_column(String(8))
    address: Mapped[str] = mapped_column(String(500))
    # Signs what is sent to a hook, so it has to be kept readable. It lets nobody into the app.
    secret: Mapped[ShortText] = mapped_column(default="")
    # Where the pages were when the member set this up; a notice leads back there.
    pages_at: Mapped[str] = mapped_column(String(300), default="")
    all_plots: Mapped[bool] = mapped_column(default=False)
    tells_quiet: Mapped[bool] = mapped_column(default=False)
    confirm_hash: Mapped[str | None] = mapped_column(String(64), default=None, unique=True)
    confirm_until: Mapped[Moment | None]
    confirmed_at: Mapped[Moment | None]
    made_at: Mapped[Moment]
    ended_at: Mapped[Moment | None]

    member: Mapped[Member] = relationship()


class OutgoingNotice(Base):
    """One message to one channel, from being written to being sent or given up.

    `concern` says what it was about, so that the same is not told twice. `digest` is made of the
    channel, the night, the concern and the notice before it: two workers that both find a change
    make the same digest, and only one row goes in.
    """

    __tablename__ = "outgoing_notice"
    __table_args__ = (
        CheckConstraint("kind IN ('plan', 'confirm', 'test', 'watch', 'alert')", name="kind"),
        CheckConstraint("state IN ('waiting', 'sent', 'failed', 'replaced')", name="state"),
        Index("ix_outgoing_notice_due", "state", "next_try_at"),
        Index("ix_outgoing_notice_channel_night", "channel_id", "night_of"),
    )

    id: Mapped[Key]
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"), index=True)
    channel_id: Mapped[int] = mapped_column(ForeignKey("notice_channel.id", ondelete="CASCADE"))
    plan_id: Mapped[int | None] = mapped_column(ForeignKey("plan.id", ondelete="SET NULL"))
    kind: Mapped[str] = mapped_column(String(8), default="plan")
    night_of: Mapped[date | None]
    concern: Mapped[str] = mapped_column(String(64), default="")
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    body: Mapped[dict[str, Any]] = mapped_column(JSON)
    state: Mapped[str] = mapped_column(String(8), default="waiting")
    tries: Mapped[int] = mapped_column(default=0)
    made_at: Mapped[Moment]
    next_try_at: Mapped[Moment]
    # Somebody is sending it until then; a sender that died gives it free again.
    held_until: Mapped[Moment | None]
    # After this it would only confuse: the night is over.
    expires_at: Mapped[Moment]
    sent_at: Mapped[Moment | None]
    last_error: Mapped[LongText] = mapped_column(default="")

    member: Mapped[Member] = relationship()
    channel: Mapped[NoticeChannel] = relationship()


class MailServer(Base):
    """The server that takes the garden's mail: row 1. Its password is in a file, not here."""

    __tablename__ = "mail_server"
    __table_args__ = (
        CheckConstraint("id = 1", name="only_one"),
        CheckConstraint("security IN ('starttls', 'tls', 'none')", name="security"),
        CheckConstraint("port BETWEEN 1 AND 65535", name="port"),
    )

    id: Mapped[Key]
    host: Mapped[LineText]
    port: Mapped[int]
    security: Mapped[str] = mapped_column(String(8), default="starttls")
    user: Mapped[LineText] = mapped_column("user_name", default="")
    sender: Mapped[LineText]


class Timetable(Base):
    """When the forecast is fetched, garden time: row 1."""

    __tablename__ = "timetable"
    __table_args__ = (
        CheckConstraint("id = 1", name="only_one"),
        CheckConstraint("extra_s BETWEEN 0 AND 3600", name="extra"),
    )

    id: Mapped[Key]
    # "06:30 15:00"; empty fetches only by hand
    fetch_times: Mapped[LineText] = mapped_column(default="")
    # Weather services ask not to be called by everybody on the same minute.
    extra_s: Mapped[int] = mapped_column(default=0)


class Heartbeat(Base):
    """When a job of the server ran last and how it went."""

    __tablename__ = "heartbeat"

    id: Mapped[Key]
    job: Mapped[ShortText] = mapped_column(unique=True)
    last_run_at: Mapped[Moment]
    last_result: Mapped[LongText] = mapped_column(default="")
    was_good: Mapped[bool] = mapped_column(default=True)
    # How often in a row it has failed.
    failures: Mapped[int] = mapped_column(default=0, server_default="0")
    not_before_at: Mapped[Moment | None]


class Lease(Base):
    """Which of several workers does a job, until when."""

    __tablename__ = "lease"

    id: Mapped[Key]
    job: Mapped[ShortText] = mapped_column(unique=True)
    holder: Mapped[ShortText] = mapped_column(default="")
    until_at: Mapped[Moment]
