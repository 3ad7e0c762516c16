"""The order in which a date's numbers stand: found where it is certain, asked for where not."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from gardenapp.readers.csv_times import (
    DateOrder,
    Stamp,
    WallClock,
    date_of,
    is_clock,
    local_of,
    order_of,
    runs_backwards,
    stamp_of,
    usual_family,
)
from gardenapp.readers.logger import LoggerOptions, read_logger
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import ReadOptions, UnreadableFile
from tests.readers.samples_at import LONDON, lows, only_night, read_bytes

ASKS = "say whether the day or the month comes first in its dates, or write the year first"
WRITTEN: dict[DateOrder, str] = {"DMY": "%d/%m/%Y", "MDY": "%m/%d/%Y"}


def stamps(*texts: str) -> list[Stamp]:
    found = [stamp_of(text) for text in texts]
    assert None not in found
    return [stamp for stamp in found if stamp is not None]


def answer(rows: Sequence[str]) -> DateOrder | None:
    """The order found for rows, None where it is asked for."""
    try:
        return order_of(stamps(*rows), None)[0]
    except BadFigure as question:
        assert str(question) == ASKS
        return None


def run(start: datetime, rows: int, step: timedelta, order: DateOrder) -> list[str]:
    return [f"{start + i * step:{WRITTEN[order]} %H:%M}" for i in range(rows)]


ORDERS = st.sampled_from(["DMY", "MDY"])
MOMENTS = st.datetimes(datetime(2000, 1, 1), datetime(2060, 1, 1))  # noqa: DTZ001 -- wall clocks
STEPS = st.sampled_from([10, 15, 30, 60, 180, 360]).map(lambda minutes: timedelta(minutes=minutes))


@given(start=MOMENTS, rows=st.integers(1, 400), step=STEPS, order=ORDERS, back=st.booleans())
@example(datetime(2026, 12, 1), 288, timedelta(hours=1), "DMY", False)  # noqa: DTZ001
@example(datetime(2026, 4, 3), 24, timedelta(hours=1), "DMY", False)  # noqa: DTZ001
@example(datetime(2026, 4, 3, 23), 14, timedelta(hours=6), "DMY", False)  # noqa: DTZ001
def test_a_run_of_hours_is_never_read_in_the_wrong_order(
    start: datetime, rows: int, step: timedelta, order: DateOrder, back: bool
) -> None:
    written = run(start, rows, step, order)

    found = answer(written[::-1] if back else written)

    moments = [start + i * step for i in range(rows)]
    if all(moment.day == moment.month for moment in moments):
        assert found is not None  # both orders say the same
        days = [date_of(stamp, found) for stamp in stamps(*written)]
        assert days == [moment.date() for moment in moments]
    else:
        assert found in {order, None}
    if len({moment.date() for moment in moments}) > 1 and rows >= 4:
        assert found is not None  # nor is anybody asked about a run over midnight


@given(
    days=st.lists(st.dates(date(2000, 1, 1), date(2060, 1, 1)), min_size=1, max_size=40),
    clocks=st.lists(st.times(), min_size=40, max_size=40),
    order=ORDERS,
)
@example([date(2026, month, 1) for month in range(1, 6)], [datetime.min.time()] * 40, "DMY")
@example([date(2026, 12, day) for day in range(1, 13)], [datetime.min.time()] * 40, "DMY")
def test_one_row_a_day_is_never_read_in_the_wrong_order(
    days: list[date], clocks: list[object], order: DateOrder
) -> None:
    days = list(dict.fromkeys(days))
    assume(any(day.day != day.month for day in days))
    dated = [f"{day:{WRITTEN[order]}}" for day in days]
    timed = [f"{text} {clock:%H:%M}" for text, clock in zip(dated, clocks, strict=False)]

    assert answer(dated) in {order, None}
    assert answer(timed) in {order, None}


@pytest.mark.parametrize(
    ("first", "second", "order"),
    [("12/13/2026", "12/01/2026", "MDY"), ("13/12/2026", "01/12/2026", "DMY")],
)
def test_a_thirteen_decides_and_a_twelve_does_not(first: str, second: str, order: str) -> None:
    assert answer([first, second]) == order
    assert answer([second]) is None
    assert answer([second, first]) == order


@pytest.mark.parametrize(
    "rows",
    [
        ["03/04/2026"],
        ["03/04/2026 18:00", "03/04/2026 19:00"],
        ["01/02/26", "02/02/26", "03/02/26", "04/02/26", "05/02/26"],
        ["01/12/2026", "12/12/2026"],
        # Six hours and a minute between rows is a break.
        ["03/04/2026 06:00", "03/04/2026 12:00", "03/04/2026 18:00", "04/04/2026 00:01"],
        # Three rows over one midnight are too few.
        ["03/04/2026 20:00", "03/04/2026 22:00", "04/04/2026 00:00"],
        # One row in a century that cannot be: no order makes a run.
        ["03/04/1026 20:00", "03/04/1026 22:00", "04/04/1026 00:00", "04/04/1026 02:00"],
    ],
    ids=["a day", "an evening", "days", "a month apart", "a break", "three rows", "a year 1026"],
)
def test_what_could_be_either_is_asked_for(rows: list[str]) -> None:
    assert answer(rows) is None


def test_four_rows_over_a_midnight_six_hours_apart_are_a_run() -> None:
    rows = ["03/04/2026 06:00", "03/04/2026 12:00", "03/04/2026 18:00", "04/04/2026 00:00"]

    order, note = order_of(stamps(*rows), None)
    assert (order, str(note)) == (
        "DMY",
        "Dates are read with the day first, which makes them a run of days.",
    )
    turned = [f"{row[3:5]}/{row[:2]}{row[5:]}" for row in rows]
    order, note = order_of(stamps(*turned), None)
    assert (order, str(note)) == (
        "MDY",
        "Dates are read with the month first, which makes them a run of days.",
    )


def test_days_written_once_are_settled_by_all_their_rows() -> None:
    rows = run(datetime(2026, 12, 3, 18), 15, timedelta(hours=1), "DMY")  # noqa: DTZ001
    days = stamps("03/12/2026", "04/12/2026")

    assert order_of(days, None, stamps(*rows))[0] == "DMY"
    with pytest.raises(BadFigure, match=ASKS):
        order_of(days, None)


def test_the_fourth_of_april_is_the_same_day_either_way() -> None:
    order, note = order_of(stamps("04/04/2026", "05/05/2026"), None)

    assert [date_of(stamp, order) for stamp in stamps("04/04/2026")] == [date(2026, 4, 4)]
    assert note == ""


def test_a_choice_wins_and_must_fit() -> None:
    assert order_of(stamps("13/01/2026"), "MDY") == ("MDY", "")
    assert order_of(stamps("2026-01-13"), "YMD") == ("YMD", "")
    assert order_of(stamps("03.04.2026"), None) == ("DMY", "")
    with pytest.raises(BadFigure, match="do not begin with the year"):
        order_of(stamps("13/01/2026"), "YMD")
    with pytest.raises(BadFigure, match="begin with the year; choose that"):
        order_of(stamps("2026-01-13"), "DMY")
    with pytest.raises(BadFigure, match="day first in some rows and month first in others"):
        order_of(stamps("13/01/2026", "01/13/2026"), None)


# In whole files


def night_table(order: DateOrder, start: datetime) -> str:
    rows = run(start, 15, timedelta(hours=1), order)
    return "\n".join(["Time,Temp (°C)", *(f"{row},{9 - i}" for i, row in enumerate(rows)), ""])


@pytest.mark.parametrize("order", ["DMY", "MDY"])
def test_a_december_night_is_read_whichever_way_it_is_written(order: DateOrder) -> None:
    text = night_table(order, datetime(2026, 12, 3, 18))  # noqa: DTZ001

    reading = read_bytes(text)

    assert only_night(reading).night_of == date(2026, 12, 3)
    assert any("which makes them a run of days" in str(note) for note in reading.notes)


@pytest.mark.parametrize("order", ["DMY", "MDY"])
def test_a_logger_out_for_one_december_night_is_read(order: DateOrder) -> None:
    text = night_table(order, datetime(2026, 12, 3, 18))  # noqa: DTZ001

    reading = read_logger(text.encode(), filename="a.csv", time_zone=LONDON)

    assert datetime.fromtimestamp(int(reading.at_s[0]), tz=UTC) == datetime(
        2026, 12, 3, 18, tzinfo=UTC
    )
    assert len(reading.at_s) == 15


def test_a_logger_asks_about_one_evening_and_takes_the_answer() -> None:
    rows = [f"03/04/2026 {hour}:00,{hour - 15}" for hour in range(18, 24)]
    data = "\n".join(["Time,Temp (°C)", *rows, ""]).encode()

    with pytest.raises(UnreadableFile, match=ASKS):
        read_logger(data, filename="a.csv", time_zone=LONDON)
    read = {
        order: read_logger(
            data, filename="a.csv", time_zone=LONDON, options=LoggerOptions(date_order=order)
        )
        for order in ("DMY", "MDY")
    }

    first = {order: datetime.fromtimestamp(r.at_s[0], tz=LONDON) for order, r in read.items()}
    assert (first["DMY"].month, first["DMY"].day) == (4, 3)
    assert (first["MDY"].month, first["MDY"].day) == (3, 4)


def test_a_table_of_days_up_to_the_twelfth_is_asked_about_and_takes_the_answer() -> None:
    rows = [f"0{day}/12/2026,{day}.0" for day in range(1, 4)]
    text = "\n".join(["Date,Min temperature (°C)", *rows, ""])

    with pytest.raises(UnreadableFile, match=ASKS):
        read_bytes(text)

    options = ReadOptions(date_order="DMY", daily_low_belongs_to="morning")
    assert lows(read_bytes(text, options=options)) == {
        "2026-11-30": 1.0,
        "2026-12-01": 2.0,
        "2026-12-02": 3.0,
    }


# Parts of a date and a time


@pytest.mark.parametrize(
    ("text", "numbers", "clock", "offset_h"),
    [
        ("2026-05-03", (2026, 5, 3), None, None),
        ("2026-05-03 6", (2026, 5, 3), (6, 0, 0), None),
        ("2026-05-03T06:07", (2026, 5, 3), (6, 7, 0), None),
        ("2026-05-03 06:07:08.25Z", (2026, 5, 3), (6, 7, 8), 0),
        ("2026/5/3 06:07:08 UTC", (2026, 5, 3), (6, 7, 8), 0),
        ("2026-05-03 06:07-05:30", (2026, 5, 3), (6, 7, 0), -5.5),
        ("2026-05-03 06:07+1400", (2026, 5, 3), (6, 7, 0), 14),
        ("3.5.2026, 12 am", (3, 5, 2026), (0, 0, 0), None),
        ("3.5.26 12:30 PM", (3, 5, 2026), (12, 30, 0), None),
        ("05/03/99 1:30 p.m.", (5, 3, 2099), (13, 30, 0), None),
        ("05/03/2026 11:59 AM", (5, 3, 2026), (11, 59, 0), None),
        ("20260503", (2026, 5, 3), None, None),
        ("20260503T0607", (2026, 5, 3), (6, 7, 0), None),
        ("20260503 060708Z", (2026, 5, 3), (6, 7, 8), 0),
        ("2026-05-03 24:00", (2026, 5, 3), (24, 0, 0), None),
        ("2026-05-03 23:59:59", (2026, 5, 3), (23, 59, 59), None),
    ],
)
def test_the_parts_of_a_date_and_time(
    text: str,
    numbers: tuple[int, int, int],
    clock: tuple[int, int, int] | None,
    offset_h: float | None,
) -> None:
    (found,) = stamps(text)

    assert (found.numbers, found.clock) == (numbers, clock)
    assert found.offset == (None if offset_h is None else timedelta(hours=offset_h))


@pytest.mark.parametrize(
    "text",
    [
        "2026-05-03 24:01",
        "2026-05-03 24:00:01",
        "2026-05-03 25",
        "2026-05-03 23:60",
        "2026-05-03 23:59:60",
        "2026-05-03 0:30 am",
        "2026-05-03 13 pm",
    ],
)
def test_no_such_time_of_day_is_told(text: str) -> None:
    with pytest.raises(BadFigure, match="no such time of day"):
        stamp_of(text)


@pytest.mark.parametrize("text", ["2026-05-03 06:07+15:00", "2026-05-03 06:07-05:60"])
def test_no_such_offset_is_told(text: str) -> None:
    with pytest.raises(BadFigure, match="no such offset"):
        stamp_of(text)


@pytest.mark.parametrize("text", ["", "tomorrow", "2026-05/03", "20261303", "3-5", "06:07"])
def test_what_is_no_date_is_none(text: str) -> None:
    assert stamp_of(text) is None


def test_a_clock_alone_is_told_from_a_date() -> None:
    assert all(map(is_clock, ["18:00", "6:00 PM", "6 pm", "06:07:08"]))
    assert not any(map(is_clock, ["18", "2026-05-03", "6 o'clock", ""]))


def test_days_that_are_not_there_are_told() -> None:
    with pytest.raises(BadFigure, match="no day 29 in month 2 of 2026"):
        date_of(stamps("2026-02-29")[0], "YMD")
    with pytest.raises(BadFigure, match="year 1026 is outside"):
        date_of(stamps("1026-02-02")[0], "YMD")
    with pytest.raises(BadFigure, match="no time of day"):
        local_of(stamps("2026-02-02")[0], "YMD")
    assert local_of(stamps("2026-12-31 24:00")[0], "YMD") == datetime(2027, 1, 1)  # noqa: DTZ001


def test_most_steps_back_make_a_file_that_runs_backwards() -> None:
    def at(*hours: int) -> list[datetime]:
        return [datetime(2026, 5, 3, hour) for hour in hours]  # noqa: DTZ001 -- wall clocks

    assert runs_backwards(at(9, 8, 7))
    assert runs_backwards(at(9, 8, 7, 10, 9))
    assert not runs_backwards(at(7, 8, 9))
    assert not runs_backwards(at(7, 8, 7))  # as many forward as back
    assert not runs_backwards(at(7, 7, 7))


@pytest.mark.outside("IANA time zone database: clock changes of 2026")
def test_the_hour_that_comes_twice_is_read_once_each_and_the_skipped_one_refused() -> None:
    clock = WallClock(LONDON)

    def moment(month: int, day: int, hour: int, minute: int) -> datetime:
        return clock.moment(datetime(2026, month, day, hour, minute))  # noqa: DTZ001

    twice = [moment(10, 25, 0, 30), moment(10, 25, 1, 0), moment(10, 25, 1, 30)]
    twice += [moment(10, 25, 1, 0), moment(10, 25, 1, 30), moment(10, 25, 2, 0)]

    assert [f"{at:%d %H:%M}" for at in twice] == [
        "24 23:30",
        "25 00:00",
        "25 00:30",
        "25 01:00",
        "25 01:30",
        "25 02:00",
    ]
    clock = WallClock(LONDON)
    assert moment(3, 29, 0, 59) == datetime(2026, 3, 29, 0, 59, tzinfo=UTC)
    with pytest.raises(BadFigure, match="01:30 did not exist on 2026-03-29 in Europe/London"):
        moment(3, 29, 1, 30)
    assert moment(3, 29, 2, 0) == datetime(2026, 3, 29, 1, 0, tzinfo=UTC)
    # The same hour read a second time without an hour before it: the earlier one.
    assert WallClock(LONDON).moment(datetime(2026, 10, 25, 1, 30)) == datetime(  # noqa: DTZ001
        2026, 10, 25, 0, 30, tzinfo=UTC
    )


def test_the_usual_way_of_writing_is_that_of_most_rows() -> None:
    assert usual_family(stamps("2026-05-03", "03/05/2026", "04/05/2026")) == "/"
