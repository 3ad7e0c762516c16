"""Every published way to build a cover has a drawing of ours; together they are one light file."""

from __future__ import annotations

import re
from pathlib import Path

from flask import Flask

from gardenapp import reference
from gardenapp.web.signs import sign_of
from tests.factories import Factory
from tests.pages import Pages
from tests.stored_night import JOBS, stored_night


def drawn(app: Flask) -> str:
    return (Path(app.static_folder or "") / "signs.svg").read_text("utf-8")


def test_every_published_construction_has_its_drawing(app: Flask) -> None:
    ids = set(re.findall(r'<symbol id="(\w+)"', drawn(app)))
    rows = reference.load_constructions()

    names = {row.key: sign_of(row.construction, row.film, row.key) for row in rows}

    assert set(names.values()) <= ids
    # What a hand takes hold of looks different.
    assert len(set(names.values())) >= 11
    assert names["fleece_heavy"] == "fleece"
    assert names["cardboard_box"] == "carton"
    assert names["tote"] != names["food_box"]


def test_the_drawings_are_light_and_of_one_stroke(app: Flask) -> None:
    text = drawn(app)

    assert len(text.encode()) <= 8_000
    assert set(re.findall(r'stroke-width="([^"]+)"', text)) == {"1.75"}


def test_a_drawing_says_nothing_to_a_screen_reader(make: Factory, pages: Pages) -> None:
    stored_night(make)
    found = re.findall(r'<svg class="sign".*?</svg>', pages.get("/tonight").html, re.DOTALL)

    assert len(found) == JOBS
    assert all('aria-hidden="true"' in drawing for drawing in found)
    assert any(drawing.endswith('#fleece"/></svg>') for drawing in found)
