"""Which services cover a place, and using one in one press. Nothing is asked of the network."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
import requests
import requests_mock

from gardenapp.models.people import Member
from gardenapp.readers.records import UnreadableFile
from gardenapp.services import fetching
from gardenapp.services.fetching import FetchFailed
from gardenapp.services.night import forecasts, weather_services
from gardenapp.services.night.weather_services import SERVICES
from tests.conftest import NOW
from tests.factories import Factory
from tests.readers.test_open_model import document

SAMPLES = Path(__file__).parents[2] / "readers" / "samples"
NWS, METNO, OPEN = SERVICES


@pytest.fixture(autouse=True)
def public(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fetching, "resolve_addresses", lambda _host, _port: ("93.184.216.34",))


@pytest.fixture
def odile(make: Factory) -> Member:
    make.garden(contact="odile@lantern-lane.example")
    return make.coordinator()


@pytest.mark.parametrize(
    ("place", "latitude", "longitude", "keys"),
    [
        # Positions of the towns, from memory.
        ("Bamberg", 49.9, 10.9, ["metno", "open_model"]),
        ("Denver", 39.7, -105.0, ["nws", "metno", "open_model"]),
        ("Anchorage", 61.2, -149.9, ["nws", "metno", "open_model"]),
        ("Honolulu", 21.3, -157.9, ["nws", "metno", "open_model"]),
        ("Bogotá", 4.6, -74.1, ["metno", "open_model"]),
        ("Sydney", -33.9, 151.2, ["metno", "open_model"]),
    ],
)
def test_the_services_of_a_place_the_national_one_first(
    make: Factory, place: str, latitude: float, longitude: float, keys: list[str]
) -> None:
    make.garden(latitude=latitude, longitude=longitude)
    assert [s.key for s in weather_services.services_here()] == keys, place


def test_an_address_has_four_decimals_at_most_and_no_key(make: Factory) -> None:
    garden = make.garden(latitude=52.123456, longitude=-0.9, elevation_m=90.4)
    for service in SERVICES:
        address = service.address_of(garden)
        assert "52.1235" in address
        assert "52.12345" not in address
        assert "key" not in address.lower()
    assert "altitude=90" in METNO.address_of(garden)
    garden.elevation_m = 0.0  # by the sea, which is known too
    assert METNO.address_of(garden).endswith("altitude=0")
    garden.elevation_m = None
    assert METNO.address_of(garden).endswith("lon=-0.9")


def test_one_press_keeps_the_address_and_the_forecast(odile: Member) -> None:
    content = document(48, timezone="GMT", utc_offset_seconds=0)
    first = NOW.replace(hour=17, minute=0, second=0, microsecond=0)
    content["hourly"]["time"] = [f"{first + timedelta(hours=n):%Y-%m-%dT%H:%M}" for n in range(48)]
    with requests_mock.Mocker() as mocked:
        asked = mocked.get("https://api.open-meteo.com/v1/forecast", text=json.dumps(content))
        imported = weather_services.use(OPEN, member_id=odile.id, now=NOW)

    assert imported is not None
    assert imported.kind == "open_model"
    assert "odile@lantern-lane.example" in asked.last_request.headers["User-Agent"]
    address = forecasts.get_address()
    assert address is not None
    assert address.url.startswith("https://api.open-meteo.com/")


def test_the_us_service_is_asked_in_two_steps(odile: Member, make: Factory) -> None:
    make.garden(latitude=41.9, longitude=-88.0)
    grid = "https://api.weather.gov/gridpoints/LOT/60,70"
    points = json.dumps({"properties": {"forecastGridData": grid}})
    with requests_mock.Mocker() as mocked:
        mocked.get("https://api.weather.gov/points/41.9,-88", text=points)
        mocked.get(grid, text=(SAMPLES / "nws_gridpoints_handmade.json").read_text())
        # The sample's nights are over: what matters here is where it asked.
        with pytest.raises(UnreadableFile, match="is over"):
            weather_services.use(NWS, member_id=odile.id, now=NOW)
        assert [r.url for r in mocked.request_history][-1] == grid
    address = forecasts.get_address()
    assert address is not None
    assert address.url == grid


@pytest.mark.parametrize(
    "answer",
    [
        "{}",
        "[]",
        "not json",
        '{"properties": {"forecastGridData": "https://elsewhere.example/x"}}',
        '{"properties": {"forecastGridData": 7}}',
    ],
)
def test_a_first_answer_that_leads_nowhere_keeps_no_address(odile: Member, answer: str) -> None:
    with requests_mock.Mocker() as mocked:
        mocked.get(requests_mock.ANY, text=answer)
        with pytest.raises(FetchFailed, match="did not say where"):
            weather_services.use(NWS, member_id=odile.id, now=NOW)
    assert forecasts.get_address() is None


def test_a_service_that_is_down_is_kept_for_the_timetable(odile: Member) -> None:
    with requests_mock.Mocker() as mocked:
        mocked.get(requests_mock.ANY, exc=requests.exceptions.ConnectTimeout)
        with pytest.raises(FetchFailed):
            weather_services.use(METNO, member_id=odile.id, now=NOW)
    address = forecasts.get_address()
    assert address is not None
    assert "did not answer" in address.last_answer
