"""How a service writes: one short transaction, begun before anything is read."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from flask_sqlalchemy.session import Session
from sqlalchemy import Connection, text, update
from sqlalchemy.orm import scoped_session

from gardenapp.errors import Busy, Refused
from gardenapp.extensions import BUSY_TIMEOUT_MS, FILE_KEY, WRITE_OPTION, db, file_identity
from gardenapp.models.people import Garden
from gardenapp.words import _

WRITERS_LOCK = 5_220_901  # any number, as long as every writer asks for the same


class _Gate:
    """Lets one thread at a time ask the database for its lock, and keeps others free for readers.

    Among themselves the writers of a process take turns here, within milliseconds. Where somebody
    else holds the database's lock for longer than `stuck_s`, those who come on top are told to
    try again at once, instead of standing in the way of readers until it is free.
    """

    def __init__(self, most: int = 1, *, stuck_s: float = 1.0) -> None:
        self._most, self._stuck_s = most, stuck_s
        self._free = threading.Condition()
        self._inside = 0
        self._waiting_since: dict[int, float] = {}

    @contextmanager
    def pass_through(self) -> Iterator[Callable[[], None]]:
        """Hold a place; call what is given once the database's lock is had. Raises Busy."""
        me = threading.get_ident()
        with self._free:
            while self._inside >= self._most:
                if self._is_stuck():
                    raise Busy(_("The garden's computer is busy. Try again in a moment."))
                self._free.wait(0.05)
            self._inside += 1
            self._waiting_since[me] = time.monotonic()

        def got_it() -> None:
            with self._free:
                self._waiting_since.pop(me, None)

        try:
            yield got_it
        finally:
            with self._free:
                self._waiting_since.pop(me, None)
                self._inside -= 1
                self._free.notify()

    def _is_stuck(self) -> bool:
        began = min(self._waiting_since.values(), default=None)
        return began is not None and time.monotonic() - began > self._stuck_s


gate = _Gate()


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
    with gate.pass_through() as got_it:
        connection = session.connection(execution_options={WRITE_OPTION: True})
        with _written(session, connection, got_it, changes_board=changes_board):
            yield session


@contextmanager
def _written(
    session: scoped_session[Session],
    connection: Connection,
    got_it: Callable[[], None],
    *,
    changes_board: bool,
) -> Iterator[None]:
    """The transaction itself, which the connection has begun."""
    try:
        if is_replaced(connection):
            raise Replaced(
                "The database file was replaced while the server runs. Nothing was kept; start "
                "the server again."
            )
        if connection.dialect.name == "postgresql":
            session.execute(text(f"SET LOCAL lock_timeout = {BUSY_TIMEOUT_MS}"))
            session.execute(text(f"SELECT pg_advisory_xact_lock({WRITERS_LOCK})"))
        got_it()
        yield
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
