"""Loggers' files are read right or refused with the line, by the quick way and the careful one."""

from __future__ import annotations

import tracemalloc
from datetime import UTC, datetime
from decimal import Decimal
from random import Random
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gardenapp.readers import logger_careful, logger_fast
from gardenapp.readers.logger import LoggerOptions, LoggerReading, read_logger
from gardenapp.readers.records import MOST_ERRORS, UnreadableFile
from tests.readers.malformed_loggers import (
    AWKWARD,
    BROKEN,
    GOOD,
    HEADER,
    LONDON,
    Awkward,
    Broken,
    rows_of,
    table,
)

UTC_ZONE = ZoneInfo("UTC")


def read(
    data: bytes, *, zone: ZoneInfo = LONDON, options: LoggerOptions | None = None
) -> LoggerReading:
    return read_logger(data, filename="bed 3.csv", time_zone=zone, options=options)


@pytest.fixture
def no_quick_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logger_fast, "parse", lambda data, start, layout: None)


@pytest.mark.parametrize("case", AWKWARD.values(), ids=AWKWARD.keys())
def test_an_awkward_file_is_read_right(case: Awkward) -> None:
    data, zone, options, rows, first, lowest_c = case

    reading = read(data, zone=zone, options=options)

    assert len(reading.at_s) == rows
    assert datetime.fromtimestamp(int(reading.at_s[0]), tz=UTC) == first
    assert (np.diff(reading.at_s) > 0).all()
    assert reading.temp_c.min() == pytest.approx(lowest_c, abs=0.006)
    assert reading.humidity_percent is not None
    assert len(reading.humidity_percent) == rows
    assert np.nanmax(reading.humidity_percent) > 75.0
    assert np.nanmax(reading.humidity_percent) <= 100.0


@pytest.mark.parametrize("case", AWKWARD.values(), ids=AWKWARD.keys())
@pytest.mark.usefixtures("no_quick_way")
def test_the_careful_way_reads_it_just_the_same(case: Awkward) -> None:
    test_an_awkward_file_is_read_right(case)


@pytest.mark.parametrize("case", BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_file_is_refused_with_its_line(case: Broken) -> None:
    data, options, line, words = case

    with pytest.raises(UnreadableFile) as refusal:
        read(data, options=options)

    errors = refusal.value.errors
    assert any(error.line == line and words in str(error.message) for error in errors), errors
    for error in errors:
        str(error).encode("utf-8")
        assert len(str(error)) < 400


def test_there_are_over_forty_of_each_way_to_be_awkward_or_broken() -> None:
    assert len(AWKWARD) + len(BROKEN) >= 80


@pytest.mark.parametrize("step_s", [1, 10, 60, 300, 1800, 3600])
def test_the_step_is_found_and_the_quick_way_is_taken(
    step_s: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin = datetime(2026, 5, 1, tzinfo=UTC).timestamp()
    rows = [
        f"{datetime.fromtimestamp(begin + i * step_s, tz=UTC):%Y-%m-%d %H:%M:%S},{i % 20}.5,80"
        for i in range(500)
    ]
    monkeypatch.setattr(logger_careful, "parse", None)  # calling it would fail

    reading = read(table(rows), zone=UTC_ZONE)

    assert reading.step_s == step_s
    assert len(reading.at_s) == 500


@pytest.mark.parametrize(
    "name", ["quoted cells", "windows line ends", "semicolons and decimal commas"]
)
def test_usual_ways_of_writing_take_the_quick_way(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, zone, options, rows, *_ = AWKWARD[name]
    monkeypatch.setattr(logger_careful, "parse", None)  # calling it would fail

    reading = read(data, zone=zone, options=options)

    assert len(reading.at_s) == rows


def test_a_separator_inside_a_quoted_cell_is_not_taken_for_one_outside() -> None:
    rows = [f'"2026-05-13 {h:02d}:00:00","{h},5"' for h in range(9)]

    with pytest.raises(UnreadableFile, match="has 2 cells where the header has 3"):
        read(table(rows))


def test_columns_and_label_are_handed_back_for_confirming() -> None:
    reading = read(GOOD)

    assert [(c.header, c.role, c.unit) for c in reading.columns] == [
        ("Time", "time", ""),
        ("Temperature (°C)", "temperature", "C"),
        ("Humidity (%)", "humidity", "percent"),
    ]
    assert reading.label == "bed 3"


def test_a_person_s_choice_of_columns_wins() -> None:
    data = table(
        [f"{row},{20 + i}" for i, row in enumerate(rows_of())], f"{HEADER},Probe temperature (°C)"
    )

    reading = read(data, options=LoggerOptions(columns={"temperature": "Probe temperature (°C)"}))

    assert reading.temp_c.tolist() == [20.0 + i for i in range(10)]


def test_other_temperature_columns_are_told() -> None:
    reading = read(AWKWARD["two temperatures"][0])

    assert any("Probe temperature" in str(note) for note in reading.notes)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("missing figures", "2 rows without a temperature left out"),
        ("two downloads that overlap", "4 rows repeated"),
        ("newest first", "newest row comes first"),
        ("downloads in the wrong order", "not in the order of time"),
        ("two downloads with a header each", "header comes once more"),
        ("a summary at the end", "has no date and is left out"),
        ("a minute of readings in one minute", "mean of each minute"),
        ("humidity as a share", "read as a share"),
    ],
)
def test_what_was_left_out_or_inferred_is_told(name: str, words: str) -> None:
    data, zone, options, *_ = AWKWARD[name]

    reading = read(data, zone=zone, options=options)

    assert any(words in str(note) for note in reading.notes), reading.notes


def test_a_file_of_two_hundred_megabytes_is_refused_by_its_size() -> None:
    row = b"2026-05-13 21:00:00,9.1,70\n"
    data = HEADER.encode() + b"\n" + row * (200_000_000 // len(row))

    with pytest.raises(UnreadableFile, match="at most 60,000,000 are read"):
        read(data)


def test_a_logger_on_standard_time_is_suspected_when_the_doubled_hour_comes_once() -> None:
    rows = [f"2026-10-25 {h:02d}:{m:02d}:00,{h}.0,80" for h in range(5) for m in (0, 30)]

    reading = read(table(rows))

    assert any("standard time all year" in str(note) for note in reading.notes)


def test_a_logger_without_humidity_has_none() -> None:
    reading = read(table([row.rsplit(",", 1)[0] for row in rows_of()], "Time,Temperature (°C)"))

    assert reading.humidity_percent is None


def test_progress_goes_from_none_to_all_without_turning_back() -> None:
    told: list[float] = []
    rows = [
        f'"2026-01-{1 + i // 1440:02d} {i // 60 % 24:02d}:{i % 60:02d}",5.0,80'
        for i in range(40_000)
    ]

    read_logger(table(rows), filename="a.csv", time_zone=UTC_ZONE, progress=told.append)

    assert told[0] == 0.0
    assert told[-1] == 1.0
    assert len(told) > 4  # the careful way tells now and then
    assert told == sorted(told)


def test_at_most_fifty_faults_are_listed() -> None:
    data = table([row.replace(",", ",mild", 1) for row in rows_of()] * 7)

    with pytest.raises(UnreadableFile) as refusal:
        read(data)

    assert len(refusal.value.errors) == MOST_ERRORS + 1
    assert str(refusal.value.errors[-1].message) == "and 20 more"


def test_the_quick_way_takes_less_than_twelve_times_the_file_in_memory() -> None:
    rows = [
        f"2026-{1 + i // 40_320:02d}-{1 + i // 1440 % 28:02d} {i // 60 % 24:02d}:{i % 60:02d}:00,"
        "5.25,80.5"
        for i in range(100_000)
    ]
    data = table(rows)
    tracemalloc.start()

    read(data, zone=UTC_ZONE)

    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak_bytes < 12 * len(data)  # measured: 7; a file at the limit takes under half a GB


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    values=st.lists(
        st.tuples(
            st.one_of(st.none(), st.decimals(-59, 84, places=2), st.decimals(-59, 84, places=1)),
            st.one_of(st.none(), st.integers(0, 100)),
        ),
        min_size=3,
        max_size=30,
    ),
    step_s=st.integers(1, 3600),
    order=st.randoms(use_true_random=False),
)
def test_any_record_comes_back_as_written_in_any_order(
    values: list[tuple[Decimal | None, int | None]], step_s: int, order: Random
) -> None:
    begin = int(datetime(2026, 1, 5, tzinfo=UTC).timestamp())
    rows = [
        f"{datetime.fromtimestamp(begin + i * step_s, tz=UTC):%Y-%m-%dT%H:%M:%SZ},"
        f"{'' if temp is None else temp},{'' if hum is None else hum}"
        for i, (temp, hum) in enumerate(values)
    ]
    expected = [
        (begin + i * step_s, float(temp), hum)
        for i, (temp, hum) in enumerate(values)
        if temp is not None and float(temp) != -999.0
    ]
    shuffled = list(rows)
    order.shuffle(shuffled)
    if len(expected) < 2:
        return

    straight, mixed = read(table(rows)), read(table(shuffled))

    for reading in (straight, mixed):
        assert reading.at_s.tolist() == [at for at, _, _ in expected]
        assert reading.temp_c.tolist() == [temp for _, temp, _ in expected]
        highest = max((h for _, h in values if h is not None), default=0)
        if reading.humidity_percent is not None and highest > 1:
            known = [None if np.isnan(h) else h for h in reading.humidity_percent]
            assert known == [hum for _, _, hum in expected]


CLOCK_CHANGES = [
    ("Europe/London", datetime(2026, 10, 25, 1, tzinfo=UTC)),
    ("Europe/London", datetime(2026, 3, 29, 1, tzinfo=UTC)),
    ("America/New_York", datetime(2026, 11, 1, 6, tzinfo=UTC)),
    ("America/St_Johns", datetime(2026, 3, 8, 5, 30, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 4, 4, 15, tzinfo=UTC)),  # by half an hour
    ("America/Havana", datetime(2026, 3, 8, 5, tzinfo=UTC)),  # at midnight
    ("Africa/Cairo", datetime(2026, 10, 29, 21, tzinfo=UTC)),  # at midnight, back
    ("Asia/Kolkata", datetime(2026, 10, 25, 1, tzinfo=UTC)),  # none
]


@settings(max_examples=120, deadline=None)
@given(
    change=st.sampled_from(CLOCK_CHANGES),
    before_s=st.integers(4 * 3600, 50 * 3600),
    step_s=st.sampled_from([60, 300, 600, 900, 1800]),
    is_backwards=st.booleans(),
    is_quick=st.booleans(),
)
def test_local_times_through_a_clock_change_come_back_as_the_moments_they_were(
    change: tuple[str, datetime], before_s: int, step_s: int, is_backwards: bool, is_quick: bool
) -> None:
    zone, around = ZoneInfo(change[0]), change[1]
    begin = int(around.timestamp()) - before_s
    moments = list(range(begin, int(around.timestamp()) + 5 * 3600, step_s))
    rows = [
        f"{datetime.fromtimestamp(at, tz=zone):%Y-%m-%d %H:%M:%S},{i % 30}.5,80"
        for i, at in enumerate(moments)
    ]
    if is_backwards:
        rows.reverse()
    if not is_quick:
        rows[0] = rows[0].replace(",80", ", 80 ")

    reading = read(table(rows), zone=zone)

    assert reading.at_s.tolist() == moments


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_random_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        assert len(read(data).at_s) >= 2
    except UnreadableFile as refusal:
        assert refusal.errors


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    cuts=st.lists(
        st.tuples(st.floats(0, 1), st.integers(0, 12), st.binary(max_size=6)),
        min_size=1,
        max_size=4,
    ),
    unit=st.sampled_from([None, "C", "F"]),
)
def test_a_good_file_with_bytes_changed_is_read_or_refused_by_both_ways_alike(
    cuts: list[tuple[float, int, bytes]], unit: None
) -> None:
    data = GOOD
    for where, removed, put_in in cuts:
        start = int(where * len(data))
        data = data[:start] + put_in + data[start + removed :]
    options = LoggerOptions(temperature_unit=unit)

    def outcome() -> object:
        try:
            reading = read(data, options=options)
        except UnreadableFile as refusal:
            assert refusal.errors
            return [str(error) for error in refusal.errors]
        assert (np.diff(reading.at_s) > 0).all()
        return reading.at_s.tolist(), reading.temp_c.tolist()

    quick = outcome()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(logger_fast, "parse", lambda data, start, layout: None)
        careful = outcome()

    assert quick == careful


def test_a_file_cut_off_anywhere_is_read_or_refused() -> None:
    for end in range(len(GOOD)):
        try:
            assert len(read(GOOD[:end]).at_s) >= 2
        except UnreadableFile as refusal:
            assert refusal.errors


def test_a_return_alone_before_the_header_costs_no_row() -> None:
    reading = read(b"\r" + GOOD)

    assert reading.temp_c.tolist() == read(GOOD).temp_c.tolist()
