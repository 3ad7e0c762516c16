"""Copies are proved and kept; the timetable makes the day's once and says what went wrong."""

from __future__ import annotations

import os
import re
import stat
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask

from gardenapp.extensions import db
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


# --- one copy -----------------------------------------------------------------------------------


def copy(app: Flask, *, why: str = "test", days: float = 0.0) -> backup.Backup:
    return backup.make_backup(
        engine=db.engine,
        instance=Path(app.instance_path),
        why=why,
        now=NOW + timedelta(days=days),
        app_version="test",
    )


def test_a_copy_is_for_its_owner_alone_and_nothing_else_is_left(app: Flask, make: Factory) -> None:
    make.garden()

    made = copy(app, why="before-update")

    folder = Path(app.instance_path) / backup.FOLDER
    assert [path.name for path in folder.iterdir()] == [made.path.name]
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert (made.why, made.made_at) == ("before-update", NOW)
    assert made.size_bytes == made.path.stat().st_size > 0
    assert backup.list_backups(Path(app.instance_path)) == [made]


@pytest.mark.sqlite
def test_a_copy_is_proved_by_opening_it_and_says_its_revision(app: Flask, make: Factory) -> None:
    make.garden()
    made = copy(app)

    revision = backup.prove(made.path)

    assert backup.prove(made.path, known_revisions=[revision, "another"]) == revision
    with pytest.raises(backup.BadBackup, match="newer version"):
        backup.prove(made.path, known_revisions=["another"])
    assert [path.name for path in made.path.parent.iterdir()] == [made.path.name]


@pytest.mark.sqlite
def test_a_copy_that_is_not_whole_gets_no_name(
    app: Flask, make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.garden()

    def cut_short(source: Path, target: Path) -> None:
        target.write_bytes(source.read_bytes()[:2_000])

    monkeypatch.setattr(backup, "_copy", cut_short)

    with pytest.raises(backup.BadBackup):
        copy(app)

    assert list((Path(app.instance_path) / backup.FOLDER).iterdir()) == []


def test_what_a_killed_copy_left_goes_once_it_is_surely_nobodys(app: Flask, make: Factory) -> None:
    make.garden()
    folder = Path(app.instance_path) / backup.FOLDER
    folder.mkdir()
    old, young, other = (
        folder / name for name in (".garden-a.1.part", ".garden-b.2.part", "notes.part")
    )
    for path, hours in ((old, 2), (young, 0.5), (other, 2)):
        path.write_bytes(b"half")
        at = (NOW - timedelta(hours=hours)).timestamp()
        os.utime(path, (at, at))

    copy(app)

    assert [path.exists() for path in (old, young, other)] == [False, True, True]


# --- the copies that are kept -------------------------------------------------------------------


def test_before_the_first_copy_there_is_none_and_one_is_due(tmp_path: Path) -> None:
    assert backup.list_backups(tmp_path) == []
    assert backup.is_due(instance=tmp_path, now=NOW)
    assert backup.forget_old(instance=tmp_path, keep_days=1, now=NOW) == 0


def test_only_copies_are_listed_the_newest_first(app: Flask, make: Factory) -> None:
    make.garden()
    first, second = copy(app), copy(app, why="daily", days=1)
    for name in ("garden-notes.txt", "garden-of-eden.sqlite", "holiday.zip", "garden-x-1.zip"):
        (first.path.parent / name).write_bytes(b"somebody's own")

    assert backup.list_backups(Path(app.instance_path)) == [second, first]
    assert (
        backup.forget_old(
            instance=Path(app.instance_path), keep_days=0, now=NOW + timedelta(days=99)
        )
        == 0
    )
    assert (first.path.parent / "garden-of-eden.sqlite").exists()


def test_the_newest_of_each_kind_stays_however_old_it_is(app: Flask, make: Factory) -> None:
    make.garden()
    update = copy(app, why="before-update", days=-90)
    older, *daily = (copy(app, why="daily", days=days) for days in range(-40, -32))

    gone = backup.forget_old(instance=Path(app.instance_path), keep_days=14, now=NOW)

    assert gone == 1
    assert not older.path.exists()
    assert backup.list_backups(Path(app.instance_path)) == [*reversed(daily), update]


def test_an_hour_with_the_clock_a_year_ahead_costs_no_copy(app: Flask, make: Factory) -> None:
    make.garden()
    outlet = Outlet(instance=Path(app.instance_path), backup_days=14)
    for days in range(8):
        scheduler.tick(holder="one", now=NOW + timedelta(days=days), outlet=outlet)
    before = backup.list_backups(Path(app.instance_path))

    scheduler.tick(holder="one", now=NOW + timedelta(days=372), outlet=outlet)
    assert len([b for b in before if b.path.exists()]) >= 6  # and the one of the wrong day
    scheduler.tick(holder="two", now=NOW + timedelta(days=8, hours=1), outlet=outlet)

    made = [b.made_at - NOW for b in backup.list_backups(Path(app.instance_path))]
    assert timedelta(days=8, hours=1) in made


@pytest.mark.parametrize(("minutes", "is_due"), [(23 * 60 + 29, False), (23 * 60 + 30, True)])
def test_the_days_copy_is_due_a_little_early_so_that_it_does_not_wander_round_the_clock(
    app: Flask, make: Factory, minutes: int, is_due: bool
) -> None:
    make.garden()
    copy(app, why=backup.DAILY)
    copy(app, why="by-hand", days=0.9)  # one made by hand is no daily one

    found = backup.is_due(instance=Path(app.instance_path), now=NOW + timedelta(minutes=minutes))

    assert found is is_due


def test_a_copy_whose_schema_is_no_text_any_more_is_refused_in_words(
    app: Flask, make: Factory, tmp_path: Path
) -> None:
    make.garden()
    db.session.commit()
    made = backup.make_backup(
        engine=db.engine,
        instance=Path(app.instance_path),
        why="test",
        now=NOW,
        app_version="t",
    )
    spoilt = tmp_path / "spoilt.sqlite"
    whole = made.path.read_bytes()
    spoilt.write_bytes(
        re.sub(
            rb'CREATE TABLE ("?garden"?) ', lambda m: b"CREATE \xff\xfeBLE " + m[1] + b" ", whole
        )
    )
    assert spoilt.read_bytes() != whole

    with pytest.raises(backup.BadBackup, match=r"spoilt\.sqlite"):
        backup.prove(spoilt)
