"""From a run of hours to nights, for every format that gives hours.

A night runs from local noon to local noon in the garden's zone, so a low at half past midnight
belongs to the evening before. Local times are used only to find the ends; all lengths are
taken in UTC, because a night with a clock change has an hour more or less.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from statistics import fmean
from zoneinfo import ZoneInfo

from gardenapp.messages import Celsius, Day, Number, Words, say
from gardenapp.readers.records import HourForecast, NightForecast

LARGEST_GAP_H = 3.0
_HOUR = timedelta(hours=1)
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class SpanLow:
    """The lowest temperature between two moments, as some sources state it."""

    start_at: datetime
    end_at: datetime
    low_c: float

    @property
    def middle_at(self) -> datetime:
        """Halfway: which night the span belongs to."""
        return self.start_at + (self.end_at - self.start_at) / 2


def night_of(at: datetime, time_zone: ZoneInfo) -> date:
    """The evening's date of the night that a moment belongs to."""
    local = at.astimezone(time_zone)
    return local.date() if local.hour >= 12 else local.date() - _DAY


def nights_from_hours(
    hours: Iterable[HourForecast],
    *,
    time_zone: ZoneInfo,
    stated_lows: Sequence[SpanLow] = (),
    span_lows: Sequence[SpanLow] = (),
) -> tuple[tuple[NightForecast, ...], tuple[Words, ...]]:
    """Sort hours into nights and take each night's low.

    Parameters
    ----------
    hours : in order of time, each moment once.
    time_zone : the garden's.
    stated_lows : lows a source gives for whole nights: such a night needs no hours.
    span_lows : lows a source gives for a few hours at a time.

    The night's low is the lowest that any of the three says.

    Returns
    -------
    Nights in order, and notes about nights that were left out. Where no low is stated, a night is
    left out if its figures end before 02:00 or begin after 05:00: its evening or its morning
    would pass for its low.
    """
    by_night: dict[date, list[HourForecast]] = {}
    for hour in hours:
        by_night.setdefault(night_of(hour.at, time_zone), []).append(hour)
    spans_by_night: dict[date, list[SpanLow]] = {}
    for span in span_lows:
        spans_by_night.setdefault(night_of(span.middle_at, time_zone), []).append(span)
    stated_by_night: dict[date, SpanLow] = {}
    for stated in stated_lows:
        evening = night_of(stated.middle_at, time_zone)
        known = stated_by_night.get(evening)
        if known is None or stated.low_c < known.low_c:  # the colder of two is the safe one
            stated_by_night[evening] = stated

    nights: list[NightForecast] = []
    notes: list[Words] = []
    for evening in sorted({*by_night, *spans_by_night, *stated_by_night}):
        night, note = _night(
            evening,
            by_night.get(evening, []),
            spans_by_night.get(evening, []),
            stated_by_night.get(evening),
            time_zone,
        )
        if night is not None:
            nights.append(night)
        if note:
            notes.append(note)
    return tuple(nights), tuple(notes)


def _night(
    evening: date,
    hours: list[HourForecast],
    spans: list[SpanLow],
    stated: SpanLow | None,
    time_zone: ZoneInfo,
) -> tuple[NightForecast | None, Words]:
    """One night, or None and why not (no words where it is only a day's edge)."""
    morning = evening + _DAY

    def local(day: date, hour: int) -> datetime:
        return datetime.combine(day, time(hour), time_zone).astimezone(UTC)

    dusk_at, dawn_at = local(evening, 18), local(morning, 8)
    cold_from_at = local(morning, 2)
    first_at, last_at = local(evening, 15), local(morning, 11)

    pieces = sorted(
        [(hour.at, hour.at) for hour in hours] + [(span.start_at, span.end_at) for span in spans]
    )
    within_low = [hour for hour in hours if first_at <= hour.at <= last_at]
    spans_within = [span for span in spans if first_at <= span.middle_at <= last_at]
    lows = [(hour.temp_c, hour.at) for hour in within_low]
    coldest = min(lows, default=None)
    notes: list[Words] = []
    covers_night = True

    if stated is None:
        touching = [piece for piece in pieces if piece[1] >= dusk_at and piece[0] <= dawn_at]
        if not touching:
            return None, ""
        until_at = max(piece[1] for piece in touching)
        from_at = min(piece[0] for piece in touching)
        if until_at < cold_from_at:
            return None, (
                say(
                    "The night of %(day)s is left out: its figures end at %(clock)s, before "
                    "its coldest part.",
                    day=Day(evening),
                    clock=f"{until_at.astimezone(time_zone):%H:%M}",
                )
            )
        if from_at > local(morning, 5):
            return None, (
                say(
                    "The night of %(day)s is left out: its figures begin at %(clock)s, when "
                    "most of it is over.",
                    day=Day(evening),
                    clock=f"{from_at.astimezone(time_zone):%H:%M}",
                )
            )
        gap_note = _gap_note(pieces, dusk_at, dawn_at, time_zone)
        if gap_note:
            covers_night = False
            notes.append(gap_note)
        span_coldest = min((span.low_c for span in spans_within), default=None)
        if coldest is None and span_coldest is None:
            return None, ""
        low_c = min(value for value in (coldest and coldest[0], span_coldest) if value is not None)
    else:
        low_c = stated.low_c
        if coldest is not None and coldest[0] < low_c - 0.05:
            local_at = coldest[1].astimezone(time_zone)
            notes.append(
                say(
                    "Planned by its coldest hour, %(coldest)s at %(clock)s: the night's stated "
                    "low is milder, %(low)s.",
                    coldest=Celsius(coldest[0]),
                    clock=f"{local_at:%H:%M}",
                    low=Celsius(low_c),
                )
            )
        low_c = min([low_c, *(low for low, _ in lows), *(span.low_c for span in spans_within)])

    at_night = [hour for hour in hours if dusk_at <= hour.at <= dawn_at]
    return (
        NightForecast(
            night_of=evening,
            low_c=low_c,
            low_at=None if coldest is None else coldest[1],
            evening_c=_nearest_c(hours, local(evening, 20)),
            cloud_fraction=_mean([hour.cloud_fraction for hour in at_night]),
            wind_mps=_mean([hour.wind_mps for hour in at_night]),
            gust_mps=max(
                (hour.gust_mps for hour in within_low if hour.gust_mps is not None), default=None
            ),
            dew_point_c=_mean([hour.dew_point_c for hour in at_night]),
            hours=tuple(hours),
            notes=tuple(notes),
            covers_night=covers_night,
            precipitation_mm=_sum([hour.precipitation_mm for hour in within_low]),
            snow_cm=_sum([hour.snow_cm for hour in within_low]),
            sd_k=_sd_of_low(within_low, low_c),
            stated_low_c=min(
                [*([] if stated is None else [stated.low_c]), *(s.low_c for s in spans_within)],
                default=None,
            ),
        ),
        "",
    )


def _gap_note(
    pieces: list[tuple[datetime, datetime]],
    dusk_at: datetime,
    dawn_at: datetime,
    time_zone: ZoneInfo,
) -> Words:
    """Words about the longest stretch of the night with no figure, if over three hours."""
    reached = dusk_at
    widest_h = 0.0
    note: Words = ""
    before: datetime | None = None
    for index, (start, end) in enumerate([*pieces, (dawn_at, dawn_at)]):
        upto = min(start, dawn_at)
        gap_h = (upto - reached) / _HOUR
        if gap_h > max(LARGEST_GAP_H, widest_h):
            widest_h = gap_h
            if before is not None and index < len(pieces):
                step_h = (start - before) / _HOUR
                note = say(
                    "Steps of %(hours)s hours: a dip between may be missed.", hours=Number(step_h)
                )
            else:
                note = say(
                    "No figures from %(begin)s to %(end)s: a dip there may be missed.",
                    begin=f"{reached.astimezone(time_zone):%H:%M}",
                    end=f"{upto.astimezone(time_zone):%H:%M}",
                )
        reached = max(reached, end)
        before = end
    return note


def _nearest_c(hours: list[HourForecast], wanted_at: datetime) -> float | None:
    """Temperature of the hour nearest a moment, None where that is over an hour and a half."""
    near = [hour for hour in hours if abs(hour.at - wanted_at) <= 1.5 * _HOUR]
    if not near:
        return None
    return min(near, key=lambda hour: (abs(hour.at - wanted_at), hour.at)).temp_c


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return fmean(known) if known else None


def lows_of_days(
    lows: Mapping[date, float], hours: Iterable[HourForecast], zone: tzinfo
) -> list[SpanLow]:
    """Days' minima as lows of the hours in which they must have fallen.

    lows : by date, in `zone`. hours : beside them. A day's minimum below its coldest hour fell
    near that hour; one that no hour stands beside says nothing of any night.
    """
    coldest: dict[date, HourForecast] = {}
    for hour in hours:
        day = hour.at.astimezone(zone).date()
        if day not in coldest or hour.temp_c < coldest[day].temp_c:
            coldest[day] = hour
    return [
        SpanLow(coldest[day].at, coldest[day].at, low_c)
        for day, low_c in sorted(lows.items())
        if day in coldest and low_c < coldest[day].temp_c
    ]


def _sum(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def _sd_of_low(hours: Sequence[HourForecast], low_c: float) -> float | None:
    """The stated spread of the hours that may be the coldest: its mean within 1 K of the low."""
    return _mean([hour.sd_k for hour in hours if hour.temp_c <= low_c + 1.0])


def add_notes(
    nights: Iterable[NightForecast], notes: Mapping[date, Sequence[Words]]
) -> tuple[NightForecast, ...]:
    """The same nights with more notes on those named."""
    return tuple(
        replace(night, notes=(*night.notes, *notes.get(night.night_of, ()))) for night in nights
    )
