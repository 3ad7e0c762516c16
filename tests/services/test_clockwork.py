"""Which night is tonight, at the garden and not where the server stands."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from flask import Flask

from gardenapp.errors import NotFound
from gardenapp.services.clockwork import (
    ending_night,
    garden_zone,
    get_garden,
    night_at,
    night_of_garden,
    tonight,
)
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import Factory

TUESDAY, WEDNESDAY = date(2026, 11, 24), date(2026, 11, 25)


@pytest.mark.parametrize(
    "zone", ["Europe/London", "America/Los_Angeles", "Pacific/Auckland", "Asia/Kathmandu", "UTC"]
)
def test_until_noon_it_is_still_the_night_that_is_ending(zone: str) -> None:
    place = ZoneInfo(zone)

    def at(day: date, hour: int, minute: int) -> date:
        return night_at(datetime(day.year, day.month, day.day, hour, minute, tzinfo=place), place)

    assert at(TUESDAY, 12, 0) == TUESDAY
    assert at(TUESDAY, 23, 59) == TUESDAY
    assert at(WEDNESDAY, 0, 0) == TUESDAY
    assert at(WEDNESDAY, 11, 59) == TUESDAY
    assert at(WEDNESDAY, 12, 0) == WEDNESDAY


@pytest.mark.parametrize(
    ("month", "day"), [pytest.param(3, 29, id="23 hours"), pytest.param(10, 25, id="25 hours")]
)
def test_on_the_days_the_clock_changes_noon_is_still_noon(month: int, day: int) -> None:
    london = ZoneInfo("Europe/London")
    noon = datetime(2026, month, day, 12, 0, tzinfo=london).astimezone(UTC)

    assert night_at(noon, london) == date(2026, month, day)
    assert night_at(noon - timedelta(minutes=1), london) == date(2026, month, day - 1)


@pytest.mark.parametrize(
    ("zone", "evening"),
    [
        ("America/Los_Angeles", date(2026, 11, 23)),  # 20:00 on the day before
        ("Europe/London", date(2026, 11, 23)),  # 04:00
        ("Pacific/Auckland", date(2026, 11, 24)),  # 17:00
    ],
)
def test_the_same_moment_is_another_night_at_another_garden(
    make: Factory, zone: str, evening: date
) -> None:
    make.garden(time_zone=zone)
    moment = datetime(2026, 11, 24, 4, 0, tzinfo=UTC)

    assert garden_zone() == ZoneInfo(zone)
    assert tonight(moment) == evening


def test_before_there_is_a_garden_it_is_said_what_to_do(app: Flask) -> None:
    with app.app_context():
        for asked in (get_garden, garden_zone, lambda: tonight(NOW)):
            with pytest.raises(NotFound, match="gardenapp init"):
                asked()
            with speaking("es"), pytest.raises(NotFound, match="Todavía no hay huerto"):
                asked()


def test_the_garden_is_its_one_row(make: Factory) -> None:
    made = make.garden(name="Lantern Lane Plots")

    assert get_garden().id == made.id == 1
    assert get_garden().name == "Lantern Lane Plots"


@pytest.mark.parametrize(
    "place",
    [
        {"time_zone": "Europe/London"},
        {"latitude": -43.5, "longitude": 172.6, "time_zone": "Pacific/Auckland"},
        {"latitude": 69.6, "longitude": 18.9, "time_zone": "Europe/Oslo"},
    ],
    ids=["north", "south", "without a sunrise"],
)
def test_tonight_is_the_running_night_until_sunrise_and_then_the_coming_one(
    make: Factory, place: dict[str, object]
) -> None:
    garden = make.garden(**place)
    sunrise_at = night_of_garden(garden, TUESDAY).sunrise_at

    assert tonight(sunrise_at - timedelta(minutes=1)) == TUESDAY
    assert tonight(sunrise_at) == WEDNESDAY
    assert ending_night(sunrise_at) == TUESDAY
    assert ending_night(sunrise_at + timedelta(hours=2)) == TUESDAY
