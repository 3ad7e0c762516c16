"""The picture of a night says what its figures say."""

from __future__ import annotations

import re
from datetime import timedelta
from itertools import pairwise

import pytest
from flask import Flask

from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.services.kept_plans import header_of, stories_of
from gardenapp.web.night.picture import (
    BASE,
    HEIGHT,
    LEFT,
    RIGHT,
    TOP,
    Picture,
    Reading,
    draw_night,
    draw_strip,
)
from tests.factories import Factory
from tests.services.night.small_garden import BEANS, keep_sample, small_garden


@pytest.fixture
def kept(app: Flask, make: Factory) -> Plan:
    small_garden(make)
    return keep_sample("plan_format_1.json", now=make.now)


def drawn(app: Flask, plan: Plan, make: Factory, **more: object) -> Picture:
    stories = [story for story in stories_of(plan) if story.planting_id == BEANS]
    with app.test_request_context():
        found = draw_night(header_of(plan), stories, now=make.now, **more)  # type: ignore[arg-type]
    assert found is not None
    return found


def points(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"([-\d.]+) ([-\d.]+)", path)]


def test_the_line_ends_where_the_plant_is_coldest_and_stays_inside(
    app: Flask, make: Factory, kept: Plan
) -> None:
    picture = drawn(app, kept, make)

    places = points(picture.bare)
    assert all(LEFT <= x <= RIGHT and TOP <= y <= BASE for x, y in places)
    lowest = max(places, key=lambda place: place[1])
    header = header_of(kept)
    assert header.low_at is not None
    hours = [tick for tick in picture.hours if tick.at <= lowest[0]]
    assert hours, "the coldest hour lies within the hours that are written"
    # The band holds the line all along.
    band = points(picture.band)
    upper, lower = band[: len(places)], list(reversed(band[len(places) :]))
    for (_x, y), (_ux, above), (_lx, below) in zip(places, upper, lower, strict=True):
        assert above <= y <= below


def test_covered_is_warmer_than_bare_and_begins_when_it_is_put_on(
    app: Flask, make: Factory, kept: Plan
) -> None:
    header = header_of(kept)
    assert header.sunset_at is not None
    early = drawn(app, kept, make, put_on_at=header.sunset_at)
    late = drawn(app, kept, make, put_on_at=header.sunset_at + timedelta(hours=4))

    bare = dict(points(early.bare))
    for x, y in points(early.covered):
        assert y <= bare[x]
    assert points(late.covered)[0][0] > points(early.covered)[0][0]


def test_readings_are_dots_where_and_when_they_were_read(
    app: Flask, make: Factory, kept: Plan
) -> None:
    header = header_of(kept)
    assert header.sunset_at is not None
    at = header.sunset_at + timedelta(hours=2)
    picture = drawn(
        app,
        kept,
        make,
        readings=[
            Reading(at, 1.0),
            Reading(at, 3.0, "inside"),
            Reading(at - timedelta(days=2), 0.0),
        ],
    )

    assert [dot.kind for dot in picture.dots] == ["outside", "inside"]
    assert picture.dots[0].y > picture.dots[1].y


def test_the_sentence_says_how_cold_bare_and_what_it_can_take(
    app: Flask, make: Factory, kept: Plan
) -> None:
    words = drawn(app, kept, make).words

    assert re.search(r"the plants here may be at −?\d+\s°C to −?\d+\s°C bare", words)
    assert "covered" in words
    assert "beans is fine down to 1\N{NARROW NO-BREAK SPACE}°C." in words


def test_labels_do_not_stand_in_each_other(app: Flask, make: Factory, kept: Plan) -> None:
    with app.test_request_context():
        picture = draw_night(header_of(kept), stories_of(kept), now=make.now)

    assert picture is not None
    places = [flat.label_y for flat in picture.flats]
    assert all(later - before >= 13.0 for before, later in pairwise(places))
    assert max(places) <= HEIGHT


def test_the_strip_is_the_same_night_small(app: Flask, make: Factory, kept: Plan) -> None:
    strip = draw_strip(header_of(kept))

    assert strip is not None
    lowest = max(points(strip.line), key=lambda place: place[1])
    assert (strip.low_x, strip.low_y) == lowest


def test_a_plan_without_a_curve_has_no_picture(app: Flask, make: Factory, kept: Plan) -> None:
    from dataclasses import replace

    bare = replace(header_of(kept), curve=())
    with app.test_request_context():
        assert draw_night(bare, stories_of(kept), now=make.now) is None
    assert draw_strip(bare) is None
    db.session.rollback()
