"""What a logger's file says exactly: its columns, its clock, its figures and its faults."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from gardenapp.readers import logger_fast
from gardenapp.readers.logger import LoggerOptions, LoggerReading, read_logger
from gardenapp.readers.logger_layout import layout_of, role_of
from gardenapp.readers.records import UnreadableFile

LONDON = ZoneInfo("Europe/London")
UTC_ZONE = ZoneInfo("UTC")
HEADER = "Time,Temperature (°C),Humidity (%)"


@pytest.fixture(params=["quick", "careful"])
def _way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both ways through a file; the quick one leaves to the careful one what it cannot read."""
    if request.param == "careful":
        monkeypatch.setattr(logger_fast, "parse", lambda data, start, layout: None)


both_ways = pytest.mark.usefixtures("_way")


def read(
    *rows: str,
    header: str = HEADER,
    zone: ZoneInfo = LONDON,
    options: LoggerOptions | None = None,
    filename: str = "a.csv",
) -> LoggerReading:
    data = "\n".join([header, *rows, ""]).encode()
    return read_logger(data, filename=filename, time_zone=zone, options=options)


def faults(*rows: str, header: str = HEADER, options: LoggerOptions | None = None) -> list[str]:
    with pytest.raises(UnreadableFile) as refused:
        read(*rows, header=header, options=options)
    return [str(fault) for fault in refused.value.errors]


def seconds(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


# The clock


@both_ways
def test_a_time_is_read_to_its_second() -> None:
    reading = read(
        "2026-01-13 00:00:00,1.0,80", "2026-01-13 00:01:02,2.0,80", "2026-01-13 23:59:59,3.0,80"
    )

    assert reading.at_s.tolist() == [
        seconds("2026-01-13T00:00:00"),
        seconds("2026-01-13T00:01:02"),
        seconds("2026-01-13T23:59:59"),
    ]


@both_ways
def test_an_offset_from_utc_is_taken_off_and_wins_over_the_zone() -> None:
    east = read("2026-07-13 05:30+05:30,1.0,80", "2026-07-13 06:30+05:30,2.0,80")
    west = read("2026-07-13T20:00:00-04:15,1.0,80", "2026-07-13T21:00:00-04:15,2.0,80")
    far = read("2026-07-14T02:00:00+14:00,1.0,80", "2026-07-14T03:00:00+14:00,2.0,80")

    assert east.at_s.tolist() == [seconds("2026-07-13T00:00"), seconds("2026-07-13T01:00")]
    assert west.at_s.tolist() == [seconds("2026-07-14T00:15"), seconds("2026-07-14T01:15")]
    assert far.at_s.tolist() == [seconds("2026-07-13T12:00"), seconds("2026-07-13T13:00")]


@both_ways
def test_day_or_month_first_is_told_by_an_unbroken_run_to_the_second() -> None:
    rows = [
        "03/04/2026 17:30:30,1.0,80",
        "03/04/2026 23:30:30,2.0,80",
        "04/04/2026 05:30:30,3.0,80",
        "04/04/2026 11:30:30,4.0,80",
    ]
    late = [*rows[:2], rows[2].replace("05:30:30", "05:30:31"), rows[3]]

    reading = read(*rows, zone=UTC_ZONE)

    assert reading.at_s[0] == seconds("2026-04-03T17:30:30")
    assert reading.step_s == 6 * 3600.0
    assert len(faults(*late)) == 1
    assert "whether the day or the month comes first" in faults(*late)[0]


@both_ways
def test_the_hour_that_comes_twice_is_told_apart_by_what_came_before() -> None:
    # London puts its clock back at 02:00 on 25 October 2026; the first row is of the day before.
    walls = ["24 23:30", "25 00:30", "25 01:00", "25 01:30", "25 01:00", "25 01:30", "25 02:00"]

    reading = read(*(f"2026-10-{wall}:00,{i}.0,80" for i, wall in enumerate(walls)))

    assert (reading.at_s - seconds("2026-10-24T22:30")).tolist() == [
        0, 3600, 5400, 7200, 9000, 10_800, 12_600,
    ]  # fmt: skip
    assert not any("standard time" in str(note) for note in reading.notes)


@both_ways
def test_an_hour_that_is_never_on_the_clock_is_a_fault_of_its_line_alone() -> None:
    told = faults(
        "2026-03-28 23:30:00,1.0,80",
        "2026-03-29 00:30:00,2.0,80",
        "2026-03-29 01:30:00,3.0,80",
        "2026-03-29 02:30:00,4.0,80",
    )

    first = faults("2026-03-29 01:30:00,3.0,80", "2026-03-29 02:30:00,4.0,80")

    assert len(told) == len(first) == 1
    assert told[0].startswith("line 4, Time: ")
    assert first[0].startswith("line 2, Time: ")


def test_a_zone_that_was_chosen_wins_over_the_gardens() -> None:
    rows = ["2026-07-13 00:00,1.0,80", "2026-07-13 01:00,2.0,80"]

    chosen = read(*rows, options=LoggerOptions(csv_time_zone=ZoneInfo("America/New_York")))

    assert read(*rows).at_s[0] == seconds("2026-07-12T23:00")
    assert chosen.at_s[0] == seconds("2026-07-13T04:00")


@both_ways
def test_the_newest_row_first_is_turned_round_with_its_figures() -> None:
    reading = read("2026-01-13 03:00,3.0,83", "2026-01-13 02:00,2.0,82", "2026-01-13 01:00,1.0,81")

    assert reading.temp_c.tolist() == [1.0, 2.0, 3.0]
    assert reading.humidity_percent is not None
    assert reading.humidity_percent.tolist() == [81.0, 82.0, 83.0]
    assert (np.diff(reading.at_s) == 3600).all()
    assert tuple(map(str, reading.notes)) == (
        "The newest row comes first; the rows are read from the end.",
    )


@both_ways
def test_a_date_without_a_time_of_day_is_told_with_its_line() -> None:
    told = faults("2026-01-13 01:00,1.0,80", "2026-01-13,2.0,80", "2026-01-13 03:00,3.0,80")

    assert told == ["line 3, Time: has a date and no time of day"]


@both_ways
def test_a_date_written_unlike_the_others_is_told_with_its_line() -> None:
    told = faults(
        "2026-01-13 01:00,1.0,80",
        "2026-01-13 02:00,2.0,80",
        "13/01/2026 03:00,3.0,80",
        "2026-01-13 04:00,4.0,80",
    )

    assert told == ["line 4, Time: its date is written in another way than the others"]


@both_ways
def test_a_date_that_no_calendar_has_is_told_with_the_line_of_its_first_row() -> None:
    told = faults("2026-02-28 23:00,1.0,80", "2026-02-29 00:00,2.0,80", "2026-02-29 01:00,3.0,80")

    assert len(told) == 1
    assert told[0].startswith("line 3, Time: ")


@pytest.mark.parametrize("digits", [10, 13], ids=["seconds", "milliseconds"])
def test_seconds_since_1970_are_moments_in_utc_whatever_the_zone(digits: int) -> None:
    begin = seconds("2026-07-13T12:34:56")
    rows = [f"{str(begin + 90 * i) + '0' * (digits - 10)},{i}.0,80" for i in range(4)]

    reading = read(*rows, zone=ZoneInfo("America/New_York"))

    assert reading.at_s.tolist() == [begin + 90 * i for i in range(4)]
    assert reading.step_s == 90.0


@both_ways
def test_readings_of_one_minute_are_averaged_only_where_the_clock_has_no_seconds() -> None:
    minutes = read("2026-01-13 01:00,1.0,80", "2026-01-13 01:00,3.0,90", "2026-01-13 01:01,5.0,70")
    told = faults(
        "2026-01-13 01:00:00,1.0,80", "2026-01-13 01:00:00,3.0,90", "2026-01-13 01:01:00,5.0,70"
    )

    assert minutes.temp_c.tolist() == [2.0, 5.0]
    assert minutes.humidity_percent is not None
    assert minutes.humidity_percent.tolist() == [85.0, 70.0]
    assert tuple(map(str, minutes.notes)) == (
        "1 row shares a minute with another; the mean of each minute is taken.",
    )
    assert told == ["line 3, Time: gives other figures for the same time as line 2"]


def test_seconds_written_after_an_offset_are_seen_as_seconds_by_the_careful_reader() -> None:
    # "+01:00" has a colon of its own, which is none of the time's.
    with_zone = read(
        "2026-01-13 01:00+01:00,1.0,80", "2026-01-13 01:00+01:00,3.0, 90 ",
        "2026-01-13 01:01+01:00,5.0,70",
    )  # fmt: skip

    assert with_zone.temp_c.tolist() == [2.0, 5.0]
    assert faults(
        "2026-01-13 01:00:00+01:00,1.0,80", "2026-01-13 01:00:00+01:00,3.0, 90 ",
        "2026-01-13 01:01:00+01:00,5.0,70",
    ) == ["line 3, Time: gives other figures for the same time as line 2"]  # fmt: skip


def test_an_unknown_humidity_does_not_pull_the_mean_of_its_minute() -> None:
    reading = read("2026-01-13 01:00,1.0,", "2026-01-13 01:00,3.0,90", "2026-01-13 01:01,5.0,")

    assert reading.humidity_percent is not None
    assert reading.humidity_percent[0] == 90.0
    assert np.isnan(reading.humidity_percent[1])


@both_ways
def test_date_and_time_in_two_columns_are_one_moment() -> None:
    reading = read(
        "2026-01-13,01:00:30,1.0", "2026-01-13,02:00:30,2.0", header="Date,Clock time,Temp (°C)"
    )

    assert reading.at_s.tolist() == [seconds("2026-01-13T01:00:30"), seconds("2026-01-13T02:00:30")]
    assert [(c.header, c.role) for c in reading.columns] == [
        ("Date", "date"), ("Clock time", "clock"), ("Temp (°C)", "temperature"),
    ]  # fmt: skip


@both_ways
@pytest.mark.parametrize("offset", ["+15:00", "-15:00", "+01:60"])
def test_an_offset_that_no_place_has_is_told_with_its_line(offset: str) -> None:
    rows = [f"2026-01-13 {hour:02d}:00+01:00,1.0,80" for hour in range(4)]

    told = faults(*rows[:2], rows[2].replace("+01:00", offset), rows[3])

    assert len(told) == 1
    assert told[0].startswith("line 4, Time: ")


# The figures


@both_ways
@pytest.mark.parametrize(
    ("written", "temp_c"),
    [
        ("-0.5", -0.5), ("+7", 7.0), ("7.", 7.0), (".5", 0.5), ("12.345", 12.345), ("-12", -12.0),
        ("0", 0.0), ("-60", -60.0), ("85", 85.0), ("007.10", 7.1),
    ],
)  # fmt: skip
def test_a_figure_is_what_is_written(written: str, temp_c: float) -> None:
    reading = read(
        "2026-01-13 01:00,1.25,80", f"2026-01-13 02:00,{written},81", "2026-01-13 03:00,30,82"
    )

    assert reading.temp_c.tolist() == [1.25, temp_c, 30.0]


@both_ways
def test_decimal_commas_between_semicolons_are_decimals() -> None:
    reading = read(
        "2026-01-13 01:00;-1,25;80,5", "2026-01-13 02:00;10,5;81", "2026-01-13 03:00;3;82,25",
        header=HEADER.replace(",", ";"),
    )  # fmt: skip

    assert reading.temp_c.tolist() == [-1.25, 10.5, 3.0]
    assert reading.humidity_percent is not None
    assert reading.humidity_percent.tolist() == [80.5, 81.0, 82.25]


@both_ways
@pytest.mark.parametrize("word", ["", "nan", "NaN", "ERR", "error", "#N/A", "-999", "-9999"])
def test_a_missing_temperature_leaves_its_row_out_and_is_told(word: str) -> None:
    reading = read(
        "2026-01-13 01:00,1.0,80", f"2026-01-13 02:00,{word},81", "2026-01-13 03:00,3.0,82"
    )

    assert reading.temp_c.tolist() == [1.0, 3.0]
    assert tuple(map(str, reading.notes)) == ("1 row without a temperature left out.",)


@pytest.mark.parametrize("written", ["1-2", "--1", "1.2.3", "mild"])
def test_a_figure_that_is_none_is_told_with_its_line(written: str) -> None:
    (told,) = faults(
        "2026-01-13 01:00,1.0,80", f"2026-01-13 02:00,{written},81", "2026-01-13 03:00,3.0,82"
    )

    assert told.startswith("line 3, Temperature (°C): ")


@both_ways
def test_temperatures_past_what_a_logger_stands_are_told_and_fahrenheit_is_suspected() -> None:
    low = faults("2026-01-13 01:00,-60.1,80", "2026-01-13 02:00,5.0,80")
    high = faults("2026-01-13 01:00,85.1,80", "2026-01-13 02:00,5.0,80", "2026-01-13 03:00,5.0,80")
    warm = faults("2026-01-13 01:00,90,80", "2026-01-13 02:00,25,80", "2026-01-13 03:00,20,80")
    fahrenheit = faults(
        "2026-01-13 01:00,186,80", "2026-01-13 02:00,185,80", header="Time,Temp (°F),Humidity (%)"
    )

    column = "Temperature (°C)"
    assert low == [f"line 2, {column}: -60.1 °C is outside −60 to +85 °C"]
    assert high == [f"line 2, {column}: 85.1 °C is outside −60 to +85 °C"]
    assert warm == [
        f"line 2, {column}: 90 °C is outside −60 to +85 °C. This looks like Fahrenheit; choose °F "
        "if it is"
    ]
    assert fahrenheit == ["line 2, Temp (°F): 186 °F is outside −60 to +85 °C"]


@both_ways
def test_a_record_that_is_warm_all_through_is_asked_for_its_unit() -> None:
    def notes(*temps: str) -> tuple[str, ...]:
        rows = (f"2026-01-13 0{i}:00,{t},80" for i, t in enumerate(temps))
        return tuple(map(str, read(*rows).notes))

    assert notes("30.1", "40", "35") == (
        "Every reading is above 30 °C. If the figures are °F, choose °F.",
    )
    assert notes("30.0", "40", "35") == ()


@both_ways
def test_humidity_a_little_above_a_hundred_is_fog_and_more_is_a_fault() -> None:
    foggy = read("2026-01-13 01:00,1.0,105", "2026-01-13 02:00,2.0,0")
    told = faults("2026-01-13 01:00,1.0,105.5", "2026-01-13 02:00,2.0,-1")

    assert foggy.humidity_percent is not None
    assert foggy.humidity_percent.tolist() == [100.0, 0.0]
    assert told == [
        "line 2, Humidity (%): humidity of 105.5 % is outside 0 to 100",
        "line 3, Humidity (%): humidity of -1 % is outside 0 to 100",
    ]


@both_ways
def test_humidity_that_never_passes_one_is_a_share_unless_percent_is_written() -> None:
    rows = ["2026-01-13 01:00,1.0,0.5", "2026-01-13 02:00,2.0,1"]

    share = read(*rows, header="Time,Temperature (°C),Humidity")
    percent = read(*rows)

    assert share.humidity_percent is not None and percent.humidity_percent is not None
    assert share.humidity_percent.tolist() == [50.0, 100.0]
    assert tuple(map(str, share.notes)) == (
        "The humidity never passes 1 and is read as a share, 1 being 100 %.",
    )
    assert percent.humidity_percent.tolist() == [0.5, 1.0]
    assert tuple(map(str, percent.notes)) == ()


def test_two_readings_are_a_record_and_one_is_not() -> None:
    assert len(read("2026-01-13 01:00,1.0,80", "2026-01-13 02:00,2.0,80").at_s) == 2
    (told,) = faults("2026-01-13 01:00,1.0,80")
    assert "holds only one reading" in told
    (none,) = faults("2026-01-13 01:00,,80", "2026-01-13 02:00,,80")
    assert "holds no figures" in none


@both_ways
def test_a_row_repeated_with_the_same_figures_counts_once() -> None:
    rows = ["2026-01-13 01:00:00,1.0,80", "2026-01-13 02:00:00,2.0,81"]

    reading = read(*rows, *rows, "2026-01-13 03:00:00,3.0,82")

    assert reading.temp_c.tolist() == [1.0, 2.0, 3.0]
    assert "2 rows repeated with the same figures, counted once." in map(str, reading.notes)


@both_ways
@pytest.mark.parametrize("is_short_first", [True, False])
def test_a_row_a_cell_short_beside_one_a_cell_long_does_not_slip_through(
    is_short_first: bool,
) -> None:
    rows = [f"2026-01-13 {hour:02d}:00,{hour}.0,80" for hour in range(8)]
    short, long = (3, 4) if is_short_first else (4, 3)
    rows[short] = rows[short].removesuffix(",80")
    rows[long] += ",80"

    assert sorted(faults(*rows)) == sorted(
        [
            f"line {short + 2}: has 2 cells where the header has 3",
            f"line {long + 2}: has 4 cells where the header has 3",
        ]
    )


# The columns


@pytest.mark.parametrize(
    ("header", "role"),
    [
        ("Temperature (°C)", "temperature"),
        ("Sensor 1 temp", "temperature"),
        ("ch1_in °F", "temperature"),
        ("T", "temperature"),
        ("c", "temperature"),
        ("(F)", "temperature"),
        ("Celsius(ºC)", "temperature"),
        ("X", ""),
        ("Relative humidity", "humidity"),
        ("%RH", "humidity"),
        ("Luftfeuchte innen", "humidity"),
        ("Temp/Humid", "humidity"),
        ("Dew point (°C)", ""),
        ("Max temperature", ""),
        ("Absolute humidity g/m³", ""),
        ("Battery", ""),
        ("Serial number", ""),
    ],
)
def test_a_header_says_what_was_measured(header: str, role: str) -> None:
    assert role_of(header) == role


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("T (°C)", "C"),
        ("C", "C"),
        ("Fahrenheit(°F)", "F"),
        ("F", "F"),
        ("Temp degF", "F"),
        ("Temp degC", "C"),
    ],
)
def test_the_unit_is_that_of_the_header(header: str, unit: str) -> None:
    text = f"Time,{header}\n2026-01-13 01:00,41.0\n2026-01-13 02:00,50.0\n"

    layout = layout_of(text, LoggerOptions(), is_whole_file=True)
    reading = read_logger(text.encode(), filename="a.csv", time_zone=UTC_ZONE)

    assert layout.units["temperature"] == unit
    expected = [41.0, 50.0] if unit == "C" else [5.0, 10.0]
    assert reading.temp_c.tolist() == pytest.approx(expected)


@pytest.mark.parametrize("header", ["Temp", "Temp °C °F"])
def test_a_header_without_a_unit_or_with_both_is_asked_for_it(header: str) -> None:
    rows = ["2026-01-13 01:00,41.0,80", "2026-01-13 02:00,50.0,80"]
    header_row = f"Time,{header},Humidity (%)"

    assert faults(*rows, header=header_row) == [f"{header}: say whether °C or °F"]
    said = read(*rows, header=header_row, options=LoggerOptions(temperature_unit="F"))
    assert said.temp_c.tolist() == pytest.approx([5.0, 10.0])


def test_what_a_person_says_of_the_unit_wins_over_the_header() -> None:
    reading = read(
        "2026-01-13 01:00,41.0,80", "2026-01-13 02:00,50.0,80",
        options=LoggerOptions(temperature_unit="F"),
    )  # fmt: skip

    assert reading.temp_c.tolist() == pytest.approx([5.0, 10.0])
    assert [column.unit for column in reading.columns] == ["", "F", "percent"]


def test_what_is_missing_of_the_columns_is_said() -> None:
    assert faults("2026-01-13 01:00,5.0", header="Time,Pressure") == [
        "temperature: No column with the temperature is found; choose it."
    ]
    (no_clock,) = faults("2026-01-13,5.0", "2026-01-14,6.0", header="Date,Temperature (°C)")
    assert no_clock == (
        "Date: has dates without a time of day: a trial needs the moment of each reading"
    )
    assert faults("2026-01-13 01:00,1.0,80", options=LoggerOptions(columns={"wind": "Time"})) == [
        "“wind” is not something a logger's column can be read as"
    ]


def test_a_header_alone_and_a_file_without_a_date_are_told_apart() -> None:
    assert faults() == ["There is a header and nothing under it."]
    (told,) = faults("mild,fair,dry", "cold,fair,dry")
    assert told.startswith("No row with a date and a figure is found in the first 60. ")
    (no_header,) = faults("2026-01-13 01:00,5.0,80", header="2026-01-13 00:00,4.0,80")
    assert no_header == (
        "line 1: The first row should name the columns, such as “Time” and “Temperature (°C)”."
    )


def test_a_column_with_figures_is_taken_before_one_without() -> None:
    reading = read(
        "2026-01-13 01:00,,5.0", "2026-01-13 02:00,,6.0", header="Time,Temp A (°C),Temp B (°C)"
    )

    assert reading.temp_c.tolist() == [5.0, 6.0]
    assert tuple(map(str, reading.notes)) == (
        "The temperature is read from “Temp B (°C)”; “Temp A (°C)” could be chosen instead.",
    )


def test_two_lines_of_headers_are_put_together_where_both_are_as_wide_as_the_data() -> None:
    reading = read(
        "s,°C,%", "2026-01-13 01:00,1.0,80", "2026-01-13 02:00,2.0,80",
        header="Time,Temperature,Humidity",
    )  # fmt: skip

    assert reading.temp_c.tolist() == [1.0, 2.0]
    assert [column.unit for column in reading.columns][1:] == ["C", "percent"]


def test_a_line_of_the_loggers_own_above_the_header_is_no_part_of_it() -> None:
    text = (
        "Logger,bed 3,\nTime,Temperature (°C),Humidity (%)\n"
        "2026-01-13 01:00,1.0,80\n2026-01-13 02:00,2.0,80\n"
    )

    reading = read_logger(text.encode(), filename="a.csv", time_zone=LONDON)

    assert [column.header for column in reading.columns] == [
        "Time", "Temperature (°C)", "Humidity (%)",
    ]  # fmt: skip
    assert reading.temp_c.tolist() == [1.0, 2.0]


def test_the_label_is_the_files_name_without_its_ending_and_its_folders() -> None:
    def label(filename: str) -> str:
        rows = ["2026-01-13 01:00,1.0,80", "2026-01-13 02:00,2.0,80"]
        return read(*rows, filename=filename).label

    assert label("C:\\logs\\bed 3.north.csv") == "bed 3.north"
    assert label("logs/bed 3.CSV") == "bed 3"
    assert label("bed\x07 3") == "bed 3"
    assert label(".csv") == "logger"
    assert label("x" * 80 + ".csv") == "x" * 60
    assert label("") == "logger"
