"""Days of weather from a plain table."""

from __future__ import annotations

from datetime import date

import pytest

from gardenapp.readers.days import WeatherDay, read_days
from gardenapp.readers.records import UnreadableFile


def read(text: str) -> tuple[WeatherDay, ...]:
    return read_days(text.encode())


def test_a_table_of_days_is_read_with_its_means_or_their_middles() -> None:
    found = read("date,min_c,max_c,mean_c\n2026-01-01,-2,6,1.5\n2026-01-02,0,4,\n")

    assert found == (
        WeatherDay(date(2026, 1, 1), -2.0, 1.5),
        WeatherDay(date(2026, 1, 2), 0.0, 2.0),
    )


def test_other_columns_do_not_matter_and_commas_may_be_decimal() -> None:
    found = read("station;Date;low_c;high_c\nx;2026-01-02;-1,5;2,5\nx;2026-01-01;0;1\n")

    assert found[0].on_date == date(2026, 1, 1)
    assert found[1] == WeatherDay(date(2026, 1, 2), -1.5, 0.5)


def test_days_left_out_or_empty_are_holes() -> None:
    found = read("date,min_c,max_c\n2026-01-01,1,3\n2026-01-02,,\n2026-01-04,1,\n")

    assert [day.on_date.day for day in found] == [1, 2, 3, 4]
    assert [(day.min_c, day.mean_c) for day in found[1:]] == [
        (None, None), (None, None), (1.0, None),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("date,min_c,max_c\n", "holds no days"),
        ("date,low\n2026-01-01,1\n", "needs the columns date, min_c and max_c"),
        ("date,min_c,max_c\n01/02/2026,1,2\n", "line 2"),
        ("date,min_c,max_c\n2026-01-01,1,2\n2026-01-01,1,2\n", "second time"),
        ("date,min_c,max_c\n2026-01-01,5,2\n", "is above the high"),
        ("date,min_c,max_c\n2026-01-01,warm,2\n", "is not a number"),
        ("date,min_c,max_c\n2026-01-01,nan,2e9\n", "is not a number"),
        ("date,min_c,max_c\n2026-01-01,-200,2\n", "no temperature of the air"),
        ("date,min_c,max_c\n1800-01-01,1,2\n2026-01-01,1,2\n", "more than a century"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(text: str, says: str) -> None:
    with pytest.raises(UnreadableFile) as refused:
        read(text)

    assert says in "; ".join(str(error) for error in refused.value.errors)
