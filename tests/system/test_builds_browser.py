"""From plants in a plot to a drawing, a cut plan on paper, and the cover on tonight's board."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.store import lots
from gardenapp.services.store.lots import LotEntry
from tests.conftest import NOW
from tests.factories import Factory
from tests.system.conftest import link_for, press

pytestmark = pytest.mark.browser

DOTS_PER_INCH = 254  # ten dots to the millimetre
DOTS_PER_MM = 10.0


def longest_run(image: Image.Image) -> int:
    """The longest dark stretch that comes again and again in rows one under another."""
    grey = image.convert("L")
    width, height = grey.size
    data = grey.tobytes()
    runs = []
    for row in range(height):
        line = data[row * width : (row + 1) * width]
        dark = [len(list(g)) for is_dark, g in groupby(line, lambda v: v < 80) if is_dark]
        runs.append(max(dark, default=0))
    # A bar is many rows high; a single ruled line is not.
    best = 0
    for first in range(height - 10):
        block = runs[first : first + 10]
        if min(block) and max(block) - min(block) <= 2:
            best = max(best, min(block))
    return best


def stocked(make: Factory) -> Member:
    """A coordinator, a plot with beans that tonight's frost endangers, and a store with timber."""
    member = make.coordinator("Odile")
    seed_catalogue(db.session)
    db.session.commit()
    for entry, count in (
        (LotEntry("Bars", "timber", length_mm=2_400.0, section="38 × 38 mm"), 8),
        (LotEntry("Film 4 m", "film", "m", 400.0, 150.0), 20),
        (LotEntry("Clear totes", "box", section="560 × 380 × 380 mm"), 2),
    ):
        lots.add_lot(
            entry=entry, quantity_milli=count * 1000, place_id=None, member=member, now=NOW
        )
    plot = make.plot("A1", length_cm=600.0, width_cm=300.0, bed_width_cm=120.0)
    stage = make.stage("test bean", threshold_c=0.0)
    make.planting(plot, stage, count=6, height_cm=30.0, spread_cm=25.0, mind="dearly")
    evening = NOW.date()
    forecasts.enter_by_hand(night_of=evening, low_c=-1.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=evening, member_id=None, now=NOW)
    return member


@pytest.mark.outside(
    "ISO 216: A4 is 210 × 297 mm; the drawing's bar is measured on the printed page"
)
def test_plants_become_a_drawing_a_cut_plan_and_a_cover_on_tonights_board(
    make: Factory, open_page: Callable[..., Any], tmp_path: Path
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not installed; it is in Debian's poppler-utils")
    link = link_for(stocked(make), make)
    phone = open_page()
    phone.goto(link)
    press(phone.locator("main button").first)

    # Choose plants in the plot: two designs or more can be built from the store.
    phone.goto("/builds")
    press(phone.get_by_role("link", name="A1"))
    phone.get_by_label("6 test bean").check()
    press(phone.get_by_role("button", name="Show designs"))
    ready = phone.locator("section.card", has_text="the shed has it")
    assert ready.count() >= 2
    press(ready.filter(has_text="Timber frame").locator("button").first)

    # The drawing is to scale on the page and on paper.
    assert phone.locator("h1").inner_text() == "Timber frame with clear film"
    plan_address = phone.url
    scale = int(re.search(r"Scale 1 : (\d+)", phone.inner_text("main"))[1])  # type: ignore[index]
    outer = [int(n) for n in re.findall(r"(\d+)\smm", phone.locator("main p").nth(1).inner_text())]
    side = phone.locator("svg.drawing").nth(2)
    assert side.get_attribute("width") == f"{side.get_attribute('viewBox').split()[2]}mm"
    film = side.locator("polygon.film").get_attribute("points")
    xs = [float(pair.split(",")[0]) for pair in film.split()]
    assert (max(xs) - min(xs)) * scale == pytest.approx(outer[0], abs=0.05 * scale)
    shown_px = side.bounding_box()["width"]  # 96 to the inch, as the page's own millimetres have it
    assert shown_px * 25.4 / 96 == pytest.approx(float(side.get_attribute("width")[:-2]), abs=0.3)
    phone.pdf(path=tmp_path / "plan.pdf", format="A4")
    subprocess.run(
        ["pdftoppm", "-r", str(DOTS_PER_INCH), "-png", "-f", "1", "-l", "1", "plan.pdf", "plan"],
        check=True,
        cwd=tmp_path,
    )
    with Image.open(next(tmp_path.glob("plan-*.png"))) as sheet:
        assert sheet.width / DOTS_PER_MM == pytest.approx(210.0, abs=0.5)
        bar = longest_run(sheet)
    assert bar / DOTS_PER_MM == pytest.approx(50.0, abs=0.5)

    # It fits the smallest phone, and its tables can be reached and read by keyboard.
    phone.set_viewport_size({"width": 320, "height": 640})
    assert phone.evaluate("document.documentElement.scrollWidth") <= 320
    violations = Axe().run(phone).response["violations"]
    assert violations == [], [v["id"] for v in violations]
    phone.set_viewport_size({"width": 390, "height": 844})

    # The cut plan, printed too.
    press(phone.get_by_role("link", name="Cut plan"))
    assert "Nothing to buy" in phone.inner_text("main")
    assert phone.locator("svg.board").count() >= 2
    phone.pdf(path=tmp_path / "cuts.pdf", format="A4")
    words = subprocess.run(
        ["pdftotext", "cuts.pdf", "-"], check=True, cwd=tmp_path, capture_output=True, text=True
    ).stdout
    assert "bar along" in words
    assert "No plan buys less: proven" in " ".join(words.split())

    # Build it: the cover is on tonight's board.
    phone.goto(plan_address)
    label = phone.get_by_label("Its label").input_value()
    press(phone.get_by_role("button", name="Build it"))
    press(phone.get_by_role("link", name="tonight’s board"))
    assert label in phone.inner_text("main")
    assert "test bean" in phone.inner_text("main")
