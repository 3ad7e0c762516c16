"""Claim 8: a copy made under load comes back whole, and a bad one changes nothing."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from PIL import Image
from sqlalchemy import create_engine, func, select, text

from gardenapp import create_app
from gardenapp.cli.upkeep import _known_revisions, shape_at
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.plots import StorePlace
from gardenapp.services.store import photos
from gardenapp.services.transaction import write_transaction
from gardenapp.services.upkeep import backup, transfer
from tests import postgres_pool as postgres
from tests.claims import rows
from tests.conftest import NOW, make_settings
from tests.factories import Factory
from tests.pages import Pages


def filled(app: Flask) -> None:
    with app.app_context(), db.engine.begin() as connection:
        rows.fill(connection)


def copy(app: Flask, why: str = "test") -> backup.Backup:
    with app.app_context():
        return backup.make_backup(
            engine=db.engine,
            instance=Path(app.instance_path),
            why=why,
            now=NOW,
            app_version="test",
        )


def put_back(app: Flask, file: Path) -> Path | None:
    with app.app_context():
        known, _ = _known_revisions()
        db.session.remove()
        db.engine.dispose()
        return backup.restore_sqlite(
            file=file,
            database=Path(app.instance_path) / "garden.sqlite",
            instance=Path(app.instance_path),
            known_revisions=known,
            shape_at=shape_at,
            now=NOW + timedelta(hours=1),
        )


def places(app: Flask) -> int:
    with app.app_context():
        return db.session.scalar(select(func.count()).select_from(StorePlace)) or 0


class Writer(threading.Thread):
    """Writes places until told to stop; counts those that were acknowledged."""

    def __init__(self, app: Flask) -> None:
        super().__init__(daemon=True)
        self.app, self.stop, self.done = app, threading.Event(), 0

    def run(self) -> None:
        while not self.stop.is_set():
            with self.app.app_context():
                with write_transaction() as session:
                    session.add(StorePlace(label=f"written {self.done}"))
                self.done += 1
                db.session.remove()


@pytest.fixture
def writer(app: Flask, make: Factory) -> Iterator[Writer]:
    make.garden()
    db.session.remove()
    one = Writer(app)
    one.start()
    yield one
    one.stop.set()
    one.join(20)


@pytest.mark.sqlite
def test_copies_made_while_others_write_are_whole_and_of_one_moment(
    app: Flask, writer: Writer, tmp_path: Path
) -> None:
    for number in range(5):
        time.sleep(0.1)
        before = writer.done
        made = copy(app, why=f"load{number}")
        after = writer.done + 1

        # `make_backup` has checked it from end to end; how many rows it holds is checked here.
        with sqlite3.connect(made.path) as connection:
            found = connection.execute("SELECT count(*) FROM store_place").fetchone()[0]
        connection.close()
        assert before <= found <= after
        assert made.path.stat().st_mode & 0o777 == 0o600
    assert writer.done > 5
    left = sorted(p.name for p in (tmp_path / "backups").iterdir())
    assert all(name.endswith(".sqlite") for name in left), left


def test_an_export_made_while_others_write_is_of_one_moment(
    app: Flask, writer: Writer, tmp_path: Path
) -> None:
    time.sleep(0.2)
    before = writer.done
    with app.app_context():
        counts = {
            c.name: c.rows
            for c in transfer.export_to(
                tmp_path / "out.zip", engine=db.engine, now=NOW, app_version="test"
            )
        }

    assert before <= counts["store_place"] <= writer.done + 1


@pytest.mark.sqlite
def test_what_is_put_back_is_what_was_copied_and_the_app_runs_on_it(
    app: Flask, make: Factory, tmp_path: Path
) -> None:
    make.coordinator()
    db.session.remove()
    filled_places = places(app)
    made = copy(app)
    make.place("written afterwards")
    db.session.remove()

    kept = put_back(app, made.path)

    assert places(app) == filled_places
    with app.app_context(), db.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
    assert kept is not None
    with sqlite3.connect(kept) as before:
        assert before.execute("SELECT label FROM store_place").fetchall() == [
            ("written afterwards",)
        ]
    before.close()
    phone = Pages(app)
    for path in ("/tonight", "/plots", "/help"):
        phone.get(path)


@pytest.mark.sqlite
def test_every_row_of_every_table_comes_back(app: Flask) -> None:
    filled(app)
    with app.app_context(), db.engine.connect() as connection:
        before = rows.dump(connection)
    made = copy(app)
    with app.app_context(), db.engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM claim")

    put_back(app, made.path)

    with app.app_context(), db.engine.connect() as connection:
        assert rows.dump(connection) == before
        assert min(len(r) for r in before.values()) >= 1


def corrupt(file: Path) -> None:
    data = bytearray(file.read_bytes())
    for at in range(4096, len(data) - 4096, 4096):
        data[at + 50 : at + 250] = os.urandom(200)
    file.write_bytes(data)


def cut(file: Path) -> None:
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def foreign(file: Path) -> None:
    file.unlink()
    connection = sqlite3.connect(file)
    connection.execute("CREATE TABLE song (id INTEGER, title TEXT)")
    connection.commit()
    connection.close()


def newer(file: Path) -> None:
    connection = sqlite3.connect(file)
    connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.commit()
    connection.close()


def no_database(file: Path) -> None:
    file.write_bytes(b"not a database at all\n" * 500)


def dangling(file: Path) -> None:
    connection = sqlite3.connect(file)
    connection.execute("INSERT INTO plot_holder (id, plot_id, member_id) VALUES (99, 98, 97)")
    connection.commit()
    connection.close()


def two_tables(file: Path) -> None:
    connection = sqlite3.connect(file)
    connection.execute("PRAGMA foreign_keys = OFF")
    for (name,) in connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table'"
    ).fetchall():
        if name not in {"garden", "alembic_version"} and not name.startswith("sqlite_"):
            connection.execute(f"DROP TABLE {name}")
    connection.commit()
    connection.close()


def coup(file: Path) -> None:
    """Whoever signs in next becomes a coordinator."""
    connection = sqlite3.connect(file)
    connection.execute(
        "CREATE TRIGGER tidy AFTER UPDATE ON member BEGIN "
        "UPDATE member SET role = 'coordinator' WHERE id = NEW.id; END"
    )
    connection.commit()
    connection.close()


def peephole(file: Path) -> None:
    connection = sqlite3.connect(file)
    connection.execute("CREATE VIEW seen AS SELECT * FROM member")
    connection.commit()
    connection.close()


def without_index(file: Path) -> None:
    """Without it two members could claim the same job."""
    connection = sqlite3.connect(file)
    connection.execute("DROP INDEX uq_cover_use_open_cover")
    connection.commit()
    connection.close()


@pytest.mark.sqlite
@pytest.mark.parametrize(
    "spoil",
    [
        corrupt,
        cut,
        foreign,
        newer,
        no_database,
        dangling,
        two_tables,
        coup,
        peephole,
        without_index,
    ],
)
def test_a_bad_copy_is_refused_and_the_live_database_is_untouched(
    app: Flask, make: Factory, tmp_path: Path, spoil: Any
) -> None:
    make.coordinator()
    db.session.remove()
    made = copy(app)
    bad = tmp_path / "bad.sqlite"
    shutil.copy(made.path, bad)
    spoil(bad)
    with app.app_context():
        db.engine.dispose()
    live = tmp_path / "garden.sqlite"
    before = live.read_bytes()

    with pytest.raises(backup.BadBackup):
        put_back(app, bad)

    assert live.read_bytes() == before
    assert [p.name for p in tmp_path.glob(".*.part*")] == []


@pytest.mark.sqlite
def test_a_database_in_use_is_not_replaced(app: Flask, make: Factory) -> None:
    make.coordinator()
    made = copy(app)
    held = sqlite3.connect(Path(app.instance_path) / "garden.sqlite")
    held.execute("SELECT count(*) FROM member").fetchone()
    try:
        with pytest.raises(backup.InUse, match="Stop the server"):
            put_back(app, made.path)
    finally:
        held.close()


@pytest.mark.sqlite
def test_a_log_left_behind_by_the_old_file_is_not_laid_over_the_new_one(
    app: Flask, make: Factory, tmp_path: Path
) -> None:
    make.coordinator()
    db.session.remove()
    made = copy(app)
    live = tmp_path / "garden.sqlite"
    # A server that was killed leaves its log: changes that stand only there.
    code = (
        "import sqlite3, os, sys\n"
        "c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "c.execute('PRAGMA wal_autocheckpoint = 0')\n"
        "c.execute(\"INSERT INTO store_place (label, note) VALUES ('in the log only', '')\")\n"
        "os.kill(os.getpid(), 9)\n"
    )
    with app.app_context():
        db.engine.dispose()
    subprocess.run([sys.executable, "-c", code, str(live)], check=False)
    assert (tmp_path / "garden.sqlite-wal").stat().st_size > 0

    kept = put_back(app, made.path)

    assert places(app) == 0
    assert kept is not None
    with sqlite3.connect(kept) as connection:
        found = connection.execute("SELECT label FROM store_place").fetchall()
    connection.close()
    assert found == [("in the log only",)]


@pytest.mark.sqlite
def test_old_copies_go_and_the_newest_never_does(app: Flask, tmp_path: Path) -> None:
    made = []
    for days in (40, 30, 20, 19, 18, 17, 16, 10, 1):
        with app.app_context():
            made.append(
                backup.make_backup(
                    engine=db.engine,
                    instance=tmp_path,
                    why="daily",
                    now=NOW - timedelta(days=days),
                    app_version="test",
                )
            )

    gone = backup.forget_old(instance=tmp_path, keep_days=14, now=NOW)

    assert gone == 2
    assert [b.path for b in backup.list_backups(tmp_path)] == [b.path for b in made[:1:-1]]
    assert backup.forget_old(instance=tmp_path, keep_days=0, now=NOW + timedelta(days=99)) == 6
    assert backup.is_due(instance=tmp_path, now=NOW)
    assert not backup.is_due(instance=tmp_path, now=NOW - timedelta(hours=2))


@pytest.mark.sqlite
def test_a_copy_of_an_older_version_is_still_taken(
    app: Flask, make: Factory, tmp_path: Path
) -> None:
    """Its shape is compared with that of its own revision."""
    make.coordinator()
    db.session.remove()
    known, _ = _known_revisions()
    earlier = sorted(known)[-2]
    with app.app_context():
        from flask_migrate import downgrade

        downgrade(revision=earlier)
        db.session.remove()
    made = copy(app)

    assert backup.prove(made.path, known_revisions=known, shape_at=shape_at) == earlier


def test_an_export_replaces_nothing_while_a_server_runs_and_keeps_what_was_there(
    app: Flask, make: Factory, tmp_path: Path
) -> None:
    make.coordinator()
    db.session.remove()
    with app.app_context():
        engine = db.engine
        transfer.export_to(tmp_path / "out.zip", engine=engine, now=NOW, app_version="test")
        server = create_engine(engine.url)
        with server.connect() as held:
            held.execute(text("SELECT count(*) FROM member")).scalar_one()
            with pytest.raises(backup.InUse, match="Stop the server"):
                backup.keep_before_replacing(
                    engine=engine, instance=tmp_path, now=NOW, app_version="test"
                )
        server.dispose()

        kept = backup.keep_before_replacing(
            engine=engine, instance=tmp_path, now=NOW, app_version="test"
        )

    assert kept.is_file()
    assert kept in [each.path for each in backup.list_backups(tmp_path)]


def test_everything_goes_out_and_comes_back_row_for_row(app: Flask, tmp_path: Path) -> None:
    filled(app)
    first, second = tmp_path / "first.zip", tmp_path / "second.zip"
    with app.app_context():
        engine = db.engine
        transfer.export_to(first, engine=engine, now=NOW, app_version="test")
        with engine.connect() as connection:
            before = rows.dump(connection)

        with pytest.raises(transfer.NotEmpty):
            transfer.import_from(first, engine=engine)
        transfer.import_from(first, engine=engine, replace=True)

        transfer.export_to(second, engine=engine, now=NOW, app_version="test")
        with engine.connect() as connection:
            assert rows.dump(connection) == before
    assert first.read_bytes() == second.read_bytes()
    assert first.stat().st_mode & 0o777 == 0o600


@pytest.fixture
def with_picture(app: Flask, tmp_path: Path) -> tuple[Path, str, Path]:
    """An export of a garden with one picture: the file, the picture's name, its folder."""
    filled(app)
    folder, file = tmp_path / "photos", tmp_path / "out.zip"
    out = io.BytesIO()
    Image.new("RGB", (64, 48), "green").save(out, "JPEG")
    with app.app_context():
        name = photos.keep(out.getvalue(), folder=folder)
        photos.keep(out.getvalue(), folder=folder)  # one that no row names
        cover = db.session.scalars(select(Cover)).first()
        assert cover is not None
        cover.photo = name
        db.session.commit()
        transfer.export_to(file, engine=db.engine, now=NOW, app_version="test", pictures=folder)
    return file, name, folder


def test_pictures_go_out_and_come_back_byte_for_byte(
    app: Flask, with_picture: tuple[Path, str, Path], tmp_path: Path
) -> None:
    file, name, folder = with_picture
    there = tmp_path / "there"
    with app.app_context():
        transfer.import_from(file, engine=db.engine, replace=True, pictures=there)

        assert db.session.scalars(select(Cover.photo).where(Cover.photo == name)).one() == name
    assert transfer.pictures_in(file) == 1
    assert [f.name for f in there.iterdir()] == [name]
    assert (there / name).read_bytes() == (folder / name).read_bytes()


@pytest.mark.parametrize("how", ["other bytes", "no picture", "a path for a name", "not in it"])
def test_a_picture_that_is_not_the_listed_one_stops_the_import(
    app: Flask, with_picture: tuple[Path, str, Path], tmp_path: Path, how: str
) -> None:
    file, name, _folder = with_picture
    broken, there = tmp_path / "broken.zip", tmp_path / "there"
    with zipfile.ZipFile(file) as good, zipfile.ZipFile(broken, "w") as made:
        for info in good.infolist():
            data, at = good.read(info), info.filename
            if at.startswith("photos/"):
                if how == "not in it":
                    continue
                data = b"<script>" if how != "a path for a name" else data
                at = at if how != "a path for a name" else "photos/../../x.jpg"
            if at == "manifest.json" and how == "no picture":
                listed = json.loads(data)
                listed["photos"][0]["sha256"] = hashlib.sha256(b"<script>").hexdigest()
                data = json.dumps(listed).encode()
            if at == "manifest.json" and how == "a path for a name":
                data = data.replace(name.encode(), b"../../x.jpg")
            made.writestr(at, data)
    with app.app_context():
        with db.engine.connect() as connection:
            before = rows.dump(connection)
        with pytest.raises(transfer.BadExport):
            transfer.import_from(broken, engine=db.engine, replace=True, pictures=there)
        with db.engine.connect() as connection:
            assert rows.dump(connection) == before
    assert not there.exists() or list(there.iterdir()) == []


def test_a_garden_is_copied_to_another_database_and_proved(app: Flask, tmp_path: Path) -> None:
    """From SQLite to SQLite, or from PostgreSQL to PostgreSQL and back to SQLite."""
    filled(app)
    folder = tmp_path / "other"
    folder.mkdir()
    other = create_app(make_settings(folder))
    with other.app_context():
        from flask_migrate import upgrade

        upgrade()
        target = db.engine

        with app.app_context():
            counts = transfer.copy_to(target, source=db.engine)
            with pytest.raises(transfer.NotEmpty):
                transfer.copy_to(target, source=db.engine)

        with target.connect() as connection:
            assert rows.counts(connection) == {c.name: c.rows for c in counts}
        target.dispose()


def test_a_garden_moves_from_sqlite_to_postgresql_and_new_rows_get_new_numbers(
    app: Flask, migrated_file: Path, tmp_path: Path
) -> None:
    if not postgres.is_asked_for():
        pytest.skip("needs TEST_DATABASE_URL; run on PostgreSQL by the checks")
    folder = tmp_path / "sqlite"
    folder.mkdir()
    shutil.copy(migrated_file, folder / "garden.sqlite")
    source = create_app(make_settings(folder))
    filled(source)
    with source.app_context():
        engine = db.engine
        with app.app_context():
            counts = transfer.copy_to(db.engine, source=engine)
            assert sum(c.rows for c in counts) > 100

            with write_transaction() as session:
                place = StorePlace(label="the first one here")
                session.add(place)
                session.flush()
                assert place.id == 4
        engine.dispose()
