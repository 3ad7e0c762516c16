"""Claim 2: a full disk or a database that may only be read gives a page, and loses nothing."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import event, func, select

from gardenapp.extensions import db
from gardenapp.models.forecasts import ForecastImport
from gardenapp.models.plots import StorePlace
from tests.claims import rows
from tests.factories import Factory
from tests.phones import Phone
from tests.system import garden

pytestmark = pytest.mark.sqlite


@contextmanager
def every_connection(app: Flask, pragma: str) -> Iterator[None]:
    """While inside, each connection the app opens has this pragma."""

    def on_connect(connection: Any, _record: Any) -> None:
        connection.execute(pragma)

    with app.app_context():
        engine = db.engine
        db.session.remove()
        engine.dispose()
        event.listen(engine, "connect", on_connect)
        try:
            yield
        finally:
            event.remove(engine, "connect", on_connect)
            db.session.remove()
            engine.dispose()


def count(model: Any) -> int:
    found = db.session.scalar(select(func.count()).select_from(model)) or 0
    db.session.remove()
    return found


def pages_used() -> int:
    with db.engine.connect() as connection:
        return int(connection.exec_driver_sql("PRAGMA page_count").scalar() or 0)


def test_a_full_disk_gives_the_page_reading_goes_on_and_nothing_acknowledged_is_lost(
    app: Flask, make: Factory
) -> None:
    phone = Phone(app).sign_in(garden.small_garden(make).coordinator)
    token = phone._token()
    before, full, taken = count(StorePlace), pages_used() + 3, 0

    with every_connection(app, f"PRAGMA max_page_count = {full}"):
        status = 303
        for number in range(400):
            data = {"label": f"place {number}", "note": "x" * 150, "csrf_token": token}
            status = phone.client.post("/covers/places/new", data=data).status_code
            if status != 303:
                break
            taken += 1

        assert status == 503
        page = phone.post(
            "/covers/places/new",
            {"label": "one more", "note": "x" * 150, "csrf_token": token},
            status=503,
        )
        assert "Could not save" in page.text
        for path in ("/tonight", "/plots", "/covers"):
            phone.get(path)
        assert count(StorePlace) == before + taken

    phone.post("/covers/places/new", {"label": "one more", "note": "", "csrf_token": token})
    assert count(StorePlace) == before + taken + 1
    with db.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"


def test_a_full_disk_in_the_middle_of_an_import_leaves_none_of_it(
    app: Flask, make: Factory
) -> None:
    phone = Phone(app).sign_in(garden.small_garden(make, **garden.REAL_PLACE).coordinator)
    token = phone._token()
    import io

    with every_connection(app, f"PRAGMA max_page_count = {pages_used()}"):
        file = (io.BytesIO(garden.real_forecast(evening=make.now)), "grid.json")
        response = phone.client.post(
            "/forecast/import",
            data={"file": file, "csrf_token": token},
            content_type="multipart/form-data",
        )
        assert response.status_code == 503

    assert count(ForecastImport) == 0


def test_a_database_that_may_only_be_read_gives_the_page_and_is_read(
    app: Flask, make: Factory
) -> None:
    phone = Phone(app).sign_in(garden.small_garden(make).coordinator)
    token = phone._token()
    before = count(StorePlace)

    with every_connection(app, "PRAGMA query_only = ON"):
        page = phone.post(
            "/covers/places/new", {"label": "one", "note": "", "csrf_token": token}, status=503
        )
        assert "Could not save" in page.text
        phone.get("/tonight")

    assert count(StorePlace) == before


@pytest.mark.parametrize("command", ["backup", "export"])
def test_a_copy_that_does_not_fit_leaves_no_file_under_its_final_name(
    app: Flask, tmp_path: Path, command: str
) -> None:
    with app.app_context():
        with db.engine.begin() as connection:
            rows.fill(connection)
        db.engine.dispose()
    limit = 40_000 if command == "backup" else 2_000

    def little_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    words = [command] if command == "backup" else [command, str(tmp_path / "out.zip")]
    done = subprocess.run(
        [sys.executable, "-c", "from gardenapp.cli import main; main()", *words],
        env={"PATH": os.environ["PATH"], "GARDEN_INSTANCE": str(tmp_path),
             "GARDEN_SECRET_KEY": app.config["SECRET_KEY"],
             # Or the limit would cut the interpreter's own files short, for everybody.
             "PYTHONDONTWRITEBYTECODE": "1"},
        preexec_fn=little_room,
        capture_output=True,
        text=True,
    )  # fmt: skip

    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    left = [p.name for p in tmp_path.rglob("*") if "part" in p.name or p.name == "out.zip"]
    assert left == []
    assert list((tmp_path / "backups").glob("*")) == [] if command == "backup" else True
