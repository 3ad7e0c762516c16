"""From a forecast file to a cover on a bed, with three people's phones."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from flask import Flask

from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import DESK, link_for, press

pytestmark = pytest.mark.browser

# Four in the afternoon at the place the forecast is for.
AFTERNOON = datetime(2026, 11, 24, 21, 0, tzinfo=UTC)


@pytest.mark.outside(
    "US National Weather Service API, gridpoint TAE 58,65, updated 2022-02-04T03:15:41Z, "
    "minTemperature of the night 4 to 5 February"
)
@pytest.mark.parametrize("with_script", [True, False], ids=["script on", "script off"])
def test_a_forecast_becomes_a_cover_on_a_bed_that_everybody_sees(
    app: Flask,
    clock: list[datetime],
    make: Factory,
    open_page: Callable[..., Any],
    with_script: bool,
) -> None:
    clock[0] = AFTERNOON
    make.now = AFTERNOON
    small = garden.small_garden(make, **garden.REAL_PLACE)
    link = link_for(small.member, make)
    desk = open_page(**DESK, is_mobile=False, java_script_enabled=with_script)
    phone = open_page(java_script_enabled=with_script)
    stranger = open_page(java_script_enabled=with_script)

    # Nobody has a forecast yet, and the board says so.
    stranger.goto("/tonight")
    assert "No forecast for tonight yet" in stranger.inner_text("main")

    # The coordinator signs in and brings the file in.
    desk.goto("/sign-in")
    desk.get_by_label("Name").fill(garden.COORDINATOR)
    desk.get_by_label("Password").fill(garden.PASSWORD)
    press(desk.get_by_role("button", name="Sign in"))
    desk.goto("/forecast/import")
    desk.set_input_files(
        "input[type=file]",
        {
            "name": "gridpoint.json",
            "mimeType": "application/json",
            "buffer": garden.real_forecast(evening=AFTERNOON),
        },
    )
    press(desk.get_by_role("button", name="Read it"))
    desk.wait_for_url("**/tonight")
    assert "tonight is planned" in desk.get_by_role("status").inner_text()
    assert garden.REAL_LOW in desk.inner_text(".low .big")

    # A member comes in by the personal link and claims the job of their plot.
    phone.goto(link)
    press(phone.get_by_role("button", name="That’s me"))
    phone.goto("/tonight")
    job = phone.locator("article.job", has_text="window herb")
    assert "Back shed" in job.inner_text()
    press(job.get_by_role("button", name="I’ll do it"))
    job = phone.locator("article.job", has_text="window herb")
    assert "Yours" in job.inner_text()

    # The stranger sees that it is taken, and no name.
    stranger.reload()
    assert "1 taken by others" in stranger.inner_text("main")
    seen = stranger.locator("article.job", has_text="window herb").text_content()
    assert "taken" in seen
    assert "Bertil" not in stranger.content()
    assert stranger.locator("main button").count() == 0

    # The cover goes on; the stranger sees that too.
    press(job.get_by_role("button", name="It is on"))
    assert "On since" in phone.locator("article.job", has_text="window herb").inner_text()
    stranger.reload()
    seen = stranger.locator("article.job", has_text="window herb").text_content()
    assert "On since" in seen
    assert "late seedlings" in stranger.inner_text("main")


def test_an_undone_mark_is_gone_from_every_phone(
    make: Factory, open_page: Callable[..., Any], visitor: Callable[..., Any]
) -> None:
    small = garden.small_garden(make)
    coordinator = visitor(small.coordinator)
    answer = coordinator.post(
        "/forecast/by-hand",
        {"low": "-1", "unit": "C", "night_of": "2026-11-24", "cloud": "0", "wind": "1"},
        token=coordinator.token("/forecast/by-hand"),
    )
    assert answer.status_code == 303, answer.text[:2000]
    phone, stranger = open_page(), open_page()
    phone.goto(link_for(small.member, make))
    press(phone.get_by_role("button", name="That’s me"))
    phone.goto("/tonight")

    job = phone.locator("article.job").first
    press(job.get_by_role("button", name="I’ll do it"))
    press(job.get_by_role("button", name="It is on"))
    stranger.goto("/tonight")
    assert stranger.locator("article.job.on").count() == 1
    press(phone.get_by_role("button", name="Undo"))
    stranger.reload()

    assert stranger.locator("article.job.on").count() == 0


def test_the_claim_works_by_keyboard_alone(
    make: Factory, open_page: Callable[..., Any], visitor: Callable[..., Any]
) -> None:
    small = garden.small_garden(make)
    coordinator = visitor(small.coordinator)
    coordinator.post(
        "/forecast/by-hand",
        {"low": "-1", "unit": "C", "night_of": "2026-11-24", "cloud": "0", "wind": "1"},
        token=coordinator.token("/forecast/by-hand"),
    )
    page = open_page(**DESK, is_mobile=False, has_touch=False)
    page.goto(link_for(small.member, make))
    press(page.get_by_role("button", name="That’s me"))
    page.goto("/tonight")

    for _press in range(60):
        page.keyboard.press("Tab")
        focused = page.evaluate("document.activeElement.textContent.trim()")
        if focused == "I’ll do it":
            break
    assert focused == "I’ll do it"
    ring = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    page.keyboard.press("Enter")

    assert ring != "none"
    page.locator("article.job.mine").wait_for()
    assert page.evaluate("document.activeElement.textContent.trim()") == "It is on"
