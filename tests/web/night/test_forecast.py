"""The coordinator's way from a low to a board."""

from __future__ import annotations

import io
import json
import re
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
import requests_mock
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast, ForecastImport
from gardenapp.models.people import Garden
from gardenapp.services import fetching
from tests.factories import Factory
from tests.pages import Page, Pages
from tests.readers.malformed import MALFORMED

SAMPLES = Path(__file__).parents[2] / "readers" / "samples"


@pytest.fixture
def office(make: Factory, pages: Pages) -> Pages:
    """A coordinator's browser, with something in the garden to plan for."""
    make.planting()
    make.cover()
    return pages.sign_in(make.coordinator())


def upload(pages: Pages, data: bytes, name: str, *, status: int) -> Page:
    return pages.post(
        "/forecast/import", {"file": (io.BytesIO(data), name), "pasted": ""}, status=status
    )


def count() -> int:
    return db.session.scalar(select(func.count()).select_from(ForecastImport)) or 0


def test_a_typed_low_makes_a_board_at_once(office: Pages) -> None:
    answer = office.post(
        "/forecast/by-hand", {"low": "\N{MINUS SIGN}3", "unit": "C", "night_of": "2026-11-24"}
    )

    board = office.follow(answer)

    # The cover lifts by some 2 K, and 4 K would be needed.
    assert "−3.0 °C likely" in board.text
    assert "1 ✕ at risk" in board.text
    assert [(row.night_of, row.low_c) for row in db.session.scalars(select(Forecast))] == [
        (date(2026, 11, 24), -3.0)
    ]


def test_zero_degrees_is_a_low_like_any_other(office: Pages) -> None:
    office.post("/forecast/by-hand", {"low": "0", "unit": "C", "night_of": "2026-11-24"})

    assert db.session.scalars(select(Forecast.low_c)).all() == [0.0]


def test_fahrenheit_is_kept_as_celsius(office: Pages) -> None:
    office.post("/forecast/by-hand", {"low": "28", "unit": "F", "night_of": "2026-11-24"})

    assert db.session.scalars(select(Forecast.low_c)).one() == pytest.approx(-2.2222, abs=1e-3)


@pytest.mark.parametrize("typed", ["nan", "inf", "1e3", "1_0", "", "cold", "٣", "-77", "200"])
def test_a_low_that_is_no_temperature_is_refused_and_kept_as_typed(
    office: Pages, typed: str
) -> None:
    page = office.post(
        "/forecast/by-hand",
        {"low": typed, "unit": "C", "night_of": "2026-11-24", "gust": "12,5"},
        status=422,
    )

    assert "There is a problem" in page.html
    assert page.values()["low"] == typed
    assert page.values()["gust"] == "12,5"
    assert count() == 0


def test_a_low_of_ninety_celsius_is_refused_although_it_would_do_in_fahrenheit(
    office: Pages,
) -> None:
    page = office.post(
        "/forecast/by-hand", {"low": "90", "unit": "C", "night_of": "2026-11-24"}, status=422
    )

    assert "between −60 and 60 °C" in page.html


def at_home(**place: float) -> None:
    """Move the garden to where a forecast is for."""
    garden = db.session.get(Garden, 1)
    assert garden is not None
    for name, value in place.items():
        setattr(garden, name, value)
    db.session.commit()


def test_a_forecast_for_another_place_is_asked_about_and_taken_once_somebody_has_looked(
    office: Pages, clock: list[datetime]
) -> None:
    data = (SAMPLES / "metno_compact_handmade.json").read_bytes()
    clock[0] = datetime.fromisoformat("2026-05-03T15:00:00+00:00")

    page = upload(office, data, "metno.json", status=422)

    assert "This forecast is for a place" in page.text
    assert "km from the garden" in page.text
    assert count() == 0
    board = office.follow(office.post("/forecast/import/confirm", page.values() | {"do": "read"}))
    assert "Forecast for 9 nights imported; tonight is planned." in board.text


def test_which_night_a_dates_low_is_of_is_asked_once_and_then_known(
    office: Pages, clock: list[datetime]
) -> None:
    clock[0] = datetime.fromisoformat("2026-03-01T17:00:00+00:00")
    data = "Date,Min temperature (°C)\n2026-03-01,1.1\n2026-03-02,-3.4\n".encode()

    page = upload(office, data, "station.csv", status=422)
    assert "the night of 1 March 2026 is −3.4 °C. In the night after its date: 1.1 °C." in page.text
    office.post(
        "/forecast/import/confirm",
        page.values() | {"daily_low_belongs_to": "morning", "do": "take"},
    )
    tonight = select(Forecast.low_c).where(Forecast.night_of == date(2026, 3, 1))
    assert db.session.scalars(tonight).one() == -3.4

    again = upload(office, data.replace(b"-3.4", b"-4.4"), "next.csv", status=200)
    assert "Read as somebody said of such a table before." in again.text
    assert "−4.4 °C" in again.text


def test_a_lone_cold_hour_is_asked_about_and_left_out(office: Pages, clock: list[datetime]) -> None:
    clock[0] = datetime.fromisoformat("2026-03-01T17:00:00+00:00")
    hours = [
        *(f"2026-03-01 {h}:00" for h in range(18, 24)),
        *(f"2026-03-02 0{h}:00" for h in range(9)),
    ]
    rows = "\n".join(f"{at},{-40 if n == 4 else 2}" for n, at in enumerate(hours))

    page = upload(office, f"Time,Temp (°C)\n{rows}\n".encode(), "station.csv", status=422)
    assert "One hour, 22:00 on 1 March 2026, is at −40.0 °C" in page.text
    looked = office.post(
        "/forecast/import/confirm", page.values() | {"spikes": "drop", "do": "read"}, status=200
    )
    office.post("/forecast/import/confirm", looked.values() | {"do": "take"})

    assert db.session.scalars(select(Forecast.low_c)).one() == 2.0


def test_a_service_file_is_taken_without_questions(office: Pages, clock: list[datetime]) -> None:
    data = (SAMPLES / "metno_compact_handmade.json").read_bytes()
    clock[0] = datetime.fromisoformat("2026-05-03T15:00:00+00:00")
    at_home(latitude=60.0, longitude=10.0, elevation_m=120.0)

    board = office.follow(upload(office, data, "metno.json", status=303))

    assert "Forecast for 9 nights imported; tonight is planned." in board.text
    assert "Data from MET Norway (CC BY 4.0)" in board.text
    assert "Night of Sunday 3 to Monday 4 May 0.4 °C likely" in board.text
    tonight = select(Forecast.low_c).where(Forecast.night_of == date(2026, 5, 3))
    assert db.session.scalars(tonight).one() == pytest.approx(0.4)


def test_a_station_table_is_shown_for_confirmation_first(
    office: Pages, clock: list[datetime]
) -> None:
    data = (SAMPLES / "station_hourly_iso_celsius_handmade.csv").read_bytes()
    clock[0] = datetime.fromisoformat("2026-05-03T17:00:00+00:00")

    page = upload(office, data, "station.csv", status=200)

    assert "Outdoor Temperature(°C)" in page.text
    assert count() == 0
    values = page.values() | {"do": "take"}
    office.follow(office.post("/forecast/import/confirm", values))
    assert db.session.scalars(select(Forecast.low_c)).one() == pytest.approx(0.8)


def test_a_file_without_a_unit_asks_and_need_not_be_sent_again(
    office: Pages, clock: list[datetime]
) -> None:
    clock[0] = datetime.fromisoformat("2026-05-03T17:00:00+00:00")
    rows = "\n".join(
        f"2026-05-0{3 if hour < 24 else 4} {hour % 24:02d}:00,{40 - (hour - 18)}"
        for hour in range(18, 33)
    )
    page = upload(office, f"time,temp\n{rows}\n".encode(), "mystery.csv", status=422)
    assert count() == 0

    values = page.values() | {"temperature_unit": "F", "do": "take"}
    office.post("/forecast/import/confirm", values)

    assert db.session.scalars(select(Forecast.low_c)).one() == pytest.approx((26 - 32) / 1.8)


@pytest.mark.parametrize(
    ("order", "evening"), [("DMY", date(2026, 4, 3)), ("MDY", date(2026, 3, 4))]
)
def test_dates_that_could_be_either_are_asked_about_and_never_guessed(
    office: Pages, clock: list[datetime], order: str, evening: date
) -> None:
    clock[0] = datetime.fromisoformat("2026-03-01T17:00:00+00:00")
    data = "Date,Min temperature (°C)\n03/04/2026,-1.5\n".encode()

    page = upload(office, data, "station.csv", status=422)

    assert "Date: say whether the day or the month comes first in its dates" in page.text
    assert count() == 0
    # A month ahead by the one order: that is right, too.
    values = page.values() | {
        "daily_low_belongs_to": "evening",
        "accept": "nights",
        "do": "take",
    }
    office.post("/forecast/import/confirm", values, status=422)  # still not said
    assert count() == 0
    office.post("/forecast/import/confirm", values | {"date_order": order})
    assert [(row.night_of, row.low_c) for row in db.session.scalars(select(Forecast))] == [
        (evening, -1.5)
    ]


def test_a_forecast_of_past_nights_is_refused_in_words(office: Pages) -> None:
    data = (SAMPLES / "metno_compact_handmade.json").read_bytes()
    at_home(latitude=60.0, longitude=10.0, elevation_m=120.0)

    page = upload(office, data, "old.json", status=422)

    assert "which is over" in page.html
    assert count() == 0


def test_a_malformed_file_says_what_is_wrong_and_changes_nothing(office: Pages) -> None:
    assert len(MALFORMED) >= 30
    for name, (filename, data) in MALFORMED.items():
        too_big = len(data) > 4_000_000
        try:
            page = upload(office, data, filename, status=413 if too_big else 422)
        except AssertionError as error:
            raise AssertionError(f"{name}: {error}") from error
        words = "too big" if too_big else "changed nothing|nothing has changed"
        assert re.search(words, page.html.lower()), name
        assert count() == 0, name


def test_nothing_chosen_is_said_beside_the_field(office: Pages) -> None:
    page = office.post("/forecast/import", {"pasted": ""}, status=422)

    assert "Choose a file" in page.html


def test_a_pasted_taf_is_read(office: Pages) -> None:
    office.post(
        "/forecast/import",
        {"pasted": "TAF ZZBB 241100Z 2412/2512 00000KT CAVOK TX09/2414Z TNM02/2504Z="},
    )

    assert db.session.scalars(select(Forecast.low_c)).one() == -2.0


def test_an_address_is_fetched_and_planned(
    make: Factory, office: Pages, clock: list[datetime], monkeypatch: pytest.MonkeyPatch
) -> None:
    clock[0] = datetime.fromisoformat("2026-05-03T15:00:00+00:00")
    monkeypatch.setattr(fetching, "resolve_addresses", lambda host, port: ("93.184.215.14",))
    body: dict[str, Any] = json.loads((SAMPLES / "metno_compact_handmade.json").read_text())["body"]
    make.garden(contact="cold@lantern-lane.example")
    office.post("/forecast/address", {"url": "https://weather.example/compact?lat=1&lon=2"})
    with requests_mock.Mocker() as web:
        web.get("https://weather.example/compact", json=body)
        board = office.follow(office.post("/forecast/fetch"))

    assert "MET Norway" in board.text
    assert "fetched" in board.text


def test_a_failing_service_is_told_and_the_board_stays(
    make: Factory, office: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.garden(contact="cold@lantern-lane.example")
    monkeypatch.setattr(fetching, "resolve_addresses", lambda host, port: ("93.184.215.14",))
    office.post("/forecast/address", {"url": "https://weather.example/x"})
    with requests_mock.Mocker() as web:
        web.get("https://weather.example/x", status_code=503)
        page = office.follow(office.post("/forecast/fetch"))

    assert "No new forecast" in page.text
    assert office.get("/tonight").status == 200


def test_an_address_on_the_own_network_is_refused(
    make: Factory, office: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.garden(contact="cold@lantern-lane.example")
    monkeypatch.setattr(fetching, "resolve_addresses", lambda host, port: ("192.168.1.4",))
    office.post("/forecast/address", {"url": "https://router.example/x"})

    page = office.follow(office.post("/forecast/fetch"))

    assert "No new forecast" in page.text


def test_the_notes_of_a_forecast_are_told_in_the_language_of_each_reader(office: Pages) -> None:
    office.post(
        "/forecast/import",
        {"pasted": "TAF ZZBB 241100Z 2412/2512 00000KT CAVOK TX09/2414Z TNM00/2504Z="},
    )

    english = office.get("/forecast").text
    office.client.set_cookie("language", "es")
    spanish = office.get("/forecast").text

    assert "M00 stands for just under zero; −0.25 °C is taken." in english
    assert "M00 quiere decir algo menos de cero; se toma −0,25 °C." in spanish


def test_notes_that_were_kept_as_english_lines_are_shown_as_they_are(office: Pages) -> None:
    office.post("/forecast/by-hand", {"low": "0", "unit": "C", "night_of": "2026-11-24"})
    forecast = db.session.scalars(select(Forecast)).one()
    forecast.notes = "Steps of 6 hours: a dip between may be missed.\nRead twice."
    db.session.commit()

    text = office.get("/forecast").text

    assert "Steps of 6 hours: a dip between may be missed." in text and "Read twice." in text


def test_a_low_that_may_be_a_slip_is_asked_about_once_more(office: Pages) -> None:
    typed = {"low": "-35", "unit": "C", "night_of": "2026-11-24"}

    asked = office.post("/forecast/by-hand", typed, status=422)

    assert "unusual for this season" in asked.text
    assert 'name="sure" value="-35"' in asked.html
    assert count() == 0
    office.post("/forecast/by-hand", typed | {"sure": "-35"})
    assert [row.low_c for row in db.session.scalars(select(Forecast))] == [-35.0]
