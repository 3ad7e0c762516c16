"""A small invented garden for tests with a server: what a cold night does to it is plain."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime, timedelta

from gardenapp.models.people import Member
from tests.factories import Factory
from tests.readers.samples_at import sample

COORDINATOR = "Odile"
PASSWORD = "twelve cold lanterns"
# The place and the evenings that the weather service's real file speaks of.
REAL_FILE = "nws_gridpoints_real_2022-02-04.json"
REAL_EVENING = datetime.fromisoformat("2022-02-04")
REAL_LOW = "3.9"
REAL_PLACE = {"latitude": 30.02, "longitude": -84.97, "time_zone": "America/New_York"}


@dataclass(frozen=True)
class Small:
    """The people and the plants that tests speak of."""

    coordinator: Member
    member: Member
    tender_id: int
    hardy_id: int


def small_garden(make: Factory, **garden: object) -> Small:
    """Two plots: tender herbs and hardy leeks in one, a palm that no cover fits in the other."""
    make.garden(**garden)
    coordinator = make.coordinator(COORDINATOR, password=PASSWORD)
    member = make.member("Bertil")
    place = make.place("Back shed")
    near = make.plot("A1", holders=(member,), distance_m=20.0)
    far = make.plot("B2", distance_m=60.0)
    tender = make.stage("window herb", threshold_c=5.0, heat_max_c=32.0)
    hardy = make.stage("winter leek", threshold_c=-12.0)
    palm = make.stage("tall palm", threshold_c=4.0)
    planting = make.planting(near, tender, count=2, height_cm=20.0, spread_cm=20.0, mind="dearly")
    leeks = make.planting(near, hardy, count=20, height_cm=40.0, spread_cm=12.0)
    make.planting(far, palm, count=1, height_cm=240.0, spread_cm=90.0, mind="dearly")
    make.planting(far, tender, name="late seedlings", count=3, height_cm=15.0, mind="dearly")
    # A limit under which a gust of 20 m/s is too much, and a lift that is worth the walk.
    kind = make.cover_kind(
        "Sturdy crate", clear_mean_k=5.0, clear_sd_k=0.8, cloudy_mean_k=4.0, gust_limit_mps=14.0
    )
    for number in (1, 2, 3):
        make.cover(kind, label=f"crate {number}", place_id=place.id)
    return Small(coordinator, member, planting.id, leeks.id)


def real_forecast(*, evening: datetime) -> bytes:
    """The weather service's file with every moment moved by whole days; no value is changed."""
    by = timedelta(days=(evening.date() - REAL_EVENING.date()).days)

    def moved(found: re.Match[str]) -> str:
        return (datetime.fromisoformat(found[0]) + by).isoformat()

    text = sample(REAL_FILE).decode()
    shifted = re.sub(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", moved, text)
    assert "2022-" not in json.dumps(json.loads(shifted)["properties"])
    return shifted.encode()
