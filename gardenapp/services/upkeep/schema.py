"""The shape of a SQLite database: what a copy must have, and nothing else, before it is trusted.

A file with the right few tables can hold a trigger that makes a coordinator of whoever signs in
next. So the whole shape is compared: tables, columns, keys, indexes, and that there is no trigger
and no view, for the app makes none.
"""

from __future__ import annotations

import sqlite3

Shape = frozenset[str]


def shape_of(connection: sqlite3.Connection) -> Shape:
    """Everything that a database's schema says, as comparable lines. Raises sqlite3.Error.

    Told by what SQLite makes of the statements and not by their text, which differs between
    versions of the tools that wrote them.
    """
    lines: set[str] = set()
    rows = connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
    for kind, name, table, sql in rows:
        if name.startswith("sqlite_"):
            continue
        if kind != "table":
            lines.add(f"{kind} {name} on {table}")
            continue
        is_virtual = str(sql).lstrip().upper().startswith("CREATE VIRTUAL")
        lines.add(f"{'virtual table' if is_virtual else 'table'} {name}")
        if not is_virtual:
            lines |= _of_table(connection, name)
    return frozenset(lines)


def differences(found: Shape, wanted: Shape) -> tuple[str, ...]:
    """What a database has too much and what it lacks, in words, in order."""
    more = [f"has {line}" for line in sorted(found - wanted)]
    less = [f"lacks {line}" for line in sorted(wanted - found)]
    return (*more, *less)


def _of_table(connection: sqlite3.Connection, name: str) -> set[str]:
    quoted = '"' + name.replace('"', '""') + '"'
    lines = set()
    for _cid, column, kind, not_null, _default, key, hidden in connection.execute(
        f"PRAGMA table_xinfo({quoted})"
    ):
        words = [f"column {name}.{column}", str(kind).upper()]
        words += ["not null"] if not_null else []
        words += [f"key {key}"] if key else []
        words += ["computed"] if hidden else []
        lines.add(" ".join(words))
    for _id, _seq, other, column, to, _update, on_delete, _match in connection.execute(
        f"PRAGMA foreign_key_list({quoted})"
    ):
        lines.add(f"reference {name}.{column} to {other}.{to or 'id'} on delete {on_delete}")
    for _seq, index, is_unique, origin, is_partial in connection.execute(
        f"PRAGMA index_list({quoted})"
    ):
        inside = '"' + str(index).replace('"', '""') + '"'
        columns = [
            str(column) for _n, _cid, column in connection.execute(f"PRAGMA index_info({inside})")
        ]
        if is_unique or origin == "c":
            sort = "unique" if is_unique else "index"
            lines.add(f"{sort} {name} {columns}{' in part' if is_partial else ''}")
    return lines
