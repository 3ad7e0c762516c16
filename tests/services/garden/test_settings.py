"""Setting the garden up, its settings, the set-up code and the log."""

from __future__ import annotations

import stat
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.errors import NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.people import Garden, Member
from gardenapp.models.plants import Crop
from gardenapp.models.plots import Plot
from gardenapp.services import change_log
from gardenapp.services.garden import passwords
from gardenapp.services.garden import settings as gardens
from gardenapp.services.garden.settings import GardenSettings
from gardenapp.services.garden.throttle import TooManyTries
from tests.conftest import NOW
from tests.factories import PASSWORD, Factory
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)

pytestmark = pytest.mark.usefixtures("quick_hashes")
SETTINGS = GardenSettings("Lantern Lane Plots", 52.2, -0.9, "Europe/London", 90.0)


def create(
    settings: GardenSettings = SETTINGS, *, password: str = PASSWORD, plots: bool = False
) -> int:
    return gardens.create_garden(
        settings=settings,
        coordinator="Odile",
        password=password,
        with_sample_plots=plots,
        now=NOW,
    )


def count(table: type) -> int:
    return db.session.scalar(select(func.count()).select_from(table)) or 0


@pytest.fixture
def in_app(app: Flask, make: Factory) -> None:
    """An app context without a garden."""


@pytest.mark.usefixtures("in_app")
def test_a_new_garden_has_a_coordinator_a_catalogue_and_no_other_account() -> None:
    member_id = create(plots=True)

    (odile,) = db.session.scalars(select(Member)).all()
    assert (odile.id, odile.role, odile.sign_in_name) == (member_id, "coordinator", "odile")
    assert passwords.is_password(PASSWORD, odile.password_hash)
    assert count(Crop) >= 45
    assert count(CoverKind) >= 10
    assert db.session.scalars(select(Plot.label)).all() == ["A1", "A2", "B1", "B2"]


@pytest.mark.usefixtures("in_app")
def test_a_garden_is_set_up_once() -> None:
    create()

    with pytest.raises(Refused, match="already set up"):
        create(replace(SETTINGS, name="Another"))

    assert db.session.get(Garden, 1).name == "Lantern Lane Plots"  # type: ignore[union-attr]
    assert count(Member) == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"time_zone": "Europe/Nowhere"},
        {"latitude": 90.1},
        {"longitude": float("nan")},
        {"temperature_unit": "K"},
        {"length_unit": "ell"},
        {"contact": "gärtner@example.org"},
        {"contact": "a\r\nX-Header: b"},
    ],
    ids=lambda c: next(iter(c)),
)
@pytest.mark.usefixtures("in_app")
def test_a_setting_that_cannot_be_leaves_no_garden(changes: dict[str, object]) -> None:
    with pytest.raises(Refused):
        create(replace(SETTINGS, **changes))  # type: ignore[arg-type]

    assert count(Garden) == 0


@pytest.mark.usefixtures("in_app")
def test_a_weak_password_leaves_no_garden() -> None:
    for weak in ("password123", "Odile", "lantern lane plots"):
        with pytest.raises(Refused):
            create(password=weak)

    assert count(Garden) == count(Member) == count(Crop) == 0


@pytest.mark.usefixtures("in_app")
def test_a_failure_half_way_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    from gardenapp.services.garden import seeding

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(seeding, "seed_catalogue", fail)

    with pytest.raises(RuntimeError):
        create()

    assert count(Garden) == count(Member) == 0


@pytest.mark.outside("api.met.no terms of service, at most 4 decimals for coordinates; from memory")
@pytest.mark.usefixtures("in_app")
def test_a_place_is_kept_to_four_decimals() -> None:
    create(replace(SETTINGS, latitude=52.123456, longitude=-0.987654))

    garden = db.session.get(Garden, 1)
    assert garden is not None
    assert (garden.latitude, garden.longitude) == (52.1235, -0.9877)


@pytest.mark.parametrize(
    ("typed", "zone"),
    [
        ("Europe/London", "Europe/London"),
        (" europe/london ", "Europe/London"),
        ("America/New York", "America/New_York"),
        ("UTC", "UTC"),
        ("Asia/Kathmandu", "Asia/Kathmandu"),
    ],
)
@pytest.mark.outside("IANA time zone database, zone names")
def test_a_time_zone_is_found_however_it_is_typed(typed: str, zone: str) -> None:
    assert gardens.find_zone(typed) == zone


@pytest.mark.parametrize(
    "typed", ["", "localtime", "Factory", "../../etc/passwd", "/etc/passwd", "GMT+25", "\x00", "🌱"]
)
def test_what_is_no_time_zone_is_refused(typed: str) -> None:
    with pytest.raises(Refused, match="continent and city"):
        gardens.find_zone(typed)


def test_a_city_alone_is_answered_with_the_zone_that_may_be_meant() -> None:
    with pytest.raises(Refused, match="Do you mean Europe/Lisbon"):
        gardens.find_zone("lisbon")


# --- the set-up code --------------------------------------------------------------------------


def check(instance: Path, typed: str, later_s: float = 0) -> None:
    gardens.check_setup_code(
        instance=instance, typed=typed, address="192.0.2.10", now=NOW + timedelta(seconds=later_s)
    )


@pytest.mark.usefixtures("in_app")
def test_the_set_up_code_is_kept_as_a_hash_for_the_owner_alone(tmp_path: Path) -> None:
    code = gardens.make_setup_code(tmp_path)

    file = tmp_path / "setup_code"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert code.replace("-", "") not in file.read_text()
    assert [f.name for f in tmp_path.iterdir() if "setup" in f.name] == ["setup_code"]
    check(tmp_path, code)
    check(tmp_path, f" {code.lower().replace('-', ' ')} ")


@pytest.mark.usefixtures("in_app")
def test_a_wrong_an_old_and_a_missing_code_are_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused):
        check(tmp_path, "")
    old = gardens.make_setup_code(tmp_path)
    gardens.make_setup_code(tmp_path)

    for typed in ("", "AAAA-AAAA-AAAA", old, "é" * 12):
        with pytest.raises(Refused):
            check(tmp_path, typed)


@pytest.mark.usefixtures("in_app")
def test_guessing_the_code_is_throttled(tmp_path: Path) -> None:
    code = gardens.make_setup_code(tmp_path)
    for _ in range(10):
        with pytest.raises(Refused):
            check(tmp_path, "AAAA-AAAA-AAAA")

    with pytest.raises(TooManyTries):
        check(tmp_path, code)
    check(tmp_path, code, later_s=5)


# --- settings and log -------------------------------------------------------------------------


def test_settings_are_changed_by_coordinators_only(make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    wanted = replace(gardens.get_settings(), name="Lantern Lane", minutes_budget=90.0)

    with pytest.raises(NotAllowed):
        gardens.change_settings(settings=wanted, by_id=tamsin.id, now=NOW)
    gardens.change_settings(settings=wanted, by_id=odile.id, now=NOW)

    assert gardens.get_settings() == wanted
    (line,) = gardens.read_log().lines
    assert line.who == "Odile"
    assert "name: Lantern Lane Plots → Lantern Lane" in line.detail


def test_saving_unchanged_settings_writes_no_line_in_the_log(make: Factory) -> None:
    odile = make.coordinator()

    gardens.change_settings(settings=gardens.get_settings(), by_id=odile.id, now=NOW)

    assert gardens.read_log().total == 0


@pytest.mark.usefixtures("in_app")
def test_without_a_garden_there_are_no_settings() -> None:
    with pytest.raises(NotFound):
        gardens.get_settings()
    with pytest.raises(NotFound):
        gardens.change_settings(settings=SETTINGS, by_id=None, now=NOW)


def test_the_log_comes_newest_first_in_pages(make: Factory) -> None:
    odile = make.coordinator()
    for number in range(120):
        change_log.record(
            action="counted", subject=str(number), at=NOW + timedelta(seconds=number),
            member_id=odile.id if number % 2 else None,
        )  # fmt: skip
    db.session.commit()

    first, last, beyond = (gardens.read_log(page=n) for n in (1, 3, 99))

    assert (first.pages, first.total) == (3, 120)
    assert [line.subject for line in first.lines[:2]] == ["119", "118"]
    assert [line.who for line in first.lines[:2]] == ["Odile", ""]
    assert last.lines[-1].subject == "0"
    assert beyond == last
