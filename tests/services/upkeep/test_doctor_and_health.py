"""What a machine that watches is told: each way in which a server cannot do its work."""

from __future__ import annotations

import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.notices import Heartbeat
from gardenapp.models.plots import StorePlace
from gardenapp.services.notices.telling import Outlet
from gardenapp.services.transaction import Replaced, write_transaction
from gardenapp.services.upkeep import doctor, scheduler
from tests.conftest import NOW
from tests.factories import Factory
from tests.phones import LoneClient


def troubles(app: Flask, **changes: Any) -> tuple[str, ...]:
    db.session.rollback()
    values: dict[str, Any] = {
        "now": NOW,
        "has_scheduler": True,
        "instance": Path(app.instance_path),
        "free_bytes": 10**10,
    }
    return doctor.troubles(**values | changes)


def test_a_server_that_works_has_no_troubles(app: Flask, make: Factory, tmp_path: Path) -> None:
    make.garden()
    scheduler.tick(holder="one", now=NOW, outlet=Outlet(instance=tmp_path))

    assert troubles(app) == ()


def test_a_timetable_that_died_is_told_by_its_name(
    app: Flask, make: Factory, tmp_path: Path
) -> None:
    make.garden()
    out = Outlet(instance=tmp_path)
    scheduler.tick(holder="one", now=NOW - timedelta(minutes=20), outlet=out)
    scheduler.tick(holder="one", now=NOW, outlet=out, groups=(scheduler.FETCHING,))

    assert troubles(app) == ("housekeeping has stopped", "sending has stopped")
    assert troubles(app, has_scheduler=False) == ()


def test_a_full_disk_and_a_damaged_database_are_told(app: Flask, make: Factory) -> None:
    make.garden()
    scheduler.beat(job=scheduler.CHECK, result="Damaged.", was_good=False, now=NOW)

    assert troubles(app, free_bytes=1_000_000) == (
        "the database is damaged",
        "the disk is full",
    )


def test_looking_at_the_health_writes_nothing(app: Flask, make: Factory) -> None:
    make.garden()
    client = LoneClient(app, app.response_class)

    client.get("/healthz")

    assert db.session.scalar(select(func.count()).select_from(Heartbeat)) == 0


@pytest.mark.sqlite
def test_a_damaged_page_is_found_by_the_hourly_look(
    app: Flask, make: Factory, tmp_path: Path
) -> None:
    make.garden()
    for number in range(400):
        make.place(f"place {number:05d} {'x' * 60}")
    db.session.remove()
    with db.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    db.engine.dispose()
    file = Path(app.instance_path) / "garden.sqlite"
    data = bytearray(file.read_bytes())
    at = data.index(b"place 00200")
    data[at // 4096 * 4096 : at // 4096 * 4096 + 100] = b"\xff" * 100
    file.write_bytes(data)

    scheduler.tick(holder="one", now=NOW, outlet=Outlet(instance=tmp_path))

    row = db.session.scalars(select(Heartbeat).where(Heartbeat.job == scheduler.CHECK)).one()
    assert not row.was_good
    assert "the database is damaged" in troubles(app)


@pytest.mark.sqlite
def test_nothing_is_acknowledged_once_the_file_was_replaced_under_the_server(
    app: Flask, make: Factory
) -> None:
    make.place("shed")
    file = Path(app.instance_path) / "garden.sqlite"
    other = file.with_name("other.sqlite")
    with db.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(file, other)
    other.replace(file)

    with pytest.raises(Replaced, match="start the server again"), write_transaction() as session:
        session.add(StorePlace(label="lost"))

    assert any("replaced" in words for words in troubles(app))
    answer = LoneClient(app, app.response_class).get("/healthz")
    assert answer.status_code == 503
    assert str(file) not in answer.text
