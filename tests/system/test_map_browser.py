"""The map in a browser: a thumb hits a plot, nothing is wider than the window, typing shows it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from gardenapp.models.people import Member
from gardenapp.services.garden import map as maps
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.night.planning import enter, plan
from tests.system.conftest import DESK, link_for, press

pytestmark = pytest.mark.browser

THUMB_PX = 44.0
FITS = "document.documentElement.scrollWidth <= window.innerWidth"
ROWS = "\n".join(
    (
        "=  =  =  =  =  =  =  =  G",
        "=  A1 A2 A3 A4 A5 A6 A7 A8",
        "=  =  =  =  =  =  =  =  =",
        "W  B1 B1 B2 shed:Long shed  shed:Long shed",
    )
)


def drawn(make: Factory) -> Member:
    """A garden eight plots wide with beans in one of them, and its coordinator."""
    odile = make.coordinator("Odile")
    plots = [make.plot(f"A{n}") for n in range(1, 9)]
    make.plot("B1"), make.plot("B2")
    make.place("Long shed")
    make.planting(plots[7])
    make.cover()
    enter(make.now, -2.0)
    plan(make.now)
    maps.save_map(text=ROWS, north=0.0, member=odile, now=NOW)
    return odile


def wide(make: Factory, member: Member) -> None:
    """A map of twenty plots side by side."""
    for n in range(20):
        make.plot(f"W{n}")
    maps.save_map(text=" ".join(f"W{n}" for n in range(20)), north=None, member=member, now=NOW)


def test_a_thumb_on_a_plot_leads_to_its_jobs(make: Factory, open_page: Callable[..., Any]) -> None:
    drawn(make)
    phone = open_page()
    phone.goto("/tonight/map")

    # The ground of a link is what takes the tap; a line's box would be counted with its corners.
    grounds = phone.locator("svg.map a.plot .ground")
    assert grounds.count() == 10
    for number in range(10):
        box = grounds.nth(number).bounding_box()
        assert min(box["width"], box["height"]) >= THUMB_PX, number
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= 390
    assert phone.evaluate(FITS)

    # By its middle, and by the very edge of its cell.
    box = phone.get_by_role("link", name="A8: needs a cover").locator(".ground").bounding_box()
    phone.touchscreen.tap(box["x"] + 1.5, box["y"] + 1.5)
    phone.wait_for_url("**/tonight?plot=*")
    assert "A8" in phone.inner_text("main")
    phone.go_back()
    press(phone.locator("svg.map a.plot", has_text="B1"))
    assert "plot=" in phone.url


@pytest.mark.parametrize("width", [320, 390, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_of_the_map_is_wider_than_its_window(
    make: Factory, open_page: Callable[..., Any], width: int, scheme: str
) -> None:
    odile = drawn(make)
    link = link_for(odile, make)
    options = DESK if width > 1000 else {}
    phone = open_page(
        **{**options, "viewport": {"width": width, "height": 800}}, color_scheme=scheme
    )
    phone.goto(link)
    press(phone.locator("main button").first)
    paths = ("/tonight/map", "/garden/map", "/garden/map/change")

    for path in paths:
        phone.goto(path)
        assert phone.evaluate(FITS), path
    wide(make, odile)
    for path in paths:
        phone.goto(path)
        assert phone.evaluate(FITS), path
        cells = phone.locator("svg.map .ground")
        assert cells.count() == 20
        assert cells.first.bounding_box()["width"] >= THUMB_PX


def test_what_is_typed_is_drawn_and_what_is_wrong_is_told(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    odile = drawn(make)
    phone = open_page()
    phone.goto(link_for(odile, make))
    press(phone.locator("main button").first)
    phone.goto("/garden/map/change")

    phone.get_by_label("Map", exact=True).fill("= =\nA1 A9")
    phone.get_by_text("Line 2: There is no plot A9.").wait_for()
    assert phone.locator("svg.map .plot").count() == 2
    phone.get_by_label("Map", exact=True).fill("= =\nA1 A2")
    phone.locator("#map_text-error li").wait_for(state="detached")
    press(phone.get_by_role("button", name="Save the map"))

    assert maps.get_map().text == "=   =\nA1  A2"


def test_without_script_a_button_shows_how_it_looks(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    odile = drawn(make)
    phone = open_page(java_script_enabled=False)
    phone.goto(link_for(odile, make))
    phone.locator("main button").first.click()
    phone.goto("/garden/map/change")

    phone.get_by_label("Map", exact=True).fill("= =\nA1 A9")
    phone.get_by_role("button", name="Show how it looks").click()

    phone.locator("#map_text-error").get_by_text("Line 2: There is no plot A9.").wait_for()
    assert phone.get_by_label("Map", exact=True).input_value() == "= =\nA1 A9"
    assert phone.locator("svg.map .plot").count() == 2


@pytest.mark.outside("Web Content Accessibility Guidelines 2.2, as axe-core checks them")
def test_the_map_is_well_for_those_who_do_not_see_it(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    odile = drawn(make)
    phone = open_page()
    phone.goto(link_for(odile, make))
    press(phone.locator("main button").first)

    for path in ("/tonight/map", "/garden/map", "/garden/map/change"):
        phone.goto(path)
        found = Axe().run(phone)
        assert found.violations_count == 0, found.generate_report()
