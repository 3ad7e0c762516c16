"""Temperature through a night, and when it crosses a plant's threshold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.night.sun import Night

_Z90 = 1.2816
LAW_STARTS_H = 2.0
"""The square-root law begins this long after sunset (UC Davis / FAO frost handbook)."""

PUBLISHED_EXPONENT = 0.5
MEASURED_EXPONENT = 0.8
"""How the fall to the low is spread over the night, as a power of time. The published law has
the square root. Against two real records (every second night of the Greensboro year below for
the fit, the others and Newark in spring 2013 for the check) that runs 0.6 K too cold through
the night, and a straight line too warm; 0.8 has the least error in both."""

# How far the air usually falls from two hours after sunset to its low, and in the two
# hours before; and how it warms after sunrise. Means over the 363 nights of the TMY3 year
# of Greensboro, North Carolina (station 723170), by cloud and wind: overcast or windy at
# one end, clear and nearly calm at the other. One inland station; only used where no
# evening temperature and no hours are known.
_DROP_CLOUDY_K, _DROP_CLEAR_K = 3.2, 5.8
_FIRST_DROP_CLOUDY_K, _FIRST_DROP_CLEAR_K = 1.4, 3.2
_WARMING_CLOUDY_K = (0.2, 1.0, 1.9, 2.8)
_WARMING_CLEAR_K = (1.2, 4.1, 6.9, 9.0)


def _require_utc(name: str, moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise OutOfRange(say("%(name)s must be an aware moment", name=name))
    return moment.astimezone(UTC)


def _hours(span: timedelta) -> float:
    return span.total_seconds() / 3600.0


@dataclass(frozen=True)
class NightCurve:
    """Temperatures at moments in UTC, straight lines between them.

    At least two knots, strictly ascending, all finite; otherwise OutOfRange. Moments of
    another zone are taken to UTC: subtracting local times is an hour out when clocks change.
    """

    knots: tuple[tuple[datetime, float], ...]

    def __post_init__(self) -> None:
        if len(self.knots) < 2:
            raise OutOfRange(say("a curve needs at least two knots"))
        in_utc = tuple((_require_utc("every knot", at), c) for at, c in self.knots)
        object.__setattr__(self, "knots", in_utc)  # the class is frozen
        for at, c in self.knots:
            if not math.isfinite(c):
                raise OutOfRange(
                    say("the temperature at %(at)s is not a number", at=f"{at:%Y-%m-%d %H:%M}")
                )
        if any(later[0] <= earlier[0] for earlier, later in pairwise(self.knots)):
            raise OutOfRange(say("knots must go forward in time"))

    @property
    def starts_at(self) -> datetime:
        """The first moment the curve knows."""
        return self.knots[0][0]

    @property
    def ends_at(self) -> datetime:
        """The last moment the curve knows."""
        return self.knots[-1][0]

    @property
    def low(self) -> tuple[datetime, float]:
        """When it is coldest (the first time, if it lasts) and how cold. (UTC, °C)"""
        return min(self.knots, key=lambda knot: knot[1])

    def at(self, moment: datetime) -> float:
        """Temperature at a moment. [°C] Raises OutOfRange outside the curve."""
        moment = _require_utc("moment", moment)
        if not self.starts_at <= moment <= self.ends_at:
            raise OutOfRange(
                say(
                    "moment must lie between %(starts_at)s and %(ends_at)s UTC, not %(moment)s",
                    starts_at=f"{self.starts_at:%Y-%m-%d %H:%M}",
                    ends_at=f"{self.ends_at:%Y-%m-%d %H:%M}",
                    moment=f"{moment:%Y-%m-%d %H:%M}",
                )
            )
        for (from_at, from_c), (to_at, to_c) in pairwise(self.knots):
            if moment <= to_at:
                share = (moment - from_at) / (to_at - from_at)
                return from_c + share * (to_c - from_c)
        raise AssertionError("the range was checked above")

    def shifted(self, k: float) -> NightCurve:
        """The same night, warmer by `k` all through (colder where negative)."""
        if not math.isfinite(k):
            raise OutOfRange(say("a shift must be a number"))
        # Its moments have been checked, and a plan shifts a night some thousand times.
        moved = object.__new__(NightCurve)
        object.__setattr__(moved, "knots", tuple([(at, c + k) for at, c in self.knots]))
        return moved

    def _spans_below(self, threshold_c: float) -> list[tuple[datetime, datetime]]:
        """The stretches, in order, in which it is colder than the threshold."""
        spans: list[tuple[datetime, datetime]] = []
        for (from_at, from_c), (to_at, to_c) in pairwise(self.knots):
            if from_c >= threshold_c and to_c >= threshold_c:
                continue
            start_at, end_at = from_at, to_at
            if from_c >= threshold_c:
                start_at = from_at + (to_at - from_at) * ((from_c - threshold_c) / (from_c - to_c))
            elif to_c > threshold_c:
                end_at = from_at + (to_at - from_at) * ((threshold_c - from_c) / (to_c - from_c))
            if end_at <= start_at:  # below for less than the clock can tell
                continue
            if spans and spans[-1][1] == start_at:
                spans[-1] = (spans[-1][0], end_at)
            else:
                spans.append((start_at, end_at))
        return spans

    def first_below(self, threshold_c: float) -> datetime | None:
        """When it first gets colder than the threshold; None if it never does.

        Strictly colder: a night that just touches the threshold is not below it. The
        start of the curve, if it begins below.
        """
        spans = self._spans_below(threshold_c)
        return spans[0][0] if spans else None

    def early_below(self, threshold_c: float) -> datetime | None:
        """The early end of the 80 % interval of `first_below`; None where none is likely.

        The air between evening and low does not keep to a curve: where it runs 1.28 spreads below
        it, it is there so much earlier, three hours at most. The low itself is not moved, its
        spread is the forecast's.
        """
        at = self.first_below(threshold_c)
        if at is None:
            return None
        early_at = self.shifted(-_Z90 * CURVE_SD_K).first_below(threshold_c) or at
        return max(early_at, at - MOST_EARLY)

    def last_below(self, threshold_c: float) -> datetime | None:
        """When it is above the threshold again for good; None if it never was below.

        The end of the curve, if it is still below there.
        """
        spans = self._spans_below(threshold_c)
        return spans[-1][1] if spans else None

    def hours_below(self, threshold_c: float) -> float:
        """Hours colder than the threshold, exact on the straight lines. [h]"""
        return sum(_hours(end - start) for start, end in self._spans_below(threshold_c))


MOST_EARLY = timedelta(hours=3)
CURVE_SD_K = 1.1
"""Spread of what was measured about the curve at an hour of the night, its evening and its low
known: 1.05 K on the Greensboro year's nights that the exponent was not chosen on."""


def default_evening_drop_k(radiative_share: float) -> float:
    """Usual fall from two hours after sunset to the low, where nothing better is known. [K]

    Derived from the TMY3 year of Greensboro, North Carolina: 3.2 K overcast or windy,
    5.8 K clear and nearly calm; single nights scatter by about 2 K. Raises OutOfRange
    for a share outside 0 to 1.
    """
    return _between(_DROP_CLOUDY_K, _DROP_CLEAR_K, radiative_share)


def _between(cloudy: float, clear: float, radiative_share: float) -> float:
    if not 0.0 <= radiative_share <= 1.0:
        raise OutOfRange(
            say(
                "%(name)s must be 0 to 1, not %(value)s",
                name="radiative_share",
                value=radiative_share,
            )
        )
    return cloudy + radiative_share * (clear - cloudy)


def curve_from_low(
    night: Night,
    *,
    low_c: float,
    low_at: datetime | None = None,
    evening_c: float | None = None,
    radiative_share: float = 0.5,
    exponent: float | None = None,
) -> NightCurve:
    """A night's temperatures from its low alone.

    Parameters
    ----------
    night : sunset and sunrise.
    low_c : the night's low. [°C]
    low_at : when it comes; at sunrise if not known. Within the night, or up to three
        hours after sunrise.
    evening_c : air two hours after sunset, if known. [°C]
    radiative_share : 1 for a clear calm night, 0 for a cloudy or windy one.
    exponent : shape of the fall; None: `MEASURED_EXPONENT` where the evening is known, else
        `PUBLISHED_EXPONENT`, which is colder earlier.

    Returns
    -------
    Half-hour knots from sunset to four hours after sunrise.

    Notes
    -----
    From two hours after sunset to the low: the published law's form, with a measured exponent
    where the evening's temperature is given. Where only the low is, the evening is a usual fall
    above it, and the square root as printed has less error on the same records.
    On nights (or lows) too early for that, it starts after a quarter of the time to the low.
    Before: a straight line, from a usual fall. A low before sunrise is held until sunrise, the
    cautious reading, and after sunrise the air warms as on the average morning of the same
    cloud. The usual falls and rises are derived from one station's year.

    Raises OutOfRange where the low lies above the evening temperature, or outside the night,
    and for an exponent outside 0.2 to 2.

    References
    ----------
    Square-root law of the FAO frost handbook (Snyder and de Melo-Abreu 2005), seen in an
    academic reproduction.
    """
    if exponent is None:
        exponent = PUBLISHED_EXPONENT if evening_c is None else MEASURED_EXPONENT
    if not 0.2 <= exponent <= 2.0:
        raise OutOfRange(
            say("%(name)s must be 0.2 to 2, not %(value)s", name="exponent", value=exponent)
        )
    sunrise_h = night.length_h
    low_h = sunrise_h
    if low_at is not None:
        low_h = _hours(_require_utc("low_at", low_at) - night.sunset_at)
    if not 0.5 <= low_h <= sunrise_h + 3.0:
        raise OutOfRange(
            say("low_at must lie between half an hour after sunset and three hours after sunrise")
        )
    if evening_c is None:
        evening_c = low_c + default_evening_drop_k(radiative_share)
    elif low_c > evening_c:
        raise OutOfRange(
            say(
                "low_c %(low_c)s cannot lie above evening_c %(evening_c)s",
                low_c=low_c,
                evening_c=evening_c,
            )
        )
    start_h = min(LAW_STARTS_H, low_h / 4.0)
    sunset_c = evening_c + (
        _between(_FIRST_DROP_CLOUDY_K, _FIRST_DROP_CLEAR_K, radiative_share)
        * start_h
        / LAW_STARTS_H
    )
    warming_k = [
        _between(cloudy, clear, radiative_share)
        for cloudy, clear in zip(_WARMING_CLOUDY_K, _WARMING_CLEAR_K, strict=True)
    ]
    warm_from_h = max(low_h, sunrise_h)

    def temperature(h: float) -> float:
        # Rounding must not carry any of it below the low.
        if h <= start_h:
            return max(low_c, sunset_c + (evening_c - sunset_c) * h / start_h)
        if h < low_h:
            share = ((h - start_h) / (low_h - start_h)) ** exponent
            return max(low_c, float(evening_c + (low_c - evening_c) * share))
        if h <= warm_from_h:
            return low_c
        since_h = h - warm_from_h
        whole = min(int(since_h), len(warming_k) - 1)
        before_k = warming_k[whole - 1] if whole else 0.0
        return low_c + before_k + (warming_k[whole] - before_k) * (since_h - whole)

    end_h = warm_from_h + len(warming_k)
    moments = [start_h + 0.5 * step for step in range(1, int((end_h - start_h) / 0.5) + 1)]
    moments += [warm_from_h + hours for hours in range(1, len(warming_k) + 1)]
    # Just after its start a small exponent falls too steeply for half-hour lines.
    moments += [start_h + (low_h - start_h) * share for share in (0.0025, 0.01, 0.0225)]
    by_moment = {
        night.sunset_at + timedelta(seconds=round(h * 3600.0)): temperature(h) for h in moments
    }
    # The moments where the rule changes come last and unrounded: their values stand exactly.
    for h in (0.0, start_h, warm_from_h, low_h):
        by_moment[night.sunset_at + timedelta(hours=h)] = temperature(h)
    return NightCurve(tuple(sorted(by_moment.items())))


def curve_from_hours(
    hours: Sequence[tuple[datetime, float]], *, low_c: float | None = None
) -> NightCurve:
    """A night's temperatures from a forecast's hours, or a logger's.

    Parameters
    ----------
    hours : moments, aware, in any order, with temperatures. [°C]
    low_c : the night's low where it is given on its own. [°C]

    Returns
    -------
    A curve whose minimum is `low_c`, if given: the hours are moved as a whole. A forecast's
    own low is made for the minimum, while its hours step over it, come from a coarser grid
    or are rounded; the shape is what the hours are good for.

    Raises OutOfRange for fewer than two hours, a repeated moment or one without a zone.
    """
    knots = tuple(sorted((_require_utc("every hour", at), c) for at, c in hours))
    curve = NightCurve(knots)
    if low_c is None:
        return curve
    return curve.shifted(low_c - curve.low[1])


@dataclass(frozen=True)
class TwoStepFit:
    """A garden's own rule for its low, from evenings before frost nights.

    low = b1·evening + a1, then b2·dew point + a2 on what is left over. `rmse_k` is the
    fit's own error with the dew point, `count` the nights behind it.
    """

    b1: float
    a1: float
    b2: float
    a2: float
    rmse_k: float
    count: int


def _line(x: Sequence[float], y: Sequence[float], name: str) -> tuple[float, float]:
    mean_x, mean_y = math.fsum(x) / len(x), math.fsum(y) / len(y)
    spread = math.fsum((a - mean_x) ** 2 for a in x)
    if spread <= 1e-12:
        raise OutOfRange(say("%(name)s must differ between nights", name=name))
    slope = math.fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / spread
    return slope, mean_y - slope * mean_x


def fit_two_step(
    evening_c: Sequence[float], dew_point_c: Sequence[float], low_c: Sequence[float]
) -> TwoStepFit:
    """Fit the two-step forecast of the low to past frost nights.

    Parameters
    ----------
    evening_c, dew_point_c : two hours after sunset, one for each night. [°C]
    low_c : the low that followed. [°C]

    Notes
    -----
    Two straight lines, one after the other; not the same as one multiple regression. Meant
    for clear nights with wind under about 2 m/s, no fog or rain, and for the site the
    nights came from. Raises OutOfRange for fewer than three nights, unequal lengths,
    or evenings that do not differ.

    References
    ----------
    FAO frost handbook, ch. 5, seen in an academic reproduction.
    """
    if not len(evening_c) == len(dew_point_c) == len(low_c):
        raise OutOfRange(say("evening_c, dew_point_c and low_c must be equally many"))
    if len(low_c) < 3:
        raise OutOfRange(say("a fit needs at least three nights"))
    b1, a1 = _line(evening_c, low_c, "evening_c")
    left_over = [low - (b1 * t + a1) for t, low in zip(evening_c, low_c, strict=True)]
    b2, a2 = _line(dew_point_c, left_over, "dew_point_c")
    errors = [r - (b2 * d + a2) for d, r in zip(dew_point_c, left_over, strict=True)]
    rmse_k = math.sqrt(math.fsum(e * e for e in errors) / len(errors))
    return TwoStepFit(b1, a1, b2, a2, rmse_k, len(low_c))


def forecast_minimum(fit: TwoStepFit, *, evening_c: float, dew_point_c: float | None) -> float:
    """The low to expect from this evening, by the garden's own fit. [°C]

    Without a dew point only the first step is used.
    """
    first = fit.b1 * evening_c + fit.a1
    if dew_point_c is None:
        return first
    return first + fit.b2 * dew_point_c + fit.a2
