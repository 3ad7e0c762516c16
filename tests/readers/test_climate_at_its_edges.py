"""Small records in each published layout, read cell by cell, and refused by line and column."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.climate import DAILY, HOURLY, TABLE, TYPICAL_YEAR, read_climate
from tests.readers.test_climate import HEAD, read, refusal, typical_year


def daily(*rows: str, header: str = HEAD) -> str:
    return header + "".join(f"{row}\n" for row in rows)


TWO_DAYS = ("A,2016-01-02,5,1", "A,2016-01-03,6,2")


def test_a_daily_record_is_read_row_by_row() -> None:
    reading = read(daily(*TWO_DAYS), unit="C")

    assert (reading.kind, reading.station, reading.notes) == (DAILY, "A", ())
    assert [(n.night_of, n.low_c, n.measured_on) for n in reading.nights] == [
        (date(2016, 1, 1), 1.0, date(2016, 1, 1)),
        (date(2016, 1, 2), 2.0, date(2016, 1, 2)),
    ]
    assert {n.evening_c for n in reading.nights} == {None}


@pytest.mark.parametrize(
    ("unit", "row", "low_c"),
    [
        ("C", "A,2016-01-01,60,-60", -60.0),
        ("F", "A,2016-01-01,140,-4", -20.0),
        ("tenths C", "A,2016-01-01,600,-51", -5.1),
        ("C", "A,2016-01-01,,.5", 0.5),
        ("C", "A,2016-01-01,NA,+1.", 1.0),
        ("C", "A,2016-01-01,1,1", 1.0),
        ("C", "A,20160101,5,1", 1.0),
        ("C", "A,2016/01/01,5,1", 1.0),
        ("C", "A,2016-01-01T00:00:00,5,1", 1.0),
    ],
)
def test_a_low_is_read_in_the_unit_that_was_said(unit: str, row: str, low_c: float) -> None:
    reading = read(daily(row, *TWO_DAYS), unit=unit)

    assert reading.nights[0].low_c == pytest.approx(low_c)
    assert len(reading.nights) == 3


@pytest.mark.parametrize(
    "word", ["", "NA", "n/a", "nan", "NULL", "M", "-9999", "-9999.0", "-9900", "-9900.00"]
)
def test_a_low_that_is_missing_leaves_its_day_out(word: str) -> None:
    reading = read(daily(f"A,2016-01-01,5,{word}", *TWO_DAYS), unit="C")

    assert len(reading.nights) == 2
    assert tuple(map(str, reading.notes)) == ("1 day without a low was left out.",)


def test_a_row_cut_off_before_its_low_is_a_day_without_one() -> None:
    reading = read(daily("A,2016-01-01,5", "A,2016-01-04", *TWO_DAYS), unit="C")

    assert tuple(map(str, reading.notes)) == ("2 days without a low were left out.",)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("A,1899-12-31,5,1", "line 2, date: “1899-12-31” is not a date such as 2016-01-31"),
        ("A,2201-01-01,5,1", "line 2, date: “2201-01-01” is not a date such as 2016-01-31"),
        ("A,soon,5,1", "line 2, date: “soon” is not a date such as 2016-01-31"),
        ("A,2016-01-01,5,1e1", "line 2, tmin: “1e1” is not a number"),
        ("A,2016-01-01,5,1_0", "line 2, tmin: “1_0” is not a number"),
        ("A,2016-01-01,61,1", "line 2, tmax: 61 °C is outside −60 to +60 °C"),
        ("A,2016-01-01,0.9,1", "line 2, tmin: the low 1 °C is above the high 0.9 °C"),
        ("A,2016-01-03,6,2", "line 4, date: 2016-01-03 comes a second time"),
    ],
)
def test_a_wrong_row_is_told_with_its_line_and_column(row: str, words: str) -> None:
    assert refusal(daily(row, *TWO_DAYS), unit="C") == words


@pytest.mark.parametrize(
    ("rows", "unit"),
    [
        (("A,2016-01-01,141,30", "A,2016-01-02,150,20"), "tenths of a °C"),
        (("A,2016-01-01,56.8,30", "A,2016-01-02,60,20"), "°F"),
        (("A,2016-01-01,140,30.5", "A,2016-01-02,60,20"), "°F"),
    ],
)
def test_a_unit_is_inferred_only_where_it_can_be_no_other(rows: tuple[str, ...], unit: str) -> None:
    (note,) = read(daily(*rows)).notes

    assert str(note) == f"Temperatures were taken as {unit}: they can be nothing else."


@pytest.mark.parametrize(
    "rows",
    [
        ("A,2016-01-01,140,30", "A,2016-01-02,60,20"),  # whole: °F, or tenths at a cold coast
        ("A,2016-01-01,56.7,30", "A,2016-01-02,40,20"),  # it has been as warm as that
        ("A,2016-01-01,140.5,30", "A,2016-01-02,40,20"),
        ("A,2016-01-01,20,3", "A,2016-01-02,25,2"),
    ],
)
def test_a_unit_that_stays_open_is_asked_for(rows: tuple[str, ...]) -> None:
    assert refusal(daily(*rows)) == (
        "line 1: The file does not say whether its temperatures are °C, °F or tenths of a °C. Say "
        "which."
    )


def test_the_columns_of_other_publishers_are_known_too() -> None:
    reading = read("date,temp_max,temp_min\n2016-01-01,5,1\n2016-01-02,6,2\n", unit="C")

    assert [n.low_c for n in reading.nights] == [1.0, 2.0]
    assert reading.station == ""
    assert refusal("temp_max,temp_min\n5,1\n6,2\n", unit="C") == (
        "line 1: The table needs a column DATE."
    )


def test_of_several_stations_the_one_asked_for_is_read_or_the_first() -> None:
    text = daily("A,2016-01-01,5,1", "B,2016-01-01,7,3", "A,2016-01-02,6,2", "B,2016-01-02,8,4")

    first, second = read(text, unit="C"), read(text, unit="C", station="B")

    assert [n.low_c for n in first.nights] == [1.0, 2.0]
    assert tuple(map(str, first.notes)) == ("The file holds 2 stations; A was taken, the first.",)
    assert ([n.low_c for n in second.nights], second.station) == ([3.0, 4.0], "B")
    assert tuple(map(str, second.notes)) == ()
    assert refusal(text, unit="C", station="C") == (
        "There is no station “C”; the file has “A”, “B”."
    )
    assert refusal("date,tmin\n2016-01-01,1\n2016-01-02,2\n", unit="C", station="C") == (
        "line 1: The file has no column that names a station."
    )
    assert refusal("origin,date,tmin\n,2016-01-01,1\n", unit="C") == (
        "line 1: The file holds no rows under its header."
    )


def test_two_nights_are_a_record_and_one_is_not() -> None:
    assert len(read(daily(*TWO_DAYS), unit="C").nights) == 2
    assert refusal(daily(TWO_DAYS[0]), unit="C") == (
        "The file holds 1 whole night; two are the least."
    )


# Hours


def hourly(*, offset_h: int = -5, change: dict[int, str] | None = None) -> str:
    """Three days of hours from noon UTC, in °F and mph, with rows changed."""
    rows = ["origin,hour,temp,dewp,wind_speed,wind_gust,time_hour"]
    begin = datetime(2013, 1, 1, 12, tzinfo=UTC)
    for n in range(72):
        at = begin + timedelta(hours=n)
        row = f"A,{(at.hour + offset_h) % 24},{32 + n % 24},23,10,20,{at:%Y-%m-%dT%H:%M:%SZ}"
        rows.append((change or {}).get(n, row))
    return "\n".join([*rows, ""])


@pytest.mark.parametrize(("offset_h", "first_hour"), [(-5, 17), (0, 12), (9, 3)])
def test_nights_of_an_hourly_table_run_by_the_clock_of_its_own_hours(
    offset_h: int, first_hour: int
) -> None:
    reading = read(hourly(offset_h=offset_h))

    assert (reading.kind, reading.station) == (HOURLY, "A")
    assert reading.nights[1].hours[0].at.hour == first_hour


def test_hours_are_read_from_fahrenheit_and_miles_an_hour() -> None:
    night = read(hourly()).nights[0]

    hour = next(h for h in night.hours if h.at == datetime(2013, 1, 2, 0, tzinfo=UTC))
    assert (hour.temp_c, hour.dew_point_c) == (pytest.approx(12.0 / 1.8), pytest.approx(-5.0))
    assert (hour.wind_mps, hour.gust_mps) == (pytest.approx(4.4704), pytest.approx(8.9408))
    assert (night.low_c, night.hours[-5].at.hour) == (0.0, 12)  # 07:00 by New York's clock
    assert night.measured_on == night.night_of == date(2013, 1, 1)
    assert night.wind_mps == pytest.approx(4.4704)


def test_an_impossible_gust_is_passed_over_and_one_below_nothing_is_told() -> None:
    storm = "A,19,44,23,10,999,2013-01-02T00:00:00Z"
    below = "A,19,44,23,10,-1,2013-01-02T00:00:00Z"

    night = read(hourly(change={12: storm})).nights[0]

    assert next(h for h in night.hours if h.at.hour == 0).gust_mps is None
    assert refusal(hourly(change={12: below})) == (
        "line 14, wind_gust: wind of -1 mph is outside 0 to 115 m/s"
    )


def test_an_hour_told_twice_counts_once_and_one_of_no_moment_is_told() -> None:
    twice = "A,19,99,23,10,20,2013-01-01T23:00:00Z"  # instead of midnight

    assert len(read(hourly(change={12: twice})).nights[0].hours) == 23
    assert refusal(hourly(change={12: "A,19,44,23,10,20,soon"})) == (
        "line 14, time_hour: “soon” is not a date and time"
    )


def test_a_few_odd_rows_do_not_make_a_clock() -> None:
    odd = {n: f"A,3,40,23,10,20,2013-01-0{1 + (12 + n) // 24}T{(12 + n) % 24:02d}:00:00Z"
           for n in range(7)}  # fmt: skip

    assert read(hourly(change=odd)).nights[1].hours[0].at.hour == 17


# The typical year


def test_a_typical_year_is_read_by_the_clock_of_its_head() -> None:
    reading = read(typical_year())

    assert (reading.kind, reading.station) == (TYPICAL_YEAR, "SOMEWHERE NC")
    assert str(reading.notes[0]).startswith("Each month of a typical year comes from another year")
    first = reading.nights[0]
    # 13:00 of the file is the hour that ends then, and 18:00 in UTC.
    assert first.hours[1].at == datetime(2001, 3, 1, 18, tzinfo=UTC)
    assert first.hours[1].temp_c == 13 / 4
    assert first.hours[1].dew_point_c == 1.0
    assert (first.night_of, first.measured_on) == (date(2001, 3, 1), date(1988, 3, 1))


@pytest.mark.parametrize(
    ("tenths", "fraction"), [("0", 0.0), ("10", 1.0), ("12", 1.0), ("-1", 0.0), ("", None)]
)
def test_tenths_of_cloud_are_a_share_of_the_sky(tenths: str, fraction: float | None) -> None:
    text = typical_year().replace(",5,2.0", f",{tenths},2.0")

    assert read(text).nights[0].cloud_fraction == fraction


@pytest.mark.parametrize(("offset", "is_read"), [("-12", True), ("14", True), ("-13", False),
                                                 ("15", False)])  # fmt: skip
def test_a_typical_years_offset_is_one_that_some_place_has(offset: str, is_read: bool) -> None:
    text = typical_year().replace("-5.0", offset)

    if is_read:
        assert read(text).nights
    else:
        assert refusal(text) == f"line 1: “{offset}” is not an offset from UTC in whole hours."


def test_a_typical_year_without_its_columns_is_refused() -> None:
    text = typical_year().replace("Dry-bulb (C)", "Dry-bulb (F)")

    assert refusal(text) == "line 2: The second line names no Time (HH:MM) or no Dry-bulb (C)."


# Anything else


@pytest.mark.parametrize(("unit", "first_c"), [("F", 10.0), ("C", 50.0)])
def test_a_stations_own_table_is_read_in_its_zone_and_unit(unit: str, first_c: float) -> None:
    rows = [
        f"2016-01-{1 + (12 + n) // 24:02d} {(12 + n) % 24:02d}:00,{50 + n % 24 / 4}"
        for n in range(72)
    ]
    text = "\n".join(["Time,Temperature", *rows, ""])
    new_york = ZoneInfo("America/New_York")

    reading = read_climate(text.encode(), time_zone=new_york, unit=unit)  # type: ignore[arg-type]

    assert (reading.kind, reading.station) == (TABLE, "")
    assert reading.nights[0].hours[0].at == datetime(2016, 1, 1, 17, tzinfo=UTC)
    assert reading.nights[0].hours[0].temp_c == pytest.approx(first_c)


def test_nights_with_hours_missing_are_left_out_and_counted() -> None:
    rows = [
        f"2016-01-{1 + (12 + n) // 24:02d} {(12 + n) % 24:02d}:00,{n % 24}"
        for n in range(72)
        if not 34 <= n <= 38
    ]
    text = "\n".join(["Time,Temperature (°C)", *rows, ""])

    reading = read(text)

    assert [night.night_of.day for night in reading.nights] == [1, 3]
    assert "1 night with hours missing was left out." in map(str, reading.notes)
