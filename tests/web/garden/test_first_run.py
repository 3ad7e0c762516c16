"""The first run, as pages: where the garden is, its coordinator, and what is still to do."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import urlencode
from xml.etree.ElementTree import Element

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.people import Garden, Member
from gardenapp.services.garden import settings as gardens
from gardenapp.services.garden import towns
from gardenapp.services.garden.towns import Town
from tests.factories import PASSWORD, Factory
from tests.pages import Page
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


# --- where it is ------------------------------------------------------------------------------


def said(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())


def ask(
    phone: Phone, place: str, *, name: str = "Lantern Lane", status: int = 200, **more: str
) -> Page:
    return phone.get(
        "/first-steps?" + urlencode({"name": name, "place": place} | more), status=status
    )


def test_a_town_fills_in_place_zone_and_units(app: Flask, phone: Phone) -> None:
    first = phone.get("/first-steps")
    assert set(first.values()) >= {"name", "place"}

    page = ask(phone, "Leeds")

    assert "Leeds" in page.text
    kept = page.values()
    assert (kept["name"], kept["time_zone"]) == ("Lantern Lane", "Europe/London")
    assert float(kept["latitude"]) == pytest.approx(53.8, abs=0.1)
    assert (kept["temperature_unit"], kept["length_unit"]) == ("C", "metric")


def test_from_town_to_garden_in_five_typed_fields(app: Flask, phone: Phone) -> None:
    code = gardens.make_setup_code(Path(app.instance_path))
    page = ask(phone, "Seattle")
    typed = {"coordinator": "Odile", "password": PASSWORD, "code": code}

    steps = phone.follow(phone.post("/first-steps", page.values() | typed))

    assert steps.heading == "Next steps"
    made = garden(app)
    assert made is not None
    assert (made.time_zone, made.temperature_unit, made.length_unit) == (
        "America/Los_Angeles", "F", "inch",
    )  # fmt: skip
    assert made.latitude == pytest.approx(47.6, abs=0.1)


def test_only_the_first_page_may_ask_a_phone_where_it_is(phone: Phone) -> None:
    first = phone.get("/first-steps").response
    assert "geolocation=(self)" in first.headers["Permissions-Policy"]
    for page in (ask(phone, "Leeds"), phone.get("/help")):
        assert "geolocation=()" in page.response.headers["Permissions-Policy"]


def test_a_position_takes_the_zone_of_the_phone_or_the_nearest(phone: Phone) -> None:
    assert ask(phone, "52.31, -1.22").values()["time_zone"] == "Europe/London"
    assert ask(phone, "52.31, -1.22", zone="Europe/Dublin").values()["time_zone"] == "Europe/Dublin"
    assert ask(phone, "52.31, -1.22", zone="Mars/Base").values()["time_zone"] == "Europe/London"


def test_of_several_towns_the_larger_comes_first_and_another_is_a_tap_away(
    phone: Phone, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = (
        Town("Cambridge", "United Kingdom", 52.2, 0.1167, "Europe/London", 128_000),
        Town("Cambridge", "MA, United States", 42.375, -71.1056, "America/New_York", 110_000),
    )
    monkeypatch.setattr(towns, "find_towns", lambda q: found)
    page = ask(phone, "Cambridge")
    assert page.values()["time_zone"] == "Europe/London"

    (link,) = [a for a in page.all("a") if said(a) == "Cambridge, MA, United States"]
    other = phone.get(link.get("href", ""))

    kept = other.values()
    assert (kept["name"], kept["time_zone"]) == ("Lantern Lane", "America/New_York")
    assert kept["longitude"] == "\N{MINUS SIGN}71.1056"
    assert kept["temperature_unit"] == "F"


@pytest.mark.parametrize(
    "place", ["Nowhere-upon-Nothing", "91.5, 3", "52 N 3 N", "x" * 121, "", "\0", "<b>"]
)
def test_a_place_nobody_knows_is_said_beside_the_field_and_stays(phone: Phone, place: str) -> None:
    page = ask(phone, place, status=422)

    assert [e for e in page.all("p") if e.get("id") == "place-error"]
    assert page.values()["name"] == "Lantern Lane"
    if place.isprintable():
        assert page.values()["place"] == place


@pytest.mark.parametrize(
    "asked", ["latitude=x&longitude=", "latitude=1e400&longitude=nan", "latitude=95&time_zone=%ff"]
)
def test_an_address_that_says_nonsense_still_shows_the_form(phone: Phone, asked: str) -> None:
    assert phone.get(f"/first-steps?{asked}").heading == "First steps"


def test_an_error_in_a_folded_field_opens_the_fold(app: Flask, phone: Phone) -> None:
    code = gardens.make_setup_code(Path(app.instance_path))

    page = phone.post("/first-steps", FORM | {"latitude": "95", "code": code}, status=422)

    (fold,) = [e for e in page.all("details") if "Change name" in said(e)]
    assert fold.get("open") is not None
    assert page.values()["coordinator"] == "Odile"


# --- what is still to do ----------------------------------------------------------------------


def test_the_steps_tell_what_is_missing_and_one_can_be_left_out(
    make: Factory, phone: Phone
) -> None:
    phone.sign_in(make.coordinator())
    page = phone.get("/garden/next-steps")
    assert next(said(h) for h in page.all("h2")) == "Your plots to do"

    left = phone.follow(phone.post("/garden/next-steps/members", {"is_left": "yes"}))
    assert len(re.findall("left out", left.text)) == 2  # and nobody needs a slip

    again = phone.follow(phone.post("/garden/next-steps/members", {"is_left": "no"}))
    assert "left out" not in again.text
    phone.post("/garden/next-steps/weeds", {"is_left": "yes"}, status=404)


def test_the_next_step_stands_on_today_for_coordinators_only(make: Factory, phone: Phone) -> None:
    member = make.member()
    phone.sign_in(make.coordinator())
    assert "Next: Your plots" in phone.get("/tonight").text
    make.plot("A1")
    assert "Next: What grows there" in phone.get("/tonight").text

    phone.sign_in(member)
    assert "Next:" not in phone.get("/tonight").text
