"""A station's own table: every figure in our units, every fault and note in its words."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.records import ForecastReading, ReadOptions, UnreadableFile
from tests.readers.samples_at import only_night, read_bytes

UTC_ZONE = ZoneInfo("UTC")
# Fifteen hours from six in the evening: 5 °C throughout, and 1 °C at four in the morning.
HOURS = [f"2026-05-{3 + h // 24:02d} {h % 24:02d}:00" for h in range(18, 33)]


def table(
    *cells: str, header: str = "Temp (°C)", change: dict[int, str] | None = None, end: str = ""
) -> str:
    """A table whose rows all hold these cells, some rows' cells changed."""
    rows = [
        f"{at},{(change or {}).get(number, ','.join(cells))}" for number, at in enumerate(HOURS)
    ]
    return "\n".join([f"Time,{header}", *rows, end])


def read(text: str, **options: object) -> ForecastReading:
    return read_bytes(text, zone=UTC_ZONE, options=ReadOptions(**options))  # type: ignore[arg-type]


def faults(text: str, **options: object) -> list[str]:
    with pytest.raises(UnreadableFile) as refused:
        read(text, **options)
    return [str(fault) for fault in refused.value.errors]


def test_every_column_is_brought_to_our_units() -> None:
    header = "Temp (°F),Dew Point (°F),Humidity (%),Cloud (oktas),Wind (km/h),Gust (mph),Low (°F)"

    reading = read(table("41,23,70,2,36,10,39.2", header=header))

    night = only_night(reading)
    hour = night.hours[0]
    assert hour.at == datetime(2026, 5, 3, 18, tzinfo=UTC)
    assert (hour.temp_c, hour.dew_point_c) == (pytest.approx(5.0), pytest.approx(-5.0))
    assert (hour.humidity_percent, hour.cloud_fraction) == (70.0, 0.25)
    assert (hour.wind_mps, hour.gust_mps) == (pytest.approx(10.0), pytest.approx(4.4704))
    assert night.low_c == pytest.approx(4.0)
    assert tuple(map(str, reading.notes)) == ("Each night's low is the lowest of “Low (°F)” too.",)
    assert (reading.kind, reading.attribution) == ("csv_hourly", "Imported table")


def test_a_table_of_hourly_lows_alone_is_read_by_them() -> None:
    reading = read(table("5", header="Low (°C)", change={10: "1"}))

    assert only_night(reading).low_c == 1.0
    assert tuple(map(str, reading.notes)) == ()


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("Wind", "“Wind” is left out: its header names no unit."),
        ("Gust", "“Gust” is left out: its header names no unit."),
        ("Cloud", "“Cloud” is left out: its header names no unit."),
    ],
)
def test_a_column_without_its_unit_is_left_out_and_told(header: str, said: str) -> None:
    reading = read(table("5", "3", header=f"Temp (°C),{header}"))

    assert tuple(map(str, reading.notes)) == (said,)
    hour = only_night(reading).hours[0]
    assert (hour.wind_mps, hour.gust_mps, hour.cloud_fraction) == (None, None, None)


def test_faults_of_figures_are_told_each_with_line_and_column() -> None:
    header = "Temp (°C),Humidity (%),Wind (m/s)"
    text = table("5,70,3", header=header, change={0: "61,70,3", 1: "5,140,3", 2: "5,70,calm"})

    assert faults(text) == ["line 2, Temp (°C): 61 °C is outside −60 to +60 °C"]


def test_odd_figures_of_what_one_can_plan_without_are_left_out_and_told() -> None:
    header = "Temp (°C),Humidity (%),Wind (m/s)"
    reading = read(table("5,70,3", header=header, change={1: "5,140,3", 2: "5,70,calm"}))

    assert tuple(map(str, reading.notes)) == (
        "1 figure of “Humidity (%)” is left out; line 3: humidity of 140 % is outside 0 to 100.",
        "1 figure of “Wind (m/s)” is left out; line 4: “calm” is not a number.",
    )
    hours = only_night(reading).hours
    assert (hours[1].humidity_percent, hours[2].wind_mps, hours[3].wind_mps) == (None, None, 3.0)


def test_a_column_of_which_most_is_odd_is_refused_line_by_line() -> None:
    found = faults(table("5,calm", header="Temp (°C),Wind (m/s)"))

    assert found[0] == "line 2, Wind (m/s): “calm” is not a number"
    assert len(found) == len(HOURS)


def test_rows_without_a_temperature_and_repeated_rows_are_counted() -> None:
    again = f"{HOURS[3]},5\n{HOURS[4]},5\n"

    reading = read(table("5", change={7: "", 8: "--", 9: "NA"}, end=again))

    assert tuple(map(str, reading.notes[:2])) == (
        "3 rows without a temperature left out.",
        "2 rows repeated with the same figures, counted once.",
    )
    assert len(only_night(reading).hours) == 12


def test_other_figures_for_the_same_time_are_told_with_both_lines() -> None:
    assert faults(table("5", end=f"{HOURS[3]},4\n")) == [
        "line 17, Time: gives other figures for the same time as line 5"
    ]


def test_a_table_that_is_far_too_warm_is_asked_whether_it_is_fahrenheit() -> None:
    hot = faults(table("25", change={4: "61"}))
    mixed = faults(table("24.9", change={4: "61"}))

    assert hot[0] == (
        "line 6, Temp (°C): looks like Fahrenheit, though it is taken as °C (or the column is not "
        "the temperature). Choose °F if it is"
    )
    assert mixed == ["line 6, Temp (°C): 61 °C is outside −60 to +60 °C"]
    assert read(table("50", change={4: "61"}, header="Temp (°F)")).nights


def test_dew_points_above_every_temperature_are_swapped_columns() -> None:
    header = "Temp (°C),Dew Point (°C)"

    assert faults(table("5,5.4", header=header)) == [
        "Dew Point (°C): the dew point is above the temperature in every row: the columns look "
        "swapped"
    ]
    # Three tenths are rounding.
    assert tuple(map(str, read(table("5,5.3", header=header)).notes)) == ()
    assert tuple(
        map(str, read(table("5,4", header=header, change={0: "5,6", 1: "5,6"})).notes)
    ) == ("The dew point is above the temperature in 2 rows.",)


def test_a_desert_s_heat_and_drought_are_swapped_columns() -> None:
    header = "Temp (°C),Humidity (%)"

    assert faults(table("40,25", header=header)) == [
        "Temp (°C): temperature and humidity look swapped: it is hot as a desert and as dry"
    ]
    assert read(table("39.9,25", header=header)).nights
    assert read(table("40,25.1", header=header)).nights


def test_a_row_of_another_width_is_told_with_its_line() -> None:
    header = "Temp (°C),Humidity (%)"

    assert faults(table("5,70", header=header, change={3: "5", 5: "5,70,1"})) == [
        "line 5: has 2 cells where the header has 3",
        "line 7: has 4 cells where the header has 3",
    ]
    assert read(table("5,70", header=header, change={5: "5,70,,"})).nights


def test_a_row_without_a_date_among_the_others_is_told() -> None:
    lines = table("5").splitlines()
    lines[6:6] = ["midnight,5"]

    assert faults("\n".join(lines)) == ["line 7, Time: has no date"]


def test_what_a_table_lacks_is_told() -> None:
    no_figures = table("")
    afternoon = "Time,Temp (°C)\n2026-05-03 13:00,5\n2026-05-03 14:00,5\n2026-05-03 15:00,5\n"

    assert faults(no_figures) == ["Temp (°C): holds no figures"]
    assert faults(table("5", header="Pressure")) == [
        "temperature: No column with the outside temperature is found; choose it."
    ]
    assert faults(afternoon) == [
        "Time: No night is covered by these rows: they need hours between 18:00 and 08:00 and up "
        "to its cold end."
    ]
    assert faults(table("5", header="Temp")) == ["Temp: say whether °C or °F"]
    (no_date,) = faults("a,b\nmild,fair\ncold,fair\nb,c\n", kind="csv_hourly")
    assert no_date == (
        "No row with a date is found in the first 30. A table needs a header row and then rows "
        "with a date or a date and time."
    )
    (no_table,) = faults("Tonight lows around 28, clear\n", kind="csv_hourly")
    assert no_table == (
        "This is no table: no row begins with a date. If you know tonight's low, type it in by "
        "hand."
    )


def test_every_low_above_thirty_degrees_is_asked_about() -> None:
    assert tuple(map(str, read(table("30")).notes)) == ()
    assert tuple(map(str, read(table("30.1")).notes)) == (
        "Every low is above 30 °C. If the figures are °F, choose °F.",
    )


# Daily tables


def daily(*rows: str, header: str = "Date,Min (°C),Max (°C)") -> str:
    return "\n".join([header, *rows, ""])


def test_a_daily_table_is_read_by_its_lows() -> None:
    text = daily("2026-05-03,1.5,12", "2026-05-04,-2,10", "2026-05-05,,11", "2026-05-04,-2,10")

    evening, morning = (read(text, daily_low_belongs_to=when) for when in ("evening", "morning"))

    assert [(n.night_of, n.low_c) for n in evening.nights] == [
        (date(2026, 5, 3), 1.5), (date(2026, 5, 4), -2.0),
    ]  # fmt: skip
    assert [n.night_of for n in morning.nights] == [date(2026, 5, 2), date(2026, 5, 3)]
    assert tuple(map(str, evening.notes)) == (
        "1 row without a low left out.",
        "1 row repeated with the same low, counted once.",
        "A date's low is taken for the night that began on its evening.",
    )
    assert (
        str(morning.notes[-1]) == "A date's low is taken for the night that ended on its morning."
    )
    assert evening.kind == "csv_daily"


def test_what_a_daily_table_cannot_say_is_told() -> None:
    assert faults(daily("2026-05-03,1,12", "2026-05-03,2,12")) == [
        "line 3, Min (°C): gives another low for the same date as line 2"
    ]
    assert faults(daily("2026-05-03,12,1", "2026-05-04,12,1")) == [
        "Min (°C): the low is above the high in every row: the columns look swapped"
    ]
    assert faults(daily("2026-05-03,,12", "2026-05-04,,12")) == ["Min (°C): holds no figures"]
    assert faults(daily("2026-05-03,12", header="Date,Mean (°C)")) == [
        "low: No column with the day's low is found; choose it."
    ]
    once = read(daily("2026-05-03,12,1", "2026-05-04,1,12"), daily_low_belongs_to="evening")
    assert str(once.notes[0]) == "The low is above the high in 1 row."
    alone = read(daily("2026-05-03,12,1", "2026-05-04,1,"), daily_low_belongs_to="evening")
    assert str(alone.notes[0]) == "The low is above the high in 1 row."


def test_a_kind_that_the_table_is_not_is_told() -> None:
    assert faults(daily("2026-05-03,1,12", "2026-05-04,1,12"), kind="csv_hourly") == [
        "This table has dates without times of day; choose daily."
    ]
    assert faults(table("5"), kind="csv_daily") == ["This table has times of day; choose hourly."]
