"""Tonight as it goes on: the low, corrected by a thermometer of the garden's own in the open.

Readings only come in here; the timetable looks at them and, where plants would be in danger that
were not or the other way round, keeps a corrected version of the forecast. From there all goes its
usual way: the night is planned from the version in force, and people hear what is new for them.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from threading import Lock
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import joinedload

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.messages import Words, say
from gardenapp.models.forecasts import LIVE, Forecast, ForecastImport
from gardenapp.models.nights import ObservedLow, Plan
from gardenapp.models.plots import Plot
from gardenapp.models.trials import Logger, Reading
from gardenapp.science.allocation.weights import SAFE_BELOW
from gardenapp.science.estimate import Estimate
from gardenapp.science.night import live as science
from gardenapp.science.night.exposure import plant_air_k, spot_k
from gardenapp.science.night.ground import SCREEN_HEIGHT_M
from gardenapp.science.night.sun import Night
from gardenapp.services.clockwork import get_garden, night_of_garden, tonight
from gardenapp.services.night import forecasts
from gardenapp.services.night.gather import gather
from gardenapp.services.night.learning import HEIGHT_M, SiteBelief, site_belief
from gardenapp.services.night.outlook import share_of_night
from gardenapp.services.night.plan_night import site_of
from gardenapp.services.night.prospect import bare_outlooks

# Only where a thermometer hangs in the open and shaded is it read what a forecast is about; the
# screen first.
MOVED_BY = ("screen", "plant_shaded")
NEAR_SUNSET = timedelta(minutes=45)
# Readings older than this say nothing of now.
FRESH = timedelta(minutes=75)
# Two that differ by more cannot both be right, and nobody knows which is. Our choice.
DISAGREE_K = 5.0
# A correction smaller than this is not worth another version.
WORTH_K = 0.3
COLD_MONTHS_NORTH = (10, 11, 12, 1, 2, 3, 4)
HOUR = timedelta(hours=1)

# By database, logger and evening: the lines fitted to its own nights, worked out once a night.
_Own = dict[tuple[int, date], tuple[science.EveningLine, ...] | None]
_own: WeakKeyDictionary[Engine, _Own] = WeakKeyDictionary()
_beliefs: WeakKeyDictionary[Engine, tuple[tuple[Any, ...], SiteBelief]] = WeakKeyDictionary()
_lock = Lock()


@dataclass(frozen=True)
class LiveNight:
    """What the garden's own thermometer makes of tonight. [°C, K]

    forecast_c : what was forecast; read_c at `at` : the middle of its last readings. `low` is None
    where it may not move the forecast, and `doubt` says why.
    """

    logger: str
    plot: str
    at: datetime
    read_c: float
    forecast_c: float
    low: Estimate | None
    departure_k: float
    doubt: Words | None = None


def live_night(now: datetime) -> LiveNight | None:
    """Tonight's corrected low; None by day, without a forecast, or without a thermometer."""
    evening = tonight(now)
    night = night_of_garden(get_garden(), evening)
    if not night.sunset_at + timedelta(hours=science.FIRST_H) <= now <= night.sunrise_at:
        return None
    forecast = forecasts.find_forecast(evening, is_corrected=False)
    if forecast is None:
        return None
    every = (_of_logger(logger, forecast, night, now) for logger in _loggers())
    found = [one for one in every if one is not None]
    if not found:
        return None
    good = [one for one in found if one.doubt is None]
    if not good:
        return found[0]
    told = [one.low.mean for one in good if one.low is not None]
    if max(told) - min(told) > DISAGREE_K:
        why = say("two thermometers in the open disagree; look which of them is right")
        return replace(good[0], low=None, doubt=why)
    return good[0]


def follow(now: datetime) -> bool:
    """Keep a corrected version of tonight's forecast where a job's state would change by it.

    Asked at every tick of the timetable; whether one was kept.
    """
    try:
        found = live_night(now)
    except NotFound:
        return False
    if found is None or found.low is None:
        return False
    evening = tonight(now)
    planned = db.session.scalar(
        select(Forecast)
        .join(Plan, Plan.forecast_id == Forecast.id)
        .where(Plan.night_of == evening, Plan.is_current.is_(True))
        .options(joinedload(Forecast.source))
    )
    in_force = forecasts.find_forecast(evening)
    if planned is None or in_force is None or planned.id != in_force.id:
        return False  # it is planned first; the next tick looks again
    base = forecasts.find_forecast(evening, is_corrected=False)
    if base is None or abs(found.low.mean - planned.low_c) < WORTH_K:
        return False
    corrected = _version(base, found, now)
    belief = _belief(evening)
    if _in_danger(planned, belief) == _in_danger(corrected, belief):
        return False
    forecasts.keep_live(corrected)
    return True


def _in_danger(forecast: Forecast, belief: SiteBelief) -> frozenset[int]:
    """The plantings that such a night endangers bare; solves nothing."""
    garden = get_garden()
    gathered = gather(garden, forecast.night_of, belief)
    bare = bare_outlooks(
        site_of(garden, forecast, belief),
        gathered.plantings,
        gathered.stages,
        gathered.bearings,
        belief,
        gathered.before,
    )
    return frozenset(number for number, each in bare.items() if each.harm.share >= SAFE_BELOW)


def _version(base: Forecast, found: LiveNight, now: datetime) -> Forecast:
    """The forecast as the readings have corrected it; of no session until it is kept."""
    assert found.low is not None
    return Forecast(
        night_of=base.night_of,
        low_c=round(found.low.mean, 2),
        low_sd_k=round(found.low.sd, 3),
        low_at=base.low_at,
        evening_c=None,
        cloud_fraction=base.cloud_fraction,
        wind_mps=base.wind_mps,
        gust_mps=base.gust_mps,
        dew_point_c=base.dew_point_c,
        hours=base.hours,
        source=ForecastImport(
            came_by=LIVE,
            kind="own readings",
            name=found.logger[:200],
            entered_at=now,
            issued_at=base.source.issued_at or base.source.entered_at,
        ),
    )


def _loggers() -> list[Logger]:
    """Those that may move the forecast, in a screen first."""
    rows = db.session.scalars(
        select(Logger)
        .where(Logger.kind == "outside", Logger.place.in_(MOVED_BY), Logger.revoked_at.is_(None))
        .options(joinedload(Logger.plot))
        .order_by(Logger.id)
    )
    return sorted(rows, key=lambda logger: MOVED_BY.index(logger.place))


def _of_logger(logger: Logger, forecast: Forecast, night: Night, now: datetime) -> LiveNight | None:
    rows = db.session.execute(
        select(Reading.at, Reading.temp_c)
        .where(
            Reading.logger_id == logger.id,
            Reading.at >= night.sunset_at - NEAR_SUNSET,
            Reading.at <= now,
        )
        .order_by(Reading.at)
    ).all()
    dusk = [row for row in rows if abs(row.at - night.sunset_at) <= NEAR_SUNSET]
    dark = [row for row in rows if row.at >= night.sunset_at]
    if not dusk or not dark or now - dark[-1].at > FRESH:
        return None
    at, temps_c = dark[-1].at, [row.temp_c for row in dark]
    belief = _belief(forecast.night_of)
    here = _against_the_screen(logger, forecast, belief)
    latest_c = science.middle(temps_c)
    so_far = science.SoFar(
        sunset_c=min(dusk, key=lambda row: abs(row.at - night.sunset_at)).temp_c - here.mean,
        latest_c=latest_c - here.mean,
        lowest_c=min(temps_c) - here.mean,
        hours=(at - night.sunset_at) / HOUR,
        night_hours=night.length_h,
    )
    doubt = science.why_doubted([((row.at - night.sunset_at) / HOUR, row.temp_c) for row in rows])
    found = None
    if doubt is None:
        site = site_of(get_garden(), forecast, belief)
        lines = [
            replace(line, spread_k=math.hypot(line.spread_k, here.sd))
            for line in _lines(logger, forecast.night_of)
        ]
        found = science.corrected(site.screen_low, so_far, lines)
        if found is None:
            return None
    return LiveNight(
        logger=logger.label,
        plot=logger.plot.label,
        at=at,
        read_c=latest_c,
        forecast_c=forecast.low_c,
        low=None if found is None else found.low,
        departure_k=so_far.departure_k(forecast.low_c),
        doubt=doubt,
    )


def _against_the_screen(logger: Logger, forecast: Forecast, belief: SiteBelief) -> Estimate:
    """How far the low where a thermometer hangs is from the screen's that the forecast is about."""
    share = share_of_night(forecast)
    height_m = HEIGHT_M.get(logger.place, SCREEN_HEIGHT_M)
    spot = spot_k(share, belief.offsets[logger.plot_id].estimate, height_m)
    if height_m >= SCREEN_HEIGHT_M:
        return spot
    return spot.plus(plant_air_k(share, height_m, beyond_k=belief.beyond_k))


def _belief(evening: date) -> SiteBelief:
    """What the garden has learnt, worked out anew only where a low or a plot has changed."""
    lows = db.session.execute(
        select(func.count(ObservedLow.id), func.max(ObservedLow.entered_at))
    ).one()
    plots = db.session.execute(
        select(Plot.id, Plot.offset_k, Plot.offset_sd_k).order_by(Plot.id)
    ).all()
    key = (evening, *lows, *map(tuple, plots))
    with _lock:
        kept = _beliefs.get(db.engine)
    if kept is None or kept[0] != key:
        kept = (key, site_belief(before=evening))
        with _lock:
            _beliefs[db.engine] = kept
    return kept[1]


def _lines(logger: Logger, evening: date) -> tuple[science.EveningLine, ...]:
    """What a thermometer's evenings say of the low: its own from thirty on, else the prior."""
    key = (logger.id, evening)
    with _lock:
        kept = _own.setdefault(db.engine, {})
        own, is_known = kept.get(key), key in kept
    if not is_known:  # read without the lock: a year of readings must keep no other board waiting
        own = _own_lines(logger, evening)
        with _lock:
            for old in [old for old in kept if old[1] != evening]:
                del kept[old]
            kept[key] = own
    if own is not None:
        return own
    half_a_year = 0 if get_garden().latitude >= 0 else 6
    month = (evening.month - 1 + half_a_year) % 12 + 1
    return science.COLD_HALF if month in COLD_MONTHS_NORTH else science.ALL_YEAR


def _own_lines(logger: Logger, evening: date) -> tuple[science.EveningLine, ...] | None:
    rows = db.session.execute(
        select(Reading.at, Reading.temp_c)
        .where(
            Reading.logger_id == logger.id,
            Reading.at < datetime.combine(evening, time(12), tzinfo=UTC),
        )
        .order_by(Reading.at)
    ).all()
    if not rows:
        return None
    found: dict[float, list[tuple[science.SoFar, float]]] = {
        each.hours: [] for each in science.ALL_YEAR
    }
    moments = [row.at for row in rows]
    night_of = rows[0].at.date()
    while night_of < evening:
        night = night_of_garden(get_garden(), night_of)
        night_of += timedelta(days=1)
        first = bisect_left(moments, night.sunset_at - NEAR_SUNSET)
        last = bisect_right(moments, night.sunrise_at + HOUR)
        for hours, nights in found.items():
            told = _as_it_stood(rows[first:last], night, hours)
            if told is not None:
                nights.append(told)
    if min(map(len, found.values())) < science.OWN_NIGHTS:
        return None
    return tuple(science.fit_line(nights) for nights in found.values())


def _as_it_stood(
    rows: Sequence[Any], night: Night, hours: float
) -> tuple[science.SoFar, float] | None:
    """A night as it stood so many hours after sunset, and its low; None where readings lack."""
    moment = night.sunset_at + hours * HOUR
    dark = [row for row in rows if row.at >= night.sunset_at]
    so_far = [row for row in dark if row.at <= moment]
    if len(dark) < night.length_h or not so_far or moment - so_far[-1].at > FRESH:
        return None
    dusk = min(rows, key=lambda row: abs(row.at - night.sunset_at))
    if abs(dusk.at - night.sunset_at) > NEAR_SUNSET:
        return None
    stood = science.SoFar(
        sunset_c=dusk.temp_c,
        latest_c=so_far[-1].temp_c,
        lowest_c=min(row.temp_c for row in so_far),
        hours=hours,
        night_hours=night.length_h,
    )
    return stood, min(row.temp_c for row in dark)
