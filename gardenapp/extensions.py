"""The objects that Flask extensions need one of, and how a database connection is opened."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

from flask_login import LoginManager
from flask_migrate import Migrate
from flask_sqlalchemy import SQLAlchemy
from flask_wtf import CSRFProtect
from sqlalchemy import Connection, Engine, MetaData, event
from sqlalchemy.orm import DeclarativeBase

WRITE_OPTION = "garden_write"
BUSY_TIMEOUT_MS = 10_000


class Base(DeclarativeBase):
    """Parent of every table; names each constraint so that a later migration can drop it."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


db = SQLAlchemy(
    model_class=Base,
    session_options={"expire_on_commit": False, "autoflush": True},
)
migrate = Migrate(render_as_batch=True, compare_type=True)
login_manager = LoginManager()
csrf = CSRFProtect()


FILE_KEY = "_garden_file"


def file_identity(engine: Engine) -> tuple[int, int] | None:
    """Which file the path of a SQLite database names now; None where there is none."""
    if engine.dialect.name != "sqlite" or not engine.url.database:
        return None
    try:
        found = Path(engine.url.database).stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def prepare_engine(engine: Engine) -> None:
    """Give every connection of `engine` what the app relies on.

    SQLite only: the driver's own transaction handling is switched off, because it begins
    a transaction at the first change and not at the first read; `BEGIN` or, where the
    connection carries the write option, `BEGIN IMMEDIATE` is sent instead. The keys pragma
    is silently ignored inside a transaction, so it is set at connect.
    """
    if engine.dialect.name != "sqlite" or engine.dialect.__dict__.get("_garden_prepared"):
        return
    engine.dialect.__dict__["_garden_prepared"] = True

    @event.listens_for(engine, "engine_disposed")
    def _on_disposed(disposed: Engine) -> None:
        disposed.dialect.__dict__.pop(FILE_KEY, None)

    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _record: Any) -> None:
        if not isinstance(connection, sqlite3.Connection):
            return
        connection.isolation_level = None
        # The file that was opened first is the garden's, until the engine lets go of it.
        engine.dialect.__dict__.setdefault(FILE_KEY, file_identity(engine))
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        wants_write = connection.get_execution_options().get(WRITE_OPTION)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if wants_write else "BEGIN")
