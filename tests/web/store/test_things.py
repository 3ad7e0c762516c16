"""The store's pages: quick to use, kind about mistakes, and closed to whom they are not for."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import timedelta
from itertools import count
from pathlib import Path

import pytest
from flask import Flask
from PIL import Image
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot
from gardenapp.models.store import LedgerEntry, Lot, Notice
from gardenapp.services.store import ledger, lots, things
from gardenapp.services.store.lots import LotEntry
from tests.conftest import NOW
from tests.factories import Factory
from tests.pages import Pages
from tests.web.garden.test_plots import look_again
from tests.web.hostile import FIGURE, HOSTILE, SOME_FIGURE, SOME_WORDS, UNREAD, WORDS, answer_to

DUE = (NOW.date() + timedelta(days=7)).isoformat()


def cover_of(cover_id: int) -> Cover:
    look_again()
    cover = db.session.get(Cover, cover_id)
    assert cover is not None
    return cover


def a_lot(make: Factory, **changes: object) -> int:
    values: dict[str, object] = {"name": "Salad boxes", "sort": "box"}
    return lots.add_lot(
        entry=LotEntry(**values | changes),  # type: ignore[arg-type]
        quantity_milli=14_000,
        place_id=None,
        member=make.coordinator("Ines"),
        now=NOW,
    )


def test_an_empty_store_says_what_to_do_next(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.member())

    page = pages.get("/store")

    assert "There is nothing yet" in page.text
    assert "Add the first item" in page.text


def test_a_search_without_a_find_offers_to_ask_the_others(make: Factory, pages: Pages) -> None:
    make.cover(label="Tote 1")
    pages.sign_in(make.member())

    page = pages.get("/store?q=greenhouse")

    assert "Ask the others for it" in page.text
    assert "Tote 1" not in page.text


def test_a_label_opens_its_thing_and_an_unknown_one_says_so(make: Factory, pages: Pages) -> None:
    tote, lot_id = make.cover(label="Tote 1"), a_lot(make)
    lot = db.session.get(Lot, lot_id)
    assert lot is not None
    pages.sign_in(make.member())

    assert pages.follow(pages.get(f"/s/{tote.code}", status=303)).heading == "Tote 1"
    assert pages.follow(pages.get(f"/s/{lot.code.upper()}", status=303)).heading == "Salad boxes"
    assert "No item has that code" in pages.get("/s/zzzzzzzz", status=404).text


def test_covers_are_added_with_kind_number_and_place_only(make: Factory, pages: Pages) -> None:
    kind, shed = make.cover_kind("Tote, 60 litres"), make.place("Shed")
    pages.sign_in(make.coordinator())

    page = pages.post(
        f"/store/things/new?kind={kind.id}",
        {"kind_id": kind.id, "how_many": "3", "place_id": shed.id, "owner_id": ""} | blank_facts(),
    )

    assert pages.follow(page).heading == "Tote 3"
    labels = list(db.session.scalars(select(Cover.label).order_by(Cover.id)))
    assert labels == ["Tote 1", "Tote 2", "Tote 3"]
    assert ledger.differences() == []


def blank_facts() -> dict[str, str]:
    return {"origin": "", "resin": "", "wood": "", "mark": ""}


def test_like_this_one_again_is_one_press_and_twice_the_same_press_is_one(
    make: Factory, pages: Pages
) -> None:
    tote = make.cover(label="Tote 1")
    pages.sign_in(make.coordinator())
    path = f"/store/things/{tote.id}"
    key = pages.get(path).values()["again-key"]

    for _press in range(2):
        page = pages.post(f"{path}/again", {"n": "5", "again-key": key})

    assert pages.follow(page).heading == "Tote 6"
    assert db.session.scalar(select(func.count()).select_from(Cover)) == 6


def test_a_wrong_number_keeps_what_was_typed(make: Factory, pages: Pages) -> None:
    tote = make.cover(label="Tote 1")
    pages.sign_in(make.coordinator())
    path = f"/store/things/{tote.id}"

    page = pages.post(f"{path}/again", {"again-how_many": "many"}, status=422)

    assert page.values()["again-how_many"] == "many"
    assert "Enter a whole number between 1 and 60" in page.text


def test_a_member_borrows_and_brings_back_worn(make: Factory, pages: Pages) -> None:
    tamsin = make.member("Tamsin")
    tote = make.cover(label="Tote 1")
    pages.sign_in(tamsin)
    path = f"/store/things/{tote.id}"

    pages.post(f"{path}/lend", {"lend-to_id": tamsin.id, "lend-due_on": DUE})
    assert "Tamsin has it until 1 Dec 2026" in pages.get(path).text
    assert "Tote 1" in pages.get("/store/out").text
    pages.post(
        f"{path}/back",
        {"back-place_id": "", "back-condition": "worn", "back-note": "lid cracked"},
    )

    page = pages.get(path)
    assert "worn" in page.text
    assert "lid cracked" in page.text
    assert "Nothing is lent" in pages.get("/store/out").text
    assert ledger.differences() == []


def test_who_comes_second_is_told_who_has_it_and_until_when(
    app: Flask, make: Factory, pages: Pages
) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    tote = make.cover()
    path = f"/store/things/{tote.id}"
    other = Pages(app).sign_in(wes)
    pages.sign_in(tamsin)
    pages.post(f"{path}/lend", {"lend-to_id": tamsin.id, "lend-due_on": DUE})

    page = other.post(f"{path}/lend", {"lend-to_id": wes.id, "lend-due_on": DUE}, status=409)

    assert "Somebody was first: Tamsin has it until 1 December" in page.text


@pytest.mark.parametrize("due", ["", "tomorrow", "2026-13-01", "2020-01-01", "9999-12-31"])
def test_a_loan_needs_a_day_that_can_be(make: Factory, pages: Pages, due: str) -> None:
    tamsin, tote = make.member("Tamsin"), make.cover()
    pages.sign_in(tamsin)
    path = f"/store/things/{tote.id}"

    page = pages.post(
        f"{path}/lend",
        {"lend-to_id": tamsin.id, "lend-due_on": due},
        status=422,
    )

    assert "There is a problem" in page.html
    assert cover_of(tote.id).status == "here"


def test_a_member_does_not_lend_to_another_through_a_changed_form(
    make: Factory, pages: Pages
) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    tote = make.cover()
    pages.sign_in(tamsin)
    path = f"/store/things/{tote.id}"

    pages.post(f"{path}/lend", {"lend-to_id": wes.id, "lend-due_on": DUE}, status=422)

    assert cover_of(tote.id).status == "here"


def test_another_members_thing_shows_no_buttons_and_takes_no_form(
    make: Factory, pages: Pages
) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    hers = make.cover(owner_id=tamsin.id, lending="own plots")
    pages.sign_in(wes)
    path = f"/store/things/{hers.id}"

    page = pages.get(path)
    assert "Borrow" not in page.text
    assert "leaves the garden" not in page.text
    for name in ("move", "retire", "mend", "photo"):
        pages.post(
            f"{path}/{name}",
            {"move-place_id": "", "retire-went_to": "lost"},
            status={"photo": 422}.get(name, 403),
        )

    assert cover_of(hers.id).ledger_number == 0


def test_a_thing_taken_apart_gives_its_ticked_parts_back(make: Factory, pages: Pages) -> None:
    boss = make.coordinator()
    frame, lot_id = make.cover(label="Frame 1"), a_lot(make, name="Timber", sort="timber")
    pages.sign_in(boss)
    path = f"/store/things/{frame.id}"
    pages.post(f"{path}/parts", {"part-lot_id": lot_id, "part-quantity": "4"})
    part = things.parts_of(frame.id)[0]

    page = pages.post(
        f"{path}/retire",
        {"retire-went_to": "parts", "retire-keep": [part.id], "retire-note": "rotten corner"},
    )

    assert "It has left the garden: taken apart" in pages.follow(page).text
    look_again()
    lot = db.session.get(Lot, lot_id)
    assert lot is not None
    assert lot.on_hand_milli == 14_000
    assert ledger.differences() == []


def test_a_pallet_form_says_why_and_keeps_every_word(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.member())
    values = lot_values(name="Pallets by the gate", sort="pallet", mark="MB", is_for_beds="y")

    page = pages.post("/store/materials/new", values, status=422)

    assert "methyl bromide" in page.text
    assert page.values()["name"] == "Pallets by the gate"
    del values["is_for_beds"]
    page = pages.follow(pages.post("/store/materials/new", values))
    assert "not for food beds" in page.text
    assert "Leave out pallets marked MB" in page.text  # the caution at the point of entry


def lot_values(**changes: object) -> dict[str, object]:
    values: dict[str, object] = {
        "name": "Salad boxes",
        "quantity": "14",
        "unit": "piece",
        "place_id": "",
        "sort": "box",
        "mark": "",
        "wood": "",
        "width_cm": "",
        "thickness_um": "",
        "length_cm": "",
        "section": "",
        "resin": "1",
        "origin": "rescued",
        "cost": "",
        "acquired_on": "",
        "owner_id": "",
        "lending": "garden",
        "note": "",
    }
    return values | changes


def test_a_preset_fills_the_form_and_bags_bring_their_caution(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.member())

    page = pages.get("/store/materials/new?like=pallet-1200x800")
    assert page.values()["section"] == "1200 × 800 mm"
    page = pages.follow(
        pages.post("/store/materials/new", lot_values(name="Clear bags", sort="bag"))
    )

    assert "can smother a child" in page.text


def test_steppers_need_no_typing_and_cutting_makes_pieces(make: Factory, pages: Pages) -> None:
    lot_id = a_lot(make, name="Timber", sort="timber", length_mm=2_400.0)
    pages.sign_in(make.member())
    path = f"/store/materials/{lot_id}"

    pages.post(f"{path}/more", {"n": "5"})
    assert "19" in pages.get(path).text
    pages.post(
        f"{path}/cut",
        {
            "cut-lengths": "1",
            "cut-each": "3",
            "cut-piece": "70",
            "cut-kerf_mm": "3",
            "cut-keep_offcut": "y",
        },
    )

    text = pages.get("/store?q=timber").text
    assert "70 cm" in text
    assert "29.1 cm" in text


def test_lots_are_lent_counted_used_moved_and_put_on_plots(make: Factory, pages: Pages) -> None:
    boss, shed, plot = make.coordinator(), make.place("Shed"), make.plot("A1")
    lot_id = a_lot(make)
    pages.sign_in(boss)
    path = f"/store/materials/{lot_id}"
    for name, data in (
        ("lend", {"lend-quantity": "4", "lend-to_id": boss.id, "lend-due_on": DUE}),
        ("back", {"back-from_id": boss.id, "back-quantity": "1"}),
        ("out", {"out-way": "out", "out-plot_id": plot.id, "out-quantity": "2"}),
        ("out", {"out-way": "back", "out-plot_id": plot.id, "out-quantity": "1"}),
        ("use", {"use-quantity": "1", "use-went_to": "recycled"}),
        ("move", {"move-place_id": shed.id}),
        ("condition", {"condition-condition": "worn"}),
        ("count", {"count-quantity": "8"}),
    ):
        pages.post(f"{path}/{name}", data)

    look_again()
    lot = db.session.get(Lot, lot_id)
    assert lot is not None
    assert (lot.on_hand_milli, lot.lent_milli, lot.out_milli) == (8_000, 3_000, 1_000)
    assert ledger.differences() == []
    page = pages.post(f"{path}/use", {"use-quantity": "9", "use-went_to": "lost"}, status=409)
    assert "only 8, not 9" in page.text


def test_stocktake_writes_what_differs_and_nothing_else(make: Factory, pages: Pages) -> None:
    boss, shed = make.coordinator(), make.place("Shed")
    one, two, away = (
        make.cover(label="Tote 1", place_id=shed.id),
        make.cover(label="Tote 2", place_id=shed.id),
        make.cover(label="Tote 9", place_id=make.place("Barn").id),
    )
    lot_id = lots.add_lot(
        entry=LotEntry("Salad boxes", "box"),
        quantity_milli=14_000,
        place_id=shed.id,
        member=boss,
        now=NOW,
    )
    pages.sign_in(boss)
    path = f"/store/stocktake?place={shed.id}"
    before = db.session.scalar(select(func.count()).select_from(LedgerEntry)) or 0

    page = pages.post(
        path,
        {
            "listed": [one.id, two.id],
            "found": [one.id],
            f"lot-{lot_id}": "12",
            "also": "tote 9, Tote 9",
        },
        status=422,
    )
    assert "Nothing in the shed is called tote 9" in page.text
    assert page.values()[f"lot-{lot_id}"] == "12"
    page = pages.post(
        path,
        {
            "listed": [one.id, two.id],
            "found": [one.id],
            f"lot-{lot_id}": "12",
            "also": "Tote 9",
        },
    )

    text = pages.follow(page).text
    assert "1 as expected" in text
    assert "1 not found: Tote 2" in text
    assert "1 turned up here: Tote 9" in text
    assert "1 counted again: Salad boxes" in text
    assert cover_of(two.id).status == "missing"
    assert cover_of(away.id).place_id == shed.id
    # Two openings (what was written down before it had a ledger), three counts.
    after = db.session.scalar(select(func.count()).select_from(LedgerEntry)) or 0
    assert after - before == 5
    assert ledger.differences() == []


def test_asks_and_offers_go_up_once_and_come_down(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.member("Tamsin"))
    key = pages.get("/store/needs").values()["key"]
    data = {"kind": "ask", "what": "Six clean pallets", "how_much": "6", "note": "", "key": key}

    for _press in range(2):
        pages.post("/store/needs", data)
    assert db.session.scalar(select(func.count()).select_from(Notice)) == 1
    notice_id = db.session.scalars(select(Notice.id)).one()
    other = Pages(pages.app).sign_in(make.member("Wes"))
    assert "Six clean pallets" in other.get("/store/needs").text
    other.post(f"/store/needs/{notice_id}/close", status=403)
    pages.post(f"/store/needs/{notice_id}/close")

    assert "Six clean pallets" not in pages.get("/store/needs").text


def test_a_sheet_of_labels_leads_to_this_very_site(make: Factory, pages: Pages) -> None:
    tote = make.cover(label="Tote 1")
    a_lot(make)
    pages.sign_in(make.member())

    page = pages.get("/store/labels")

    assert tote.code in page.text
    assert len(page.all("svg")) == 0  # drawn in their own namespace
    assert page.html.count("<svg") == 1
    assert "Salad boxes" in pages.get("/store/labels?what=materials").text


def picture(kind: str = "JPEG", size: tuple[int, int] = (2_400, 1_200)) -> bytes:
    out = io.BytesIO()
    image = Image.new("RGB", size, "green")
    exif = Image.Exif()
    exif[0x010F] = "Camera of somebody"
    exif[0x0112] = 6  # turned by a quarter
    image.save(out, kind, exif=exif)
    return out.getvalue()


def test_a_picture_is_made_anew_without_what_the_camera_wrote(
    app: Flask, make: Factory, pages: Pages
) -> None:
    tote = make.cover()
    pages.sign_in(make.member())
    path = f"/store/things/{tote.id}"

    for _twice in range(2):
        pages.post(
            f"{path}/photo",
            {"photo-photo": (io.BytesIO(picture()), "../../x.php")},
        )

    name = cover_of(tote.id).photo
    assert name is not None
    answer = pages.client.get(f"/store/photos/{name}")
    assert answer.mimetype == "image/jpeg"
    with Image.open(io.BytesIO(answer.data)) as kept:
        assert kept.size == (800, 1_600)
        assert not kept.getexif()
    assert b"Camera" not in answer.data
    folder = Path(app.instance_path) / "photos"
    assert [file.name for file in folder.iterdir()] == [name]  # the one before is gone
    assert Pages(app).client.get(f"/store/photos/{name}").status_code == 303


@pytest.mark.parametrize(
    "data",
    [b"", b"not a picture", b"\x89PNG\r\n\x1a\n" + b"0" * 40, picture()[:300], b"<svg/>"],
    ids=["nothing", "text", "half a header", "cut off", "drawing"],
)
def test_what_is_no_picture_is_refused_in_words(
    app: Flask, make: Factory, pages: Pages, data: bytes
) -> None:
    tote = make.cover()
    pages.sign_in(make.member())
    path = f"/store/things/{tote.id}"

    page = pages.post(
        f"{path}/photo",
        {"photo-photo": (io.BytesIO(data), "x.jpg")},
        status=422,
    )

    assert "picture" in page.text
    assert cover_of(tote.id).photo is None
    folder = Path(app.instance_path) / "photos"
    assert not folder.exists() or list(folder.iterdir()) == []


def hostile_forms(
    make: Factory, boss: Member, plot: Plot
) -> Iterator[tuple[str, dict[str, object], dict[str, str]]]:
    """Each form of the store with values it takes, and the kind of each field to spoil."""
    numbers = count()

    def thing(act: str) -> str:
        return f"/store/things/{make.cover(owner_id=boss.id).id}/{act}"

    def lot(act: str) -> str:
        name = f"Timber {next(numbers)}"
        return f"/store/materials/{a_lot(make, name=name, length_mm=2_400.0)}/{act}"

    kind, timber = make.cover_kind(), a_lot(make, name="Timber", length_mm=2_400.0)
    free = dict.fromkeys(("cost", "acquired_on"), SOME_FIGURE) | {"note": SOME_WORDS}
    of_lots = free | {
        "name": WORDS,
        "sort": FIGURE,
        "lending": FIGURE,
        "section": SOME_WORDS,
        **dict.fromkeys(
            ("mark", "wood", "width_cm", "thickness_um", "length_cm", "resin", "origin"),
            SOME_FIGURE,
        ),
        "owner_id": SOME_FIGURE,
    }
    placed = {"quantity": FIGURE, "unit": FIGURE, "place_id": SOME_FIGURE}
    cut: dict[str, object] = {
        "cut-lengths": "1",
        "cut-each": "2",
        "cut-piece": "70",
        "cut-kerf_mm": "3",
    }
    out = {"out-way": "out", "out-plot_id": plot.id, "out-quantity": "1"}
    lend = {"lend-to_id": boss.id, "lend-due_on": DUE}
    new = {"kind_id": kind.id, "how_many": "1", "place_id": "", "owner_id": "", "cost": ""}
    ask: dict[str, object] = {
        "kind": "ask",
        "what": "Six clean pallets",
        "how_much": "6",
        "note": "",
    }
    for field in ("n", "again-how_many"):
        yield thing("again"), {}, {field: FIGURE}
    yield thing("again"), {"again-how_many": "2"}, {"again-key": UNREAD}
    for field in ("lend-to_id", "lend-due_on"):
        yield thing("lend"), lend, {field: FIGURE}
    yield thing("lend"), lend, {"lend-note": SOME_WORDS}
    yield thing("damage"), {"damage-condition": "worn"}, {"damage-condition": FIGURE}
    yield thing("damage"), {"damage-condition": "worn"}, {"damage-note": SOME_WORDS}
    yield thing("move"), {}, {"move-place_id": SOME_FIGURE}
    yield (
        thing("parts"),
        {"part-lot_id": timber, "part-quantity": "1"},
        {"part-lot_id": FIGURE, "part-quantity": FIGURE},
    )
    yield thing("retire"), {}, {"retire-went_to": FIGURE}
    yield thing("retire"), {"retire-went_to": "parts"}, {"retire-keep": FIGURE}
    yield thing("retire"), {"retire-went_to": "lost"}, {"retire-note": SOME_WORDS}
    yield (
        thing("edit"),
        {**blank_facts()},
        free | {"film_area_m2": SOME_FIGURE, "off_season_job": SOME_WORDS},
    )
    yield lot("more"), {}, {"n": FIGURE, "more-quantity": FIGURE}
    yield lot("cut"), cut, dict.fromkeys(cut, FIGURE)
    yield lot("out"), out, {"out-plot_id": FIGURE, "out-quantity": FIGURE}
    yield lot("count"), {}, {"count-quantity": FIGURE}
    yield lot("edit"), lot_values(name="Slats"), of_lots | dict.fromkeys(placed, UNREAD)
    yield "/store/materials/new", lot_values(name="Laths"), of_lots | placed
    yield (
        "/store/things/new",
        new | blank_facts(),
        {"kind_id": FIGURE, "how_many": FIGURE, "prefix": SOME_WORDS, "cost": SOME_FIGURE},
    )
    yield "/store/needs", ask, {"kind": FIGURE, "what": WORDS}
    yield "/store/needs", ask, {"how_much": SOME_WORDS, "note": SOME_WORDS}
    yield (
        "/store/stocktake?place=",
        {},
        {"found": UNREAD, "listed": UNREAD, f"lot-{timber}": SOME_FIGURE, "also": SOME_FIGURE},
    )
    yield "/store/tables/things/keep", {}, {"text": FIGURE}


@pytest.mark.parametrize("value", HOSTILE.values(), ids=HOSTILE)
def test_hostile_input_is_never_an_error_of_ours(make: Factory, pages: Pages, value: str) -> None:
    boss, plot = make.coordinator(), make.plot("A1")
    pages.sign_in(boss)
    typed = value.encode("utf-8", "replace").decode()
    csrf = pages.get("/store/needs").token()
    answers, expected = {}, {}

    for path, base, fields in hostile_forms(make, boss, plot):
        for name, kind in fields.items():
            response = pages.client.post(path, data=base | {name: typed, "csrf_token": csrf})
            answers[path, name] = response.status_code
            expected[path, name] = answer_to(kind, value)
            assert "<script>alert" not in response.text
    assert answers == expected
    for path in ("/store?q=", "/store?place=", "/store?page=", "/store?state="):
        assert pages.client.get(path).status_code == 200
    assert pages.client.get("/s/x").status_code == 404
    response = pages.client.get("/store", query_string={"q": typed, "page": typed})
    assert response.status_code == 200
    # What was taken is shown as words.
    for path in ("/store", "/store/needs"):
        assert "<script>alert" not in pages.get(path).html
    assert ledger.differences() == []
