"""Temperatures that a logger sends by itself, as JSON: one reading or a list of them."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import UTC, datetime

from gardenapp.readers.records import UnreadableFile, quoted, refuse

MOST_READINGS = 500
MOST_BYTES = 256_000
LONGEST_KEY = 80
LOWEST_C, HIGHEST_C = -60.0, 85.0
FIELDS = ("id", "at", "temp_c", "humidity_percent")


@dataclass(frozen=True)
class SentReading:
    """One reading as it was sent; `key` is the sender's own name for it."""

    key: str
    at: datetime
    temp_c: float
    humidity_percent: float | None = None


class _NotANumber(ValueError):
    pass


def _refuse_constant(name: str) -> float:
    raise _NotANumber(name)


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


def read_readings(data: bytes) -> tuple[SentReading, ...]:
    """The readings of one call, in the order sent; at least one, at most 500.

    Raises UnreadableFile; each of its errors names the place, such as `[3].temp_c`.
    """
    if len(data) > MOST_BYTES:
        raise refuse(f"At most {MOST_BYTES:,} bytes are taken in one call.")
    try:
        value = json.loads(
            data.decode("utf-8"), parse_constant=_refuse_constant, object_pairs_hook=_once
        )
    except UnicodeDecodeError as error:
        raise refuse("The text is not UTF-8.") from error
    except RecursionError as error:
        raise refuse("The JSON is nested too deep.") from error
    except ValueError as error:  # among others not JSON, NaN, numbers of thousands of digits
        raise refuse(f"This is not JSON that can be taken: {str(error)[:120]}.") from error
    rows = value if isinstance(value, list) else [value]
    if not rows:
        raise refuse("The list is empty.")
    if len(rows) > MOST_READINGS:
        raise refuse(f"At most {MOST_READINGS} readings are taken in one call, not {len(rows)}.")
    is_list = isinstance(value, list)
    return tuple(_reading(row, f"[{i}]" if is_list else "") for i, row in enumerate(rows))


def _reading(row: object, path: str) -> SentReading:
    if not isinstance(row, dict):
        raise refuse("A reading is an object.", column=path)
    prefix = f"{path}." if path else ""
    for name in row:
        if name not in FIELDS:
            raise refuse(
                f"{quoted(name)} is not known; known are {', '.join(FIELDS)}.", column=path
            )
    humidity = row.get("humidity_percent")
    return SentReading(
        key=_key(row.get("id"), f"{prefix}id"),
        at=_moment(row.get("at"), f"{prefix}at"),
        temp_c=_number(row.get("temp_c"), f"{prefix}temp_c", LOWEST_C, HIGHEST_C),
        humidity_percent=None
        if humidity is None
        else _number(humidity, f"{prefix}humidity_percent", 0.0, 100.0),
    )


def _key(value: object, path: str) -> str:
    if not isinstance(value, str) or not 1 <= len(value) <= LONGEST_KEY:
        raise refuse(f"Give each reading an id of 1 to {LONGEST_KEY} characters.", column=path)
    if not value.isascii() or not value.isprintable():
        raise refuse("Use letters, digits and signs of ASCII only.", column=path)
    return value


def _moment(value: object, path: str) -> datetime:
    advice = "Write the moment as 2026-11-24T18:40:00+00:00 or with Z at its end."
    if not isinstance(value, str) or not 16 <= len(value) <= 40:
        raise refuse(advice, column=path)
    try:
        at = datetime.fromisoformat(value)
        if at.tzinfo is None:
            raise refuse(f"The moment has no offset from UTC. {advice}", column=path)
        return at.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise refuse(advice, column=path) from error


def _number(value: object, path: str, lowest: float, highest: float) -> float:
    # True is a number to Python, and not to anybody else.
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse("This must be a number, without quotes.", column=path)
    if isinstance(value, float) and not math.isfinite(value):
        raise refuse("This must be a finite number.", column=path)
    if not lowest <= value <= highest:
        raise refuse(f"This must lie between {lowest:g} and {highest:g}.", column=path)
    return float(value)


__all__ = [
    "MOST_BYTES",
    "MOST_READINGS",
    "SentReading",
    "UnreadableFile",
    "read_readings",
]
