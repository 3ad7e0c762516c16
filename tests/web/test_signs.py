"""Every published way to build a cover has a drawing of ours; together they are one light file."""

from __future__ import annotations

import re
from pathlib import Path

from flask import Flask

from gardenapp import reference
from gardenapp.web.signs import sign, sign_of
from tests.factories import Factory


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


def test_a_drawing_says_nothing_to_a_screen_reader(app: Flask, make: Factory) -> None:
    make.garden()
    with app.test_request_context():
        found = str(sign("fleece"))

    assert 'aria-hidden="true"' in found
    assert found.endswith('#fleece"/></svg>')
