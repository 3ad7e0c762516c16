"""Everybody who reads the board sees the season; a coordinator brings the nights in."""

from __future__ import annotations

import io
from datetime import date

import pytest
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.builds import ClimateNight
from tests.factories import Factory
from tests.pages import Pages
from tests.services.season.test_outlook import record
from tests.web.hostile import HOSTILE

FORM = {"unit": "C", "daily_low": "evening", "station": ""}


def winters(count: int = 3) -> bytes:
    """Years with a frost every tenth night from December to February."""
    lows = []
    first = date(2015, 7, 1)
    for number in range(365 * count + 1):
        day = date.fromordinal(first.toordinal() + number)
        lows.append(-3.0 if day.month in {12, 1, 2} and number % 10 == 0 else 8.0)
    return record(first, lows)


def kept() -> int:
    db.session.rollback()
    return db.session.scalar(select(func.count()).select_from(ClimateNight)) or 0


def test_an_empty_outlook_says_the_next_step_to_each(make: Factory, pages: Pages) -> None:
    coordinator = make.coordinator()

    assert "A coordinator can import" in pages.get("/season").text
    assert "Import past nights" in pages.sign_in(coordinator).get("/season").text


def test_a_record_brought_in_is_seen_by_readers_of_the_board(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator())

    pages.post("/season/import", FORM | {"file": (io.BytesIO(winters()), "st.csv")})

    page = Pages(pages.app).get("/season")
    assert "nights of air frost a winter" in page.text
    assert "from 3 whole winters" in page.text
    assert "Fewer than ten winters" in page.text
    assert "Delete all past nights" not in page.text


def test_a_threshold_in_fahrenheit_is_typed_and_shown_in_fahrenheit(
    make: Factory, pages: Pages
) -> None:
    pages.sign_in(make.coordinator(temperature_unit="F"))
    pages.post("/season/import", FORM | {"file": (io.BytesIO(winters()), "st.csv")})

    page = pages.get("/season?threshold_c=30")

    assert page.values()["threshold_c"] == "30"
    assert "Dashed: below 30.0 °F" in page.text


@pytest.mark.parametrize("typed", [*HOSTILE.values(), "-300", "1e3"])
def test_an_odd_threshold_is_told_and_the_outlook_still_there(
    make: Factory, pages: Pages, typed: str
) -> None:
    pages.sign_in(make.coordinator())
    pages.post("/season/import", FORM | {"file": (io.BytesIO(winters(1)), "st.csv")})

    answer = pages.client.get(
        "/season", query_string={"threshold_c": typed.encode("utf-8", "replace").decode()}
    )

    assert answer.status_code == 422
    assert "Chance by date" in answer.get_data(as_text=True)


@pytest.mark.parametrize(
    ("data", "name"),
    [(b"", ""), (b"\x00\xff", "x.csv"), (b"DATE,TMIN\n2020-01-01,warm", "x.csv")],
    ids=["no file", "no text", "no number"],
)
def test_a_file_that_cannot_be_read_changes_nothing(
    make: Factory, pages: Pages, data: bytes, name: str
) -> None:
    pages.sign_in(make.coordinator())

    page = pages.post(
        "/season/import", FORM | {"station": "ours", "file": (io.BytesIO(data), name)}, status=422
    )

    assert page.values()["station"] == "ours"
    assert kept() == 0


def test_a_coordinator_takes_the_nights_away_again(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator())
    pages.post("/season/import", FORM | {"file": (io.BytesIO(winters(1)), "st.csv")})
    assert kept() > 300

    pages.post("/season/forget", {})

    assert kept() == 0
