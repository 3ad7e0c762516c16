"""Headings of tables, as people and devices write them in eight languages."""

from __future__ import annotations

import pytest

from gardenapp.readers import headings


@pytest.mark.parametrize(
    ("heading", "role"),
    [
        ("Temperature", "temperature"),
        ("tempC", "temperature"),
        ("t2m_degC", "temperature"),
        ("Außentemperatur [°C]", "temperature"),
        ("Température extérieure", "temperature"),
        ("Temperatura exterior (°C)", "temperature"),
        ("Buitentemperatuur", "temperature"),
        ("Temperatura zewnętrzna", "temperature"),
        ("Low", "low"),
        ("Mínima", "low"),
        ("Température minimale", "low"),
        ("Tiefstwert", "low"),
        ("Najniższa temperatura", "low"),
        ("TMIN", "low"),
        ("Time of low", "low_time"),
        ("High", "high"),
        ("Höchsttemperatur", "high"),
        ("Dew point", "dew_point"),
        ("Punto de rocío", "dew_point"),
        ("Humidité (%)", "humidity"),
        ("Bewölkung", "cloud"),
        ("Viento", "wind"),
        ("Windböen km/h", "gust"),
        ("Unit", "unit"),
        ("utc_offset", "zone"),
    ],
)
def test_a_heading_says_what_its_column_holds(heading: str, role: str) -> None:
    """The words of the trade in each language; common practice, no source."""
    assert headings.role_of(heading) == role


@pytest.mark.parametrize(
    "heading",
    [
        "Polytunnel temperature",
        "Heating target",
        "Temperature offset",
        "CPU temp",
        "temperature_850hPa",
        "Soil temperature 10 cm",
        "Temperature 80 m",
        "Feels like temperature",
        "Innentemperatur",
        "Temperatura de invernadero",
        "Wind direction",
        "Normal low",
        "Record minimum temperature",
        "Remarks",
    ],
)
def test_what_is_not_the_air_outside_is_left_to_a_person(heading: str) -> None:
    assert headings.role_of(heading) == ""


def test_the_screens_height_is_no_other_level() -> None:
    assert not headings.names_another_level("temperature_2m")
    assert not headings.names_another_level("Temp 1.5 m")
    assert headings.names_another_level("temperature_10m")
    assert headings.names_another_level("Temp 5 cm")
    assert headings.names_another_level("T 500 hPa")


def test_members_and_models_are_several() -> None:
    assert headings.is_several("temperature_2m_member01")
    assert not headings.is_several("temperature_2m")


def test_letters_are_folded() -> None:
    assert headings.folded("Łódź ℃ Böe ß") == "lodz °c boe ss"
    assert headings.words_of("outsideTemp_C") == {"outside", "temp", "c"}


@pytest.mark.parametrize(
    ("heading", "begins", "ends"),
    [
        ("Low, night of", True, False),
        ("Night beginning", True, False),
        ("Night ending", False, True),
        ("Morning of", False, True),
        ("Date", False, False),
    ],
)
def test_a_heading_may_say_which_night_a_date_is(heading: str, begins: bool, ends: bool) -> None:
    assert bool(headings.NIGHT_BEGINS.search(heading)) is begins
    assert bool(headings.NIGHT_ENDS.search(heading)) is ends
