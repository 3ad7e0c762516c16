"""Counts, lengths, sizes and ranges as people write them."""

from __future__ import annotations

import pytest

from gardenapp.readers.amounts import (
    BadAmount,
    read_count,
    read_labels,
    read_length_cm,
    read_size_cm,
    read_yes,
)


@pytest.mark.outside(
    "international yard and pound agreement of 1959: 1 in = 2.54 cm, 1 ft = 0.3048 m"
)
@pytest.mark.parametrize(
    ("text", "unit", "cm"),
    [
        ("120 cm", "", 120), ("1.2 m", "", 120), ("1,5 m", "", 150), ("600mm", "", 60),
        ("3 ft", "", 91.44), ("3'", "", 91.44), ("3' 6\"", "", 106.68), ("3 ft 6 in", "", 106.68),
        ("28 1/2\"", "", 72.39), ("1/2 in", "", 1.27), ("2 yd", "", 182.88), ("4 pies", "", 121.92),
        ("10 pulgadas", "", 25.4), ("6 metros", "", 600), ("6", "m", 600), ("60", "cm", 60),
        ("0.5", "ft", 15.24), ("12 IN.", "", 30.48),
    ],
)  # fmt: skip
def test_a_length_is_read_in_any_unit(text: str, unit: str, cm: float) -> None:
    assert read_length_cm(text, unit=unit) == pytest.approx(cm)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("-3 m", "minus"), ("−60 cm", "minus"), ("long", "no length"), ("", "no length"),
        ("3", "no unit"), ("0 cm", "more than 0"), ("3 miles", "no length"), ("=2*3", "no length"),
        ("1/0 in", "no length"), ("nan m", "no length"), ("3 m 4 m", "no length"),
    ],
)  # fmt: skip
def test_what_is_no_length_is_told(text: str, says: str) -> None:
    with pytest.raises(BadAmount) as bad:
        read_length_cm(text)
    assert says in str(bad.value)


@pytest.mark.parametrize(
    ("text", "unit", "cm"),
    [
        ("60x40", "cm", (60, 40)), ("60 × 40 cm", "", (60, 40)),
        ("60 X 40 X 30cm", "", (60, 40, 30)),
        ("3 m x 6 m", "", (300, 600)), ("3 by 6 m", "", (300, 600)),
        ("3 ft x 2 ft", "", (91.44, 60.96)),
        ("3 por 6", "m", (300, 600)), ("1.2m*80cm", "", (120, 80)),
    ],
)  # fmt: skip
def test_a_size_is_two_or_three_lengths(text: str, unit: str, cm: tuple[float, ...]) -> None:
    assert read_size_cm(text, unit=unit) == pytest.approx(cm)


@pytest.mark.parametrize("text", ["60", "60x", "60x-40 cm", "1x2x3x4 m", "big", "60x40"])
def test_what_is_no_size_is_told(text: str) -> None:
    with pytest.raises(BadAmount):
        read_size_cm(text)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12", 12), ("12 ×", 12), ("12x", 12), ("x 12", 12), ("12 plants", 12), ("12.0", 12),
        ("1 200", 1200), ("1,200", 1200), ("1.200", 1200), ("about 6", 6),
        ("c. 6", 6), ("3 uds.", 3),
    ],
)  # fmt: skip
def test_a_count_is_read(text: str, number: int) -> None:
    assert read_count(text) == number


@pytest.mark.parametrize(
    "text", ["", "0", "-3", "2.5", "a few", "12 rows of 3", "1e3", "9999999999"]
)
def test_what_is_no_count_is_told(text: str) -> None:
    with pytest.raises(BadAmount):
        read_count(text)


@pytest.mark.parametrize(
    ("text", "labels"),
    [
        ("A1", ("A1",)), ("A1–A3", ("A1", "A2", "A3")), ("A1-3", ("A1", "A2", "A3")),
        ("A1 to A3", ("A1", "A2", "A3")), ("bed 1 - bed 2", ("bed 1", "bed 2")),
        ("01..03", ("01", "02", "03")), ("A1, A3 & B2", ("A1", "A3", "B2")),
        ("A1 y A2", ("A1", "A2")),
        ("A1–A2, A2", ("A1", "A2")), ("A1-B2", ("A1-B2",)), ("North bed", ("North bed",)), ("", ()),
    ],
)  # fmt: skip
def test_a_range_names_every_label(text: str, labels: tuple[str, ...]) -> None:
    assert read_labels(text) == labels


@pytest.mark.parametrize("text", ["A8–A1", "A1–A900"])
def test_a_range_that_cannot_be_is_told(text: str) -> None:
    with pytest.raises(BadAmount):
        read_labels(text)


def test_yes_and_no_in_both_languages() -> None:
    assert [read_yes(text) for text in ("Yes", "sí", "x", "no", "", "Falso")] == [
        True, True, True, False, False, False,
    ]  # fmt: skip
    with pytest.raises(BadAmount):
        read_yes("perhaps")
