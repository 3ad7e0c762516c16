"""The whole run on a PostgreSQL server: databases cloned from one that was migrated once.

`TEST_DATABASE_URL` names an administrator's way in, such as
`postgresql+psycopg://garden@127.0.0.1:5433/postgres`. Without it every test runs on SQLite.
"""

from __future__ import annotations

import itertools
import os
from typing import Any

ADMIN_URL = os.environ.get("TEST_DATABASE_URL", "").replace("+psycopg", "")
_numbers = itertools.count(1)

EMPTIED = """
DO $$ DECLARE one record; filled boolean; BEGIN
  FOR one IN SELECT tablename FROM pg_tables
    WHERE schemaname = 'public' AND tablename <> 'alembic_version'
  LOOP
    EXECUTE format('SELECT EXISTS (SELECT 1 FROM %I)', one.tablename) INTO filled;
    IF filled THEN
      EXECUTE format('TRUNCATE %I RESTART IDENTITY CASCADE', one.tablename);
    END IF;
  END LOOP;
END $$
"""


def is_asked_for() -> bool:
    """Whether this run is one on PostgreSQL."""
    return bool(ADMIN_URL)


def url_of(name: str) -> str:
    """The address of database `name`, as the app takes it."""
    return _plain(name).replace("postgresql://", "postgresql+psycopg://")


def _plain(name: str) -> str:
    return f"{ADMIN_URL.rpartition('/')[0]}/{name}"


def _run(*statements: str) -> None:
    import psycopg

    with psycopg.connect(ADMIN_URL, autocommit=True) as connection:
        for statement in statements:
            connection.execute(statement)


def new_database(template: str = "template0") -> str:
    """Make a database; gives its name."""
    name = f"garden_test_{os.getpid()}_{next(_numbers)}"
    _run(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
    _run(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')
    return name


def drop_database(name: str) -> None:
    """Drop it, whoever is still connected."""
    _run(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


def connect(name: str) -> Any:
    """A connection of the test's own to database `name`, each statement by itself."""
    import psycopg

    return psycopg.connect(_plain(name), autocommit=True)


def revision_of(name: str) -> str:
    """The revision that database `name` says it is at."""
    with connect(name) as connection:
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(row[0])


def is_emptied(name: str, tables: set[str], revision: str) -> bool:
    """Take every row out of database `name`; says whether it is still as it was migrated.

    Some ten times as fast as making another. A test that broke its database, that left it at
    another revision than `revision`, or whose connection still holds a row, makes this say no.
    """
    import psycopg

    try:
        with connect(name) as connection:
            connection.execute("SET lock_timeout = '3s'")
            connection.execute(EMPTIED)
            found = connection.execute(
                "SELECT tablename FROM pg_tables WHERE schemaname = 'public'"
            )
            if {row[0] for row in found} != tables:
                return False
            rows = connection.execute("SELECT version_num FROM alembic_version").fetchall()
            return bool(rows == [(revision,)])
    except psycopg.Error:
        return False
