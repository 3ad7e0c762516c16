"""The nights after tonight, and which covers may stay on through the days between.

Solves nothing: it asks what each night does to plants that stand bare, with the same formulas
as the plan. A cover may stay on through a day when the sun that is forecast does not heat its
inside past the crop's limit and the next night needs it again; lifting and putting it back
costs two walks, but a warm closed cover costs the plant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import selectinload

from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.forecasts import Forecast
from gardenapp.models.nights import Job, Plan
from gardenapp.models.people import Garden
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.readers.records import HourForecast
from gardenapp.science.allocation.weights import SAFE_BELOW
from gardenapp.science.covers.lift_learning import LearntLift
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.curve import curve_from_hours
from gardenapp.science.night.morning import lift_off
from gardenapp.science.night.plan_records import TreatmentName
from gardenapp.services.clockwork import get_garden, night_of_garden, tonight
from gardenapp.services.garden.crop_learning import learnt_shifts
from gardenapp.services.garden.hardened import bearings_of, before_of, stages_of, states_of
from gardenapp.services.kept_plans import header_of
from gardenapp.services.night.day_gains import ENOUGH_HOURS, clearest_cloud, reckoned_gain_k
from gardenapp.services.night.forecasts import find_forecast, hours_of
from gardenapp.services.night.learning import SiteBelief, site_belief
from gardenapp.services.night.outlook import (
    SHELTER,
    BareOutlook,
    SiteNight,
)
from gardenapp.services.night.plan_night import site_of
from gardenapp.services.night.prospect import bare_outlooks
from gardenapp.services.trials.cover_trials import believed_gains

MOST_NIGHTS = 7
# A colder low than tonight's by more than this is worth saying; less is within the noise.
WORSE_BY_K = 0.5
STAY, OFF = "stay", "off"


@dataclass(frozen=True)
class NightAhead:
    """A night: its low with spread, and how many plantings and plants it would hurt bare."""

    night_of: date
    low: Estimate
    plantings_at_risk: int
    plants_at_risk: int
    cloud_fraction: float | None
    wind_mps: float | None
    gust_mps: float | None


@dataclass(frozen=True)
class CoverDay:
    """What to do by day with the covers of one of tonight's jobs.

    `verdict` is stay or off; `why`: heat (the inside gets too warm, from `lift_by_at` on),
    not needed, wind, unknown (no forecast for the night after), unknown day (no hours for the
    day between, so nobody knows how warm and bright it gets), or cold (it may stay).
    """

    job_id: int
    plot_id: int
    plot: str
    name: TreatmentName
    verdict: str
    why: str
    lift_by_at: datetime | None


@dataclass(frozen=True)
class DayAhead:
    """The day between two nights. `is_by_hours`: cloud and warmth come from hours, not guessed."""

    day_on: date
    cloud_fraction: float | None
    is_by_hours: bool
    covers: tuple[CoverDay, ...]

    @property
    def may_stay(self) -> tuple[CoverDay, ...]:
        return tuple(cover for cover in self.covers if cover.verdict == STAY)

    @property
    def must_come_off(self) -> tuple[CoverDay, ...]:
        return tuple(cover for cover in self.covers if cover.verdict == OFF)


@dataclass(frozen=True)
class LookAhead:
    """Tonight, the nights after it as far as the forecast goes, and the days between.

    `worse_by_k` is how much colder tomorrow night's low is than tonight's, None where either is
    not known; `next_cold` the first night ahead that would hurt anything bare.
    """

    night_of: date
    tonight: NightAhead | None
    nights: tuple[NightAhead, ...]
    days: tuple[DayAhead, ...]
    worse_by_k: float | None

    @property
    def tomorrow(self) -> NightAhead | None:
        after = self.night_of + timedelta(days=1)
        return next((night for night in self.nights if night.night_of == after), None)

    @property
    def tomorrow_is_worse(self) -> bool:
        if self.tonight is None or self.tomorrow is None:
            return False
        if self.tomorrow.plantings_at_risk == 0:
            return False
        return (
            self.worse_by_k is not None and self.worse_by_k >= WORSE_BY_K
        ) or self.tomorrow.plants_at_risk > self.tonight.plants_at_risk

    @property
    def next_cold(self) -> NightAhead | None:
        return next((night for night in self.nights if night.plantings_at_risk), None)


@dataclass(frozen=True)
class _Outlook:
    """One night worked out."""

    site: SiteNight
    hours: tuple[HourForecast, ...]
    bare: dict[int, BareOutlook]
    summary: NightAhead


@dataclass(frozen=True)
class _JobOn:
    """One of tonight's jobs, with its plot's label and what is put on."""

    job: Job
    plot: str
    name: TreatmentName


@dataclass(frozen=True)
class _World:
    garden: Garden
    zone: ZoneInfo
    plantings: dict[int, Planting]
    stages: dict[int, CropStage]
    belief: SiteBelief
    gains: dict[int, LearntLift]


def look_ahead(now: datetime) -> LookAhead:
    """What the stored forecasts say of the nights after tonight. Raises NotFound (no garden)."""
    evening = tonight(now)
    world = _world(evening)
    nights: dict[date, _Outlook] = {}
    for number in range(MOST_NIGHTS + 1):
        night_of = evening + timedelta(days=number)
        forecast = find_forecast(night_of)
        if forecast is not None:
            nights[night_of] = _work_out(world, night_of, forecast)
    jobs = _jobs(evening)
    days = []
    for number in range(MOST_NIGHTS):
        before = nights.get(evening + timedelta(days=number))
        if before is None or not jobs:
            break  # a day is only as good as the night it follows
        after = nights.get(evening + timedelta(days=number + 1))
        days.append(_day(world, evening + timedelta(days=number + 1), before, after, jobs))
        if after is None:
            break
    first = nights.get(evening)
    second = nights.get(evening + timedelta(days=1))
    worse = (
        None
        if first is None or second is None
        else first.summary.low.mean - second.summary.low.mean
    )
    return LookAhead(
        night_of=evening,
        tonight=first.summary if first else None,
        nights=tuple(night.summary for day, night in sorted(nights.items()) if day > evening),
        days=tuple(days),
        worse_by_k=worse,
    )


def _world(evening: date) -> _World:
    garden = get_garden()
    plantings = {
        planting.id: planting
        for planting in db.session.scalars(
            select(Planting).where(Planting.ended_at.is_(None)).order_by(Planting.id)
        )
    }
    stages = stages_of(plantings.values(), on=evening)
    return _World(
        garden,
        ZoneInfo(garden.time_zone),
        plantings,
        stages,
        site_belief(before=evening),
        believed_gains(),
    )


def _work_out(world: _World, night_of: date, forecast: Forecast) -> _Outlook:
    site = site_of(world.garden, forecast, world.belief)
    plantings = world.plantings.values()
    states = states_of(plantings, world.stages, world.belief.clear_offsets, on=night_of)
    bearings = bearings_of(plantings, world.stages, states, learnt_shifts())
    before = before_of(plantings, world.stages, world.belief.clear_offsets, on=night_of)
    bare = bare_outlooks(site, plantings, world.stages, bearings, world.belief, before)
    at_risk = [
        planting
        for planting in world.plantings.values()
        if bare[planting.id].harm.share >= SAFE_BELOW
    ]
    return _Outlook(
        site=site,
        hours=hours_of(forecast),
        bare=bare,
        summary=NightAhead(
            night_of=night_of,
            low=site.screen_low,
            plantings_at_risk=len(at_risk),
            plants_at_risk=sum(planting.count for planting in at_risk),
            cloud_fraction=forecast.cloud_fraction,
            wind_mps=forecast.wind_mps,
            gust_mps=forecast.gust_mps,
        ),
    )


def _jobs(evening: date) -> list[_JobOn]:
    """Tonight's jobs that put covers on; pots in a shelter are nobody's cover."""
    plan = db.session.scalar(
        select(Plan).where(Plan.night_of == evening, Plan.is_current.is_(True))
    )
    if plan is None:
        return []
    header = header_of(plan)
    rows = db.session.execute(
        select(Job, Plot.label)
        .join(Plot, Plot.id == Job.plot_id)
        .where(
            Job.plan_id == plan.id,
            Job.must_come_off.is_(False),
            Job.treatment != SHELTER,
        )
        .options(selectinload(Job.parts))
        .order_by(Plot.label, Job.id)
    )
    return [_JobOn(job, plot, header.name_of(job.treatment, job.label)) for job, plot in rows]


def _day(
    world: _World,
    day_on: date,
    before: _Outlook,
    after: _Outlook | None,
    jobs: Sequence[_JobOn],
) -> DayAhead:
    sunset_at = night_of_garden(world.garden, day_on).sunset_at
    by_day = _day_hours(before, after, sunset_at)
    cloud = clearest_cloud(by_day)
    kinds = {kind.id: kind for kind in db.session.scalars(select(CoverKind))}
    return DayAhead(
        day_on=day_on,
        cloud_fraction=cloud,
        is_by_hours=len(by_day) >= ENOUGH_HOURS,
        covers=tuple(
            _cover_day(world, job_on, before, after, by_day, cloud, kinds) for job_on in jobs
        ),
    )


def _day_hours(
    before: _Outlook, after: _Outlook | None, sunset_at: datetime
) -> tuple[HourForecast, ...]:
    """The hours from sunrise to sunset that either night's forecast holds, once each."""
    found: dict[datetime, HourForecast] = {}
    for outlook in (after, before):
        for hour in outlook.hours if outlook is not None else ():
            if before.site.night.sunrise_at <= hour.at <= sunset_at:
                found[hour.at] = hour
    return tuple(found[at] for at in sorted(found))


def _cover_day(
    world: _World,
    job_on: _JobOn,
    before: _Outlook,
    after: _Outlook | None,
    by_day: tuple[HourForecast, ...],
    cloud: float | None,
    kinds: dict[int, CoverKind],
) -> CoverDay:
    job = job_on.job
    ids = {int(key) for part in job.parts for key in part.plants if int(key) in world.plantings}
    used = [
        kinds[number]
        for number in (
            int(word.partition("@")[0]) for word in job.treatment.split("+") if word != SHELTER
        )
        if number in kinds
    ]
    lift_at = _too_warm_at(world, ids, used, before, by_day, cloud)

    def verdict(answer: str, why: str) -> CoverDay:
        return CoverDay(job.id, job.plot_id, job_on.plot, job_on.name, answer, why, lift_at)

    limits = [kind.gust_limit_mps for kind in used if kind.gust_limit_mps is not None]
    gusts = [hour.gust_mps for hour in by_day if hour.gust_mps is not None]
    if after is not None and after.summary.gust_mps is not None:
        gusts.append(after.summary.gust_mps)
    if limits and gusts and max(gusts) > min(limits):
        return verdict(OFF, "wind")
    if lift_at is not None:
        return verdict(OFF, "heat")
    if after is None:
        return verdict(OFF, "unknown")
    if not any(after.bare[number].harm.share >= SAFE_BELOW for number in ids):
        return verdict(OFF, "not needed")
    if len(by_day) < ENOUGH_HOURS:
        return verdict(OFF, "unknown day")
    return verdict(STAY, "cold")


def _too_warm_at(
    world: _World,
    planting_ids: set[int],
    used: Sequence[CoverKind],
    before: _Outlook,
    by_day: tuple[HourForecast, ...],
    cloud: float | None,
) -> datetime | None:
    """When the first plants under these covers would get too warm that day; None if none do."""
    gain_k = reckoned_gain_k(used, world.gains)
    curve = before.site.curve
    late = [(hour.at, hour.temp_c) for hour in by_day if hour.at > curve.ends_at]
    if len(late) >= ENOUGH_HOURS:
        # The forecast's own day, moved with its night: better than the usual rise.
        shift_k = before.site.screen_low.mean - before.site.forecast.low_c
        curve = curve_from_hours([*curve.knots, *((at, c + shift_k) for at, c in late)])
    known: dict[tuple[object, ...], datetime | None] = {}
    for number in planting_ids:
        planting = world.plantings[number]
        stage = world.stages[planting.id]
        offset = before.bare[number].parts.offset.mean
        key = (offset, stage.heat_max_c, before.bare[number].threshold_c)
        if key not in known:
            known[key] = lift_off(
                night=before.site.night,
                curve=curve.shifted(offset),
                threshold_c=before.bare[number].threshold_c,
                heat_max_c=stage.heat_max_c,
                day_gain_k=gain_k,
                latitude=world.garden.latitude,
                longitude=world.garden.longitude,
                elevation_m=world.garden.height_m,
                cloud_fraction=cloud,
            ).must_by_at
    moments = [moment for moment in known.values() if moment is not None]
    return min(moments, default=None)
