"""The pages of the garden's map: looked at by all, drawn by coordinators."""

from __future__ import annotations

import pytest

from gardenapp.models.people import Member
from gardenapp.services.garden import map as maps
from gardenapp.web.garden.map import MOST_ERRORS
from tests.conftest import NOW
from tests.factories import Factory
from tests.pages import XHTML, Page, Pages

HOSTILE = '"><script>alert(1)</script>'
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def odile(make: Factory) -> Member:
    """A coordinator of a garden with three plots and a shed."""
    for label in ("A1", "A2", "A3"):
        make.plot(label)
    make.place("Long shed")
    return make.coordinator("Odile")


def draw(text: str, member: Member, north: float | None = None) -> None:
    maps.save_map(text=text, north=north, member=member, now=NOW)


def links(page: Page) -> dict[str, str]:
    """Where plots of the drawing lead, by what they are called aloud."""
    found = page.root.iter(f"{SVG}a")
    return {one.get("aria-label", ""): one.get("href", "") for one in found}


def names(page: Page) -> set[str]:
    """What stands on the drawing."""
    return {"".join(one.itertext()) for one in page.root.iter(f"{SVG}title")}


def errors(page: Page) -> list[str]:
    """What is said beside the field."""
    (box,) = (e for e in page.root.iter() if e.get("id") == "map_text-error")
    return ["".join(line.itertext()) for line in box.iter(f"{XHTML}li")]


# --- looking ----------------------------------------------------------------------------------


def test_before_anybody_has_drawn_it_a_coordinator_is_shown_how(
    pages: Pages, odile: Member
) -> None:
    page = pages.sign_in(odile).get("/garden/map")

    assert "Nobody has drawn the map yet" in page.text
    assert "/garden/map/change?begin=1" in page.html


def test_before_anybody_has_drawn_it_others_are_told_that_all_works_without(
    pages: Pages, odile: Member
) -> None:
    page = pages.get("/garden/map")

    assert "Everything works without it" in page.text
    assert "/garden/map/change" not in page.html


def test_each_plot_on_the_map_leads_to_its_page(pages: Pages, odile: Member) -> None:
    draw("= = G\nA1 A2 shed:Long shed", odile, north=90.0)
    ids = maps.get_map().plot_ids

    page = pages.get("/garden/map")

    assert links(page) == {"A1": f"/plots/{ids['A1']}", "A2": f"/plots/{ids['A2']}"}
    assert {"A1", "A2", "Long shed"} <= names(page)
    assert "North is on the right." in page.text
    assert "Not on the map: A3." in page.text
    assert "Covers are kept in: Long shed" in page.text


# --- drawing ----------------------------------------------------------------------------------


def test_a_coordinator_draws_the_map_and_sees_it(pages: Pages, odile: Member) -> None:
    pages.sign_in(odile)

    answer = pages.post(
        "/garden/map/change",
        {"map_text": "=  =\r\nA1 A2  shed:Long shed\r\n", "north": "45", "do": "save"},
    )

    page = pages.follow(answer)
    assert "The map of the garden is saved." in page.text
    assert maps.get_map().text == "=   =   .\nA1  A2  shed:Long shed"
    assert maps.get_map().north == 45.0
    again = pages.get("/garden/map/change").values()
    assert again["map_text"].split() == maps.get_map().text.split()
    assert again["north"] == "45"


def test_a_map_to_begin_with_is_in_the_box_and_not_yet_saved(pages: Pages, odile: Member) -> None:
    page = pages.sign_in(odile).get("/garden/map/change?begin=1")

    assert page.values()["map_text"] == maps.begin_map()
    assert "Nothing is saved yet" in page.text
    assert set(names(page)) == {"A1", "A2", "A3", "Long shed"}
    assert not maps.get_map().is_drawn
    pages.post("/garden/map/change", {"map_text": page.values()["map_text"], "do": "save"})
    assert maps.get_map().missing_plots == ()


def test_showing_how_it_looks_keeps_nothing(pages: Pages, odile: Member) -> None:
    page = pages.sign_in(odile).post(
        "/garden/map/change", {"map_text": "A1 =\nA9 =", "do": "show"}, status=200
    )

    assert {"A1", "A9"} <= names(page)
    assert "Plots that are not on it: A2, A3." in page.text
    assert errors(page)[0].startswith("Line 2: There is no plot A9.")
    assert page.values()["map_text"] == "A1 =\nA9 ="
    assert not maps.get_map().is_drawn


def test_all_that_is_wrong_stands_beside_the_box_with_what_was_typed(
    pages: Pages, odile: Member
) -> None:
    typed = "A1 . A1\nZ9 =\nshed:Barn"

    page = pages.sign_in(odile).post(
        "/garden/map/change", {"map_text": typed, "do": "save"}, status=422
    )

    assert [line.split(":")[0] for line in errors(page)] == ["Line 1", "Line 2", "Line 3"]
    assert "in two pieces" in errors(page)[0]
    assert page.values()["map_text"] == typed
    assert not maps.get_map().is_drawn


def test_a_map_that_is_too_large_is_refused_with_its_lines(pages: Pages, odile: Member) -> None:
    page = pages.sign_in(odile).post(
        "/garden/map/change", {"map_text": "\n".join(["= " * 61] * 61)}, status=422
    )

    assert "may have 60" in errors(page)[0]
    assert len(errors(page)) == MOST_ERRORS + 1
    assert errors(page)[-1] == "And 31 more."


def test_a_text_of_great_length_is_refused(pages: Pages, odile: Member) -> None:
    page = pages.sign_in(odile).post("/garden/map/change", {"map_text": "A" * 60_001}, status=422)

    assert "at most 60000 characters" in errors(page)[0]


@pytest.mark.parametrize("typed", ["\ud800", "A1\x00", "A1 \x1b[2J", "\u202eA1", "\t\t", "“A1"])
def test_odd_characters_are_no_accident(pages: Pages, odile: Member, typed: str) -> None:
    text = typed.encode("utf-8", "surrogatepass")

    page = pages.sign_in(odile)._ask(
        "post",
        "/garden/map/change",
        data={"map_text": text, "do": "show", "csrf_token": pages._token()},
    )

    assert page.status_code in {200, 422}


def test_north_is_one_of_the_list(pages: Pages, odile: Member) -> None:
    page = pages.sign_in(odile).post(
        "/garden/map/change", {"map_text": "A1", "north": "400"}, status=422
    )

    assert "Choose one of the list." in page.text
    assert not maps.get_map().is_drawn


def test_north_as_it_was_kept_to_the_degree_stays(pages: Pages, odile: Member) -> None:
    draw("A1", odile, north=12.5)
    page = pages.sign_in(odile).get("/garden/map/change")
    assert page.values()["north"] == "12.5"

    pages.post("/garden/map/change", {"map_text": "A2", "north": "12.5", "do": "save"})

    assert maps.get_map().north == 12.5


def test_hostile_names_are_shown_as_they_are_and_run_nothing(
    pages: Pages, make: Factory, odile: Member
) -> None:
    make.plot(HOSTILE)
    make.place(HOSTILE)
    doubled = HOSTILE.replace('"', '""')
    draw(f'"{doubled}" shed:"{doubled}"', odile)

    for path in ("/garden/map", "/tonight/map"):
        page = pages.get(path)
        assert "<script>alert" not in page.html
        assert HOSTILE in {name.partition(":")[0] for name in names(page)}
    page = pages.sign_in(odile).post(
        "/garden/map/change", {"map_text": "<script>alert(1)</script>", "do": "show"}, status=200
    )
    assert "<script>alert" not in page.html
    assert "<script>alert(1)</scri" in errors(page)[0]


def test_the_map_can_be_found_from_the_plots_and_from_the_garden(
    pages: Pages, odile: Member
) -> None:
    pages.sign_in(odile)

    for path in ("/plots", "/garden"):
        assert 'href="/garden/map"' in pages.get(path).html
