"""Pasting a table on the page: look, answer, put right, save, take back."""

from __future__ import annotations

import io
from collections.abc import Callable

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.services.garden.seeding import seed_catalogue
from tests.factories import Factory
from tests.pages import Page
from tests.phones import Phone
from tests.workbooks import with_file, xlsx

GOOD = "Plot\tHolder\tCrop\tHow many\nA1\tAmal Whitby\tkale\t12\nA2\tBruno\tcourgete\t3"


@pytest.fixture
def desk(app: Flask, make: Factory) -> Phone:
    odile = make.coordinator(password="twelve cold lanterns")
    seed_catalogue(db.session)
    db.session.commit()
    phone = Phone(app)
    phone.sign_in(odile)
    return phone


@pytest.fixture
def paste(desk: Phone) -> Callable[[str], Page]:
    def send(text: str) -> Page:
        return desk.follow(desk.post("/tables", {"pasted": text}, status=303))

    return send


def plots(app: Flask) -> int:
    with app.app_context():
        return db.session.scalar(select(func.count()).select_from(Plot)) or 0


def test_paste_look_save_and_take_back(
    app: Flask, desk: Phone, paste: Callable[[str], Page]
) -> None:
    look = paste(GOOD)
    assert "2 plots, 2 plantings, 2 members" in look.text
    assert "squash and courgette" in look.text
    assert plots(app) == 0

    saved = desk.follow(desk.post(look.path, look.values() | {"do": "save"}, status=303))
    assert saved.heading == "Saved"
    assert plots(app) == 2
    assert "already" not in saved.text

    again = desk.follow(desk.get(look.path, status=303))
    assert again.heading == "Saved"
    back = desk.follow(desk.post(look.path + "/back", {}, status=303))
    assert "All of it is taken back." in back.text
    assert plots(app) == 0


def test_what_is_wrong_is_put_right_on_the_page(
    app: Flask, desk: Phone, paste: Callable[[str], Page]
) -> None:
    look = paste("Plot\tCrop\tHow many\nA1\tkale\t-5\nA2\tleek\t3")
    assert "C2" in look.text
    assert "is no count" in look.text
    desk.post(look.path, {"do": "save"}, status=422)

    cells = desk.get(look.path + "/1")
    assert cells.values()["cell-2-3"] == "-5"
    assert "cell-3-1" not in cells.values()  # a line with nothing wrong is not in the way
    fixed = desk.follow(desk.post(look.path + "/1", cells.values() | {"cell-2-3": "5"}, status=303))
    assert "to put right" not in fixed.text
    desk.post(look.path, fixed.values() | {"do": "save"}, status=303)
    assert plots(app) == 2


def test_a_name_that_is_not_sure_is_chosen_before_anything_is_saved(
    app: Flask, desk: Phone, paste: Callable[[str], Page]
) -> None:
    look = paste("Kind\tHow many\nfleece\t6")
    (name,) = [n for n in look.values() if n.startswith("kind-")]
    desk.post(look.path, look.values() | {"do": "save"}, status=422)
    kept = desk.post(look.path, look.values() | {name: "skip", "do": "look"}, status=303)
    assert desk.follow(kept).values()[name] == "skip"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 80, "a picture"),
        (b"PK\x03\x04broken", "The workbook is broken"),
        (with_file(xlsx([["Plot"]]), "xl/x.bin", b"\0" * 61_000_000), "over 60 MB"),
        (b"", "Paste a table, or choose a file"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_table_is_told_beside_its_field(
    desk: Phone, data: bytes, says: str
) -> None:
    page = desk.post("/tables", {"file": (io.BytesIO(data), "plots.xlsx")}, status=422)
    assert says in page.text


def test_what_was_pasted_stays_where_it_cannot_be_read(desk: Phone) -> None:
    page = desk.post("/tables", {"pasted": 'Plot,Note\nA1,"open'}, status=422)
    assert "quotation mark" in page.text
    assert page.values()["pasted"].startswith("Plot,Note")


def test_a_macro_workbook_is_read_and_nothing_of_it_run(desk: Phone) -> None:
    book = with_file(xlsx([["Plot", "Crop"], ["A1", "kale"]]), "xl/vbaProject.bin", b"\0" * 10)
    sent = desk.post("/tables", {"file": (io.BytesIO(book), "plots.xlsm")}, status=303)
    assert "run nothing" in desk.follow(sent).text


def test_five_thousand_rows_make_a_page_that_can_be_read(
    app: Flask, desk: Phone, paste: Callable[[str], Page]
) -> None:
    rows = "\n".join(f"P{n // 10}\tkale\tv{n}\t3" for n in range(5_000))
    look = paste("Plot\tCrop\tVariety\tHow many\n" + rows)
    assert "500 plots, 5000 plantings" in look.text
    assert len(look.html) < 60_000
    desk.post(look.path, look.values() | {"do": "save"}, status=303)
    with app.app_context():
        assert db.session.scalar(select(func.count()).select_from(Planting)) == 5_000


def test_the_example_is_a_table_that_works(desk: Phone, paste: Callable[[str], Page]) -> None:
    example = desk.get("/tables?example=1").values()["pasted"]
    look = paste(example)
    assert "to put right" not in look.text
    assert "What is meant?" not in look.text


def test_a_grid_is_typed_line_by_line_and_grows(desk: Phone) -> None:
    grid = desk.get("/tables/grid?holds=covers")
    more = desk.post(
        "/tables/grid",
        {"holds": "covers", "cell-1-1": "tote", "cell-1-2": "3", "do": "more"},
        status=200,
    )
    assert more.values()["cell-1-1"] == "tote"
    assert len(more.all("tr")) == len(grid.all("tr")) + 20
    look = desk.follow(
        desk.post("/tables/grid", {"holds": "covers", "cell-1-1": "tote", "cell-1-2": "3"})
    )
    assert "3 covers" in look.text
    assert (
        "Type at least one line" in desk.post("/tables/grid", {"holds": "covers"}, status=422).text
    )
    desk.get("/tables/grid?holds=secrets", status=404)


def test_the_gardens_tables_go_out(desk: Phone, paste: Callable[[str], Page]) -> None:
    look = paste(GOOD)
    desk.post(look.path, look.values() | {"do": "save"}, status=303)
    sent = desk.client.get("/tables/download/all.csv")
    text = sent.get_data(as_text=True)
    assert sent.headers["Content-Disposition"] == 'attachment; filename="all.csv"'
    assert text.startswith("\ufeffPlot,Length")
    assert "All of it is in the garden already." in paste(text.lstrip("\ufeff")).text
    desk.get("/tables/download/secrets.csv", status=404)


def test_another_coordinators_table_is_not_shown(
    app: Flask, make: Factory, desk: Phone, paste: Callable[[str], Page]
) -> None:
    look = paste(GOOD)
    rafiq: Member = make.coordinator("Rafiq")
    desk.sign_in(rafiq)
    desk.get(look.path, status=404)
    desk.post(look.path, {"do": "save"}, status=404)
    desk.get(look.path + "/saved", status=404)
    desk.get("/tables/nothing/1", status=404)
