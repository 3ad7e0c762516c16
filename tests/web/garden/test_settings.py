"""Setting up, the garden's settings and the log, as pages."""

from __future__ import annotations

from pathlib import Path

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.people import Garden, Member
from gardenapp.models.plots import Plot
from gardenapp.services.garden import settings as gardens
from tests.factories import PASSWORD, Factory
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
    "coordinator": "Odile",
    "password": PASSWORD,
    "sample_plots": "y",
}


@pytest.fixture
def phone(app: Flask) -> Phone:
    return Phone(app)


def garden(app: Flask) -> Garden | None:
    with app.app_context():
        return db.session.get(Garden, 1)


def test_the_set_up_page_makes_the_garden_and_signs_its_coordinator_in(
    app: Flask, phone: Phone
) -> None:
    code = gardens.make_setup_code(Path(app.instance_path))
    asked = phone.follow(phone.get("/tonight", status=303))
    assert asked.heading == "First steps"

    steps = phone.follow(phone.post("/first-steps", FORM | {"code": code}))

    assert steps.heading == "Next steps"
    made = garden(app)
    assert made is not None
    assert (made.longitude, made.time_zone) == (-0.9, "Europe/London")
    with app.app_context():
        assert db.session.scalar(select(func.count()).select_from(Plot)) == 4
    assert phone.get("/garden").heading == "The garden"
    assert not (Path(app.instance_path) / "setup_code").exists()


def test_the_set_up_page_is_closed_once_there_is_a_garden(app: Flask, phone: Phone) -> None:
    code = gardens.make_setup_code(Path(app.instance_path))
    phone.post("/first-steps", FORM | {"code": code})
    stranger = Phone(app)

    for answer in (
        stranger.get("/first-steps", status=303),
        stranger.post("/first-steps", FORM | {"code": code}),
    ):
        assert answer.response.headers["Location"] == "/tonight"
    with app.app_context():
        assert db.session.scalar(select(func.count()).select_from(Member)) == 1


def test_without_the_code_nobody_sets_the_garden_up_and_nothing_typed_is_lost(
    app: Flask, phone: Phone
) -> None:
    gardens.make_setup_code(Path(app.instance_path))

    page = phone.post("/first-steps", FORM | {"code": "AAAA-AAAA-AAAA"}, status=422)

    assert "This is not the code" in page.text
    kept = page.values()
    for name in FORM.keys() - {"password", "time_zone"}:
        assert kept[name] == FORM[name], name
    assert kept["time_zone"] == "Europe/London"
    assert garden(app) is None


def test_where_no_server_printed_a_code_none_fits(app: Flask, phone: Phone) -> None:
    phone.post("/first-steps", FORM | {"code": "AAAA-AAAA-AAAA"}, status=422)
    phone.post("/first-steps", FORM | {"code": "----"}, status=422)

    assert garden(app) is None


def test_guessing_the_code_waits(app: Flask, phone: Phone) -> None:
    gardens.make_setup_code(Path(app.instance_path))
    for _ in range(10):
        phone.post("/first-steps", FORM | {"code": "AAAA-AAAA-AAAA"}, status=422)

    page = phone.post("/first-steps", FORM | {"code": "AAAA-AAAA-AAAA"}, status=429)

    assert "Wait 5 seconds" in page.text


def test_a_weak_password_does_not_use_the_code_up(app: Flask, phone: Phone) -> None:
    code = gardens.make_setup_code(Path(app.instance_path))

    page = phone.post("/first-steps", FORM | {"code": code, "password": "12345678"}, status=422)
    assert "Many people use this one" in page.text

    phone.post("/first-steps", FORM | {"code": code})
    assert garden(app) is not None


SETTINGS = {name: FORM[name] for name in list(FORM)[:7]} | {
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
