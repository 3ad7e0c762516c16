from __future__ import annotations

import importlib.util
import math
import random
from datetime import date, timedelta
from pathlib import Path
from statistics import pstdev

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.season import outlook as season
from gardenapp.science.season.outlook import season_outlook

Lows = list[tuple[date, float]]


def invented(
    first: date,
    years: int,
    *,
    mean: float = 8.0,
    swing: float = 9.0,
    seed: int = 1,
    coldest: date = date(2000, 1, 20),
) -> Lows:
    """Daily lows with a yearly wave, coldest on the given day of the year, and weather on top."""
    rng = random.Random(seed)
    lows = []
    day = first
    while day < date(first.year + years, first.month, first.day):
        phase = 2 * math.pi * (day.timetuple().tm_yday - coldest.timetuple().tm_yday) / 365.25
        lows.append((day, mean - swing * math.cos(phase) + rng.gauss(0, 3)))
        day += timedelta(days=1)
    return lows


def seattle() -> Lows:
    spec = importlib.util.find_spec("vega_datasets")
    if spec is None or spec.origin is None:
        pytest.skip("vega_datasets is not installed")
    path = Path(spec.origin).parent / "_data" / "seattle-weather.csv"
    if not path.exists():
        pytest.skip("this vega_datasets carries no seattle-weather.csv")
    rows = path.read_text(encoding="utf-8").splitlines()
    names = rows[0].split(",")
    day, low = names.index("date"), names.index("temp_min")
    return [
        (date.fromisoformat(row.split(",")[day][:10].replace("/", "-")), float(row.split(",")[low]))
        for row in rows[1:]
    ]


@pytest.mark.outside("NOAA daily data of Seattle 2012-2015 in vega_datasets, by pandas")
def test_seattles_frost_dates_agree_with_a_second_way_of_counting() -> None:
    pandas = pytest.importorskip("pandas")
    lows = seattle()
    frame = pandas.DataFrame(lows, columns=["day", "low"])
    frame["day"] = pandas.to_datetime(frame["day"])
    frame["season"] = (frame["day"] - pandas.DateOffset(months=6)).dt.year
    whole = frame[frame["season"].isin([2012, 2013, 2014])]
    frosty = whole[whole["low"] < 0.0].groupby("season")["day"]

    ours = season_outlook(lows, [0.0], is_northern=True).frosts[0]

    assert [s for s, _, _ in ours.by_season] == [2012, 2013, 2014]
    assert [first for _, first, _ in ours.by_season] == [d.date() for d in frosty.min()]
    assert [last for _, _, last in ours.by_season] == [d.date() for d in frosty.max()]
    # Days since 1 July; the middle of three is the median.
    since = sorted((d.date() - date(d.year, 7, 1)).days for d in frosty.min())
    middle = date(2003, 7, 1) + timedelta(days=since[1])
    assert (ours.first[1].month, ours.first[1].day) == (middle.month, middle.day)


@pytest.mark.outside("NOAA daily data of Seattle 2012-2015 in vega_datasets, by pandas")
@pytest.mark.parametrize("threshold_c", [0.0, 2.0, 5.0])
def test_seattles_chances_and_counts_agree_with_a_second_way_of_counting(
    threshold_c: float,
) -> None:
    pandas = pytest.importorskip("pandas")
    lows = seattle()
    frame = pandas.DataFrame(lows, columns=["day", "low"])
    frame["day"] = pandas.to_datetime(frame["day"])
    frame["season"] = (frame["day"] - pandas.DateOffset(months=6)).dt.year

    outlook = season_outlook(lows, [threshold_c], is_northern=True)
    (chance,), (nights,) = outlook.chances, outlook.nights

    for middle in ("01-15", "04-10", "11-20"):
        near = pandas.concat(
            frame[(frame["day"] - pandas.Timestamp(f"{year}-{middle}")).abs().dt.days <= 7]
            for year in (2012, 2013, 2014, 2015)
        )
        expected = float((near["low"] < threshold_c).mean())
        assert chance.on(date.fromisoformat(f"2013-{middle}")) == pytest.approx(expected)
    counts = (frame["low"] < threshold_c).groupby(frame["season"]).sum()
    assert dict(nights.by_season) == {s: int(counts[s]) for s in (2012, 2013, 2014)}
    assert nights.mean == pytest.approx(float(counts[[2012, 2013, 2014]].mean()))
    assert nights.low is not None and nights.high is not None
    assert nights.low <= nights.mean <= nights.high


def test_incomplete_winters_are_left_out_and_named() -> None:
    outlook = season_outlook(seattle(), [0.0], is_northern=True)

    assert outlook.seasons == (2012, 2013, 2014)
    assert [left.season for left in outlook.left_out] == [2011, 2015]
    assert "nights of its cold half" in str(outlook.left_out[0].reason)
    assert outlook.is_thin


def test_a_winter_is_not_cut_in_two() -> None:
    assert season.season_of(date(2025, 12, 31), is_northern=True) == 2025
    assert season.season_of(date(2026, 1, 1), is_northern=True) == 2025
    assert season.season_of(date(2026, 7, 1), is_northern=True) == 2026
    assert season.season_of(date(2026, 6, 30), is_northern=False) == 2026
    assert season.season_of(date(2026, 1, 1), is_northern=False) == 2026
    assert season.season_of(date(2025, 12, 31), is_northern=False) == 2025


def test_the_southern_hemisphere_is_the_northern_half_a_year_later() -> None:
    north = invented(date(2010, 7, 1), 6, coldest=date(2000, 1, 15), seed=3)
    south = [(day + timedelta(days=184), low) for day, low in north]

    one = season_outlook(north, [0.0], is_northern=True).frosts[0]
    other = season_outlook(south, [0.0], is_northern=False).frosts[0]

    assert one.without == other.without
    for (_, first, last), (_, first_s, last_s) in zip(one.by_season, other.by_season, strict=True):
        assert first is not None and last is not None
        assert first_s is not None and last_s is not None
        assert abs((first_s - first).days - 184) <= 1
        assert abs((last_s - last).days - 184) <= 1


def winters(first_days: list[int | None]) -> Lows:
    """One season each, frost on one given day after 1 July or not at all."""
    lows: Lows = []
    for number, cold in enumerate(first_days):
        start = date(2001 + number, 7, 1)
        length = (date(2002 + number, 7, 1) - start).days
        lows += [(start + timedelta(days=d), -1.0 if d == cold else 5.0) for d in range(length)]
    return lows


def test_winters_without_frost_count_as_never() -> None:
    # Ten winters, three without frost: 50 % have had one by a date, 90 % never.
    cold: list[int | None] = [120, 125, 130, 135, 140, 145, 150, None, None, None]

    dates = season_outlook(winters(cold), [0.0], is_northern=True).frosts[0]

    assert dates.seasons == 10 and dates.without == 3
    ten, fifty, ninety = dates.first
    assert ten.month is not None and fifty.month is not None
    assert (ninety.month, ninety.day) == (None, None)
    # Rank 0.5 × 9 = 4.5, between day 140 and day 145.
    expected = date(2003, 7, 1) + timedelta(days=round(142.5))
    assert (fifty.month, fifty.day) == (expected.month, expected.day)
    assert (dates.last[0].month, dates.last[0].day) == (None, None)
    assert dates.last[2].month is not None


def test_chances_agree_with_a_known_wave() -> None:
    # Low ~ Normal(8 − 9·cos, 3): on the coldest day the mean is −1, so the chance is Φ(1/3).
    lows = invented(date(1970, 7, 1), 50)

    chance = season_outlook(lows, [0.0], is_northern=True).chances[0]

    coldest = chance.on(date(2000, 1, 20))
    assert coldest is not None
    assert coldest == pytest.approx(0.5 * (1 + math.erf(1 / 3 / math.sqrt(2))), abs=0.03)
    assert chance.on(date(2000, 7, 20)) == 0.0


def test_expected_nights_are_the_sum_of_the_chances() -> None:
    lows = invented(date(1970, 7, 1), 40)

    outlook = season_outlook(lows, [0.0], is_northern=True, half_window_days=0)
    (chance,), (nights,) = outlook.chances, outlook.nights

    leap_less = np.array([md != (2, 29) for md in chance.months_days])
    assert float(chance.chance[leap_less].sum()) == pytest.approx(nights.mean, abs=0.3)


def test_the_interval_of_the_mean_narrows_as_one_over_the_root_of_years() -> None:
    ten = invented(date(1990, 7, 1), 10)
    # The same ten winters nine times over: the spread between winters stays what it is.
    ninety = [
        (day.replace(year=day.year + 10 * turn), low_c)
        for turn in range(-4, 5)
        for day, low_c in ten
        if (day.month, day.day) != (2, 29)
    ]
    few = season_outlook(ten, [0.0], is_northern=True).nights[0]
    many = season_outlook(ninety, [0.0], is_northern=True).nights[0]

    counts = [count for _, count in few.by_season]
    assert (len(few.by_season), len(many.by_season)) == (10, 90)
    assert few.low is not None and few.high is not None
    assert many.low is not None and many.high is not None
    # The middle 80 % of a mean of n draws: 2 × 1.2816 standard errors, by the normal law.
    for nights, years in ((few, 10), (many, 90)):
        assert nights.low is not None and nights.high is not None
        width = 2 * 1.2816 * pstdev(counts) / math.sqrt(years)
        assert nights.high - nights.low == pytest.approx(width, rel=0.06)
        assert (nights.low + nights.high) / 2 == pytest.approx(nights.mean, abs=0.06 * width)
    assert (few.high - few.low) / (many.high - many.low) == pytest.approx(3.0, rel=0.08)


def test_the_worst_night_of_one_winter_in_five() -> None:
    lows = invented(date(1980, 7, 1), 30)

    outlook = season_outlook(lows, [0.0, -2.0], is_northern=True)

    lowest = [low for _, low in outlook.lowest_by_season]
    assert outlook.worst_c is not None
    assert sum(low <= outlook.worst_c for low in lowest) == 6
    assert not outlook.is_thin and len(outlook.chances) == 2


@given(st.lists(st.integers(0, 800), min_size=1, max_size=80, unique=True), st.integers(0, 60))
def test_a_chance_is_a_share_or_unknown(offsets: list[int], window: int) -> None:
    lows = [(date(2020, 1, 1) + timedelta(days=d), float(d % 7) - 3.0) for d in offsets]

    outlook = season_outlook(lows, [0.0], is_northern=True, half_window_days=window)
    chance = outlook.chances[0]

    known = chance.chance[~np.isnan(chance.chance)]
    assert np.all((known >= 0) & (known <= 1))
    assert np.array_equal(np.isnan(chance.chance), chance.nights == 0)
    assert int(chance.nights.sum()) == (2 * window + 1) * len(offsets)


def test_a_warmer_threshold_is_passed_at_least_as_often() -> None:
    lows = invented(date(2000, 7, 1), 5)

    cold, warm = season_outlook(lows, [-2.0, 2.0], is_northern=True).chances

    assert np.all(warm.chance >= cold.chance)


def test_a_low_of_exactly_the_threshold_is_no_frost() -> None:
    lows = [(date(2020, 1, 1), 0.0)]

    chance = season_outlook(lows, [0.0], is_northern=True).chances[0]

    assert chance.on(date(2021, 1, 1)) == 0.0


@pytest.mark.parametrize(
    ("lows", "words"),
    [
        ([], "no nights"),
        ([(date(2020, 1, 1), math.nan)], "must be a number"),
        ([(date(2020, 1, 1), 1.0), (date(2020, 1, 1), 2.0)], "2020-01-01 is there twice"),
    ],
    ids=["none", "nan", "twice"],
)
def test_what_is_no_record_is_refused(lows: Lows, words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        season_outlook(lows, [0.0], is_northern=True)


def test_without_a_whole_winter_there_are_chances_and_nothing_else() -> None:
    lows = invented(date(2020, 1, 1), 1)[:60]

    outlook = season_outlook(lows, [0.0], is_northern=True)

    assert outlook.worst_c is None and not outlook.frosts and not outlook.nights
    assert len(outlook.chances) == 1


@pytest.mark.parametrize(
    ("is_northern", "begins", "first", "last"),
    [
        (True, date(2009, 7, 1), date(2009, 8, 30), date(2010, 5, 2)),
        (False, date(2009, 1, 1), date(2009, 3, 1), date(2009, 11, 1)),
    ],
    ids=["north", "south"],
)
def test_a_winter_counts_with_nine_in_ten_of_its_cold_halfs_nights(
    is_northern: bool, begins: date, first: date, last: date
) -> None:
    # 246 nights, of which 222 are just over nine in ten and 221 just under.
    whole = [first + timedelta(days=i) for i in range((last - first).days + 1)]
    outside = [first - timedelta(days=1), last + timedelta(days=1)]

    def years(days: list[date]) -> list[int]:
        lows = [(day, -1.0) for day in days]
        found = season_outlook(lows, [0.0], is_northern=is_northern).nights
        return [year for nights in found for year, _ in nights.by_season]

    assert 245 <= len(whole) <= 247
    enough = math.ceil(0.9 * 246)
    inner = whole[1:-1]
    assert years(inner[:enough]) == [2009]
    assert years(inner[: enough - 1]) == []
    # Nights outside the cold half do not help.
    assert years([*inner[: enough - 1], *outside, begins]) == []
