"""The pages of the catalogue."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.plants import Crop, CropStage
from gardenapp.models.trials import Outcome
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory
from tests.pages import Pages
from tests.web.garden.test_plots import look_again
from tests.web.hostile import FIGURE, HOSTILE, SOME_FIGURE, WORDS, answer_to


def own_values(**changes: str) -> dict[str, str]:
    values = {
        "name": "oca",
        "group": "",
        "stage": "plant",
        "kind": "damage",
        "threshold_c": "-1",
        "hardened_threshold_c": "",
        "why": "lost it in March",
        "usual_height_cm": "30",
        "usual_spread_cm": "40",
    }
    return values | changes


def fill_catalogue() -> None:
    with write_transaction() as session:
        seed_catalogue(session)


def test_the_catalogue_is_open_to_board_readers_and_can_be_searched(
    make: Factory, pages: Pages
) -> None:
    make.garden()
    fill_catalogue()

    everything, found = pages.get("/plants"), pages.get("/plants?q=TOMATO")

    assert "lettuce" in everything.text
    assert "lettuce" not in found.text
    assert "tomato" in found.text
    assert "Add a crop" not in found.text


def test_a_search_without_a_find_says_what_to_try(make: Factory, pages: Pages) -> None:
    make.garden()
    fill_catalogue()

    page = pages.get("/plants?q=%3Cb%3Ezzz")

    assert "0 crops found" in page.text
    assert "Try another name" in page.text
    assert "<b>zzz" not in page.html


def test_a_crops_page_shows_each_value_with_source_and_status(make: Factory, pages: Pages) -> None:
    make.garden()
    fill_catalogue()
    crop = db.session.scalar(select(Crop).where(Crop.name == "lettuce"))
    assert crop is not None

    page = pages.get(f"/plants/{crop.id}")

    assert crop.stages[0].source_text in page.text
    assert "read in the source" in page.text
    assert "Sources disagree" in page.text
    assert f"/sources/{crop.stages[0].source_id}" in page.html


def test_every_page_of_the_catalogue_is_sound(make: Factory, pages: Pages) -> None:
    make.garden()
    fill_catalogue()

    for crop_id in db.session.scalars(select(Crop.id)):
        pages.get(f"/plants/{crop_id}")


def test_a_member_adds_a_crop_of_our_own(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.member("Vera", temperature_unit="F"))

    page = pages.follow(pages.post("/plants/new", own_values(threshold_c="30")))

    assert "ours" in page.text
    stage = db.session.scalars(select(CropStage)).one()
    assert stage.threshold_c == pytest.approx(-10 / 9)
    assert (stage.status, stage.is_ours) == ("ours", True)


def test_zero_degrees_is_a_threshold(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.member())

    pages.post("/plants/new", own_values(threshold_c="0"))

    assert db.session.scalars(select(CropStage)).one().threshold_c == 0.0


def test_a_refused_crop_comes_back_with_everything_typed(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.member())
    typed = own_values(threshold_c="-1", hardened_threshold_c="3")

    page = pages.post("/plants/new", typed, status=422)

    assert {name: page.values()[name] for name in typed} == typed
    assert "at least as cold" in page.text


@pytest.mark.parametrize("value", HOSTILE.values(), ids=HOSTILE)
def test_hostile_crop_input_is_never_an_error_of_ours(
    make: Factory, pages: Pages, value: str
) -> None:
    pages.sign_in(make.member())
    csrf = pages.get("/plants/new").token()
    typed = value.encode("utf-8", "replace").decode()

    kinds = {
        "name": WORDS,
        "stage": WORDS,
        "group": SOME_FIGURE,
        "kind": FIGURE,
        "threshold_c": FIGURE,
        "hardened_threshold_c": SOME_FIGURE,
        "why": WORDS,
        "usual_height_cm": FIGURE,
        "usual_spread_cm": FIGURE,
    }
    assert set(kinds) == set(own_values())

    for name, kind in kinds.items():
        data = own_values(name=f"of {name}") | {name: typed, "csrf_token": csrf}
        response = pages.client.post("/plants/new", data=data)
        assert response.status_code == answer_to(kind, value), name
    assert "<script>alert" not in pages.get("/plants").html
    assert pages.client.get("/plants", query_string={"q": typed}).status_code == 200


def test_an_own_stage_is_changed_by_its_adder_and_not_by_others(
    make: Factory, pages: Pages
) -> None:
    vera = make.member()
    published = make.stage("oca")
    path = f"/plants/{published.crop_id}/stages/new"
    pages.sign_in(vera).post(path, own_values(stage="seedling"))
    own = db.session.scalar(select(CropStage).where(CropStage.is_ours))
    assert own is not None
    form = pages.get(f"/plants/stages/{own.id}/edit").values()

    pages.post(f"/plants/stages/{own.id}/edit", form | {"threshold_c": "2,5"})
    pages.get(f"/plants/stages/{published.id}/edit", status=403)
    pages.sign_in(make.member()).get(f"/plants/stages/{own.id}/edit", status=403)

    look_again()
    assert own.threshold_c == 2.5


def test_what_mornings_taught_is_shown_and_can_be_left_out(make: Factory, pages: Pages) -> None:
    odile = make.coordinator()
    planting = make.planting(make.plot("N3"), make.stage("leek", threshold_c=-4.0))
    row = Outcome(
        night_of=NOW.date(), planting_id=planting.id, damage="dead", entered_at=NOW, felt_c=-1.0,
        felt_sd_k=1.0, taken_t50_c=-4.0, taken_sd_k=1.0,
    )  # fmt: skip
    db.session.add(row)
    db.session.commit()
    pages.sign_in(odile)
    address = f"/plants/{planting.stage.crop_id}"

    before = pages.get(address)
    pages.post(f"/plants/mornings/{row.id}", {"left_out": "yes"})
    after = pages.get(address)

    assert "by 1 morning" in before.text and "plot N3: dead at about −1.0 °C" in before.text
    assert "(left out)" in after.text and "Count it again" in after.text
    assert "by 0 mornings" in after.text


def test_a_crop_page_tells_harm_and_death_apart_and_what_is_from_memory(
    make: Factory, pages: Pages
) -> None:
    make.garden()
    fill_catalogue()
    leek = db.session.scalars(select(Crop).where(Crop.name == "leek")).one()

    page = pages.get(f"/plants/{leek.id}")

    assert "First damage burns leaves and costs next to nothing." in page.text
    assert "About half of the plants die, hardened" in page.text
    assert "from memory" in page.text
