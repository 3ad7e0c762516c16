"""Every broken file is refused with words, and nothing a file holds makes a reader crash."""

from __future__ import annotations

import tracemalloc
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from gardenapp.readers.records import (
    KINDS,
    MOST_ERRORS,
    ForecastReading,
    ReadOptions,
    UnreadableFile,
)
from gardenapp.readers.registry import read_forecast
from tests.readers import malformed
from tests.readers.malformed import MALFORMED

NOW = datetime(2026, 5, 3, 12, tzinfo=UTC)
ZONE = ZoneInfo("Europe/London")


def read(
    data: bytes, *, filename: str = "a.csv", options: ReadOptions | None = None
) -> ForecastReading:
    return read_forecast(data, filename=filename, time_zone=ZONE, now=NOW, options=options)


GOOD = {
    "table": malformed.GOOD_TABLE.encode(),
    "grid": malformed.dump(malformed.good_grid()),
    "periods": malformed.dump(malformed.good_periods()),
    "series": malformed.dump(malformed.good_series()),
    "taf": malformed.GOOD_TAF.encode(),
}


@pytest.mark.parametrize("data", GOOD.values(), ids=GOOD.keys())
def test_the_files_that_are_broken_on_purpose_are_good_before(data: bytes) -> None:
    reading = read(data)

    assert len(reading.nights) == 1


@pytest.mark.parametrize(("filename", "data"), MALFORMED.values(), ids=MALFORMED.keys())
def test_a_broken_file_is_refused_with_words(filename: str, data: bytes) -> None:
    with pytest.raises(UnreadableFile) as refusal:
        read(data, filename=filename)

    errors = refusal.value.errors
    assert errors
    assert len(errors) <= MOST_ERRORS + 1
    for error in errors:
        assert str(error.message).strip()
        str(error).encode("utf-8")  # a lone surrogate would fail on the way to a page
        assert len(str(error)) < 400


@pytest.mark.parametrize("kind", KINDS)
def test_broken_files_called_another_kind_are_refused_or_read(kind: str) -> None:
    options = ReadOptions(kind=kind, encoding="cp1252")
    refused = 0

    for filename, data in MALFORMED.values():
        try:
            assert read(data, filename=filename, options=options).nights
        except UnreadableFile as refusal:
            assert refusal.errors
            refused += 1

    # Windows-1252, said out loud, makes good tables of the two that only lacked it
    assert refused >= len(MALFORMED) - 2


WHERE = [
    ("short row", 11, "", "has 2 cells where the header has 3"),
    ("61 degrees", 11, "Outdoor Temperature(°C)", "outside −60 to +60 °C"),
    ("repeated hour with another value", 11, "Time", "same time as line 10"),
    ("other date order", 11, "Time", "another way"),
    ("unclosed quote", 11, "", "quotation mark"),
    ("nul", 11, "", "U+0000"),
    ("no unit", None, "Outdoor Temperature", "say whether °C or °F"),
    ("ambiguous dates", None, "Date", "day or the month"),
    ("Fahrenheit said to be Celsius", 2, "Outdoor Temperature(°C)", "looks like Fahrenheit"),
    ("dew point and temperature swapped", None, "Dew Point(°C)", "swapped"),
    ("value is text", None, "properties.temperature.values[0].value", "expected a number"),
    ("validTime is a number", None, "properties.temperature.values[0].validTime", "text"),
    ("a place, not a forecast", None, "properties.forecastGridData", "https://weather.example/"),
    ("json with nan", None, "", "NaN is not a number that JSON allows"),
    (
        "json with 1e999",
        None,
        "properties.timeseries[0].data.instant.details.air_temperature",
        "too",
    ),
    ("twelve-hour periods", None, "properties.periods[0].endTime", "hourly"),
    ("taf without a low", 1, "", "no low in this message"),
]


@pytest.mark.parametrize(("name", "line", "column", "words"), WHERE, ids=[w[0] for w in WHERE])
def test_the_refusal_names_the_place_and_the_fault(
    name: str, line: int | None, column: str, words: str
) -> None:
    filename, data = MALFORMED[name]

    with pytest.raises(UnreadableFile) as refusal:
        read(data, filename=filename)

    assert any(
        error.line == line and error.column == column and words in str(error.message)
        for error in refusal.value.errors
    ), refusal.value.errors


def test_truncated_json_names_the_line_and_character_of_the_break() -> None:
    data = GOOD["series"]
    cut = data[: data.index(b'"timeseries"') + 20]

    with pytest.raises(UnreadableFile) as refusal:
        read(cut)

    error = refusal.value.errors[0]
    assert error.line == cut.count(b"\n") + 1
    assert str(error.column).startswith("character ")
    assert "breaks off" in str(error.message)


def test_a_table_cut_off_anywhere_is_refused_or_read_and_never_crashes() -> None:
    data = GOOD["table"]
    read_bytes = 0

    for end in range(len(data)):
        try:
            read_bytes += bool(read(data[:end]).nights)
        except UnreadableFile as refusal:
            assert refusal.errors

    assert 0 < read_bytes < len(data) / 2  # only once the cold end of the night is there


def test_at_most_fifty_faults_are_listed_and_the_rest_counted() -> None:
    rows = "".join(
        f"2026-05-{day:02d} {hour:02d}:00,mild,90\n" for day in range(1, 4) for hour in range(24)
    )

    with pytest.raises(UnreadableFile) as refusal:
        read(f"{malformed.HEADER}\n{rows}".encode())

    assert len(refusal.value.errors) == MOST_ERRORS + 1
    assert str(refusal.value.errors[-1].message) == "and 22 more"


def test_a_table_without_its_unit_still_hands_back_its_columns_for_choosing() -> None:
    with pytest.raises(UnreadableFile) as refusal:
        read(MALFORMED["no unit"][1])

    columns = refusal.value.columns
    assert [(column.header, column.role, column.unit) for column in columns] == [
        ("Time", "time", ""),
        ("Outdoor Temperature", "temperature", "unknown"),
        ("Humidity(%)", "humidity", "percent"),
    ]
    assert columns[1].samples == ("9.1", "6.6", "4.4")


def test_reading_takes_less_than_fifty_times_the_size_of_a_table_in_memory() -> None:
    row = "2026-05-03 18:00,9.1,70\n"
    data = f"{malformed.HEADER}\n{row * 10_000}".encode()
    tracemalloc.start()

    with pytest.raises(UnreadableFile):  # ten thousand times one hour is no night
        read(data)

    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak_bytes < 50 * len(data)  # so a file at the limit of 2 MB stays under 100 MB


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
@example(b"TAF AAAA 311100Z 3112/0112 TN01/0105Z")
def test_random_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        assert read(data).nights
    except UnreadableFile as refusal:
        assert refusal.errors


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    name=st.sampled_from(sorted(GOOD)),
    cuts=st.lists(
        st.tuples(st.floats(0, 1), st.integers(0, 12), st.binary(max_size=6)),
        min_size=1,
        max_size=4,
    ),
    unit=st.sampled_from([None, "C", "F"]),
)
def test_a_good_file_with_bytes_changed_is_read_or_refused(
    name: str, cuts: list[tuple[float, int, bytes]], unit: None
) -> None:
    data = GOOD[name]
    for where, removed, put_in in cuts:
        start = int(where * len(data))
        data = data[:start] + put_in + data[start + removed :]

    try:
        reading = read(data, options=ReadOptions(temperature_unit=unit))
    except UnreadableFile as refusal:
        assert refusal.errors
    else:
        for night in reading.nights:
            assert -60.0 <= night.low_c <= 60.0
            times = [hour.at for hour in night.hours]
            assert times == sorted(set(times))


_JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=5)
    | st.sampled_from(["NOW/P1D", "2026-05-03T18:00:00Z", "wmoUnit:degC", "2 mph", "F"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["value", "values", "uom", "unitCode", "details", "validTime"]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)


def _places(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    found = [path]
    entries = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value[:2])
        if isinstance(value, list)
        else ()
    )
    for key, inner in entries:
        found.extend(_places(inner, (*path, key)))
    return found


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    make=st.sampled_from([malformed.good_grid, malformed.good_periods, malformed.good_series]),
    pick=st.floats(0, 0.999),
    put_in=_JSON_VALUES,
)
def test_a_forecast_with_any_value_put_in_another_place_is_read_or_refused(
    make: object, pick: float, put_in: object
) -> None:
    document = make()  # type: ignore[operator]
    places = _places(document)[1:]
    *way, last = places[int(pick * len(places))]
    target = document
    for key in way:
        target = target[key]
    target[last] = put_in

    try:
        assert read(malformed.dump(document)).nights
    except UnreadableFile as refusal:
        for error in refusal.errors:
            str(error).encode("utf-8")
