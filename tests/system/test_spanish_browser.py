"""A Spanish phone at dusk: asked for nothing, it is spoken to in Spanish, and all of it fits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from flask import Flask

from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import Visitor, link_for, press
from tests.system.test_boards import enter
from tests.system.test_look import pages_of

pytestmark = pytest.mark.browser


@pytest.fixture
def night(make: Factory, visitor: Callable[..., Visitor]) -> garden.Small:
    """The small garden on a cold night."""
    small = garden.small_garden(make)
    enter(visitor(small.coordinator), low="-3")
    return small


def test_a_spanish_phone_claims_and_marks_in_spanish(
    night: garden.Small, open_page: Callable[..., Any], make: Factory
) -> None:
    page = open_page(locale="es-ES")
    page.goto(link_for(night.coordinator, make))
    press(page.get_by_role("button", name="Soy yo"))

    page.goto("/tonight")
    assert page.locator("html").get_attribute("lang") == "es"
    assert page.locator("h1").inner_text() == "Noche del martes 24 al miércoles 25 de noviembre"
    press(page.locator("article.job").first.get_by_role("button", name="Me encargo"))
    press(page.locator("article.mine").first.get_by_role("button", name="Está puesta"))

    assert "Puesta desde" in page.locator("article.on").first.inner_text()


def test_the_link_at_the_foot_turns_an_english_phone_to_spanish_and_back(
    night: garden.Small, open_page: Callable[..., Any]
) -> None:
    page = open_page(locale="en-GB")
    page.goto("/tonight")

    press(page.get_by_role("link", name="Español"))
    assert page.locator("html").get_attribute("lang") == "es"
    assert "Las probabilidades son estimaciones" in page.locator("main").text_content()

    press(page.get_by_role("link", name="English"))
    assert page.locator("html").get_attribute("lang") == "en"


def test_no_spanish_page_scrolls_sideways_on_the_smallest_phone(
    night: garden.Small,
    app: Flask,
    make: Factory,
    open_page: Callable[..., Any],
    visitor: Callable[..., Visitor],
) -> None:
    paths = pages_of(visitor(night.coordinator), app, {"public", "board", "member", "coordinator"})
    page = open_page(locale="es-ES", viewport={"width": 320, "height": 640})
    page.goto(link_for(night.coordinator, make))
    press(page.get_by_role("button", name="Soy yo"))

    wide = []
    for path in paths:
        page.goto(path)
        width = page.evaluate("document.documentElement.scrollWidth")
        if width > 320:
            wide.append(f"{path}: {width}")

    assert wide == []
    assert len(paths) > 20
