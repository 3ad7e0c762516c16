"""Claim 21: a spreadsheet runs nothing of an export, and a bad file is refused unread."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from flask import Flask

from gardenapp.extensions import db
from gardenapp.services.upkeep import transfer
from tests.claims import rows
from tests.conftest import NOW


@pytest.fixture
def export(app: Flask, tmp_path: Path) -> Path:
    with app.app_context():
        with db.engine.begin() as connection:
            rows.fill(connection)
        transfer.export_to(tmp_path / "out.zip", engine=db.engine, now=NOW, app_version="test")
    return tmp_path / "out.zip"


def read_in(app: Flask, file: Path) -> None:
    with app.app_context():
        transfer.import_from(file, engine=db.engine, replace=True)


def is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_no_cell_begins_like_a_formula_and_numbers_stay_numbers(export: Path) -> None:
    hostile, negative = 0, 0
    with zipfile.ZipFile(export) as archive:
        for name in archive.namelist():
            if not name.endswith(".csv"):
                continue
            text = archive.read(name).decode("utf-8")
            for row in csv.reader(io.StringIO(text, newline="")):
                for cell in row:
                    if cell[:1] in set("=+-@\t\r\n＝＋－＠"):
                        assert is_number(cell), (name, cell)
                        negative += cell.startswith("-")
                    hostile += cell.startswith(("'=", "'@", "'-", "'+", "''"))
    assert hostile > 20
    assert negative > 3


@pytest.mark.parametrize(
    "value",
    ["", "'", "''", "'=x", "=x", "-5", "−5", "+", "@", "\tx", "\rx", "\nx", "x", " =x", "ü"],
)
def test_any_text_comes_back_as_it_was(value: str) -> None:
    cell = transfer._guarded(value)

    assert transfer._unguarded(cell) == value
    assert cell
    assert cell[0] not in "=+-@\t\r\n"


def rewrite(export: Path, change: Callable[[str, bytes], bytes | None]) -> Path:
    """The export again, with each member changed or left out."""
    target = export.with_name("changed.zip")
    with zipfile.ZipFile(export) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = change(name, old.read(name))
            if data is not None:
                new.writestr(name, data)
    return target


def add(export: Path, name: str, data: bytes) -> Path:
    target = rewrite(export, lambda _, data: data)
    with zipfile.ZipFile(target, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, data)
    return target


def changed_manifest(export: Path, **changes: object) -> Path:
    def change(name: str, data: bytes) -> bytes:
        return data if name != "manifest.json" else json.dumps(json.loads(data) | changes).encode()

    return rewrite(export, change)


BAD: dict[str, Callable[[Path], Path]] = {
    "a value changed": lambda e: rewrite(
        e, lambda n, d: d.replace(b"0.30000000000000004", b"0.3") if "cover_class" in n else d
    ),
    "a row left out": lambda e: rewrite(
        e, lambda n, d: b"\r\n".join(d.split(b"\r\n")[:-2]) + b"\r\n" if "log_entry" in n else d
    ),
    "a table left out": lambda e: rewrite(e, lambda n, d: None if "store_place" in n else d),
    "another table": lambda e: add(e, "tables/song.csv", b"id\r\n"),
    "a path out of the folder": lambda e: add(e, "../../etc/cron.d/x", b"* * * * *"),
    "an unpacked giant": lambda e: add(e, "tables/zeros.csv", b"0" * 80_000_000),
    "another revision": lambda e: changed_manifest(e, revision="9999"),
    "another format": lambda e: changed_manifest(e, format="songs"),
    "a list that is none": lambda e: rewrite(e, lambda n, d: b"[]" if "manifest" in n else d),
    "columns changed round": lambda e: rewrite(
        e, lambda n, d: d.replace(b"id,", b"di,", 1) if "plot.csv" in n else d
    ),
    "cells missing": lambda e: rewrite(e, lambda n, d: d + b"7\r\n" if "plot.csv" in n else d),
    "not UTF-8": lambda e: rewrite(e, lambda n, d: d + b"\xff\xfe\r\n" if "plot.csv" in n else d),
    "not a zip": lambda e: Path(e.with_name("no.zip")),
    "half a zip": lambda e: Path(e.with_name("half.zip")),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_refused_and_nothing_is_changed(app: Flask, export: Path, name: str) -> None:
    export.with_name("no.zip").write_bytes(b"name,low\n")
    export.with_name("half.zip").write_bytes(export.read_bytes()[:-400])
    bad = BAD[name](export)
    with app.app_context(), db.engine.connect() as connection:
        before = rows.dump(connection)

    with pytest.raises(transfer.BadExport):
        read_in(app, bad)

    with app.app_context(), db.engine.connect() as connection:
        assert rows.dump(connection) == before


def test_a_size_that_lies_is_found_out(app: Flask, export: Path) -> None:
    data = bytearray(export.read_bytes())
    # The declared size of every member, in the central directory, made one byte long.
    at = data.find(b"PK\x01\x02")
    while at >= 0:
        data[at + 24 : at + 28] = (1).to_bytes(4, "little")
        at = data.find(b"PK\x01\x02", at + 4)
    liar = export.with_name("liar.zip")
    liar.write_bytes(data)

    with pytest.raises(transfer.BadExport):
        read_in(app, liar)
