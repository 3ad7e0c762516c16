"""Two loggers' files in a real browser: a chart, figures, and the board of the same evening."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from gardenapp.services.night import forecasts, plan_night, tonight
from tests.factories import Factory
from tests.logger_files import trial_files
from tests.system.conftest import DESK, PHONE, link_for

pytestmark = pytest.mark.browser
EVENING = date(2026, 11, 24)


def lift_said(page: Any, path: str) -> float:
    """The lift that the "why" of a planting gives for its cover. [K]"""
    page.goto(path)
    found = re.search(r"lift \+(\d+\.\d)", page.inner_text("main"))
    assert found, page.inner_text("main")
    return float(found[1])


@pytest.mark.parametrize("screen", [PHONE, DESK], ids=["phone", "desk"])
def test_a_trial_changes_the_board_the_same_evening_with_its_why(
    make: Factory, open_page: Callable[..., Any], tmp_path: Path, screen: dict[str, Any]
) -> None:
    member = make.member("Ines")
    planting = make.planting(make.plot("North 3", holders=(member,)), name="runner beans")
    kind = make.cover_kind("Big crate", clear_mean_k=1.5, cloudy_mean_k=1.5)
    make.cover(kind, label="T7")
    forecasts.enter_by_hand(
        night_of=EVENING, low_c=-1.5, cloud_fraction=0.0, wind_mps=0.5, member_id=None, now=make.now
    )
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)
    inside, outside = trial_files(begin=datetime(2026, 11, 20, 12, tzinfo=UTC), lift_k=5.0)
    (tmp_path / "tote.csv").write_bytes(inside)
    (tmp_path / "open.csv").write_bytes(outside)
    page = open_page(**screen)
    page.goto(link_for(member, make))
    page.click("main button")
    why = f"/tonight/plantings/{planting.id}"
    before = lift_said(page, why)
    assert "no trial here has tested it yet" in page.inner_text("main")

    page.goto(f"/covers/kinds/{kind.id}")
    page.click("text=Add a trial")
    page.select_option("#sky", "clear")
    page.set_input_files("#inside", str(tmp_path / "tote.csv"))
    page.set_input_files("#outside", str(tmp_path / "open.csv"))
    page.click("text=Read and save it")

    assert page.inner_text("h1") == "Trial of Big crate"
    assert "+5.0" in page.inner_text("main")
    assert page.locator("svg.chart polyline.in").count() >= 1
    box = page.locator("svg.chart").bounding_box()
    assert box is not None and box["width"] > 250 and box["height"] > 150
    assert page.evaluate("document.documentElement.scrollWidth") <= screen["viewport"]["width"]
    assert lift_said(page, why) > before + 0.5
    text = page.inner_text("main")
    assert "was believed to add +1.5" in text
    assert "after 4 nights of a trial here" in text
    (row,) = tonight.tonight_page(now=make.now).rows
    assert row.given[0].lift.mean > 2.0
