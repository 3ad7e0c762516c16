"""How a service writes: one short transaction, begun before anything is read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from flask_sqlalchemy.session import Session
from sqlalchemy import Connection, text, update
from sqlalchemy.orm import scoped_session

from gardenapp.errors import Refused
from gardenapp.extensions import BUSY_TIMEOUT_MS, FILE_KEY, WRITE_OPTION, db, file_identity
from gardenapp.models.people import Garden

WRITERS_LOCK = 5_220_901  # any number, as long as every writer asks for the same


class Replaced(Refused):
    """Another file stands in the place of the one that is open: what is written would be lost."""


def is_replaced(connection: Connection) -> bool:
    """Whether the file of an open SQLite database is no longer the one that its path names."""
    opened = connection.dialect.__dict__.get(FILE_KEY)
    return opened is not None and file_identity(connection.engine) != opened


@contextmanager
def write_transaction(*, changes_board: bool = True) -> Iterator[scoped_session[Session]]:
    """Open a transaction for writing, commit at the end, roll back on any error.

    On SQLite it begins IMMEDIATE: a transaction that has read and then writes is refused at
    once when somebody else wrote meanwhile, whatever the busy timeout. The option works only
    on a transaction that has read nothing, so the one the sign-in left open is ended first.

    On PostgreSQL writers queue in the same way, for one lock that the commit gives back: what was
    read inside still holds when it is written, and no two writers can wait for each other. What
    only one person may win is decided by a unique index all the same.

    `changes_board` raises the garden's version, which tells kept pages that they are old.
    """
    session = db.session
    if session.new or session.dirty or session.deleted:
        raise RuntimeError("a write transaction must begin before anything is changed")
    session.commit()
    connection = session.connection(execution_options={WRITE_OPTION: True})
    try:
        if is_replaced(connection):
            raise Replaced(
                "The database file was replaced while the server runs. Nothing was kept; start "
                "the server again."
            )
        if connection.dialect.name == "postgresql":
            session.execute(text(f"SET LOCAL lock_timeout = {BUSY_TIMEOUT_MS}"))
            session.execute(text(f"SELECT pg_advisory_xact_lock({WRITERS_LOCK})"))
        yield session
        if changes_board:
            session.flush()
            session.execute(
                update(Garden).values(version=Garden.version + 1),
                execution_options={"synchronize_session": False},
            )
        session.commit()
    except BaseException:
        session.rollback()
        raise
