"""Ten plantings in a row by the keyboard alone, without leaving the page. Printed: what it took."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from flask import Flask
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.plants import Planting
from gardenapp.services.garden.seeding import seed_catalogue
from tests.factories import Factory
from tests.system.conftest import DESK, link_for, press

pytestmark = pytest.mark.browser
SOWN = (
    ("courgette", 3, "squash and courgette"), ("zucchini", 2, "squash and courgette"),
    ("kale", 12, "kale"), ("judía verde", 20, "French bean"), ("broad beans", 30, "broad bean"),
    ("swiss chard", 8, "chard"), ("letuce", 16, "lettuce"), ("papa", 9, "potato"),
    ("leek", 40, "leek"), ("Vicia faba", 6, "broad bean"),
)  # fmt: skip


@pytest.mark.parametrize("has_script", [True, False])
def test_ten_plantings_are_typed_in_a_row(
    app: Flask, make: Factory, open_page: Callable[..., Any], has_script: bool
) -> None:
    odile = make.coordinator()
    plot = make.plot("A5", length_cm=2_000.0, width_cm=1_000.0)
    seed_catalogue(db.session)
    db.session.commit()
    page = open_page(**DESK, java_script_enabled=has_script)
    page.goto(link_for(odile, make))
    press(page.locator("main button").first) if has_script else page.locator(
        "main button"
    ).first.click()
    page.goto(f"/plots/{plot.id}/plantings/new")
    keys = 0
    for crop, count, _wanted in SOWN[:9]:
        page.focus("[name=crop]")
        page.keyboard.insert_text(crop)
        page.keyboard.press("Tab")
        page.keyboard.insert_text(str(count))
        with page.expect_navigation():
            page.keyboard.press("Enter")
        keys += len(crop) + len(str(count)) + 2
        assert page.url.endswith(f"/plots/{plot.id}/plantings/new")
        assert "Saved just now" in page.inner_text("main")
    print(f"\nnine plantings: {keys} keys, no click (script: {has_script})")

    # What nobody knows is told beside its field, and what was typed stays.
    page.fill("[name=crop]", "gravel")
    page.fill("[name=count]", "6")
    with page.expect_navigation():
        page.press("[name=count]", "Enter")
    assert page.input_value("[name=count]") == "6"
    assert page.locator("#crop-error").count() == 1
    page.fill("[name=crop]", SOWN[9][0])
    with page.expect_navigation():
        page.press("[name=count]", "Enter")
    if has_script:
        assert Axe().run(page).violations_count == 0

    with app.app_context():
        rows = db.session.scalars(select(Planting).order_by(Planting.id)).all()
        assert [(row.stage.crop.name, row.count) for row in rows] == [
            (wanted, count) for _crop, count, wanted in SOWN
        ]
    page.locator("button", has_text="Take back").first.click()
    page.wait_for_load_state()
    assert page.locator("main ul.list > li").count() == 9
