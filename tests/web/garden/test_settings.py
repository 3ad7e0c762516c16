"""The garden's settings and the log, as pages."""

from __future__ import annotations

import pytest
from flask import Flask

from gardenapp.extensions import db
from gardenapp.models.people import Garden
from tests.factories import Factory
from tests.phones import Phone
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)

pytestmark = pytest.mark.usefixtures("quick_hashes")
FORM = {
    "name": "Lantern Lane Plots",
    "latitude": "52.2",
    "longitude": "\N{MINUS SIGN}0,9",
    "time_zone": "europe/london",
    "elevation_m": "90",
    "temperature_unit": "C",
    "length_unit": "metric",
}


@pytest.fixture
def phone(app: Flask) -> Phone:
    return Phone(app)


def garden(app: Flask) -> Garden | None:
    with app.app_context():
        return db.session.get(Garden, 1)


SETTINGS = {name: FORM[name] for name in FORM} | {
    "board_is_open": "y",
    "contact": "odile@lantern-lane.example",
    "minutes_budget": "",
    "shelter_label": "potting shed",
    "shelter_spaces": "12",
}


def test_settings_are_saved_and_shown(app: Flask, make: Factory, phone: Phone) -> None:
    phone.sign_in(make.coordinator())

    phone.follow(phone.post("/garden", SETTINGS))

    kept = garden(app)
    assert kept is not None
    assert (kept.contact, kept.minutes_budget, kept.shelter_spaces, kept.board_is_open) == (
        "odile@lantern-lane.example", None, 12, True,
    )  # fmt: skip
    shown = phone.get("/garden").values()
    assert shown["longitude"] == "\N{MINUS SIGN}0.9"
    assert shown["shelter_label"] == "potting shed"
    assert shown["board_is_open"] == "y"


def test_closing_the_board_closes_it_at_once(make: Factory, app: Flask, phone: Phone) -> None:
    phone.sign_in(make.coordinator())
    visitor = Phone(app)
    visitor.get("/tonight")

    phone.post("/garden", {k: v for k, v in SETTINGS.items() if k != "board_is_open"})

    assert "/sign-in" in visitor.get("/tonight", status=303).response.headers["Location"]


def test_a_reader_of_inches_types_the_height_in_feet(
    app: Flask, make: Factory, phone: Phone
) -> None:
    phone.sign_in(make.coordinator(length_unit="inch"))
    assert phone.get("/garden").values()["elevation_m"] == "295"  # 90 m

    phone.post("/garden", SETTINGS | {"elevation_m": "295"})
    untouched = garden(app)
    phone.post("/garden", SETTINGS | {"elevation_m": "18000"})
    high = garden(app)

    assert untouched is not None
    assert high is not None
    assert untouched.elevation_m == 90.0
    assert high.elevation_m == pytest.approx(5486.4)


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("name", ""), ("name", "x" * 81), ("latitude", "nan"), ("latitude", "91"),
        ("latitude", "9" * 20), ("longitude", ""), ("longitude", "1e2"), ("time_zone", "lisbon"),
        ("time_zone", "\ufffd"), ("elevation_m", "inf"), ("elevation_m", "7000"),
        ("temperature_unit", "K"), ("contact", "gärtner"), ("contact", "x" * 201),
        ("minutes_budget", "-1"), ("minutes_budget", "soon"), ("shelter_spaces", "1.5"),
        ("shelter_spaces", ""), ("shelter_label", "🌱" * 81),
    ],
)  # fmt: skip
def test_a_setting_that_cannot_be_is_said_and_everything_typed_stays(
    app: Flask, make: Factory, phone: Phone, field: str, typed: str
) -> None:
    phone.sign_in(make.coordinator())

    page = phone.post("/garden", SETTINGS | {field: typed}, status=422)

    assert any(e.get("id") == "problem" for e in page.all("div"))
    kept = page.values()
    if field != "temperature_unit":  # a list shows only what is in it
        assert kept[field] == typed
    assert kept["shelter_label"] == (typed if field == "shelter_label" else "potting shed")
    assert garden(app).contact == ""  # type: ignore[union-attr]


def test_the_log_shows_who_did_what(make: Factory, phone: Phone) -> None:
    phone.sign_in(make.coordinator())
    assert "Nobody has changed anything yet" in phone.get("/garden/log").text

    phone.post("/garden", SETTINGS)

    page = phone.get("/garden/log")
    assert "Odile" in page.text
    assert "changed the garden" in page.text


@pytest.mark.parametrize("page", ["0", "-1", "9" * 30, "x", "", "2"])
def test_any_page_number_shows_a_page_of_the_log(make: Factory, phone: Phone, page: str) -> None:
    phone.sign_in(make.coordinator())

    assert phone.get(f"/garden/log?page={page}").heading == "Log of changes"
