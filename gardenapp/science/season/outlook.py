"""What a winter brings: the chance of a cold night by date, first and last frosts, how many.

All from one place's daily lows over years, by counting: no trend and no forecast. A season runs
from midsummer to midsummer, so that one winter is never cut in two, and is named by the year
it begins in. A low counts as passing a threshold when it is strictly below it, as an air frost
is strictly below 0 °C.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.messages import Message, Number, say

HALF_WINDOW_DAYS = 7
"""Nights this many days to either side count for a date: 15 nights a year. Common practice in
daily climatologies, from memory."""
LEAST_COVERAGE = 0.9
"""A season with fewer of its cold half's nights is left out: a missing week could hide a frost.
Ours; publishers of climate normals ask for about as much (from memory)."""
THIN_SEASONS = 10
"""With fewer seasons than this the figures are shown as thin. Ours; normals use thirty."""
_COLD_HALF = (60, 305)  # days after midsummer's 1 July or 1 January: 30 August to 1 May
_DAYS = 366
_FROST_SHARES = (0.1, 0.5, 0.9)
_INTERVAL = 0.8
_DRAWS, _SEED = 2000, 1
_LEAP_START = {True: date(2003, 7, 1), False: date(2004, 1, 1)}


@dataclass(frozen=True)
class SeasonLeftOut:
    """A season that is not counted, and why."""

    season: int
    reason: Message


@dataclass(frozen=True)
class DateQuantile:
    """The date by which an event has come in a share of the seasons; None: not in so many."""

    share: float
    month: int | None
    day: int | None


@dataclass(frozen=True)
class FrostDates:
    """First and last nights below a threshold, over seasons.

    first : in `share` of the winters the first such night is on or before the date.
    last : in `share` of the winters the last such night is on or before the date, winters
        without one counted as over before they began.
    without : seasons with no such night. `by_season` holds each season's own pair.
    """

    threshold_c: float
    first: tuple[DateQuantile, ...]
    last: tuple[DateQuantile, ...]
    seasons: int
    without: int
    by_season: tuple[tuple[int, date | None, date | None], ...]


@dataclass(frozen=True)
class NightsBelow:
    """How many nights a winter are below a threshold.

    low, high : interval of the mean, by drawing the seasons anew; None with one season.
    """

    threshold_c: float
    mean: float
    low: float | None
    high: float | None
    fraction: float
    by_season: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class ChanceByDate:
    """The chance that a night's low is below a threshold, for each date of a leap year.

    `months_days` are in the season's order, from midsummer on. `chance` is NaN where no night
    within the window was recorded; `nights` says how many were counted.
    """

    threshold_c: float
    months_days: tuple[tuple[int, int], ...]
    chance: np.ndarray
    nights: np.ndarray

    def on(self, day: date) -> float | None:
        """The chance for a date, None where nothing is known of its season."""
        value = float(self.chance[self.months_days.index((day.month, day.day))])
        return None if math.isnan(value) else value


@dataclass(frozen=True)
class SeasonOutlook:
    """Everything above for several thresholds, from the same lows.

    worst_c : the low that one winter in `worst_one_in` falls below; None without seasons.
    is_thin : fewer than ten seasons, so every figure here is loose.
    method : one paragraph in words, to be shown beside the figures.
    """

    chances: tuple[ChanceByDate, ...]
    frosts: tuple[FrostDates, ...]
    nights: tuple[NightsBelow, ...]
    worst_c: float | None
    worst_one_in: float
    lowest_by_season: tuple[tuple[int, float], ...]
    seasons: tuple[int, ...]
    left_out: tuple[SeasonLeftOut, ...]
    is_thin: bool
    method: Message


def season_of(night: date, *, is_northern: bool) -> int:
    """The year a night's season begins in: 1 July in the north, 1 January in the south.

    Examples
    --------
    >>> [season_of(date(2026, 2, 3), is_northern=north) for north in (True, False)]
    [2025, 2026]
    """
    return night.year - 1 if is_northern and night.month < 7 else night.year


@dataclass(frozen=True)
class _Record:
    """Nights in order, each with its season and its place in the season's leap year."""

    ordinal: np.ndarray
    low_c: np.ndarray
    season: np.ndarray
    place: np.ndarray
    is_northern: bool


def _record(lows: Sequence[tuple[date, float]], *, is_northern: bool) -> _Record:
    if not lows:
        raise OutOfRange(say("There are no nights to look at."))
    start = _LEAP_START[is_northern].toordinal()
    place_of: dict[tuple[int, int], int] = {}
    for offset in range(_DAYS):
        day = date.fromordinal(start + offset)
        place_of[day.month, day.day] = offset
    ordinal = np.array([night.toordinal() for night, _ in lows], dtype=np.int64)
    low_c = np.array([low for _, low in lows], dtype=float)
    if not np.all(np.isfinite(low_c)) or np.any(np.abs(low_c) > 100.0):
        raise OutOfRange(say("Every low must be a number from −100 to 100 °C."))
    season = np.array([season_of(n, is_northern=is_northern) for n, _ in lows], dtype=np.int64)
    place = np.array([place_of[n.month, n.day] for n, _ in lows], dtype=np.int64)
    order = np.argsort(ordinal, kind="stable")
    ordinal = ordinal[order]
    if np.any(np.diff(ordinal) == 0):
        twice = date.fromordinal(int(ordinal[:-1][np.diff(ordinal) == 0][0]))
        raise OutOfRange(say("The night of %(night)s is there twice.", night=twice.isoformat()))
    return _Record(ordinal, low_c[order], season[order], place[order], is_northern)


def _chance(record: _Record, threshold_c: float, half_window_days: int) -> ChanceByDate:
    """Share of nights within ± the window of each date, all years together, below a threshold.

    A moving window with equal weights, joined at the ends of the year. Work grows with the
    number of nights and no faster.
    """
    if not 0 <= half_window_days <= 60:
        raise OutOfRange(
            say(
                "%(name)s must be 0 to 60, not %(value)s",
                name="half_window_days",
                value=half_window_days,
            )
        )
    if not math.isfinite(threshold_c):
        raise OutOfRange(
            say("%(name)s must be a number, not %(value)s", name="threshold_c", value=threshold_c)
        )
    below = record.low_c < threshold_c
    counted = np.bincount(record.place, minlength=_DAYS)
    cold = np.bincount(record.place[below], minlength=_DAYS)
    total, hits = _windowed(counted, half_window_days), _windowed(cold, half_window_days)
    chance = np.full(_DAYS, np.nan)
    np.divide(hits, total, out=chance, where=total > 0)
    start = _LEAP_START[record.is_northern].toordinal()
    days = [date.fromordinal(start + offset) for offset in range(_DAYS)]
    return ChanceByDate(threshold_c, tuple((day.month, day.day) for day in days), chance, total)


def _windowed(counts: np.ndarray, half: int) -> np.ndarray:
    """Sums over a window that runs round the year's end."""
    ring = np.concatenate((counts[-half:] if half else counts[:0], counts, counts[:half]))
    sums = np.concatenate(([0], np.cumsum(ring)))
    return np.asarray(sums[2 * half + 1 :] - sums[: -(2 * half + 1)])


def _complete(record: _Record) -> tuple[list[int], list[SeasonLeftOut]]:
    """Seasons with enough of their cold half's nights, and the others with the reason."""
    used, left_out = [], []
    first, last = _COLD_HALF
    needed = last - first + 1
    in_cold_half = record.season[(record.place >= first) & (record.place <= last)]
    seasons = np.unique(record.season)
    begins = np.searchsorted(in_cold_half, seasons, side="left")
    ends = np.searchsorted(in_cold_half, seasons, side="right")
    for season, have in zip(seasons, ends - begins, strict=True):
        # Leap days make a season one longer; a day is neither here nor there.
        share = have / needed
        if share >= LEAST_COVERAGE:
            used.append(int(season))
        else:
            left_out.append(
                SeasonLeftOut(
                    int(season),
                    say(
                        "only %(have)s of the %(needed)s nights of its cold half are recorded",
                        have=int(have),
                        needed=needed,
                    ),
                )
            )
    return used, left_out


def _quantile_place(places: Sequence[float], share: float) -> int | None:
    """A quantile of places in the season; None where it falls among those that never came.

    Linear between ranks (the common definition 7 of Hyndman and Fan 1996, from memory).
    """
    ordered = sorted(places)
    position = share * (len(ordered) - 1)
    under, over = math.floor(position), math.ceil(position)
    low, high = ordered[under], ordered[over]
    if under == over:
        return round(low) if math.isfinite(low) else None
    if not (math.isfinite(low) and math.isfinite(high)):
        return None
    return round(low + (position - under) * (high - low))


def _date_quantiles(places: Sequence[float], is_northern: bool) -> tuple[DateQuantile, ...]:
    start = _LEAP_START[is_northern].toordinal()
    found = []
    for share in _FROST_SHARES:
        place = _quantile_place(places, share) if places else None
        if place is None:
            found.append(DateQuantile(share, None, None))
        else:
            day = date.fromordinal(start + place)
            found.append(DateQuantile(share, day.month, day.day))
    return tuple(found)


def _frosts(record: _Record, seasons: Sequence[int], threshold_c: float) -> FrostDates:
    """First and last nights below a threshold, as empirical quantiles over whole seasons.

    Winters without such a night count: as "never" among first dates and as "before the
    season" among last dates. So a share may have no date, which is said and not guessed.
    """
    below = record.low_c < threshold_c
    cold_season, cold_place, cold_day = (
        record.season[below],
        record.place[below],
        record.ordinal[below],
    )
    firsts: list[float] = []
    lasts: list[float] = []
    by_season: list[tuple[int, date | None, date | None]] = []
    # Nights are in order, so each season's are one stretch.
    begins = np.searchsorted(cold_season, seasons, side="left")
    ends = np.searchsorted(cold_season, seasons, side="right")
    for season, begin, end in zip(seasons, begins, ends, strict=True):
        if begin == end:
            firsts.append(math.inf)
            lasts.append(-math.inf)
            by_season.append((season, None, None))
            continue
        firsts.append(float(cold_place[begin]))
        lasts.append(float(cold_place[end - 1]))
        by_season.append(
            (
                season,
                date.fromordinal(int(cold_day[begin])),
                date.fromordinal(int(cold_day[end - 1])),
            )
        )
    return FrostDates(
        threshold_c=threshold_c,
        first=_date_quantiles(firsts, record.is_northern),
        last=_date_quantiles(lasts, record.is_northern),
        seasons=len(seasons),
        without=sum(1 for _, first, _ in by_season if first is None),
        by_season=tuple(by_season),
    )


def _nights(record: _Record, seasons: Sequence[int], threshold_c: float) -> NightsBelow:
    """Mean number of nights a winter below a threshold, with an interval.

    The interval is of the mean, by a bootstrap over whole seasons, for nights of one winter
    are not independent; with few seasons it is too narrow, which `is_thin` of the outlook
    says. At least one season.
    """
    cold_season = record.season[record.low_c < threshold_c]
    counts = np.searchsorted(cold_season, seasons, side="right") - np.searchsorted(
        cold_season, seasons, side="left"
    )
    low = high = None
    if len(seasons) > 1:
        rng = np.random.default_rng(_SEED)
        means = counts[rng.integers(0, len(counts), size=(_DRAWS, len(counts)))].mean(axis=1)
        tail = (1.0 - _INTERVAL) / 2.0
        low, high = (float(value) for value in np.quantile(means, [tail, 1.0 - tail]))
    return NightsBelow(
        threshold_c=threshold_c,
        mean=float(counts.mean()),
        low=low,
        high=high,
        fraction=_INTERVAL,
        by_season=tuple((season, int(n)) for season, n in zip(seasons, counts, strict=True)),
    )


def nights_below(
    lows: Sequence[tuple[date, float]], threshold_c: float, *, is_northern: bool
) -> NightsBelow | None:
    """Nights a winter below a threshold; None where no season is whole. [°C]

    For a limit that moves from night to night, give lows less the limit, and 0. Raises as
    `season_outlook` does.
    """
    record = _record(lows, is_northern=is_northern)
    used, _left_out = _complete(record)
    return _nights(record, used, threshold_c) if used else None


def season_outlook(
    lows: Sequence[tuple[date, float]],
    thresholds_c: Sequence[float],
    *,
    is_northern: bool,
    worst_one_in: float = 5.0,
    half_window_days: int = HALF_WINDOW_DAYS,
) -> SeasonOutlook:
    """The whole outlook for several thresholds.

    Parameters
    ----------
    lows : (night of, low) pairs over years, in any order, gaps allowed. [°C]
    thresholds_c : e.g. 0 for air frost and each crop's own. [°C]
    worst_one_in : 5 asks for the low that one winter in five falls below; above 1.
    half_window_days : nights to either side that count for a date, 0 to 60.

    Returns
    -------
    SeasonOutlook. Seasons with too few nights are left out; with no complete one only
    `chances` are filled.

    Raises
    ------
    OutOfRange : no nights, a night twice, lows outside ±100 °C, a threshold that is no number,
        a window outside 0 to 60, or `worst_one_in` not above 1.
    """
    if not (math.isfinite(worst_one_in) and worst_one_in > 1.0):
        raise OutOfRange(
            say("%(name)s must be above 1, not %(value)s", name="worst_one_in", value=worst_one_in)
        )
    record = _record(lows, is_northern=is_northern)
    seasons, left_out = _complete(record)
    lowest = []
    for season in seasons:
        begin, end = np.searchsorted(record.season, [season, season + 1])
        lowest.append((season, float(record.low_c[begin:end].min())))
    worst_c = None
    if lowest:
        worst_c = float(np.quantile([low for _, low in lowest], 1.0 / worst_one_in))
    return SeasonOutlook(
        chances=tuple(_chance(record, t, half_window_days) for t in thresholds_c),
        frosts=tuple(_frosts(record, seasons, t) for t in thresholds_c if seasons),
        nights=tuple(_nights(record, seasons, t) for t in thresholds_c if seasons),
        worst_c=worst_c,
        worst_one_in=worst_one_in,
        lowest_by_season=tuple(lowest),
        seasons=tuple(seasons),
        left_out=tuple(left_out),
        is_thin=len(seasons) < THIN_SEASONS,
        method=say(
            "Counted from %(nights)s nights. The chance on a date says how many nights within "
            "%(days)s days of it, all years together, were colder. First and last dates, counts "
            "and the worst night are from %(winters)s whole winters, those without frost "
            "included. The past is a guide and not a promise.",
            nights=Number(len(record.low_c), ","),
            days=half_window_days,
            winters=len(seasons),
        ),
    )
