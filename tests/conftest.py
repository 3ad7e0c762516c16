"""Fixtures in layers: settings, app, database, client, signed-in client.

Each test gets a real database file, copied from one that was migrated once a session. Where
`TEST_DATABASE_URL` names a PostgreSQL server, it gets a database there instead, cloned likewise;
tests about SQLite's own ways are marked `sqlite` and left out of such a run.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from flask import Flask
from flask_migrate import upgrade
from sqlalchemy import create_engine

from gardenapp import create_app
from gardenapp.config import Settings
from gardenapp.extensions import db, prepare_engine
from tests import postgres_pool as postgres
from tests.factories import Factory
from tests.pages import Pages
from tests.servers import serve  # noqa: F401  (a fixture, found by name)

# A Tuesday afternoon in late autumn, an hour before sunset at the invented garden.
NOW = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)

# No example fails for being slow on a busy machine. Where the same commit must get the same
# answer twice, as in `.ci/run`, the environment variable CI makes the examples the same too.
# Named here and not in `pyproject.toml`, so that a bare `pytest` finds it too.
pytest_plugins = ("tests.outside",)

hypothesis.settings.register_profile("garden", deadline=None)
if not os.environ.get("CI"):
    hypothesis.settings.load_profile("garden")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """On PostgreSQL, leave out what is about SQLite alone."""
    for item in items:
        if postgres.is_asked_for() and item.get_closest_marker("sqlite"):
            item.add_marker(pytest.mark.skip("about SQLite's own ways"))


def make_settings(folder: Path, **changes: object) -> Settings:
    values: dict[str, object] = {
        "instance": folder,
        "database_url": f"sqlite:///{folder / 'garden.sqlite'}",
        "secret_key": "a-test-key-0123456789-abcdefghijklmnop",
        "is_https": False,
        "proxy_hops": 0,
        "hosts": (),
        "fetch_allowed_hosts": frozenset(),
        # Whoever asks for a plan waits for a good one; tests of the other way say so.
        "plans_apart": False,
    }
    values.update(changes)
    return Settings(**values)  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def migrated_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty database at the newest revision."""
    folder = tmp_path_factory.mktemp("migrated")
    app = create_app(make_settings(folder))
    with app.app_context():
        upgrade()
        db.session.remove()
        db.engine.dispose()
    with sqlite3.connect(folder / "garden.sqlite") as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    return folder / "garden.sqlite"


@dataclass
class PostgresPool:
    """One database used by test after test, emptied between; a broken one is replaced."""

    template: str
    tables: set[str]
    revision: str
    free: str = ""

    def take(self) -> str:
        name, self.free = self.free, ""
        return name or postgres.new_database(self.template)

    def give_back(self, name: str) -> None:
        if postgres.is_emptied(name, self.tables, self.revision):
            self.free = name
        else:
            postgres.drop_database(name)


@pytest.fixture(scope="session")
def postgres_pool(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PostgresPool]:
    """Databases at the newest revision, cloned from one that was migrated once."""
    template = postgres.new_database()
    folder = tmp_path_factory.mktemp("migrated_postgres")
    app = create_app(make_settings(folder, database_url=postgres.url_of(template)))
    with app.app_context():
        upgrade()
        db.session.remove()
        db.engine.dispose()
    pool = PostgresPool(
        template, {*db.metadata.tables, "alembic_version"}, postgres.revision_of(template)
    )
    yield pool
    if pool.free:
        postgres.drop_database(pool.free)
    postgres.drop_database(template)


@pytest.fixture
def settings(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Settings]:
    if postgres.is_asked_for():
        pool: PostgresPool = request.getfixturevalue("postgres_pool")
        name = pool.take()
        yield make_settings(tmp_path, database_url=postgres.url_of(name))
        pool.give_back(name)
        return
    shutil.copy(request.getfixturevalue("migrated_file"), tmp_path / "garden.sqlite")
    yield make_settings(tmp_path)


@pytest.fixture
def clock() -> list[datetime]:
    """The time the app is told; a test changes it with `clock[0] = …`."""
    return [NOW]


@pytest.fixture(scope="session")
def template_cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the apps of all tests keep their templates compiled: each is compiled once."""
    folder = tmp_path_factory.mktemp("templates")
    folder.chmod(0o700)
    return folder


OVERRIDES: dict[str, Any] = {"TESTING": True, "PROPAGATE_EXCEPTIONS": False}


@dataclass
class SharedApp:
    """One app for all tests of a process that ask for no other: its rules and templates are read
    once. Each test gets it on a database and with settings of its own, as it was when made.
    """

    app: Flask
    config: dict[str, Any]
    views: dict[str, Any]

    def lend(self, settings: Settings, clock: list[datetime]) -> Flask:
        """The app on the test's own database, with nothing left from the test before."""
        app = self.app
        app.config.clear()
        app.config.update(self.config)
        app.config.update(settings.flask_config(), **OVERRIDES, CLOCK=lambda: clock[0])
        app.instance_path = str(settings.instance)
        app.extensions.pop("board_parts", None)  # lines of another garden's plan of that number
        app.view_functions.clear()
        app.view_functions.update(self.views)
        engines = db._app_engines[app]  # Flask-SQLAlchemy makes them once an app and no more
        engines[None] = create_engine(
            settings.database_url, **app.config["SQLALCHEMY_ENGINE_OPTIONS"]
        )
        prepare_engine(engines[None])
        return app


@pytest.fixture(scope="session")
def shared_app(tmp_path_factory: pytest.TempPathFactory, template_cache: Path) -> SharedApp:
    app = create_app(
        make_settings(tmp_path_factory.mktemp("shared_app")),
        overrides={**OVERRIDES, "TEMPLATE_CACHE": template_cache},
    )
    with app.app_context():
        db.engine.dispose()
    return SharedApp(app, dict(app.config), dict(app.view_functions))


@pytest.fixture
def app(settings: Settings, clock: list[datetime], shared_app: SharedApp) -> Iterator[Flask]:
    app = shared_app.lend(settings, clock)
    yield app
    with app.app_context():
        db.session.remove()
        db.engine.dispose()


@pytest.fixture
def make(app: Flask) -> Iterator[Factory]:
    """Factories for valid things; they live in an app context of their own."""
    with app.app_context():
        yield Factory(NOW)


@pytest.fixture
def pages(app: Flask) -> Pages:
    """A visitor's phone: fetches pages, checks each, sends forms with their token."""
    return Pages(app)
