"""The garden as one file of tables, and back: whole or not at all, and nobody else's to read."""

from __future__ import annotations

import csv
import io
import json
import stat
import zipfile
from pathlib import Path

import pytest
from PIL import Image
from sqlalchemy import create_engine, select, text

from gardenapp.errors import Refused
from gardenapp.extensions import db
from gardenapp.models.people import Garden
from gardenapp.models.plots import StorePlace
from gardenapp.services.store import photos
from gardenapp.services.upkeep import transfer
from tests.conftest import NOW
from tests.factories import Factory

AWKWARD = ("=1+1", "'quoted", "", "two\r\nlines; \"and\" 'more'", "-5 and falling", "ünï ☃")


@pytest.fixture
def furnished(make: Factory) -> Factory:
    make.garden()
    for number, note in enumerate(AWKWARD):
        db.session.add(StorePlace(label=f"place {number}", note=note))
    db.session.commit()
    return make


def export(folder: Path, name: str = "out.zip", *, pictures: Path | None = None) -> Path:
    transfer.export_to(
        folder / name, engine=db.engine, now=NOW, app_version="test", pictures=pictures
    )
    return folder / name


def read_in(file: Path, *, replace: bool = False, pictures: Path | None = None) -> None:
    db.session.rollback()
    transfer.import_from(file, engine=db.engine, replace=replace, pictures=pictures)
    db.session.expire_all()


def notes() -> list[str]:
    db.session.rollback()
    return list(db.session.scalars(select(StorePlace.note).order_by(StorePlace.id)))


def cells(file: Path, table: str) -> list[list[str]]:
    with zipfile.ZipFile(file) as archive:
        data = archive.read(f"{transfer.FOLDER}{table}.csv").decode("utf-8")
    return list(csv.reader(io.StringIO(data, newline="")))


def test_what_is_taken_out_and_put_back_is_what_was_there(
    furnished: Factory, tmp_path: Path
) -> None:
    file = export(tmp_path)
    db.session.execute(text("DELETE FROM store_place WHERE id > 1"))
    db.session.execute(text("UPDATE garden SET name = 'changed since'"))
    db.session.commit()

    read_in(file, replace=True)

    assert notes() == list(AWKWARD)
    assert db.session.scalar(select(Garden.name)) == "Lantern Lane Plots"
    assert db.session.scalar(select(Garden.created_at)) == NOW


def test_the_same_garden_gives_the_same_bytes(furnished: Factory, tmp_path: Path) -> None:
    first, second = export(tmp_path, "1.zip"), export(tmp_path, "2.zip")
    read_in(first, replace=True)
    third = export(tmp_path, "3.zip")

    assert first.read_bytes() == second.read_bytes() == third.read_bytes()


def test_the_file_is_for_its_owner_alone_and_lists_what_is_in_it(
    furnished: Factory, tmp_path: Path
) -> None:
    folder = tmp_path / "exports"
    folder.mkdir()

    file = export(folder)

    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert [path.name for path in folder.iterdir()] == ["out.zip"]
    with zipfile.ZipFile(file) as archive:
        manifest = json.loads(archive.read(transfer.MANIFEST))
    assert (manifest["format"], manifest["app"]) == (transfer.FORMAT, "test")
    assert manifest["made_at"] == NOW.isoformat()
    counts = {entry["name"]: entry["rows"] for entry in manifest["tables"]}
    assert (counts["garden"], counts["store_place"], counts["cover"]) == (1, len(AWKWARD), 0)
    assert manifest["photos"] == []
    assert transfer.pictures_in(file) == 0


def test_nothing_stored_and_an_empty_text_stay_two_things(make: Factory, tmp_path: Path) -> None:
    make.garden(minutes_budget=None, contact="")

    head, row = cells(export(tmp_path), "garden")

    values = dict(zip(head, row, strict=True))
    assert (values["minutes_budget"], values["contact"]) == ("", "'")
    assert (values["is_demo"], values["elevation_m"]) == ("0", "90.0")


def test_a_garden_that_has_something_is_not_written_over_unasked(
    furnished: Factory, tmp_path: Path
) -> None:
    file = export(tmp_path)
    db.session.add(StorePlace(label="since then"))
    db.session.commit()

    with pytest.raises(transfer.NotEmpty, match="Nothing was changed"):
        read_in(file)

    assert len(notes()) == len(AWKWARD) + 1


def test_new_rows_are_numbered_after_those_that_came(furnished: Factory, tmp_path: Path) -> None:
    read_in(export(tmp_path), replace=True)

    assert furnished.place("a new shed").id == len(AWKWARD) + 1


def test_a_file_of_another_version_says_which_and_changes_nothing(
    furnished: Factory, tmp_path: Path
) -> None:
    file = export(tmp_path)
    changed = tmp_path / "changed.zip"
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(changed, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name == transfer.MANIFEST:
                data = json.dumps(json.loads(data) | {"revision": "0001"}).encode()
            new.writestr(name, data)

    with pytest.raises(transfer.BadExport, match="revision '0001' of the tables"):
        read_in(changed, replace=True)

    assert notes() == list(AWKWARD)


def test_wide_cells_are_let_in_while_a_file_is_read_and_not_longer(
    furnished: Factory, tmp_path: Path
) -> None:
    before = csv.field_size_limit()
    db.session.get_one(StorePlace, 1).note = "x" * (before + 1)
    db.session.commit()
    file = export(tmp_path)
    broken = tmp_path / "broken.zip"
    broken.write_bytes(file.read_bytes()[:-300])

    read_in(file, replace=True)

    assert len(notes()[0]) == before + 1
    assert csv.field_size_limit() == before
    with pytest.raises(transfer.BadExport):
        read_in(broken, replace=True)
    assert csv.field_size_limit() == before


def test_only_pictures_that_a_row_names_go_along(furnished: Factory, tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    named, missing, stray = ("a" * 32 + ".jpg", "b" * 32 + ".jpg", "c" * 32 + ".jpg")
    for name in (named, stray):
        (folder / name).write_bytes(name.encode())
    (tmp_path / "secret.jpg").write_bytes(b"outside the folder")
    for number, name in enumerate((named, missing, "../secret.jpg")):
        furnished.cover(label=f"T{number}", photo=name)

    file = export(tmp_path, pictures=folder)

    with zipfile.ZipFile(file) as archive:
        found = [name for name in archive.namelist() if name.startswith(transfer.PICTURES)]
    assert found == [f"{transfer.PICTURES}{named}"]
    assert transfer.pictures_in(file) == 1
    assert transfer.pictures_in(export(tmp_path, "without.zip")) == 0


def test_a_picture_that_is_there_already_is_not_touched(furnished: Factory, tmp_path: Path) -> None:
    image = io.BytesIO()
    Image.new("RGB", (8, 8), "green").save(image, "JPEG")
    name = "a" * 32 + ".jpg"
    folder, there = tmp_path / "photos", tmp_path / "there"
    photos.put(image.getvalue(), name=name, folder=folder)
    furnished.cover(label="T1", photo=name)
    file = export(tmp_path, pictures=folder)
    there.mkdir()
    (there / name).write_bytes(b"kept from before")

    read_in(file, replace=True, pictures=there)
    assert (there / name).read_bytes() == b"kept from before"

    (there / name).unlink()
    read_in(file, replace=True, pictures=there)
    assert (there / name).read_bytes() == image.getvalue()


def test_a_copy_of_tables_at_another_revision_is_refused(
    furnished: Factory, tmp_path: Path
) -> None:
    target = create_engine(f"sqlite:///{tmp_path / 'other.sqlite'}")
    with target.begin() as connection:
        connection.execute(text("CREATE TABLE alembic_version (version_num VARCHAR(32))"))
        connection.execute(text("INSERT INTO alembic_version VALUES ('0001')"))
    try:
        with pytest.raises(Refused, match="different revisions"):
            transfer.copy_to(target, source=db.engine)
        with target.connect() as connection:
            assert transfer.revision_of(connection) == "0001"
    finally:
        target.dispose()


def test_a_database_without_tables_is_at_no_revision(tmp_path: Path) -> None:
    target = create_engine(f"sqlite:///{tmp_path / 'empty.sqlite'}")
    try:
        with target.connect() as connection:
            assert transfer.revision_of(connection) == ""
    finally:
        target.dispose()


def test_the_map_of_the_garden_goes_along_to_the_blank(make: Factory, tmp_path: Path) -> None:
    drawn = '=  "South bed"  A1\nG  =          shed:Long shed'
    make.garden(map_text=drawn, map_north=12.5)
    file = export(tmp_path)
    make.garden(map_text="", map_north=None)

    read_in(file, replace=True)

    garden = db.session.get(Garden, 1)
    assert garden is not None
    assert (garden.map_text, garden.map_north) == (drawn, 12.5)
