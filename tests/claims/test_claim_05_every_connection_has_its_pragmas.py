"""Claim 5: every connection keeps the promises that the tables rely on."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from flask import Flask

from gardenapp.extensions import BUSY_TIMEOUT_MS, db

pytestmark = pytest.mark.sqlite

PROMISED = {
    "journal_mode": "wal",
    "synchronous": 2,  # FULL
    "foreign_keys": 1,
    "busy_timeout": BUSY_TIMEOUT_MS,
}


def test_each_pooled_connection(app: Flask) -> None:
    with app.app_context():
        opened = [db.engine.connect() for _ in range(5)]
        try:
            for connection in opened:
                found = {
                    name: connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in PROMISED
                }
                assert found == PROMISED
        finally:
            for connection in opened:
                connection.close()


def test_the_command_line(tmp_path: Path) -> None:
    code = (
        "from gardenapp import create_app; from gardenapp.extensions import db\n"
        "app = create_app()\n"
        "with app.app_context(), db.engine.connect() as c:\n"
        f"    print([c.exec_driver_sql('PRAGMA ' + n).scalar() for n in {list(PROMISED)}])\n"
    )

    done = subprocess.run(
        [sys.executable, "-c", code],
        env={"GARDEN_INSTANCE": str(tmp_path), "PATH": "/usr/bin"},
        capture_output=True,
        text=True,
        check=True,
    )

    assert done.stdout.strip() == str(list(PROMISED.values()))


def test_keys_are_off_while_a_migration_runs_and_checked_at_its_end(
    app: Flask, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from alembic.runtime.environment import EnvironmentContext
    from flask_migrate import downgrade, upgrade

    seen = []
    ran = EnvironmentContext.run_migrations

    def watched(self: EnvironmentContext, **kwargs: object) -> None:
        connection = self.get_context().connection
        assert connection is not None
        seen.append(connection.exec_driver_sql("PRAGMA foreign_keys").scalar())
        ran(self, **kwargs)
        # A reference to nothing, as a careless migration could leave it.
        connection.exec_driver_sql(
            "INSERT INTO plot_holder (id, plot_id, member_id) VALUES (1, 404, 404)"
        )

    with app.app_context():
        downgrade(revision="-1")
        monkeypatch.setattr(EnvironmentContext, "run_migrations", watched)

        with pytest.raises(SystemExit):
            upgrade()

        assert "broken references" in caplog.text

        with db.engine.connect() as connection:
            assert connection.exec_driver_sql("SELECT count(*) FROM plot_holder").scalar() == 0
            assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
    assert seen == [0]
