"""Rows for every table there is, made from the tables themselves.

The tables are read back from the database, so this works at any revision, and a table added
tomorrow is filled without anybody thinking of it. A check constraint that cannot be obeyed by
what is known here fails loudly in the insert.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Connection,
    Date,
    DateTime,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    Numeric,
    Table,
    inspect,
    text,
)

ROWS = 3
# What goes wrong in files and spreadsheets; each is somebody's plausible text.
TEXTS = (
    "=1+1",
    "+44 1234",
    "-5 and falling",
    "@home",
    "'quoted",
    '"double", comma; semicolon',
    "two\nlines\r\nof text",
    "\ttab first",
    "ünï ☃ 🌱",
    "<b>bold</b> {{7*7}}",
    " space ",
    "NULL",
    "＝full width",
)
NOON = datetime(2026, 3, 29, 0, 59, 59, 123456, tzinfo=UTC)


def reflect(connection: Connection) -> MetaData:
    """The tables as they are in the database, without the migrations' own."""
    found = MetaData()
    found.reflect(connection, only=lambda name, _: name != "alembic_version")
    return found


def fill(connection: Connection) -> dict[str, int]:
    """Put rows in every empty table; gives the number of rows of each."""
    found = reflect(connection)
    inspector = inspect(connection)
    ids: dict[str, list[int]] = {}
    for each in found.sorted_tables:
        checks = [c["sqltext"] for c in inspector.get_check_constraints(each.name)]
        number = 1 if any(re.search(r"\bid\)? = 1", c) for c in checks) else ROWS
        ids[each.name] = list(range(1, number + 1))
        for at in range(number):
            connection.execute(each.insert(), _row(each, at, checks, ids, connection))
        if connection.dialect.name == "postgresql" and "id" in each.columns:
            # Rows put in with their numbers do not move the counter for the next ones.
            connection.execute(
                text(
                    f"SELECT setval(pg_get_serial_sequence('{each.name}', 'id'), {number})"
                    f" WHERE pg_get_serial_sequence('{each.name}', 'id') IS NOT NULL"
                )
            )
    return counts(connection)


def counts(connection: Connection) -> dict[str, int]:
    """Rows of every table."""
    return {
        each.name: connection.execute(text(f'SELECT count(*) FROM "{each.name}"')).scalar_one()
        for each in reflect(connection).sorted_tables
    }


def dump(connection: Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table, as the driver gives it."""
    found = {}
    for each in reflect(connection).sorted_tables:
        order = ", ".join(f'"{c.name}"' for c in each.primary_key.columns)
        rows = connection.execute(text(f'SELECT * FROM "{each.name}" ORDER BY {order}')).mappings()
        found[each.name] = [tuple(sorted((k, repr(v)) for k, v in row.items())) for row in rows]
    return found


def _row(
    each: Table, at: int, checks: list[str], ids: dict[str, list[int]], connection: Connection
) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for number, column in enumerate(each.columns):
        row[column.name] = _value(each, column, number, at, checks, ids, connection)
    for check in checks:
        both = re.search(r"\(*(\w+) IS NULL\)? = \(*(\w+) IS NULL", check)
        if both:
            first, second = both.groups()
            if row[first] is None or row[second] is None:
                row[first] = row[second] = None
        either = re.search(r"\(*(\w+) IS NULL\)? <> \(*(\w+) IS NULL", check)
        if either:
            first, second = either.groups()
            keep, drop = (first, second) if at % 2 == 0 else (second, first)
            row[drop] = None
            assert row[keep] is not None
    return row


def _value(
    each: Table,
    column: Column[Any],
    number: int,
    at: int,
    checks: list[str],
    ids: dict[str, list[int]],
    connection: Connection,
) -> Any:
    if column.name == "id":
        return at + 1
    for key in column.foreign_keys:
        parent = key.column.table.name
        if parent == each.name:
            return at or None
        return ids[parent][at % len(ids[parent])]
    allowed = _allowed(column.name, checks)
    if allowed is not None:
        return allowed[at % len(allowed)]
    if column.nullable and (at + number) % ROWS == 2 and not _in_either(column.name, checks):
        return None
    return _plain(column, number, at, checks, connection)


def _plain(
    column: Column[Any], number: int, at: int, checks: list[str], connection: Connection
) -> Any:
    kind = column.type
    if isinstance(kind, Boolean):
        return at % 2 == 0
    if isinstance(kind, JSON):
        return {"list": [1, -2.5, None, "=x"], "row": at, "ü": {"deep": True}}
    if isinstance(kind, LargeBinary):
        return bytes(range(256)) * (at + 1)
    if isinstance(kind, DateTime):
        moment = NOON + timedelta(days=at, hours=number)
        return moment if connection.dialect.name != "sqlite" else moment.replace(tzinfo=None)
    if isinstance(kind, Date):
        return date(2026, 2, 28) + timedelta(days=at)
    low, high = _bounds(column.name, checks)
    if isinstance(kind, Integer):
        return int(max(low, min(high, 7 * at + number + 1)))
    if isinstance(kind, Float | Numeric):
        values = (0.1 + 0.2, -1 / 3, 12.5)
        return float(max(low, min(high, values[at % 3])))
    length = getattr(kind, "length", None) or 400
    words = TEXTS[(number + at) % len(TEXTS)]
    return f"{words}{column.name}{at}"[:length] if length >= 24 else f"=x{number}{at}"[:length]


def _allowed(name: str, checks: list[str]) -> list[str] | None:
    for check in checks:
        # PostgreSQL writes `IN (…)` as `= ANY (ARRAY[…])`.
        if re.search(rf"\b{name}\b\)?(::\w+( \w+)*)? *(IN|= ANY)", check):
            found = re.findall(r"'((?:[^']|'')*)'", check)
            if found:
                return found
    return None


def _in_either(name: str, checks: list[str]) -> bool:
    return any(re.search(rf"\b{name} IS NULL", c) and "<>" in c for c in checks)


def _bounds(name: str, checks: list[str]) -> tuple[float, float]:
    low, high = -1e9, 1e9
    for check in checks:
        bare = re.sub(r"::\w+( precision)?|[()']", "", check)
        between = re.search(rf"\b{name} BETWEEN (-?[\d.]+) AND (-?[\d.]+)", bare)
        if between:
            low, high = float(between[1]), float(between[2])
        for sign, bound in re.findall(rf"\b{name} (>=|>|<=|<) (-?[\d.]+)", bare):
            if sign.startswith(">"):
                low = max(low, float(bound) + (0.5 if sign == ">" else 0.0))
            else:
                high = min(high, float(bound))
    return low, high
