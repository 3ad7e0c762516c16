"""The log of changes: who did what to what, when."""

from __future__ import annotations

from datetime import datetime

from gardenapp.extensions import db
from gardenapp.models.people import LogEntry


def record(
    *, action: str, subject: str, at: datetime, member_id: int | None, detail: str = ""
) -> None:
    """Add one line to the log, inside the caller's transaction."""
    db.session.add(
        LogEntry(
            action=action[:80], subject=subject[:200], at=at, member_id=member_id, detail=detail
        )
    )
