from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.csv_columns import role_of, unit_of
from gardenapp.readers.records import ForecastReading, ReadOptions, UnreadableFile
from tests.readers.malformed import GOOD_TABLE, HEADER
from tests.readers.samples_at import (
    BERLIN,
    CHICAGO,
    LONDON,
    lows,
    only_night,
    read_bytes,
    read_sample,
)

UTC_ZONE = ZoneInfo("UTC")
NEW_YORK = ZoneInfo("America/New_York")
LOW_AT = datetime(2026, 5, 4, 4, tzinfo=UTC)  # 05:00 in London
TZDB = "IANA time zone database: clock changes of 2026"


def table(*rows: str, header: str = "Time,Temp (°C)") -> str:
    return "\n".join([header, *rows, ""])


def hourly(start: datetime, temps: list[float], step_min: int = 60) -> str:
    return table(
        *(
            f"{start + timedelta(minutes=index * step_min):%Y-%m-%d %H:%M},{temp}"
            for index, temp in enumerate(temps)
        )
    )


# Layouts


@pytest.mark.parametrize(
    ("name", "options", "low_c"),
    [
        ("station_hourly_iso_celsius_handmade.csv", None, 0.8),
        ("station_hourly_decimal_comma_handmade.csv", ReadOptions(encoding="cp1252"), 0.8),
        ("station_hourly_us_fahrenheit_handmade.csv", None, 0.5),  # its column of lows: 32.9 °F
    ],
    ids=["iso", "decimal comma", "us"],
)
def test_one_night_in_three_layouts_is_the_same_night(
    name: str, options: ReadOptions | None, low_c: float
) -> None:
    night = only_night(read_sample(name, zone=LONDON, options=options))

    assert night.night_of == date(2026, 5, 3)
    assert night.low_c == pytest.approx(low_c, abs=0.01)
    assert night.low_at == LOW_AT
    assert night.evening_c == pytest.approx(6.6, abs=0.02)
    assert night.dew_point_c == pytest.approx(2.2, abs=0.05)
    assert night.wind_mps == pytest.approx(0.64, abs=0.05)  # one table rounds to 0.1 m/s
    assert len(night.hours) == 15
    assert night.covers_night


def test_the_guess_at_the_columns_is_handed_back() -> None:
    reading = read_sample("station_hourly_us_fahrenheit_handmade.csv", zone=LONDON)

    assert [(column.header, column.role, column.unit) for column in reading.columns] == [
        ("Simple Date", "time", ""),
        ("Temp Out (F)", "temperature", "F"),
        ("Hi Temp (F)", "high", "F"),
        ("Low Temp (F)", "low", "F"),
        ("Out Hum", "humidity", "percent"),
        ("Dew Pt. (F)", "dew_point", "F"),
        ("Wind Speed (mph)", "wind", "mph"),
    ]
    assert reading.columns[1].samples == ("48.4", "46.0", "43.9")


def test_the_broken_table_names_every_fault_and_its_line() -> None:
    with pytest.raises(UnreadableFile) as refusal:
        read_sample("station_broken_handmade.csv", zone=LONDON)

    assert sorted((error.line or 0) for error in refusal.value.errors) == [5, 8, 9, 10]


def test_two_header_rows_and_a_title_above_them_are_read() -> None:
    text = "Long Lane plots\n,Temp,Hum\nTime,(°C),(%)\n" + GOOD_TABLE.partition("\n")[2]

    reading = read_bytes(text)

    assert [column.header for column in reading.columns] == ["Time", "Temp (°C)", "Hum (%)"]
    assert only_night(reading).low_c == 0.8


def test_summary_lines_at_the_end_are_left_out_and_told() -> None:
    reading = read_bytes(GOOD_TABLE + "Min,0.8,\nAverage,3.9,\n")

    assert only_night(reading).low_c == 0.8
    assert "Line 11, “Min”, has no date and is left out." in map(str, reading.notes)
    assert "Line 12, “Average”, has no date and is left out." in map(str, reading.notes)


@pytest.mark.parametrize(
    "missing", ["", "-", "--", "---", "--.-", "NA", "n/a", "null", "-999", "-9999", "-999.0"]
)
def test_a_missing_temperature_is_left_out_and_counted(missing: str) -> None:
    reading = read_bytes(GOOD_TABLE.replace(",0.9,", f",{missing},"))

    assert len(only_night(reading).hours) == 8
    assert "1 row without a temperature left out." in map(str, reading.notes)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("-5", -5.0),
        ("\u22125", -5.0),
        ("+3", 3.0),
        ("-0", 0.0),
        ("0", 0.0),
        ("1.", 1.0),
        (".5", 0.5),
    ],
)
def test_a_number_means_what_was_written(text: str, value: float) -> None:
    night = only_night(read_bytes(GOOD_TABLE.replace(",0.9,", f",{text},")))

    assert night.hours[5].temp_c == value


def test_windows_line_ends_and_a_byte_order_mark_change_nothing() -> None:
    plain = read_bytes(GOOD_TABLE)
    marked = read_bytes(b"\xef\xbb\xbf" + GOOD_TABLE.replace("\n", "\r\n").encode())

    assert plain == marked


def test_a_table_newest_first_is_the_same_night() -> None:
    head, *rows = GOOD_TABLE.strip().split("\n")

    assert only_night(read_bytes("\n".join([head, *reversed(rows)]))) == only_night(
        read_bytes(GOOD_TABLE)
    )


def test_a_repeated_row_is_counted_once_and_told() -> None:
    reading = read_bytes(GOOD_TABLE + "2026-05-04 08:00,6.9,98\n")

    assert len(only_night(reading).hours) == 9
    assert "1 row repeated with the same figures, counted once." in map(str, reading.notes)


def test_wind_without_a_unit_is_left_out_and_told() -> None:
    rows = [f"2026-05-0{3 + (18 + i) // 24} {(18 + i) % 24:02d}:00,{i},3.0" for i in range(15)]

    reading = read_bytes(table(*rows, header="Time,Temp (°C),Wind"))

    assert only_night(reading).wind_mps is None
    assert "“Wind” is left out: its header names no unit." in map(str, reading.notes)


@pytest.mark.parametrize(
    ("header", "role"),
    [
        ("Outdoor Temperature(℃)", "temperature"),
        ("Indoor Temperature(°C)", ""),
        ("temperature_2m (°C)", "temperature"),
        ("Soil Temp (°C)", ""),
        ("grass_min_c", ""),
        ("tmin_c", "low"),
        ("TMIN", "low"),
        ("temp_max", "high"),
        ("Hi Temp (F)", "high"),
        ("Wind Chill", ""),
        ("wind_dir", ""),
        ("Wind Gust (km/h)", "gust"),
        ("outdoorTemp", "temperature"),
        ("Taupunkt [°C]", "dew_point"),
        ("Luftfeuchte", "humidity"),
        ("TT_TU", "temperature"),
        ("Heat Index", ""),
        ("max wind (m/s)", ""),
    ],
)
def test_headers_speak_for_roles(header: str, role: str) -> None:
    assert role_of(header) == role


@pytest.mark.parametrize(
    ("header", "role", "unit"),
    [
        ("Temp (℃)", "temperature", "C"),
        ("Temp [°C]", "temperature", "C"),
        ("Temp (F)", "temperature", "F"),
        ("tmin_c", "low", "C"),
        ("temp_f", "temperature", "F"),
        ("Temperature Celsius", "temperature", "C"),
        ("Temp", "temperature", "unknown"),
        ("cloud cover", "cloud", "unknown"),
        ("cloud (oktas)", "cloud", "oktas"),
        ("Wind (km/h)", "wind", "km/h"),
        ("wind_mps", "wind", "m/s"),
        ("Wind Speed (mph)", "wind", "mph"),
        ("Wind (kts)", "wind", "kn"),
    ],
)
def test_headers_name_units(header: str, role: str, unit: str) -> None:
    assert unit_of(header, role) == unit


# What a person says wins


def test_a_chosen_unit_fills_in_for_a_header_without_one() -> None:
    text = GOOD_TABLE.replace("(°C)", "")

    in_c = only_night(read_bytes(text, options=ReadOptions(temperature_unit="C")))
    in_f = only_night(read_bytes(text, options=ReadOptions(temperature_unit="F")))

    assert in_c.low_c == 0.8
    assert in_f.low_c == pytest.approx((0.8 - 32) * 5 / 9)


def test_a_chosen_unit_that_the_header_contradicts_is_refused() -> None:
    with pytest.raises(UnreadableFile, match="the file says °C here; °F was chosen"):
        read_bytes(GOOD_TABLE, options=ReadOptions(temperature_unit="F"))
    assert read_bytes(GOOD_TABLE, options=ReadOptions(temperature_unit="C")).nights


def test_a_chosen_column_is_read_instead_of_the_guess() -> None:
    text = "Time,Temp A (°C),Temp B (°C)\n" + "".join(
        f"2026-05-04 0{hour}:00,{hour},{hour - 9}\n" for hour in range(9)
    )

    night = only_night(
        read_bytes(text, options=ReadOptions(columns={"temperature": "Temp B (°C)"}))
    )

    assert night.low_c == -9.0


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"temperature": "Temp X"}, "there is no column “Temp X”"),
        ({"temperature": "Humidity(%)"}, "is not a temperature by its name"),
        ({"frost": "Time"}, "is not something a column can be read as"),
        ({"temperature": "Time"}, "holds dates or times"),
    ],
    ids=["no such column", "a humidity", "no such role", "the times"],
)
def test_a_choice_that_cannot_be_is_refused(columns: dict[str, str], words: str) -> None:
    with pytest.raises(UnreadableFile, match=words):
        read_bytes(GOOD_TABLE, options=ReadOptions(columns=columns))


def test_a_role_chosen_as_nothing_is_not_read() -> None:
    night = only_night(read_bytes(GOOD_TABLE, options=ReadOptions(columns={"humidity": ""})))

    assert night.hours[0].humidity_percent is None


def test_the_date_order_can_be_chosen() -> None:
    text = table("01/02/26,1.0", "02/01/26,2.0", header="Date,Min temperature (°C)")

    morning = ReadOptions(daily_low_belongs_to="morning")
    day_first = read_bytes(text, options=replace(morning, date_order="DMY"))
    month_first = read_bytes(text, options=replace(morning, date_order="MDY"))

    assert lows(day_first) == {"2026-01-01": 2.0, "2026-01-31": 1.0}
    assert lows(month_first) == {"2026-01-01": 1.0, "2026-01-31": 2.0}


def test_the_garden_and_the_tables_clock_may_be_in_different_zones() -> None:
    local = only_night(read_bytes(GOOD_TABLE, zone=BERLIN))
    in_utc = only_night(
        read_bytes(GOOD_TABLE, zone=BERLIN, options=ReadOptions(csv_time_zone=UTC_ZONE))
    )

    assert in_utc.low_at is not None
    assert local.low_at is not None
    assert in_utc.low_at - local.low_at == timedelta(hours=2)


def test_times_with_their_own_offset_need_no_zone() -> None:
    text = GOOD_TABLE.replace(":00,", ":00-05:00,")

    night = only_night(read_bytes(text, zone=CHICAGO))

    assert night.low_at == datetime(2026, 5, 4, 10, tzinfo=UTC)


def test_a_hot_night_asks_whether_it_is_fahrenheit() -> None:
    text = hourly(datetime(2026, 5, 3, 18), [40.0 - i / 2 for i in range(15)])  # noqa: DTZ001 -- a wall clock

    assert any("choose °F" in str(note) for note in read_bytes(text).notes)


@pytest.mark.parametrize(("coldest_c", "is_asked"), [(30.0, False), (30.1, True)])
def test_a_low_of_thirty_degrees_is_not_yet_odd(coldest_c: float, is_asked: bool) -> None:
    text = hourly(datetime(2026, 5, 3, 18), [coldest_c] * 15)  # noqa: DTZ001 -- a wall clock

    assert any("choose °F" in str(note) for note in read_bytes(text).notes) is is_asked


# Days


def test_nobody_knows_to_which_night_a_days_low_belongs_but_who_made_the_table() -> None:
    with pytest.raises(UnreadableFile, match="When does a date's low fall") as refusal:
        read_sample("station_daily_minmax_handmade.csv", zone=LONDON)

    assert refusal.value.asks == ("daily_low",)
    assert "night of 3 May 2026 is −1.1 °C" in str(refusal.value)


def test_a_days_low_can_belong_to_its_morning() -> None:
    options = ReadOptions(daily_low_belongs_to="morning")

    reading = read_sample("station_daily_minmax_handmade.csv", zone=LONDON, options=options)

    assert reading.kind == "csv_daily"
    assert lows(reading)["2026-05-03"] == -1.1  # the minimum of 4 May
    assert len(reading.nights) == 6
    assert any("ended on its morning" in str(note) for note in reading.notes)


def test_a_days_low_can_belong_to_its_evening() -> None:
    options = ReadOptions(daily_low_belongs_to="evening")

    reading = read_sample("station_daily_minmax_handmade.csv", zone=LONDON, options=options)

    assert lows(reading)["2026-05-04"] == -1.1


def test_the_wrong_kind_chosen_is_said() -> None:
    with pytest.raises(UnreadableFile, match="choose hourly"):
        read_bytes(GOOD_TABLE, options=ReadOptions(kind="csv_daily"))
    with pytest.raises(UnreadableFile, match="choose daily"):
        read_sample(
            "station_daily_minmax_handmade.csv",
            zone=LONDON,
            options=ReadOptions(kind="csv_hourly"),
        )


# Clock changes


@pytest.mark.outside(TZDB)
@pytest.mark.parametrize(
    ("zone", "day", "hour", "first_utc"),
    [(LONDON, date(2026, 10, 25), 1, 0), (CHICAGO, date(2026, 11, 1), 1, 6)],
    ids=["London", "Chicago"],
)
def test_the_doubled_hour_in_autumn_is_two_hours(
    zone: ZoneInfo, day: date, hour: int, first_utc: int
) -> None:
    evening = [f"{day - timedelta(days=1)} {h}:00,5" for h in (18, 20, 22)]
    morning = [f"{day} {h:02d}:00,{t}" for h, t in ((0, 4), (1, 3), (1, 1), (2, 2), (4, 2), (6, 3))]

    night = only_night(read_bytes(table(*evening, *morning), zone=zone))

    at = {h.at: h.temp_c for h in night.hours}
    first = datetime(day.year, day.month, day.day, first_utc, tzinfo=UTC)
    assert at[first] == 3.0
    assert at[first + timedelta(hours=1)] == 1.0
    assert at[first + timedelta(hours=2)] == 2.0
    assert (night.low_c, night.low_at) == (1.0, first + timedelta(hours=1))


@pytest.mark.outside(TZDB)
def test_the_doubled_half_hours_in_autumn_are_in_order() -> None:
    start = datetime(2026, 10, 24, 18)  # noqa: DTZ001 -- a wall clock
    clock = [start + timedelta(minutes=30 * i) for i in range(16)]  # to 01:30
    clock += [datetime(2026, 10, 25, 1) + timedelta(minutes=30 * i) for i in range(14)]  # noqa: DTZ001
    text = table(*(f"{at:%d/%m/%Y %H:%M},{index}" for index, at in enumerate(clock)))

    night = only_night(read_bytes(text))

    assert [hour.temp_c for hour in night.hours] == [float(i) for i in range(30)]
    assert {b.at - a.at for a, b in zip(night.hours, night.hours[1:], strict=False)} == {
        timedelta(minutes=30)
    }


@pytest.mark.outside(TZDB)
def test_the_doubled_hour_in_a_table_newest_first_is_two_hours_too() -> None:
    oldest_first = [
        *("2026-10-24 20:00,5", "2026-10-24 22:00,5", "2026-10-25 00:00,4"),
        *("2026-10-25 01:00,3", "2026-10-25 01:00,1", "2026-10-25 02:00,2", "2026-10-25 06:00,3"),
    ]

    night = only_night(read_bytes(table(*reversed(oldest_first))))

    assert [hour.temp_c for hour in night.hours] == [5.0, 5.0, 4.0, 3.0, 1.0, 2.0, 3.0]
    assert night.low_at == datetime(2026, 10, 25, 1, tzinfo=UTC)


@pytest.mark.outside(TZDB)
@pytest.mark.parametrize(
    ("zone", "skipped"),
    [(LONDON, "2026-03-29 01:30"), (CHICAGO, "2026-03-08 02:30")],
    ids=["London", "Chicago"],
)
def test_an_hour_that_the_clock_skipped_is_refused_with_its_line(
    zone: ZoneInfo, skipped: str
) -> None:
    text = table(f"{skipped[:10]} 00:00,3", f"{skipped},2", f"{skipped[:10]} 10:00,1")

    with pytest.raises(UnreadableFile) as refusal:
        read_bytes(text, zone=zone)

    (error,) = refusal.value.errors
    assert (error.line, error.column) == (3, "Time")
    assert "did not exist" in str(error.message)
    assert only_night(read_bytes(text, zone=zone, options=ReadOptions(csv_time_zone=UTC_ZONE)))


# Real tables


def lincoln() -> ForecastReading:
    return read_sample(
        "daily_real_lincoln_2016.csv",
        zone=CHICAGO,
        options=ReadOptions(temperature_unit="F", daily_low_belongs_to="morning"),
    )


@pytest.mark.outside("NOAA daily summaries, station USW00094996, 2016-03-01 and 2016-03-03, TMIN")
def test_a_real_daily_export_in_fahrenheit() -> None:
    found = lows(lincoln())

    assert len(found) == 153
    assert found["2016-02-29"] == -6.67  # 20 °F on 1 March
    assert found["2016-03-02"] == -3.33  # 26 °F on 3 March


@pytest.mark.outside("NOAA daily summaries, station USW00094996: no unit in the file")
def test_a_real_daily_export_without_its_unit_is_asked_about() -> None:
    with pytest.raises(UnreadableFile, match="TMIN: say whether °C or °F"):
        read_sample("daily_real_lincoln_2016.csv", zone=CHICAGO)


@pytest.mark.outside("NOAA daily data, Seattle, 2012-03-01 and 2015-11-30, temp_min")
def test_a_real_daily_table_in_celsius() -> None:
    found = lows(
        read_sample(
            "daily_real_seattle_2012-2015.csv",
            zone=ZoneInfo("America/Los_Angeles"),
            options=ReadOptions(temperature_unit="C", daily_low_belongs_to="morning"),
        )
    )

    assert found["2012-02-29"] == 1.1
    assert found["2015-11-29"] == -3.8


@pytest.mark.outside("hourly airport observations, Newark EWR, 2013-04-03T10Z, 30.92 °F (CC0)")
def test_a_real_hourly_table_in_fahrenheit() -> None:
    reading = read_sample(
        "hourly_real_newark_2013.csv", zone=NEW_YORK, options=ReadOptions(temperature_unit="F")
    )

    coldest = min(reading.nights, key=lambda night: night.low_c)
    assert coldest.low_c == pytest.approx((30.92 - 32) * 5 / 9)
    assert coldest.low_at == datetime(2013, 4, 3, 10, tzinfo=UTC)
    assert coldest.night_of == date(2013, 4, 2)
    assert any("“wind_speed” is left out" in str(note) for note in reading.notes)


@pytest.mark.outside(
    "German Weather Service (DWD), hourly air temperature files: column layout, UTC, -999 missing"
)
def test_a_weather_services_archive_layout_is_read() -> None:
    hours = [(3, 18), (3, 20), (3, 22), (4, 0), (4, 2), (4, 4), (4, 6)]
    rows = [
        f"      99999;2026050{day}{hour:02d};    3;   {9 - index:.1f};   80.0;eor"
        for index, (day, hour) in enumerate(hours)
    ]
    rows[3] = rows[3].replace("6.0", "-999")
    options = ReadOptions(temperature_unit="C", csv_time_zone=UTC_ZONE)

    night = only_night(
        read_bytes(
            table(*rows, header="STATIONS_ID;MESS_DATUM;QN_9;TT_TU;RF_TU;eor"),
            zone=BERLIN,
            options=options,
        )
    )

    assert [hour.temp_c for hour in night.hours] == [9.0, 8.0, 7.0, 5.0, 4.0, 3.0]
    assert night.low_at == datetime(2026, 5, 4, 6, tzinfo=UTC)
    assert night.hours[0].humidity_percent == 80.0


def test_a_date_and_a_chosen_column_of_hours_make_a_time() -> None:
    rows = [f"2026-05-04,{hour},{9 - hour}" for hour in range(9)]
    text = table(*rows, header="Date,Hr,Temp (°C)")

    night = only_night(read_bytes(text, options=ReadOptions(columns={"clock": "Hr"})))

    assert (night.low_c, night.low_at) == (1.0, datetime(2026, 5, 4, 7, tzinfo=UTC))


def test_a_hundred_columns_and_long_headers_are_fine() -> None:
    extra = ",".join(f"extra {index} {'x' * 150}" for index in range(98))
    rows = [row + ",1" * 98 for row in GOOD_TABLE.strip().split("\n")[1:]]

    reading = read_bytes("\n".join([f"{HEADER},{extra}", *rows]))

    assert only_night(reading).low_c == 0.8
    assert max(len(column.header) for column in reading.columns) <= 100


def test_a_date_that_is_half_words_is_told_and_not_taken_for_a_summary() -> None:
    with pytest.raises(UnreadableFile, match="“4 Mayor 2026” is not a date and time"):
        read_bytes(GOOD_TABLE + "4 Mayor 2026,3.0,80\n")
    with pytest.raises(UnreadableFile, match="written in another way than the others"):
        read_bytes(GOOD_TABLE + "4 May 2026,3.0,80\n")
    notes = read_bytes(GOOD_TABLE + "Mean,3.0,80\n").notes
    assert any("“Mean”, has no date" in str(note) for note in notes)
