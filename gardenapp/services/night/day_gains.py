"""What covers gain by day: one rule for the plan, the look ahead and the pages."""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.people import Garden
from gardenapp.readers.records import HourForecast
from gardenapp.science.covers.lift_learning import LearntLift
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.morning import (
    DayGain,
    day_gain,
    gain_in_full_sun,
    strongest_sun_wm2,
    sun_through,
    warm_end_k,
)
from gardenapp.services.clockwork import get_garden, night_of_garden
from gardenapp.services.night.forecasts import find_forecast, hours_of
from gardenapp.services.trials.cover_trials import believed_gains
from gardenapp.words import _

# Fewer hours than these do not tell what a day will be like.
ENOUGH_HOURS = 4


@dataclass(frozen=True)
class KindByDay:
    """What a closed cover of a kind may gain today and on a clear day of this month.

    `is_by_forecast`: today's cloud is known and taken off; else today counts as clear.
    `basis`: tried (learnt here), published (by `source_id`) or unknown (nobody said what it is
    made of, so it counts as clear and closed).
    """

    today: DayGain
    is_by_forecast: bool
    clear_day: DayGain
    basis: str
    source_id: str


def full_sun_gain(kind: CoverKind, tried: Mapping[int, LearntLift]) -> Estimate:
    """What a kind gains by day in full winter sun: as tried here, else as published. [K]"""
    learnt = tried.get(kind.id)
    return gain_in_full_sun(kind.day_gain_k) if learnt is None else learnt.estimate


def reckoned_gain_k(kinds: Iterable[CoverKind], tried: Mapping[int, LearntLift]) -> float:
    """The gain to act on for covers over one another: the warm end of the warmest. [K]

    Without any kind it is that of an unknown one.
    """
    gains = [warm_end_k(full_sun_gain(kind, tried)) for kind in kinds]
    return max(gains, default=warm_end_k(gain_in_full_sun(None)))


def clearest_cloud(hours: Iterable[HourForecast]) -> float | None:
    """The cloud to reckon a day with: that of its clearest hour; None where too few tell.

    The warmest hours decide; one cloudy morning does not make a cloudy day.
    """
    clouds = [hour.cloud_fraction for hour in hours if hour.cloud_fraction is not None]
    return min(clouds) if len(clouds) >= ENOUGH_HOURS else None


def kind_by_day(*, kind_id: int, now: datetime) -> KindByDay:
    """What the plan's own rule says of a kind by day, for its page. Raises NotFound."""
    kind = db.session.get(CoverKind, kind_id)
    if kind is None:
        raise NotFound(_("We can’t find that kind of cover."))
    garden = get_garden()
    zone = ZoneInfo(garden.time_zone)
    today = now.astimezone(zone).date()
    tried = believed_gains()
    gain = full_sun_gain(kind, tried)
    cloud = _todays_cloud(garden, today, zone)
    days = calendar.monthrange(today.year, today.month)[1]
    month_wm2 = max(_sun(garden, today.replace(day=number), zone) for number in range(1, days + 1))
    basis = "unknown" if kind.day_gain_k is None else "published"
    return KindByDay(
        today=day_gain(gain, _sun(garden, today, zone) * sun_through(cloud)),
        is_by_forecast=cloud is not None,
        clear_day=day_gain(gain, month_wm2),
        basis="tried" if kind_id in tried else basis,
        source_id=kind.day_gain_source_id,
    )


def _sun(garden: Garden, on: date, zone: ZoneInfo) -> float:
    return strongest_sun_wm2(on, garden.latitude, garden.longitude, garden.height_m, zone)


def _todays_cloud(garden: Garden, today: date, zone: ZoneInfo) -> float | None:
    """By the hours from sunrise to sunset that the forecasts of the nights around today hold."""

    begin, end = (
        night_of_garden(garden, today - timedelta(days=1)).sunrise_at,
        night_of_garden(garden, today).sunset_at,
    )
    hours: dict[datetime, HourForecast] = {}
    for night_of in (today - timedelta(days=1), today):
        forecast = find_forecast(night_of)
        for hour in hours_of(forecast) if forecast is not None else ():
            if begin <= hour.at <= end:
                hours[hour.at] = hour
    return clearest_cloud(hours.values())
