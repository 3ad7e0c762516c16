"""Tables that were imported as a whole, and those still waiting to be looked at."""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, ForeignKey, LargeBinary, String
from sqlalchemy.orm import Mapped, mapped_column

from gardenapp.extensions import Base
from gardenapp.models.types import Key, Moment


class TableImport(Base):
    """One act of importing: what was pasted or sent, what was answered, and what came of it.

    It waits until `kept_at`. From then on `made` says what it made and changed, so that all of it
    can be taken back.
    """

    __tablename__ = "table_import"

    id: Mapped[Key]
    token: Mapped[str] = mapped_column(String(64), unique=True)
    member_id: Mapped[int | None] = mapped_column(
        ForeignKey("member.id", ondelete="SET NULL"), index=True
    )
    sent_at: Mapped[Moment]
    # The rows as they were read, packed; empty once it is kept.
    sheets: Mapped[bytes] = mapped_column(LargeBinary)
    answers: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    kept_at: Mapped[Moment | None]
    made: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    taken_back_at: Mapped[Moment | None]
