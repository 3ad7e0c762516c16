"""A board without jobs says why, and never that all is well."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from flask import Flask

from gardenapp.services.night.board_changes import Lacking
from gardenapp.services.night.why_empty import why_empty
from gardenapp.services.notices import night_words
from tests.services.notices.test_night_words import LONDON, NOON, page, row


@pytest.fixture(autouse=True)
def context(app: Flask) -> Iterator[None]:
    """Words need an app to know the languages of."""
    with app.app_context():
        yield


@pytest.mark.parametrize(
    ("lacking", "says"),
    [
        (Lacking(plots=True, plantings=True, covers=True), "No plots are written down"),
        (Lacking(plantings=True, covers=True), "No plants are written down"),
    ],
)
def test_without_plots_or_plants_nothing_was_planned(lacking: Lacking, says: str) -> None:
    empty = replace(page(), lacking=lacking)

    assert why_empty(empty).startswith(says)
    told = night_words.night_text(empty, unit="C", zone=LONDON, now=NOON)
    assert told.title == "Nothing could be decided tonight"
    assert says in told.text
    assert "Nothing to do" not in told.text


def test_plants_at_risk_without_any_cover_are_counted() -> None:
    bare = replace(page(rows=(row("short"), row("short"))), lacking=Lacking(covers=True))

    assert why_empty(bare) == "2 plantings are at risk, and the shed has no covers yet."
    assert why_empty(replace(bare, lacking=Lacking())) == ""


def test_an_old_forecast_is_no_promise() -> None:
    old = replace(page(rows=(row("safe"),)), is_stale=True)

    assert "old forecast" in why_empty(old)
    assert why_empty(replace(old, is_stale=False)) == ""
    # What is at risk is told as that, whatever the forecast's age.
    assert why_empty(replace(old, rows=(row("short"),))) == ""


def test_a_safe_night_of_a_whole_garden_needs_no_reason() -> None:
    assert why_empty(page(rows=(row("safe"),))) == ""
    assert why_empty(replace(page(rows=(row("safe"),)), lacking=Lacking(covers=True))) == ""
