"""Replays of past records: one run after another, each with its result."""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, String, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.people import Member
from gardenapp.models.types import Key, LineText, LongText, Moment, ShortText

RUNNING, DONE, STOPPED = "running", "done", "stopped"
FAILED, INTERRUPTED = "failed", "interrupted"
STATUSES = (RUNNING, DONE, STOPPED, FAILED, INTERRUPTED)


class ReplayRun(Base):
    """One replay: what was asked, how far it is, what came out. Only one may be running."""

    __tablename__ = "replay_run"
    __table_args__ = (
        CheckConstraint(
            "status IN ('running', 'done', 'stopped', 'failed', 'interrupted')", name="status"
        ),
        Index(
            "uq_replay_run_running",
            "status",
            unique=True,
            sqlite_where=text("status = 'running'"),
            postgresql_where=text("status = 'running'"),
        ),
    )

    id: Mapped[Key]
    started_at: Mapped[Moment]
    started_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    record: Mapped[LineText]
    station: Mapped[LineText] = mapped_column(default="")
    garden: Mapped[str] = mapped_column(String(16))  # current, invented
    covers: Mapped[LongText]
    seed: Mapped[int]
    status: Mapped[str] = mapped_column(String(16), default=RUNNING)
    nights_done: Mapped[int] = mapped_column(default=0)
    nights_total: Mapped[int]
    # When the run last said that it is alive: one that fell silent was cut off by a restart.
    heard_at: Mapped[Moment]
    finished_at: Mapped[Moment | None]
    wants_stop: Mapped[bool] = mapped_column(default=False)
    message: Mapped[ShortText] = mapped_column(default="")
    result: Mapped[dict[str, Any] | None] = mapped_column(JSON)

    started_by: Mapped[Member | None] = relationship()
