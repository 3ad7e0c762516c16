"""Positions as people copy them."""

from __future__ import annotations

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.readers.position import read_position


@pytest.mark.parametrize(
    ("text", "latitude", "longitude"),
    [
        ("52.31, -1.22", 52.31, -1.22),
        ("52.31 -1.22", 52.31, -1.22),
        ("52,31; −1,22", 52.31, -1.22),
        ("52,31, -1,22", 52.31, -1.22),
        ("52,31 -1,22", 52.31, -1.22),
        ("52.31 N 1.22 W", 52.31, -1.22),
        ("N52.31 W1.22", 52.31, -1.22),
        ("1.22 W, 52.31 N", 52.31, -1.22),
        ("52°18'36\"N 1°13'12\"W", 52.31, -1.22),
        ("52° 18.6' N, 1° 13.2' W", 52.31, -1.22),
        ("-33.87,151.21", -33.87, 151.21),
        ("33°52'12''S 151°12'36''E", -33.87, 151.21),
        ("  52 1  ", 52.0, 1.0),
    ],
)
def test_a_position_is_read_however_it_was_copied(
    text: str, latitude: float, longitude: float
) -> None:
    found = read_position(text)
    assert found is not None
    assert (found.latitude, found.longitude) == pytest.approx((latitude, longitude))


@pytest.mark.outside("RFC 5870, section 6.1: the examples of a geo URI")
@pytest.mark.parametrize(
    ("text", "latitude", "longitude"),
    [
        ("geo:13.4125,103.8667", 13.4125, 103.8667),
        ("geo:48.2010,16.3695,183", None, None),  # with a height: three numbers are not read
        ("geo:48.198634,16.371648;crs=wgs84;u=40", None, None),
        ("geo:48.198634,16.371648;u=40", 48.198634, 16.371648),
    ],
)
def test_a_geo_address_is_read(text: str, latitude: float | None, longitude: float | None) -> None:
    found = read_position(text)
    if latitude is None:
        assert found is None
    else:
        assert found is not None
        assert (found.latitude, found.longitude) == (latitude, longitude)


@pytest.mark.parametrize("text", ["", "London", "52.31", "B7 4PX", "1 2 3", "Ely 52 Road 1", "°"])
def test_what_is_no_position_is_none(text: str) -> None:
    assert read_position(text) is None


@pytest.mark.parametrize(
    "text", ["97.5, 1.2", "52.1, 191.0", "52 N 1 N", "52 E 1 W", "52°75'N 1°2'W", "-52 S 1 E"]
)
def test_a_position_that_is_nowhere_is_refused(text: str) -> None:
    with pytest.raises(OutOfRange):
        read_position(text)
