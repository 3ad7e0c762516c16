"""Claim 6: each migration, up and down, with rows in every table, on both databases."""

from __future__ import annotations

import warnings
from typing import Any

import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory
from flask import Flask
from flask_migrate import downgrade, upgrade

from gardenapp.extensions import db
from gardenapp.folders import shipped
from tests.claims import rows


def revisions() -> list[str]:
    config = Config()
    config.set_main_option("script_location", str(shipped("migrations")))
    script = ScriptDirectory.from_config(config)
    return [r.revision for r in script.walk_revisions()][::-1]


REVISIONS = revisions()
# A column that a revision gives up for good, said here on purpose: whether a planting was ticked as
# hardened off, which the weather says since.
GIVEN_UP = {"0012": {("planting", "is_hardened")}}


def state() -> tuple[dict[str, int], dict[str, list[tuple[Any, ...]]]]:
    with db.engine.connect() as connection:
        return rows.counts(connection), rows.dump(connection)


def fill() -> None:
    with db.engine.begin() as connection:
        rows.fill(connection)


def fits(before: dict[str, list[tuple[Any, ...]]], after: dict[str, list[tuple[Any, ...]]]) -> None:
    """Every value that was there is there, in every table and column that both have."""
    for name in before.keys() & after.keys():
        assert len(before[name]) == len(after[name]), name
        for old, new in zip(before[name], after[name], strict=True):
            was, now = dict(old), dict(new)
            shared = was.keys() & now.keys()
            assert shared
            assert {k: was[k] for k in shared} == {k: now[k] for k in shared}, name


def without(
    dumped: dict[str, list[tuple[Any, ...]]], columns: set[tuple[str, str]]
) -> dict[str, list[tuple[Any, ...]]]:
    """The rows without columns that were given up."""
    return {
        name: [tuple((k, v) for k, v in row if (name, k) not in columns) for row in found]
        for name, found in dumped.items()
    }


@pytest.mark.parametrize("revision", REVISIONS)
def test_up_and_down_with_rows_in_every_table(app: Flask, revision: str) -> None:
    at = REVISIONS.index(revision)
    with app.app_context(), warnings.catch_warnings():
        downgrade(revision="base")
        if at == 0:
            upgrade(revision=revision)
            fill()
            filled, _ = state()
            assert all(filled.values())
            return
        upgrade(revision=REVISIONS[at - 1])
        fill()
        counted, before = state()
        assert counted
        assert all(counted.values())

        upgrade(revision=revision)
        up_counts, up = state()
        fits(before, up)
        # A table that this revision takes away would be a loss; say so here on purpose.
        assert counted.keys() - up_counts.keys() == set()

        downgrade(revision=REVISIONS[at - 1])
        down_counts, down = state()

        assert down_counts == counted
        assert without(down, GIVEN_UP.get(revision, set())) == without(
            before, GIVEN_UP.get(revision, set())
        )


def test_the_newest_tables_can_be_filled_and_hold_together(app: Flask) -> None:
    with app.app_context():
        fill()
        counted, _ = state()

        assert all(counted.values()), {n for n, c in counted.items() if not c}
        assert set(counted) == set(db.metadata.tables)
        if db.engine.dialect.name == "sqlite":
            with db.engine.connect() as connection:
                assert connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall() == []
