"""What both forms of the US service's forecast share: units, wind in words, where and when."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from gardenapp.readers import nws_common
from gardenapp.readers.json_text import Node
from gardenapp.readers.records import UnreadableFile

NWS_DOCUMENTED = "US National Weather Service API documentation and OpenAPI file 1.9.0"


def refusal(step: object) -> str:
    assert callable(step)
    with pytest.raises(UnreadableFile) as refused:
        step()
    (fault,) = refused.value.errors
    return str(fault)


@pytest.mark.outside(f"{NWS_DOCUMENTED}: unit codes with and without their prefix")
@pytest.mark.parametrize(
    ("unit", "value", "expected"),
    [
        ("wmoUnit:degC", 5.0, 5.0),
        ("wmo:degF", 41.0, 5.0),
        ("degC", -1.0, -1.0),
        ("F", 23.0, -5.0),
        ("c", 1.0, 1.0),
    ],
)
def test_a_temperature_is_read_by_its_unit_code(unit: str, value: float, expected: float) -> None:
    got = nws_common.temperature_of(Node(value, "v"), Node(unit, "u"))

    assert got == pytest.approx(expected)


@pytest.mark.parametrize(
    ("unit", "value", "expected"),
    [
        ("wmoUnit:km_h-1", 36.0, 10.0),
        ("km/h", 36.0, 10.0),
        ("wmoUnit:m_s-1", 3.0, 3.0),
        ("m/s", 3.0, 3.0),
        ("mph", 10.0, 4.4704),
        ("mi_h-1", 10.0, 4.4704),
        ("kn", 36.0, 18.52),
        ("kt", 36.0, 18.52),
        ("kts", 36.0, 18.52),
        ("knot", 36.0, 18.52),
    ],
)
def test_wind_is_read_by_its_unit_code(unit: str, value: float, expected: float) -> None:
    assert nws_common.wind_of(Node(value, "v"), Node(unit, "u")) == pytest.approx(expected)


def test_a_figure_or_unit_that_cannot_be_is_told_with_its_place() -> None:
    number, unit = Node(99.0, "t.value"), Node("wmoUnit:K", "t.unitCode")

    assert refusal(lambda: nws_common.temperature_of(number, unit)) == (
        "t.unitCode: is not °C or °F"
    )
    assert refusal(lambda: nws_common.temperature_of(number, Node("degC", "u"))) == (
        "t.value: 99 °C is outside −60 to +60 °C"
    )
    assert refusal(lambda: nws_common.wind_of(number, unit)) == (
        "t.unitCode: is not a unit of wind that is known here"
    )
    assert refusal(lambda: nws_common.wind_of(Node(-1.0, "w"), Node("m/s", "u"))) == (
        "w: wind of -1 m/s is outside 0 to 115 m/s"
    )
    assert refusal(lambda: nws_common.humidity_of(Node(140.0, "h"))) == (
        "h: humidity of 140 % is outside 0 to 100"
    )
    assert nws_common.humidity_of(Node(71.0, "h")) == 71.0


@pytest.mark.parametrize(
    ("words", "mps"),
    [
        ("2 mph", 0.89408),
        ("5 to 10 mph", 3.3528),
        (" 10  to 20 km/h ", 15.0 / 3.6),
        ("4m/s", 4.0),
        ("36 kt", 18.52),
        ("36 kts", 18.52),
        ("36 kn", 18.52),
        ("0 mph", 0.0),
        ("a breeze", None),
        ("5 to mph", None),
        ("5", None),
        ("999 m/s", None),
    ],
)
def test_wind_in_words_is_the_middle_of_what_is_said(words: str, mps: float | None) -> None:
    got = nws_common.wind_from_words(words)

    assert got == (None if mps is None else pytest.approx(mps))


def test_the_newer_of_two_names_for_the_time_of_issue_is_asked_first() -> None:
    early, late = "2026-05-03T11:00:00+00:00", "2026-05-03T12:00:00+00:00"

    def issued_at(**said: str) -> datetime | None:
        return nws_common.issued_at(Node(said, "properties"))

    assert issued_at(updateTime=late, updated=early) == datetime(2026, 5, 3, 12, tzinfo=UTC)
    assert issued_at(updated=early) == datetime(2026, 5, 3, 11, tzinfo=UTC)
    assert issued_at() is None


@pytest.mark.parametrize(
    ("elevation", "metres"),
    [
        ({"unitCode": "wmoUnit:m", "value": 182.9}, 182.9),
        ({"unitCode": "unit:m", "value": 0}, 0.0),
        ({"unitCode": "wmoUnit:ft", "value": 600.0}, None),
        ({"value": 182.9}, None),
        ({"unitCode": "wmoUnit:m", "value": None}, None),
        (None, None),
    ],
)
def test_the_height_is_taken_only_where_it_is_in_metres(
    elevation: object, metres: float | None
) -> None:
    assert nws_common.elevation_m(Node({"elevation": elevation}, "properties")) == metres
