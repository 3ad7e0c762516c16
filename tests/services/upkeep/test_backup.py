"""The timetable makes the day's copy once, says so, and says what went wrong."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask

from gardenapp.services.notices.telling import Outlet
from gardenapp.services.upkeep import backup, scheduler
from tests.conftest import NOW
from tests.factories import Factory


def beat() -> scheduler.Beat:
    return next(b for b in scheduler.list_heartbeats() if b.job == scheduler.BACKUP)


def test_a_copy_is_made_once_a_day_and_old_ones_go(app: Flask, make: Factory) -> None:
    make.garden()
    instance = Path(app.instance_path)
    outlet = Outlet(instance=instance, backup_days=2)

    for hours in (0, 1, 24, 25, 48, 72, 96):
        scheduler.tick(holder="one", now=NOW + timedelta(hours=hours), outlet=outlet)

    kept = backup.list_backups(instance)
    assert [b.made_at - NOW for b in kept] == [timedelta(days=d) for d in (4, 3, 2)]
    assert beat().was_good


def test_without_days_to_keep_none_is_made(app: Flask, make: Factory) -> None:
    make.garden()

    scheduler.tick(holder="one", now=NOW, outlet=Outlet(instance=Path(app.instance_path)))

    assert backup.list_backups(Path(app.instance_path)) == []


def test_what_went_wrong_is_noted_and_keeps_nothing_else_from_running(
    app: Flask, make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.garden()

    def full(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backup, "make_backup", full)
    outlet = Outlet(instance=Path(app.instance_path), backup_days=2)

    assert scheduler.tick(holder="one", now=NOW, outlet=outlet)

    assert not beat().was_good
    assert "No space left" in beat().last_result
