"""Another forecast makes another board."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from flask import Flask

from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import Visitor


def enter(coordinator: Visitor, **values: Any) -> None:
    """Type a low in, as the page asks for it; tonight is planned at once."""
    form = {"unit": "C", "night_of": "2026-11-24", "cloud": "0", "wind": "1", **values}
    form["sure"] = form["low"]  # asked once more where it is far from the last one
    answer = coordinator.post(
        "/forecast/by-hand", form, token=coordinator.token("/forecast/by-hand")
    )
    assert answer.status_code == 303, answer.text[:2000]


def jobs(html: str) -> list[str]:
    """The jobs of a board, as words."""
    found = re.findall(r'<article class="job.*?</article>', html, re.DOTALL)
    return [re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", job)) for job in found]


def test_minus_three_and_plus_eleven_give_different_boards(
    make: Factory, visitor: Callable[..., Visitor]
) -> None:
    coordinator = visitor(garden.small_garden(make).coordinator)
    stranger = visitor()

    enter(coordinator, low="-3")
    cold = stranger.get("/tonight").text
    enter(coordinator, low="11", cloud="100", wind="6")
    mild = stranger.get("/tonight").text

    assert "−3.0" in cold
    assert len(jobs(cold)) == 2
    assert "1 with no cover" in cold
    assert "tall palm" in cold
    assert "11.0" in mild
    assert jobs(mild) == []
    assert "Nothing to cover tonight" in mild
    assert "with no cover" not in mild


def test_a_low_in_fahrenheit_plans_the_same_night(
    make: Factory, visitor: Callable[..., Visitor]
) -> None:
    coordinator = visitor(garden.small_garden(make).coordinator)

    enter(coordinator, low="-3")
    celsius = coordinator.get("/tonight.json").json()
    enter(coordinator, low="26.6", unit="F")
    fahrenheit = coordinator.get("/tonight.json").json()

    assert fahrenheit["forecast"]["low_c"] == pytest.approx(celsius["forecast"]["low_c"])


def test_a_gale_keeps_the_covers_that_would_fly_in_the_shed(
    make: Factory, visitor: Callable[..., Visitor]
) -> None:
    coordinator = visitor(garden.small_garden(make).coordinator)
    enter(coordinator, low="-3", gust="8")
    calm = coordinator.get("/tonight").text

    enter(coordinator, low="-3", gust="20")
    gale = coordinator.get("/tonight").text

    assert "crate 1" in " ".join(jobs(calm))
    assert jobs(gale) == []
    assert "Gusts to 20" in gale
    assert "window herb" in gale.partition("with no cover")[2]


def test_a_cover_that_stands_when_a_gale_is_forecast_must_come_off(
    make: Factory, visitor: Callable[..., Visitor]
) -> None:
    coordinator = visitor(garden.small_garden(make).coordinator)
    enter(coordinator, low="-3", gust="8")
    board = coordinator.get("/tonight").text
    job_id = re.search(r'id="job-(\d+)"', board)
    assert job_id
    coordinator.post(f"/tonight/jobs/{job_id[1]}/on", token=coordinator.token("/tonight"))

    enter(coordinator, low="-3", gust="20")
    gale = coordinator.get("/tonight").text

    assert len(jobs(gale)) == 1
    assert "Take off:" in jobs(gale)[0]
    assert "It is off" in jobs(gale)[0]


def test_the_board_is_sent_whole_once_and_then_not_at_all(
    app: Flask, make: Factory, visitor: Callable[..., Visitor]
) -> None:
    coordinator = visitor(garden.small_garden(make).coordinator)
    enter(coordinator, low="-3")
    stranger = visitor()

    first = stranger.get("/tonight")
    again = stranger.get("/tonight", headers={"If-None-Match": first.headers["ETag"]})
    enter(coordinator, low="-4")
    changed = stranger.get("/tonight", headers={"If-None-Match": first.headers["ETag"]})

    assert first.status_code == 200
    assert first.headers["Content-Encoding"] == "gzip"
    assert again.status_code == 304
    assert changed.status_code == 200
