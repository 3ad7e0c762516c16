"""Four rooms for everybody, and each page in one of them."""

from __future__ import annotations

import re

import pytest
from flask import Flask

from gardenapp.web.navigation import ROOMS
from tests.factories import Factory
from tests.pages import Page, Pages


def rooms_of(page: Page) -> list[str]:
    nav = page.html.partition('<nav aria-label="Main">')[2].partition("</nav>")[0]
    return re.findall(r">([^<>]+)</a>", nav)


@pytest.mark.parametrize("who", ["member", "coordinator"])
def test_there_are_four_entries_for_members_and_coordinators_alike(
    make: Factory, pages: Pages, who: str
) -> None:
    pages.sign_in(make.member() if who == "member" else make.coordinator())

    assert rooms_of(pages.get("/plots")) == ["Today", "Garden", "Shed", "Evidence"]


def test_a_stranger_is_led_only_to_what_opens(make: Factory, pages: Pages) -> None:
    make.garden()

    page = pages.get("/tonight")

    assert rooms_of(page) == ["Today", "Garden", "Evidence"]
    nav = page.html.partition('<nav aria-label="Main">')[2].partition("</header>")[0]
    for address in re.findall(r'href="([^"]+)"', nav):
        pages.get(address)


def test_every_page_of_a_room_is_one_that_exists_and_its_room_is_marked(
    app: Flask, make: Factory, pages: Pages
) -> None:
    pages.sign_in(make.coordinator())
    for room in ROOMS:
        for way in room.ways:
            assert way.endpoint in app.view_functions, way
            with app.test_request_context():
                rule = next(r for r in app.url_map.iter_rules() if r.endpoint == way.endpoint)
            page = pages.get(rule.rule)
            here = [a.text for a in page.all("a") if a.get("aria-current") == "true" and a.text]
            assert str(room.label) in here, way.endpoint


def test_no_two_pages_have_one_name() -> None:
    labels = [str(way.label) for room in ROOMS for way in room.ways]

    assert len(labels) == len(set(labels))


def test_old_addresses_lead_to_the_new(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.member())

    assert pages.get("/tonight/hands", status=301).response.headers["Location"] == "/tonight/walks"
