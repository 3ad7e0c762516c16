"""Column types shared by the tables."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from sqlalchemy import DateTime, Dialect, String, Text
from sqlalchemy.orm import mapped_column
from sqlalchemy.types import TypeDecorator


class UtcDateTime(TypeDecorator[datetime]):
    """A moment. Refuses one without a zone going in; gives UTC coming out."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a stored moment needs a time zone")
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        moment: datetime = value
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


Key = Annotated[int, mapped_column(primary_key=True)]
ShortText = Annotated[str, mapped_column(String(80))]
LineText = Annotated[str, mapped_column(String(200))]
LongText = Annotated[str, mapped_column(Text)]
Moment = Annotated[datetime, mapped_column(UtcDateTime)]

# Where a thermometer hangs, its height, shade and spot in one word; empty where nobody said.
PLACES = ("", "screen", "plant_shaded", "plant_bare", "ground_bare", "elsewhere")
READ_AT = f"place IN {PLACES}"
