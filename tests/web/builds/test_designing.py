"""The pages for building: what is typed comes back, and a plan is drawn in the reader's units."""

from __future__ import annotations

import html
import json
import re
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.builds import BuildPlan, UnitPrice
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.replays import ReplayRun
from gardenapp.science.designs.design import Plants, design
from gardenapp.services.builds import designing
from gardenapp.services.builds.designing import PlanEntry
from gardenapp.services.builds.shapes import SHAPES, usual_sizes, wish_of
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.season import replay
from gardenapp.web.builds.drawing import MOST_HIGH_MM, MOST_WIDE_MM, draw
from tests.conftest import NOW
from tests.factories import Factory, replay_run
from tests.pages import Page, Pages
from tests.services.builds.stocked import CHECKED_FRAME, FRAME, NEED, stock_up
from tests.web.hostile import HOSTILE


@pytest.fixture
def member(make: Factory, pages: Pages) -> Member:
    found = make.coordinator()
    seed_catalogue(db.session)
    db.session.commit()
    pages.sign_in(found)
    return found


def plan(member: Member, **changes: Any) -> str:
    values: dict[str, Any] = {"shape": "box_frame", "sizes": FRAME, "need": NEED}
    number = designing.add_plan(entry=PlanEntry(**values | changes), member=member, now=NOW)
    return f"/builds/{number}"


def buttons(page: Page) -> list[tuple[str, str]]:
    """Key and design of each button of the list."""
    keys = re.findall(r'name="key" value="([^"]*)"', page.html)
    designs = re.findall(r'name="design" value="([^"]*)"', page.html)
    return list(zip(keys, map(html.unescape, designs), strict=True))


def count(table: type[Any]) -> int:
    db.session.rollback()
    return db.session.scalar(select(func.count()).select_from(table)) or 0


# --- choosing ---------------------------------------------------------------------------------


def test_plants_of_a_plot_lead_to_designs_and_a_button_keeps_one_once(
    make: Factory, pages: Pages, member: Member
) -> None:
    stock_up(member)
    plot = make.plot("A1")
    planting = make.planting(plot, make.stage("test bean"), count=6, spread_cm=25.0)

    page = pages.get(f"/builds/designs?plot={plot.id}&planting={planting.id}&go=1")
    key, sent = buttons(page)[0]
    places = [
        pages.post("/builds/plans", {"key": key, "design": sent}).response.headers["Location"]
        for _ in range(2)
    ]

    assert page.text.count("the shed has it") >= 2
    assert places[0] == places[1]
    assert count(BuildPlan) == 1


def test_no_plant_chosen_is_said_and_an_empty_plot_says_the_next_step(
    make: Factory, pages: Pages, member: Member
) -> None:
    plot, bare = make.plot("A1"), make.plot("A2")
    make.planting(plot)

    page = pages.get(f"/builds/designs?plot={plot.id}&go=1", status=422)

    assert "Choose at least one planting" in page.html
    assert "Add a planting" in pages.get(f"/builds/designs?plot={bare.id}").text


def test_sizes_typed_in_inches_come_back_and_are_meant_in_inches(
    make: Factory, pages: Pages
) -> None:
    member = make.member(length_unit="inch")
    pages.sign_in(member)
    asked = "height_cm=12&spread_cm=10&count=4&bed_length_cm=96&bed_width_cm=48"

    page = pages.get(f"/builds/designs?{asked}")
    again = pages.get("/builds/designs?height_cm=tall&spread_cm=10&count=4", status=422)

    assert "up to 12 in tall and 10 in wide, on ground 96 in by 48 in" in page.text
    assert again.values()["height_cm"] == "tall"
    assert again.values()["spread_cm"] == "10"


@pytest.mark.parametrize(
    "sent",
    [
        "",
        "{}",
        "[]",
        "null",
        '{"shape": "box_frame"}',
        "[" * 3000,
        "x" * 5000,
        json.dumps({"shape": "no such", "sizes": {}, "need": [1, 1, 1, 1, 1]}),
        json.dumps(
            {
                "shape": "box_frame",
                "sizes": {**FRAME, "length_mm": "nan"},
                "need": [300, 250, 6, None, None],
                "plot": None,
                "plants": [],
            }
        ),
        json.dumps(
            {
                "shape": "box_frame",
                "sizes": FRAME,
                "need": [1e308, 250, 1e308, None, None],
                "plot": None,
                "plants": [],
            }
        ),
    ],
    ids=lambda text: text[:30] or "empty",
)
def test_a_design_nobody_offered_is_not_kept(pages: Pages, member: Member, sent: str) -> None:
    pages.post("/builds/plans", {"key": "a" * 32, "design": sent}, status=422)

    assert count(BuildPlan) == 0


def test_a_design_for_a_plot_that_is_not_there_is_not_found(pages: Pages, member: Member) -> None:
    sent = json.dumps(
        {
            "shape": "box_frame",
            "sizes": FRAME,
            "need": [300, 250, 6, None, None],
            "plot": 2**31 - 1,
            "plants": [1],
        }
    )

    pages.post("/builds/plans", {"key": "a" * 32, "design": sent}, status=404)


# --- drawings ---------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", list(SHAPES))
def test_every_shape_is_drawn_to_its_scale_within_a_phones_width(shape: str) -> None:
    sizes = usual_sizes(shape)
    found = design(wish_of(shape, sizes, NEED), gust_mps=10.0, plants=Plants(150.0, 90.0, 2))

    drawing = draw(found.views, lambda mm: f"{mm:.0f}")

    for view, picture in zip(found.views, drawing.pictures, strict=True):
        left, low, right, top = view.bounds()
        drawn = [pair.split(",") for s in picture.shapes for pair in s.points.split()]
        real = [point for polygon in view.polygons for point in polygon.points]
        xs, real_xs = [float(x) for x, _ in drawn], [x for x, _ in real]
        assert (max(xs) - min(xs)) * drawing.scale == pytest.approx(
            max(real_xs) - min(real_xs), abs=0.02 * drawing.scale
        )
        assert (right - left) / drawing.scale <= MOST_WIDE_MM
        assert (top - low) / drawing.scale <= MOST_HIGH_MM
        # Everything lies on the paper, figures too.
        for stroke in picture.strokes:
            assert 0 <= min(stroke.x1, stroke.x2) <= max(stroke.x1, stroke.x2) <= picture.width
            assert 0 <= min(stroke.y1, stroke.y2) <= max(stroke.y1, stroke.y2) <= picture.height
        for figure in picture.figures:
            assert 0 < figure.x < picture.width
            assert 0 < figure.y < picture.height


@pytest.mark.parametrize("shape", list(SHAPES))
def test_every_shapes_pages_open(pages: Pages, member: Member, shape: str) -> None:
    address = plan(member, shape=shape, sizes=usual_sizes(shape))

    assert pages.get(address).heading
    assert pages.get(f"{address}/cuts").heading.startswith("Cut plan")
    assert pages.get(f"{address}/change").heading.startswith("Change sizes")


@pytest.mark.outside("common practice, no source: a 30 x 42 x 56 in frame, 512 in in all")
def test_a_frame_in_inches_is_drawn_and_cut_in_inches(make: Factory, pages: Pages) -> None:
    member = make.coordinator(length_unit="inch")
    pages.sign_in(member)
    stock_up(member)
    address = plan(member, sizes=CHECKED_FRAME)

    page, cuts = pages.get(address), pages.get(f"{address}/cuts")

    assert "56 in by 42 in, 30 in high" in page.text
    assert "It fits by its 42 in side, with 3 in to spare on each side" in page.text
    assert " mm" not in page.text.partition("What the shed has")[0].partition("Pieces")[2]
    assert "Pieces 512 in" in cuts.text
    assert "6 lengths from the shed" in cuts.text


# --- changing and building --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "typed", "advice"),
    [
        ("length_mm", "-40", "Enter a number between"),
        ("length_mm", "", "Enter a number between"),
        ("height_mm", "999999", "Enter a number between"),
        ("bar_mm", "100", "too thick for so small a frame"),
        ("plant_count", "1.5", "Enter a whole number between"),
        ("gust_mps", "nan", "Enter a number between"),
    ],
)
def test_an_impossible_size_is_told_beside_its_field_and_nothing_typed_is_lost(
    pages: Pages, member: Member, field: str, typed: str, advice: str
) -> None:
    address = f"{plan(member)}/change"
    values = pages.get(address).values() | {"width_mm": "590", field: typed}

    page = pages.post(address, values, status=422)

    assert page.values()["width_mm"] == "590"
    assert page.values()[field] == typed
    [error] = [e for e in page.all("p") if e.get("id") == f"{field}-error"]
    assert advice in "".join(error.itertext())


def test_an_impossible_size_is_told_in_the_language_and_the_unit_of_its_reader(
    make: Factory, pages: Pages
) -> None:
    member = make.coordinator(length_unit="inch", language="es")
    pages.sign_in(member)
    address = f"{plan(member)}/change"
    values = pages.get(address).values() | {"width_mm": "23", "bar_mm": "3.9"}

    page = pages.post(address, values, status=422)

    assert "Las barras de 3.9 in son demasiado gruesas para un armazón tan pequeño." in page.text


@pytest.mark.parametrize("value", HOSTILE.values(), ids=HOSTILE)
def test_nothing_typed_into_the_forms_breaks_them(pages: Pages, member: Member, value: str) -> None:
    typed = value.encode("utf-8", "replace").decode()
    address = plan(member)
    fields = pages.get(f"{address}/change").values()

    for path, names in (
        (f"{address}/change", [name for name in fields if name != "csrf_token"]),
        (f"{address}/make", ["label", "place_id"]),
        ("/builds/prices", ["what", "price", "sold_length_mm"]),
    ):
        token = fields["csrf_token"]
        answer = pages.client.post(path, data={**dict.fromkeys(names, typed), "csrf_token": token})
        assert answer.status_code == 422, path  # there is a figure in each
        assert "<script>alert" not in answer.text


def test_build_it_puts_the_cover_into_the_store_once(
    make: Factory, pages: Pages, member: Member
) -> None:
    stock_up(member)
    address = plan(member)
    form = {"label": "frame by the gate", "place_id": ""}

    for _ in range(2):
        pages.post(f"{address}/make", form)

    assert count(Cover) == 1
    assert "frame by the gate" in pages.get(address).text
    assert "Plan one more like it" in pages.get(address).text


def test_what_the_store_lacks_stops_it_with_words(pages: Pages, member: Member) -> None:
    address = plan(member)

    page = pages.post(f"{address}/make", {"label": "frame 1", "place_id": ""}, status=409)

    assert "The shed has too little for it" in page.text
    assert page.values()["label"] == "frame 1"
    assert count(Cover) == 0


def test_another_members_plan_is_looked_at_and_not_changed(
    make: Factory, pages: Pages, member: Member
) -> None:
    address = plan(make.member("Tamsin"))
    pages.sign_in(make.member("Wes"))

    assert "Change its sizes" not in pages.get(address).text
    pages.get(f"{address}/change", status=403)


def test_a_price_is_kept_shown_and_forgotten(pages: Pages, member: Member) -> None:
    form = {"what": "38 × 38", "price": "2.5", "sold_length_mm": "2400"}

    pages.post("/builds/prices", form)
    [head, *rows] = pages.get("/builds/prices").all("tr")
    assert count(UnitPrice) == 1
    pages.post("/builds/prices", form | {"price": "", "what": "38 x 38"})

    assert ["".join(cell.itertext()) for cell in head] == [
        "Material",
        "Price",
        "Sold in lengths of",
    ]
    assert [["".join(cell.itertext()) for cell in row] for row in rows] == [
        ["38 x 38", "2.50", "2400\N{NARROW NO-BREAK SPACE}mm"]
    ]
    assert count(UnitPrice) == 0


# --- what to build next -----------------------------------------------------------------------


def test_without_past_nights_the_ranking_says_where_they_come_from(
    pages: Pages, member: Member
) -> None:
    page = pages.post("/builds/next", {}, status=409)

    assert "There are no past nights yet" in page.text
    assert count(ReplayRun) == 0


def make_run(**changes: Any) -> int:
    ranking = {"record": "what to build next", "garden": replay.BUILD_NEXT, "covers": ""}
    return replay_run(NOW, **ranking | changes)


def test_a_running_ranking_shows_how_far_it_is_and_can_be_stopped(
    pages: Pages, member: Member
) -> None:
    number = make_run()

    page = pages.get(f"/builds/next/{number}")
    pages.post(f"/builds/next/{number}/stop", {})

    assert "12 of 40 nights" in page.text
    assert "stopping" in pages.get(f"/builds/next/{number}").text


def test_a_ranking_is_no_replay_and_a_replay_no_ranking(pages: Pages, member: Member) -> None:
    ranking = make_run(status="stopped", finished_at=NOW)
    replayed = make_run(garden="current", record="winter.csv", status="stopped", finished_at=NOW)

    pages.get(f"/replay/{ranking}", status=404)
    pages.get(f"/builds/next/{replayed}", status=404)
    assert "what to build next" not in pages.get("/replay").text


def test_a_ranking_runs_in_the_background_and_is_read(
    app: Flask, make: Factory, pages: Pages, member: Member
) -> None:
    from tests.services.season.test_outlook import bring_in, record

    make.planting(make.plot("A1"), make.stage("test bean", threshold_c=0.0), mind="dearly")
    make.cover(make.cover_kind("Crate"), condition="broken", is_usable=False, label="crate 9")
    bring_in(make, record(NOW.date().replace(year=2024), [-1.0, 2.0, -2.0] * 20))

    where = pages.post("/builds/next", {}).response.headers["Location"]
    assert replay.wait_for(int(where.rpartition("/")[2]), seconds=60)

    page = pages.get(where)
    assert "Mend: crate 9 (Crate)" in page.text
    assert "60 nights" in page.text
    assert "No winter is whole" in page.text
