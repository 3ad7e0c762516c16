"""The page of the nights ahead."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from gardenapp.services.night import forecasts, plan_night
from tests.factories import Factory
from tests.pages import Pages

EVENING = date(2026, 11, 24)


def enter(make: Factory, lows_c: list[float]) -> None:
    for number, low_c in enumerate(lows_c):
        forecasts.enter_by_hand(
            night_of=EVENING + timedelta(days=number),
            low_c=low_c,
            gust_mps=6.0,
            member_id=None,
            now=make.now,
        )


def test_an_empty_page_says_the_next_step(make: Factory, pages: Pages) -> None:
    make.garden()

    visitor = pages.get("/ahead")
    coordinator = pages.sign_in(make.coordinator()).get("/ahead")

    assert "No forecast reaches past tonight" in visitor.text
    assert "Get a forecast" in coordinator.text


def test_nights_and_days_are_shown_with_words_and_spread(make: Factory, pages: Pages) -> None:
    make.planting(make.plot("A1"), make.stage(threshold_c=1.0), name="beans")
    make.cover(make.cover_class("glass box", clear_mean_k=5.0, cloudy_mean_k=5.0, day_gain_k=40.0))
    enter(make, [-1.0, -4.0, 9.0])
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)

    page = pages.get("/ahead")

    assert "Tomorrow night looks worse than tonight" in page.text
    assert "Wed 25 Nov" in page.text
    assert "±" in page.text
    assert "plot A1: glass box, the inside would get too warm" in page.text
    assert "not promises" in page.text


@pytest.mark.parametrize("is_open", [True, False])
def test_it_is_for_whoever_may_read_the_board(make: Factory, pages: Pages, is_open: bool) -> None:
    make.garden(board_is_open=is_open)

    pages.get("/ahead", status=200 if is_open else 303)


def test_temperatures_are_in_the_readers_unit(make: Factory, pages: Pages) -> None:
    make.garden(temperature_unit="F", length_unit="inch")
    enter(make, [0.0, -10.0])

    page = pages.get("/ahead")

    assert "14.0 °F" in page.text
    assert "°C" not in page.text
    assert "mph" in page.text.replace("\u202f", " ")
