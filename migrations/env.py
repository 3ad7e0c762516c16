"""How migrations run.

A batch migration on SQLite drops the old table. With foreign keys on, the rows of its
children go with it, silently, and a check afterwards finds nothing wrong. So keys are off
while a migration runs (the pragma must be set outside a transaction), and every reference
is checked before the commit.
"""

from alembic import context
from flask import current_app

from gardenapp.extensions import WRITE_OPTION, db

config = context.config
target_metadata = db.metadata


def run_migrations_online() -> None:
    engine = db.engine
    options = dict(current_app.extensions["migrate"].configure_args)
    with engine.connect() as connection:
        is_sqlite = connection.dialect.name == "sqlite"
        if is_sqlite:
            raw = connection.connection.driver_connection
            raw.execute("PRAGMA foreign_keys = OFF")
        connection = connection.execution_options(**{WRITE_OPTION: True})
        context.configure(
            connection=connection,
            target_metadata=target_metadata,
            transaction_per_migration=False,
            **options,
        )
        try:
            with connection.begin():
                with context.begin_transaction():
                    context.run_migrations()
                if is_sqlite:
                    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
                    if broken:
                        raise RuntimeError(f"migration left broken references: {broken[:5]}")
        finally:
            if is_sqlite:
                # Thrown away, not switched back: the pragma is silently ignored while anything
                # is pending, and a server would go on with a connection that checks no keys.
                connection.invalidate()


if context.is_offline_mode():
    raise RuntimeError("migrations run against a database only; set DATABASE_URL")
run_migrations_online()
