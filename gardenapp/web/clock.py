"""What time it is, for the pages. Services are told; tests set it."""

from __future__ import annotations

from datetime import UTC, datetime

from flask import current_app


def now() -> datetime:
    """The present moment in UTC, or the one the `CLOCK` setting gives."""
    clock = current_app.config.get("CLOCK")
    moment: datetime = clock() if clock else datetime.now(UTC)
    return moment
