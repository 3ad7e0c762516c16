"""The check-up finds each thing that can be wrong, and says nothing where all is well."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from flask import Flask
from flask_migrate import downgrade
from sqlalchemy import text

from gardenapp.cli.upkeep import _known_revisions
from gardenapp.extensions import db
from gardenapp.services import change_log
from gardenapp.services.night import forecasts
from gardenapp.services.upkeep import backup, doctor
from gardenapp.services.upkeep.doctor import BAD, GOOD, LOOK
from tests.conftest import NOW
from tests.factories import Factory


def findings(app: Flask, now: datetime = NOW, free: int = 10**10) -> dict[str, doctor.Finding]:
    db.session.rollback()
    patient = doctor.Patient(
        instance=Path(app.instance_path),
        database_url="",
        newest_revisions=_known_revisions()[1],
        keeps_backups=True,
        has_scheduler=True,
        free_bytes=free,
    )
    return {f.what: f for f in doctor.check_up(patient=patient, now=now)}


@pytest.fixture
def well(app: Flask, make: Factory) -> Flask:
    from gardenapp.services.upkeep import scheduler

    make.garden()
    forecasts.enter_by_hand(night_of=NOW.date(), low_c=1.0, member_id=None, now=NOW)
    scheduler.beat(job="notices", result="0 sent", was_good=True, now=NOW)
    made = backup.make_backup(
        engine=db.engine, instance=Path(app.instance_path), why="daily", now=NOW, app_version="t"
    )
    assert made.size_bytes > 0
    for file in Path(app.instance_path).glob("garden.sqlite*"):
        file.chmod(0o600)
    return app


@pytest.mark.sqlite  # a server has a clock of its own, and the test has another
def test_nothing_is_found_where_all_is_well(well: Flask) -> None:
    found = findings(well)

    assert {f.state for f in found.values()} == {GOOD}, found
    assert len(found) >= 9


def test_what_grew_old_is_to_be_looked_at(well: Flask) -> None:
    found = findings(well, now=NOW + timedelta(days=3))

    assert {w for w, f in found.items() if f.state == LOOK} == {"forecast", "backup", "timetable"}


def test_a_clock_that_ran_backwards_is_bad(well: Flask) -> None:
    change_log.record(action="x", subject="y", at=NOW + timedelta(days=1), member_id=None)
    db.session.commit()

    assert findings(well)["clock"].state == BAD


def test_an_unknown_zone_is_bad(well: Flask) -> None:
    db.session.execute(text("UPDATE garden SET time_zone = 'Mars/Olympus'"))
    db.session.commit()

    assert findings(well)["time zone"].state == BAD


def test_old_tables_are_bad(app: Flask, make: Factory) -> None:
    make.garden()
    db.session.remove()
    downgrade(revision="-1")

    assert findings(app)["tables"].state == BAD


@pytest.mark.sqlite
def test_a_damaged_copy_is_bad(well: Flask) -> None:
    newest = backup.list_backups(Path(well.instance_path))[0].path
    newest.write_bytes(newest.read_bytes()[:20_000])

    assert findings(well)["backup"].state == BAD


def test_a_key_that_others_may_read_is_bad(well: Flask) -> None:
    key = Path(well.instance_path) / "secret_key"
    key.write_text("x")
    key.chmod(0o644)
    assert findings(well)["secrets"].state == GOOD  # the folder lets nobody in
    Path(well.instance_path).chmod(0o755)

    assert findings(well)["secrets"].state == BAD


def test_a_full_disk_is_seen_coming(well: Flask) -> None:
    assert findings(well, free=1_000_000)["room on the disk"].state == LOOK
