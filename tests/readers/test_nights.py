"""Where one night ends and the next begins, also on the two odd nights of the year."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.nights import SpanLow, night_of, nights_from_hours
from gardenapp.readers.records import HourForecast
from tests.readers.samples_at import CHICAGO, LONDON

TZDB = "IANA time zone database: clock changes of 2026"


def hours_between(start_at: datetime, count: int, temp_c: float = 5.0) -> list[HourForecast]:
    return [
        HourForecast(at=start_at + timedelta(hours=index), temp_c=temp_c) for index in range(count)
    ]


def local(zone: ZoneInfo, *parts: int) -> datetime:
    return datetime(*parts, tzinfo=zone).astimezone(UTC)  # type: ignore[arg-type, misc]


@pytest.mark.parametrize("zone", [LONDON, CHICAGO], ids=["London", "Chicago"])
def test_half_past_midnight_belongs_to_the_evening_before(zone: ZoneInfo) -> None:
    assert night_of(local(zone, 2026, 5, 4, 0, 30), zone) == date(2026, 5, 3)


@pytest.mark.parametrize("zone", [LONDON, CHICAGO], ids=["London", "Chicago"])
def test_the_night_turns_at_local_noon(zone: ZoneInfo) -> None:
    assert night_of(local(zone, 2026, 5, 4, 11, 59), zone) == date(2026, 5, 3)
    assert night_of(local(zone, 2026, 5, 4, 12, 0), zone) == date(2026, 5, 4)


@pytest.mark.outside(TZDB)
@pytest.mark.parametrize(
    ("zone", "evening", "length_h"),
    [
        (LONDON, date(2026, 3, 28), 23),
        (LONDON, date(2026, 10, 24), 25),
        (LONDON, date(2026, 5, 3), 24),
        (CHICAGO, date(2026, 3, 7), 23),
        (CHICAGO, date(2026, 10, 31), 25),
    ],
    ids=["London spring", "London autumn", "London May", "Chicago spring", "Chicago autumn"],
)
def test_a_night_with_a_clock_change_has_an_hour_more_or_less(
    zone: ZoneInfo, evening: date, length_h: int
) -> None:
    start_at = local(zone, evening.year, evening.month, evening.day, 0)

    nights, _ = nights_from_hours(hours_between(start_at, 72), time_zone=zone)

    night = next(night for night in nights if night.night_of == evening)
    assert len(night.hours) == length_h
    assert night.covers_night


def test_the_low_is_sought_from_three_in_the_afternoon_to_eleven_in_the_morning() -> None:
    start_at = local(LONDON, 2026, 5, 3, 12)
    hours = hours_between(start_at, 24)
    hours[2] = HourForecast(at=hours[2].at, temp_c=-9.0)  # 14:00
    hours[3] = HourForecast(at=hours[3].at, temp_c=-1.0)  # 15:00
    hours[23] = HourForecast(at=hours[23].at, temp_c=-2.0)  # 11:00

    (night,), _ = nights_from_hours(hours, time_zone=LONDON)

    assert (night.low_c, night.low_at) == (-2.0, hours[23].at)


def test_of_equal_lows_the_first_gives_the_time() -> None:
    hours = hours_between(local(LONDON, 2026, 5, 3, 18), 15, temp_c=1.0)

    (night,), _ = nights_from_hours(hours, time_zone=LONDON)

    assert night.low_at == hours[0].at


def test_means_are_over_the_night_and_the_gust_is_its_strongest() -> None:
    start_at = local(LONDON, 2026, 5, 3, 12)
    hours = [
        HourForecast(
            at=start_at + timedelta(hours=index),
            temp_c=10.0 - index / 4,
            cloud_fraction=1.0 if index < 6 or index > 20 else 0.25,
            wind_mps=9.0 if index < 6 else None,
            gust_mps={1: 30.0, 4: 12.0, 10: 14.0}.get(index),
            dew_point_c=2.0,
        )
        for index in range(24)
    ]

    (night,), _ = nights_from_hours(hours, time_zone=LONDON)

    assert night.cloud_fraction == 0.25
    assert night.wind_mps is None
    assert night.gust_mps == 14.0  # the 30 m/s at one in the afternoon is the day's
    assert night.dew_point_c == 2.0
    assert night.evening_c == 8.0  # at 20:00


def test_a_hole_of_four_hours_is_told_and_one_of_three_is_not() -> None:
    hours = hours_between(local(LONDON, 2026, 5, 3, 18), 15)
    four = hours[:3] + hours[6:]
    three = hours[:3] + hours[5:]

    (holed,), _ = nights_from_hours(four, time_zone=LONDON)
    (whole,), _ = nights_from_hours(three, time_zone=LONDON)

    assert not holed.covers_night
    assert tuple(map(str, holed.notes)) == ("Steps of 4 hours: a dip between may be missed.",)
    assert whole.covers_night
    assert tuple(map(str, whole.notes)) == ()


@pytest.mark.parametrize(
    ("first", "count", "words"),
    [(18, 7, "end at 00:00"), (30, 6, "begin at 06:00")],
    ids=["an evening alone", "a morning alone"],
)
def test_a_night_without_its_cold_end_is_left_out_and_told(
    first: int, count: int, words: str
) -> None:
    start_at = local(LONDON, 2026, 5, 3, 0) + timedelta(hours=first)

    nights, notes = nights_from_hours(hours_between(start_at, count), time_zone=LONDON)

    assert nights == ()
    assert len(notes) == 1
    assert words in str(notes[0])


def test_a_stated_low_stands_without_any_hours() -> None:
    stated = SpanLow(local(LONDON, 2026, 5, 3, 19), local(LONDON, 2026, 5, 4, 9), -1.0)

    (night,), notes = nights_from_hours([], time_zone=LONDON, stated_lows=[stated])

    assert (night.night_of, night.low_c, night.low_at) == (date(2026, 5, 3), -1.0, None)
    assert notes == ()


def test_of_two_stated_lows_for_a_night_the_colder_is_taken() -> None:
    span = local(LONDON, 2026, 5, 3, 19), local(LONDON, 2026, 5, 4, 9)
    stated = [SpanLow(*span, 1.0), SpanLow(*span, -1.0), SpanLow(*span, 0.5)]

    (night,), _ = nights_from_hours([], time_zone=LONDON, stated_lows=stated)

    assert night.low_c == -1.0


@pytest.mark.parametrize(
    ("minutes", "evening_c"),
    [
        ({-90: 7.0}, 7.0),
        ({-91: 7.0}, None),
        ({90: 8.0}, 8.0),
        ({91: 8.0}, None),
        ({-60: 7.0, 30: 8.0}, 8.0),
        ({-30: 7.0, 60: 8.0}, 7.0),
        ({-60: 7.0, 60: 8.0}, 7.0),  # of two as near, the earlier
        ({-90: 7.0, 0: 6.5, 30: 8.0}, 6.5),
    ],
    ids=str,
)
def test_the_evening_figure_is_the_nearest_to_eight_within_an_hour_and_a_half(
    minutes: dict[int, float], evening_c: float | None
) -> None:
    eight = local(LONDON, 2026, 5, 3, 20)
    evening = [
        HourForecast(at=eight + timedelta(minutes=offset), temp_c=temp_c)
        for offset, temp_c in minutes.items()
    ]
    rest = hours_between(local(LONDON, 2026, 5, 3, 22), 11, temp_c=1.0)

    (night,), _ = nights_from_hours([*evening, *rest], time_zone=LONDON)

    assert night.evening_c == evening_c


@pytest.mark.parametrize(
    ("first", "count", "is_kept", "words"),
    [
        ((3, 12), 6, False, ""),  # an afternoon is no night, and nobody asked for one
        ((4, 9), 3, False, ""),
        ((3, 18), 9, True, ""),  # up to 02:00
        ((3, 18), 8, False, "its figures end at 01:00, before its coldest part"),
        ((4, 5), 4, True, ""),
        ((4, 6), 3, False, "its figures begin at 06:00, when most of it is over"),
    ],
    ids=["afternoon", "morning", "to two", "to one", "from five", "from six"],
)
def test_a_night_needs_figures_from_five_at_the_latest_and_to_two_at_least(
    first: tuple[int, int], count: int, is_kept: bool, words: str
) -> None:
    day, hour = first

    nights, notes = nights_from_hours(
        hours_between(local(LONDON, 2026, 5, day, hour), count), time_zone=LONDON
    )

    assert [night.night_of for night in nights] == ([date(2026, 5, 3)] if is_kept else [])
    assert len(notes) == bool(words)
    assert words in " ".join(map(str, notes))


def test_hours_at_the_ends_of_the_night_count_into_its_means_and_gusts() -> None:
    hours = [
        HourForecast(at=local(LONDON, 2026, 5, day, hour), temp_c=5.0, gust_mps=gust, wind_mps=wind)
        for day, hour, wind, gust in (
            (3, 14, 9.0, 90.0),
            (3, 15, 9.0, 15.0),
            (3, 18, 2.0, 4.0),
            (4, 2, 2.0, 4.0),
            (4, 8, 5.0, 4.0),
            (4, 9, 9.0, 4.0),
            (4, 11, 9.0, 16.0),
        )
    ]

    (night,), _ = nights_from_hours(hours, time_zone=LONDON)

    assert night.wind_mps == pytest.approx(3.0)
    assert night.gust_mps == 16.0
    assert (night.cloud_fraction, night.dew_point_c) == (None, None)


def test_an_hour_colder_than_a_stated_low_is_told_from_a_tenth_on() -> None:
    def notes_at(hour_c: float) -> str:
        hours = hours_between(local(LONDON, 2026, 5, 3, 18), 15, temp_c=3.0)
        hours[9] = HourForecast(at=hours[9].at, temp_c=hour_c)
        stated = SpanLow(hours[0].at, hours[-1].at, 0.0)
        (night,), _ = nights_from_hours(hours, time_zone=LONDON, stated_lows=[stated])
        assert night.low_c == min(0.0, hour_c)
        return " ".join(map(str, night.notes))

    assert "coldest hour" not in notes_at(-0.04)
    assert (
        "Planned by its coldest hour, −0.1 °C at 03:00: the night's stated low is milder, 0.0 °C."
        in notes_at(-0.1)
    )


@pytest.mark.parametrize(
    ("start", "end", "counts"),
    [
        ((3, 12), (3, 18), True),  # its middle is 15:00
        ((3, 11), (3, 18), False),
        ((4, 8), (4, 14), True),  # 11:00
        ((4, 9), (4, 14), False),
    ],
)
def test_a_low_of_some_hours_counts_where_their_middle_is_of_the_night(
    start: tuple[int, int], end: tuple[int, int], counts: bool
) -> None:
    hours = hours_between(local(LONDON, 2026, 5, 3, 12), 24, temp_c=2.0)
    span = SpanLow(local(LONDON, 2026, 5, *start), local(LONDON, 2026, 5, *end), -4.0)

    nights, _ = nights_from_hours(hours, time_zone=LONDON, span_lows=[span])

    (night,) = [night for night in nights if night.night_of == date(2026, 5, 3)]
    assert night.low_c == (-4.0 if counts else 2.0)


def test_the_colder_of_an_hour_and_a_span_is_the_low() -> None:
    hours = hours_between(local(LONDON, 2026, 5, 3, 18), 15, temp_c=2.0)

    def low(span_c: float) -> float:
        span = SpanLow(hours[3].at, hours[9].at, span_c)
        (night,), _ = nights_from_hours(hours, time_zone=LONDON, span_lows=[span])
        return night.low_c

    assert (low(1.0), low(3.0)) == (1.0, 2.0)


def test_the_coldest_hour_may_be_the_first_or_the_last_of_those_sought() -> None:
    for hour, day in ((15, 3), (11, 4)):
        hours = hours_between(local(LONDON, 2026, 5, 3, 12), 24)
        at = local(LONDON, 2026, 5, day, hour)
        colder = [
            HourForecast(at=each.at, temp_c=-1.0) if each.at == at else each for each in hours
        ]

        (night,), _ = nights_from_hours(colder, time_zone=LONDON)

        assert (night.low_c, night.low_at) == (-1.0, at)


def test_steps_of_four_hours_and_a_missing_end_are_told_in_their_own_words() -> None:
    start_at = local(LONDON, 2026, 5, 3, 18)
    steps = [HourForecast(at=start_at + timedelta(hours=4 * i), temp_c=5.0) for i in range(5)]
    early_end = hours_between(start_at, 10)  # to three in the morning

    (stepped,), _ = nights_from_hours(steps, time_zone=LONDON)
    (cut,), _ = nights_from_hours(early_end, time_zone=LONDON)

    assert tuple(map(str, stepped.notes)) == ("Steps of 4 hours: a dip between may be missed.",)
    assert tuple(map(str, cut.notes)) == (
        "No figures from 03:00 to 08:00: a dip there may be missed.",
    )
    assert not stepped.covers_night and not cut.covers_night


def test_of_several_holes_the_widest_is_told() -> None:
    at_h = (18, 23, 29, 33)  # five hours, six and four
    start_at = local(LONDON, 2026, 5, 3, 0)
    hours = [HourForecast(at=start_at + timedelta(hours=each), temp_c=5.0) for each in at_h]

    (night,), _ = nights_from_hours(hours, time_zone=LONDON)

    assert tuple(map(str, night.notes)) == ("Steps of 6 hours: a dip between may be missed.",)


def test_nights_come_in_order_and_each_from_its_own_figures() -> None:
    hours = hours_between(local(LONDON, 2026, 5, 3, 12), 24, 5.0)
    stated = [
        SpanLow(local(LONDON, 2026, 5, 5, 18), local(LONDON, 2026, 5, 6, 8), 1.0),
        SpanLow(local(LONDON, 2026, 5, 4, 18), local(LONDON, 2026, 5, 5, 8), 2.0),
    ]

    nights, notes = nights_from_hours(hours, time_zone=LONDON, stated_lows=stated)

    assert [(night.night_of.day, night.low_c) for night in nights] == [(3, 5.0), (4, 2.0), (5, 1.0)]
    assert notes == ()


@pytest.mark.parametrize(
    ("hour", "day", "words"),
    [
        (18, 3, "its figures end at 18:00, before its coldest part."),
        (8, 4, "its figures begin at 08:00, when most of it is over."),
        (17, 3, None),
        (9, 4, None),
    ],
)
def test_a_figure_at_the_very_dusk_or_dawn_is_of_the_night_and_why_it_is_left_out_is_told(
    hour: int, day: int, words: str | None
) -> None:
    hours = hours_between(local(LONDON, 2026, 5, day, hour), 1)

    nights, notes = nights_from_hours(hours, time_zone=LONDON)

    assert nights == ()
    expected = f"The night of 3 May 2026 is left out: {words}"
    assert tuple(map(str, notes)) == ((expected,) if words else ())
