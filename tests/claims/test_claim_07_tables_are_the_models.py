"""Claim 7: what migrations make is what the models say, and going down and up changes nothing."""

from __future__ import annotations

from typing import Any

from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from flask import Flask
from flask_migrate import downgrade, upgrade
from sqlalchemy import inspect

from gardenapp.extensions import db


def shape() -> dict[str, Any]:
    """Columns, keys, indexes and checks of every table, in words that can be compared."""
    inspector = inspect(db.engine)
    return {
        name: {
            "columns": [
                (c["name"], str(c["type"]), c["nullable"], c["default"])
                for c in inspector.get_columns(name)
            ],
            "keys": sorted(str(k) for k in inspector.get_foreign_keys(name)),
            "indexes": sorted(
                f"{i['name']} {i['column_names']} {i['unique']} "
                f"{sorted((k, str(v)) for k, v in i.get('dialect_options', {}).items())}"
                for i in inspector.get_indexes(name)
            ),
            "unique": sorted(str(u) for u in inspector.get_unique_constraints(name)),
            "checks": sorted(c["sqltext"] for c in inspector.get_check_constraints(name)),
        }
        for name in inspector.get_table_names()
        if name != "alembic_version"
    }


def test_nothing_is_left_to_migrate(app: Flask) -> None:
    with app.app_context(), db.engine.connect() as connection:
        context = MigrationContext.configure(
            connection, opts={"compare_type": True, "target_metadata": db.metadata}
        )

        assert compare_metadata(context, db.metadata) == []


def test_down_to_nothing_and_up_again_gives_the_same_tables(app: Flask) -> None:
    with app.app_context():
        before = shape()

        downgrade(revision="base")
        assert shape() == {}
        upgrade()

        assert shape() == before
        assert len(before) == len(db.metadata.tables)
