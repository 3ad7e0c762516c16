"""Small records counted by hand: shares, first and last frosts, and what is refused."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.season.outlook import (
    DateQuantile,
    SeasonOutlook,
    season_of,
    season_outlook,
)

Lows = list[tuple[date, float]]


def winters(*frosts: tuple[date, ...], first_year: int = 2001) -> Lows:
    """Whole northern seasons of nights at 5 °C, with nights of -1 °C put in."""
    cold = {day for season in frosts for day in season}
    day, lows = date(first_year, 7, 1), []
    while day < date(first_year + len(frosts), 7, 1):
        lows.append((day, -1.0 if day in cold else 5.0))
        day += timedelta(days=1)
    return lows


def outlook(lows: Lows, **changes: object) -> SeasonOutlook:
    return season_outlook(lows, [0.0], **({"is_northern": True} | changes))  # type: ignore[arg-type]


def test_a_season_begins_at_midsummer() -> None:
    assert season_of(date(2026, 6, 30), is_northern=True) == 2025
    assert season_of(date(2026, 7, 1), is_northern=True) == 2026
    assert season_of(date(2026, 1, 1), is_northern=False) == 2026
    assert season_of(date(2026, 12, 31), is_northern=False) == 2026


def test_first_and_last_frosts_are_quantiles_over_the_winters() -> None:
    lows = winters(
        (date(2001, 11, 1), date(2002, 3, 31)),
        (date(2002, 11, 11), date(2003, 4, 10)),
        (date(2003, 11, 21), date(2004, 4, 20)),
    )

    (frosts,) = outlook(lows).frosts

    assert frosts.by_season == (
        (2001, date(2001, 11, 1), date(2002, 3, 31)),
        (2002, date(2002, 11, 11), date(2003, 4, 10)),
        (2003, date(2003, 11, 21), date(2004, 4, 20)),
    )
    assert frosts.first == (
        DateQuantile(0.1, 11, 3), DateQuantile(0.5, 11, 11), DateQuantile(0.9, 11, 19),
    )  # fmt: skip
    assert frosts.last == (
        DateQuantile(0.1, 4, 2), DateQuantile(0.5, 4, 10), DateQuantile(0.9, 4, 18),
    )  # fmt: skip
    assert (frosts.seasons, frosts.without, frosts.threshold_c) == (3, 0, 0.0)


def test_a_share_that_falls_among_winters_without_frost_has_no_date() -> None:
    lows = winters((date(2001, 11, 1), date(2002, 3, 31)), ())

    (frosts,) = outlook(lows).frosts

    # The one first frost is the earliest of two, the one last frost the latest.
    assert [(q.month, q.day) for q in frosts.first] == [(None, None)] * 3
    assert [(q.month, q.day) for q in frosts.last] == [(None, None)] * 3
    assert frosts.without == 1
    assert frosts.by_season[1] == (2002, None, None)


def test_a_share_between_two_winters_with_frost_has_a_date_though_a_third_has_none() -> None:
    lows = winters((date(2001, 11, 1),), (date(2002, 11, 1),), ())

    (frosts,) = outlook(lows).frosts

    assert [(q.month, q.day) for q in frosts.first] == [(11, 1), (11, 1), (None, None)]
    assert [(q.month, q.day) for q in frosts.last] == [(None, None), (11, 1), (11, 1)]


def test_the_chance_on_a_date_counts_the_nights_around_it_in_all_years() -> None:
    lows = winters((date(2002, 1, 10),), (date(2003, 1, 10), date(2003, 1, 12)))

    (chance,) = outlook(lows, half_window_days=1).chances
    (alone,) = outlook(lows, half_window_days=0).chances
    (usual,) = outlook(lows).chances

    around = {day: chance.on(date(2004, 1, day)) for day in (8, 9, 10, 11, 12, 13, 14)}
    assert around == {
        8: 0.0, 9: pytest.approx(2 / 6), 10: pytest.approx(2 / 6), 11: pytest.approx(3 / 6),
        12: pytest.approx(1 / 6), 13: pytest.approx(1 / 6), 14: 0.0,
    }  # fmt: skip
    assert [alone.on(date(2004, 1, day)) for day in (9, 10, 11, 12)] == [0.0, 1.0, 0.0, 0.5]
    assert usual.on(date(2004, 1, 3)) == pytest.approx(2 / 30)
    assert usual.on(date(2004, 1, 2)) == 0.0
    assert (chance.months_days[0], chance.months_days[-1]) == ((7, 1), (6, 30))


def test_the_window_runs_round_the_years_end() -> None:
    lows = winters((date(2002, 6, 30),), ())

    (chance,) = outlook(lows, half_window_days=1).chances

    assert chance.on(date(2004, 7, 1)) == pytest.approx(1 / 6)
    assert chance.on(date(2004, 6, 29)) == pytest.approx(1 / 6)
    assert chance.on(date(2004, 7, 2)) == 0.0


def test_a_date_of_which_no_night_is_known_has_no_chance() -> None:
    lows = [(date(2002, 1, 1) + timedelta(days=n), 1.0) for n in range(10)]

    (chance,) = outlook(lows, half_window_days=0).chances

    assert chance.on(date(2004, 1, 10)) == 0.0
    assert chance.on(date(2004, 1, 11)) is None
    assert chance.nights.tolist().count(1) == 10
    assert np.isnan(chance.chance).sum() == 356


def test_nights_below_are_counted_winter_by_winter() -> None:
    lows = winters((date(2001, 11, 1), date(2002, 1, 2), date(2002, 1, 3)), (date(2003, 1, 1),))

    (nights,) = outlook(lows).nights
    (one,) = outlook(winters((date(2001, 11, 1),))).nights

    assert nights.by_season == ((2001, 3), (2002, 1))
    assert (nights.mean, nights.fraction) == (2.0, 0.8)
    assert (nights.low, nights.high) == (1.0, 3.0)  # a quarter of draws is each extreme
    assert (one.mean, one.low, one.high) == (1.0, None, None)


def test_the_worst_low_is_the_quantile_over_the_winters() -> None:
    lows = winters((), (), (), (), (), ())
    for number in range(6):
        at = lows.index((date(2002 + number, 1, 15), 5.0))
        lows[at] = (lows[at][0], -float(number))

    result = outlook(lows, worst_one_in=5.0)

    assert result.lowest_by_season == tuple((2001 + n, -float(n)) for n in range(6))
    assert result.worst_c == pytest.approx(-4.0)
    assert outlook(lows, worst_one_in=2.0).worst_c == pytest.approx(-2.5)
    assert result.worst_one_in == 5.0
    assert result.seasons == (2001, 2002, 2003, 2004, 2005, 2006)
    assert result.is_thin


@pytest.mark.parametrize(("years", "is_thin"), [(9, True), (10, False)])
def test_ten_winters_are_not_thin(years: int, is_thin: bool) -> None:
    result = outlook(winters(*[()] * years))

    assert result.is_thin is is_thin
    assert f"{len(result.seasons)} whole winters" in str(result.method)
    assert f"Counted from {365 * years + years // 4 + (years % 4 > 2):,} nights" in str(
        result.method
    )


def test_a_winter_with_too_few_nights_is_left_out_with_its_count() -> None:
    lows = [row for row in winters((), ()) if not date(2002, 9, 1) <= row[0] <= date(2002, 9, 25)]

    result = outlook(lows)

    assert result.seasons == (2001,)
    (left_out,) = result.left_out
    assert left_out.season == 2002
    assert str(left_out.reason) == "only 220 of the 246 nights of its cold half are recorded"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"worst_one_in": 1.0}, "worst_one_in must be above 1, not 1.0"),
        ({"worst_one_in": math.inf}, "worst_one_in must be above 1, not inf"),
        ({"half_window_days": -1}, "half_window_days must be 0 to 60, not -1"),
        ({"half_window_days": 61}, "half_window_days must be 0 to 60, not 61"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused_in_words(
    changes: dict[str, float], words: str
) -> None:
    with pytest.raises(OutOfRange) as refused:
        outlook(winters(()), **changes)

    assert str(refused.value) == words


def test_the_widest_window_and_the_coldest_low_are_taken() -> None:
    lows = [*winters(())[1:], (date(2001, 7, 1), -100.0)]

    result = outlook(lows, half_window_days=60)

    assert result.lowest_by_season == ((2001, -100.0),)
    for low in (-100.1, 100.1, math.nan):
        with pytest.raises(OutOfRange, match="Every low must be a number from −100 to 100 °C"):
            outlook([(date(2002, 1, 1), low)])
    with pytest.raises(OutOfRange, match="threshold_c must be a number, not nan"):
        season_outlook(lows, [math.nan], is_northern=True)


def test_a_night_told_twice_is_named() -> None:
    lows = winters(())

    with pytest.raises(OutOfRange) as refused:
        outlook([*lows, (date(2002, 2, 3), 1.0)])

    assert str(refused.value) == "The night of 2002-02-03 is there twice."


def test_nights_may_come_in_any_order() -> None:
    lows = winters((date(2001, 11, 1), date(2002, 3, 31)), (date(2002, 12, 1),))

    mixed, straight = outlook(lows[::-1]), outlook(lows)

    assert mixed.frosts == straight.frosts
    assert mixed.nights == straight.nights
    assert mixed.chances[0].chance.tolist() == straight.chances[0].chance.tolist()
