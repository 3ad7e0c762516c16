"""Each piece of a night made from its low, by hand, and each refusal at its very limit."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.night.curve import (
    NightCurve,
    TwoStepFit,
    curve_from_hours,
    curve_from_low,
    default_evening_drop_k,
    fit_two_step,
    forecast_minimum,
)
from gardenapp.science.night.sun import Night

SUNSET_AT = datetime(2026, 5, 3, 19, tzinfo=UTC)
# Ten hours: the law starts at 21:00 and runs eight hours to sunrise at 05:00.
NIGHT = Night(date(2026, 5, 3), SUNSET_AT, SUNSET_AT + timedelta(hours=10), False)


def after_sunset(hours: float) -> datetime:
    return SUNSET_AT + timedelta(hours=hours)


def knots(*pairs: tuple[float, float]) -> NightCurve:
    return NightCurve(tuple((after_sunset(h), c) for h, c in pairs))


@pytest.mark.parametrize(
    ("share", "sunset_c", "evening_c", "warming_k"),
    [
        # Means of the TMY3 year of Greensboro, as the module says them.
        (0.0, 1.4 + 3.2, 3.2, (0.2, 1.0, 1.9, 2.8)),
        (1.0, 3.2 + 5.8, 5.8, (1.2, 4.1, 6.9, 9.0)),
        (0.5, 2.3 + 4.5, 4.5, (0.7, 2.55, 4.4, 5.9)),
    ],
)
def test_a_night_known_by_its_low_alone_falls_and_warms_as_the_usual_one(
    share: float, sunset_c: float, evening_c: float, warming_k: tuple[float, ...]
) -> None:
    curve = curve_from_low(NIGHT, low_c=-1.0, radiative_share=share)

    assert curve.at(after_sunset(0)) == pytest.approx(-1.0 + sunset_c)
    assert curve.at(after_sunset(1)) == pytest.approx(-1.0 + (sunset_c + evening_c) / 2)
    assert curve.at(after_sunset(2)) == pytest.approx(-1.0 + evening_c)
    assert curve.at(after_sunset(10)) == -1.0
    for hour, warmer_k in enumerate(warming_k, 1):
        assert curve.at(after_sunset(10 + hour)) == pytest.approx(-1.0 + warmer_k)
    assert curve.at(after_sunset(10.5)) == pytest.approx(-1.0 + warming_k[0] / 2)
    assert curve.at(after_sunset(11.5)) == pytest.approx(-1.0 + sum(warming_k[:2]) / 2)
    assert (curve.starts_at, curve.ends_at) == (SUNSET_AT, after_sunset(14))


@pytest.mark.parametrize(
    ("exponent", "after_2_h", "after_4_h"), [(1.0, 6.0, 4.0), (0.5, 4.0, 8 - 8 * 0.5**0.5)]
)
def test_from_two_hours_after_sunset_the_fall_is_a_power_of_time(
    exponent: float, after_2_h: float, after_4_h: float
) -> None:
    curve = curve_from_low(NIGHT, low_c=0.0, evening_c=8.0, exponent=exponent)

    assert curve.at(after_sunset(2)) == 8.0
    assert curve.at(after_sunset(4)) == pytest.approx(after_2_h)
    assert curve.at(after_sunset(6)) == pytest.approx(after_4_h)
    assert curve.at(after_sunset(10)) == 0.0


def test_without_an_exponent_the_measured_one_is_taken() -> None:
    curve = curve_from_low(NIGHT, low_c=0.0, evening_c=8.0)

    assert curve.at(after_sunset(6)) == pytest.approx(8.0 - 8.0 * 0.5**0.8)


def test_with_only_a_low_the_published_square_root_is_taken() -> None:
    only, published = (
        curve_from_low(NIGHT, low_c=0.0, exponent=exponent) for exponent in (None, 0.5)
    )

    assert only == published


def test_a_low_too_early_for_the_law_starts_after_a_quarter_of_the_time() -> None:
    # Low four hours after sunset: the law starts after one hour, half of the usual first fall.
    curve = curve_from_low(
        NIGHT, low_c=0.0, low_at=after_sunset(4), evening_c=6.0, radiative_share=0.0, exponent=1.0
    )

    assert curve.at(after_sunset(0)) == pytest.approx(6.0 + 1.4 / 2)
    assert curve.at(after_sunset(1)) == 6.0
    assert curve.at(after_sunset(2.5)) == pytest.approx(3.0)
    assert curve.at(after_sunset(4)) == 0.0
    assert curve.at(after_sunset(10)) == 0.0
    assert curve.at(after_sunset(11)) == pytest.approx(0.2)


@pytest.mark.parametrize("hours", [0.5, 13.0])
def test_the_earliest_and_the_latest_low_are_taken(hours: float) -> None:
    curve = curve_from_low(NIGHT, low_c=2.0, low_at=after_sunset(hours))

    assert curve.at(after_sunset(hours)) == 2.0
    assert curve.low[1] == 2.0


@pytest.mark.parametrize("hours", [0.499, 13.001])
def test_a_low_just_outside_is_refused(hours: float) -> None:
    with pytest.raises(OutOfRange, match="between half an hour after sunset and three hours"):
        curve_from_low(NIGHT, low_c=2.0, low_at=after_sunset(hours))


def test_exponents_from_a_fifth_to_two_are_taken() -> None:
    for exponent in (0.2, 2.0):
        assert curve_from_low(NIGHT, low_c=2.0, exponent=exponent).low[1] == 2.0
    for exponent in (0.19, 2.01):
        with pytest.raises(OutOfRange, match=f"exponent must be 0.2 to 2, not {exponent}"):
            curve_from_low(NIGHT, low_c=2.0, exponent=exponent)


def test_an_evening_as_cold_as_the_low_is_taken() -> None:
    curve = curve_from_low(NIGHT, low_c=2.0, evening_c=2.0, radiative_share=0.0)

    assert curve.at(after_sunset(2)) == curve.at(after_sunset(10)) == 2.0
    assert curve.at(after_sunset(0)) == pytest.approx(3.4)


def test_knots_stand_every_half_hour_and_closer_where_the_fall_begins() -> None:
    curve = curve_from_low(NIGHT, low_c=2.0)
    moments = [at for at, _ in curve.knots]

    for step in range(1, 25):  # from 21:00 to 09:00
        assert after_sunset(2 + step / 2) in moments
    for share in (0.0025, 0.01, 0.0225):
        assert after_sunset(2) + timedelta(seconds=round(8 * 3600 * share)) in moments


@pytest.mark.parametrize("share", [-0.01, 1.01])
def test_a_share_of_clear_sky_is_nought_to_one(share: float) -> None:
    with pytest.raises(OutOfRange, match="radiative_share must be 0 to 1"):
        default_evening_drop_k(share)
    assert default_evening_drop_k(0.0) == 3.2
    assert default_evening_drop_k(1.0) == pytest.approx(5.8)


# Below a threshold


def test_hours_below_are_exact_on_straight_lines() -> None:
    curve = knots((0, 4.0), (2, -4.0), (3, -2.0), (5, 2.0))

    assert curve.first_below(2.0) == after_sunset(0.5)
    assert curve.last_below(0.0) == after_sunset(4)
    assert curve.hours_below(0.0) == pytest.approx(3.0)
    assert curve.hours_below(2.0) == pytest.approx(4.5)
    assert curve.hours_below(-3.0) == pytest.approx(0.25 + 0.5)
    assert curve.low == (after_sunset(2), -4.0)


def test_a_curve_that_begins_at_the_threshold_is_below_from_its_start() -> None:
    curve = knots((0, 0.0), (2, -4.0), (4, 0.0), (6, 4.0))

    assert curve.first_below(0.0) == after_sunset(0)
    assert curve.last_below(0.0) == after_sunset(4)
    assert curve.hours_below(0.0) == pytest.approx(4.0)


def test_a_touch_of_the_threshold_within_a_cold_stretch_takes_no_time_off() -> None:
    curve = knots((0, 2.0), (1, -2.0), (2, 0.0), (3, -2.0), (4, 2.0))

    assert curve.hours_below(0.0) == pytest.approx(3.0)
    assert curve.first_below(0.0) == after_sunset(0.5)
    assert curve.last_below(0.0) == after_sunset(3.5)


def test_two_stretches_apart_are_counted_apart() -> None:
    curve = knots((0, -2.0), (1, 2.0), (2, 2.0), (3, -2.0))

    assert curve.hours_below(0.0) == pytest.approx(1.0)
    assert (curve.first_below(0.0), curve.last_below(0.0)) == (after_sunset(0), after_sunset(3))


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        (((0, 1.0),), "a curve needs at least two knots"),
        (((0, 1.0), (0, 2.0)), "knots must go forward in time"),
        (((1, 1.0), (0, 2.0)), "knots must go forward in time"),
        (((0, float("nan")), (1, 2.0)), "the temperature at 2026-05-03 19:00 is not a number"),
        (((0, 1.0), (1, float("inf"))), "the temperature at 2026-05-03 20:00 is not a number"),
    ],
)
def test_a_curve_that_is_none_is_refused_in_words(
    pairs: tuple[tuple[float, float], ...], words: str
) -> None:
    with pytest.raises(OutOfRange) as refused:
        knots(*pairs)

    assert str(refused.value) == words


def test_a_moment_at_either_end_is_of_the_curve_and_one_second_more_is_not() -> None:
    curve = knots((0, 1.0), (2, 5.0))
    second = timedelta(seconds=1)

    assert (curve.at(curve.starts_at), curve.at(curve.ends_at)) == (1.0, 5.0)
    for moment in (curve.starts_at - second, curve.ends_at + second):
        with pytest.raises(
            OutOfRange,
            match=f"between 2026-05-03 19:00 and 2026-05-03 21:00 UTC, not {moment:%Y-%m-%d %H:%M}",
        ):
            curve.at(moment)
    with pytest.raises(OutOfRange, match="moment must be an aware moment"):
        curve.at(datetime(2026, 5, 3, 20))  # noqa: DTZ001 -- without a zone, on purpose


def test_hours_are_moved_as_a_whole_to_a_low_of_their_own() -> None:
    hours = [(after_sunset(2), 3.0), (after_sunset(0), 5.0), (after_sunset(1), 1.0)]

    assert [c for _, c in curve_from_hours(hours).knots] == [5.0, 1.0, 3.0]
    assert [c for _, c in curve_from_hours(hours, low_c=-1.5).knots] == [2.5, -1.5, 0.5]


# A garden's own rule


def test_two_lines_are_fitted_one_after_the_other() -> None:
    # Low = evening - 10 exactly on the mean, and what is left over is half of the dew point.
    fit = fit_two_step([10.0, 12.0, 14.0], [2.0, -4.0, 2.0], [1.0, 0.0, 5.0])

    assert (fit.b1, fit.a1) == (pytest.approx(1.0), pytest.approx(-10.0))
    assert (fit.b2, fit.a2) == (pytest.approx(0.5), pytest.approx(0.0))
    assert (fit.rmse_k, fit.count) == (pytest.approx(0.0, abs=1e-9), 3)


def test_the_fits_own_error_is_the_root_of_the_mean_square() -> None:
    # Dew points that say nothing leave errors of 1, -2 and 1 K: a mean square of 2.
    fit = fit_two_step([10.0, 12.0, 14.0], [1.0, 0.0, -1.0], [1.0, 0.0, 5.0])

    assert (fit.b1, fit.a1, fit.b2) == (
        pytest.approx(1.0), pytest.approx(-10.0), pytest.approx(0.0, abs=1e-9),
    )  # fmt: skip
    assert fit.rmse_k == pytest.approx(2.0**0.5)


def test_a_forecast_by_the_gardens_own_rule() -> None:
    fit = TwoStepFit(b1=0.9, a1=-8.0, b2=0.5, a2=1.0, rmse_k=1.0, count=9)

    assert forecast_minimum(fit, evening_c=10.0, dew_point_c=None) == pytest.approx(1.0)
    assert forecast_minimum(fit, evening_c=10.0, dew_point_c=-4.0) == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("evening", "dew", "low", "words"),
    [
        ([1.0, 2.0], [1.0, 2.0], [0.0, 1.0], "a fit needs at least three nights"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], [0.0, 1.0, 2.0], "must be equally many"),
        ([1.0, 2.0], [1.0, 2.0, 3.0], [0.0, 1.0, 2.0], "must be equally many"),
        ([1.0] * 3, [1.0, 2.0, 3.0], [0.0, 1.0, 2.0], "evening_c must differ between nights"),
        ([1.0, 2.0, 3.0], [1.0] * 3, [0.0, 1.0, 2.0], "dew_point_c must differ between nights"),
    ],
)
def test_nights_that_cannot_be_fitted_are_refused_in_words(
    evening: list[float], dew: list[float], low: list[float], words: str
) -> None:
    with pytest.raises(OutOfRange, match=words):
        fit_two_step(evening, dew, low)
