"""What a plan says of the night and of each planting, as it will be kept."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gardenapp.models.covers import CoverKind
from gardenapp.models.plants import CropStage, Planting
from gardenapp.science.allocation.problem import Allocation
from gardenapp.science.allocation.problem import Reason as AllocationReason
from gardenapp.science.allocation.weights import MOST_OPTIONS, SAFE_BELOW, SHORT_FROM
from gardenapp.science.covers.lift_learning import LearntLift
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import frost_type
from gardenapp.science.night.plan_records import (
    Gift,
    HardnessStory,
    LiftLearnt,
    LiftStory,
    Option,
    PlanHeader,
    PlantingStory,
    Reason,
    SolveStage,
    StoryParts,
    TreatmentName,
    rounded,
)
from gardenapp.services.garden.hardened import TOLD_DAYS, State
from gardenapp.services.garden.hardiness import hardiness_of
from gardenapp.services.garden.lift_priors import shelter_prior
from gardenapp.services.night.jobs import PlannedJob
from gardenapp.services.night.outlook import SHELTER
from gardenapp.services.night.prospect import Prospect
from gardenapp.services.trials.cover_trials import Provenance


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One plan, ready to be kept."""

    prospect: Prospect
    allocation: Allocation
    jobs: tuple[PlannedJob, ...]
    stories: tuple[PlantingStory, ...]
    header: PlanHeader


def snapshot_of(
    prospect: Prospect, allocation: Allocation, jobs: tuple[PlannedJob, ...]
) -> Snapshot:
    """Put what was found into records, those in most danger first."""
    given: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for number, job in enumerate(jobs):
        if not job.must_come_off:
            for planting_id, plants in job.plants.items():
                given[planting_id].append((number, plants))
    stories = sorted(
        (
            _story(prospect, allocation, planting, _gifts(prospect, jobs, planting.id, given))
            for planting in prospect.gathered.plantings
        ),
        key=lambda story: (story.margin_k, story.planting_id),
    )
    header = _header(prospect, allocation, jobs, stories)
    return Snapshot(prospect, allocation, jobs, tuple(stories), header)


def _gifts(
    prospect: Prospect,
    jobs: Sequence[PlannedJob],
    planting_id: int,
    given: Mapping[int, list[tuple[int, int]]],
) -> tuple[Gift, ...]:
    """What the jobs give a planting."""
    gifts = []
    for number, plants in given.get(planting_id, ()):
        job = jobs[number]
        outlook = prospect.covered[planting_id, job.treatment]
        gifts.append(
            Gift(
                job_id=number,
                treatment=job.treatment,
                name=job.name,
                plants=plants,
                temp=rounded(outlook.temp),
                lift=rounded(outlook.lift),
                share=round(outlook.harm.share, 4),
            )
        )
    return tuple(gifts)


@dataclass(frozen=True, slots=True)
class _Balance:
    """What is left of a planting's danger after what it is given."""

    left: int
    after: float
    status: str


def _balance(prospect: Prospect, planting: Planting, gifts: Sequence[Gift]) -> _Balance:
    bare_share = prospect.bare[planting.id].harm.share
    shares = [prospect.covered[planting.id, gift.treatment].harm.share for gift in gifts]
    worst = max(shares, default=0.0)
    left = max(0, planting.count - sum(gift.plants for gift in gifts))
    lost = 0.0
    for gift, share in zip(gifts, shares, strict=True):
        lost += gift.plants * share
    lost += left * bare_share
    if bare_share < SAFE_BELOW and not gifts:
        status = "safe"
    elif (left and bare_share >= SHORT_FROM) or worst >= SHORT_FROM:
        status = "short"
    elif gifts:
        status = "protect"
    else:
        status = "watch"
    return _Balance(left, lost / planting.count, status)


def _story(
    prospect: Prospect, allocation: Allocation, planting: Planting, gifts: tuple[Gift, ...]
) -> PlantingStory:
    bare = prospect.bare[planting.id]
    stage = prospect.gathered.stages[planting.id]
    plot = prospect.gathered.plots[planting.plot_id]
    balance = _balance(prospect, planting, gifts)
    state = prospect.gathered.states[planting.id]
    is_hard = state.share >= 0.5 and stage.hardened_threshold_c is not None
    return PlantingStory(
        planting_id=planting.id,
        plot_id=planting.plot_id,
        status=balance.status,
        margin_k=round(bare.temp.mean - bare.threshold_c, 4),
        name=planting.name or stage.crop.name,
        crop=stage.crop.name,
        crop_id=stage.crop_id,
        stage=stage.name,
        count=planting.count,
        is_hardened=is_hard,
        uses_hardened=is_hard,
        in_pot=planting.in_pot,
        mind=planting.mind,
        worth_per=planting.worth_per,
        height_cm=planting.height_cm,
        spread_cm=planting.spread_cm,
        plot=plot.label,
        threshold_c=round(bare.threshold_c, 3),
        kind="damage",
        state=_hardness(stage, state),
        learnt_k=prospect.gathered.learnt.get(stage.crop_id, 0.0),
        harm=stage.harm,
        curve_t50_c=round(bare.bearing.harm.t50_c, 3),
        curve_sd_k=round(bare.bearing.harm.sd_k, 3),
        source_id=stage.hardened_source_id if is_hard else stage.source_id,
        source_text=stage.hardened_source_text if is_hard else stage.source_text,
        source_status=(stage.hardened_status or stage.status) if is_hard else stage.status,
        parts=StoryParts(
            low=rounded(bare.parts.screen_low),
            offset=rounded(bare.parts.offset),
            air=rounded(bare.parts.air),
            leaf=rounded(bare.parts.leaf),
        ),
        offset_reason=plot.offset_reason,
        offset_declared=Estimate(plot.offset_k, plot.offset_sd_k),
        offset_nights=prospect.belief.offsets[plot.id].nights,
        offset_clear=rounded(prospect.belief.offsets[plot.id].estimate),
        temp=rounded(bare.temp),
        share=round(bare.harm.share, 4),
        frost=round(bare.harm.frost, 4),
        death=_rounded(bare.harm.death),
        chilling=_rounded(bare.harm.chilling),
        chilling_c=stage.chilling_c,
        root=_rounded(bare.harm.root),
        root_kill_c=stage.root_kill_c if planting.in_pot else None,
        hours_below=round(bare.hours_below, 2),
        crosses_at=bare.crosses_at,
        crosses_early_at=bare.crosses_early_at,
        back_at=bare.back_at,
        given=gifts,
        left=balance.left,
        after=round(balance.after, 4),
        options=_options(prospect, planting.id),
        reason=_reason(allocation.reasons.get(planting.id)),
    )


def _hardness(stage: CropStage, state: State) -> HardnessStory | None:
    hardiness = hardiness_of(stage)
    if not hardiness.is_moved:
        return None
    now_c = hardiness.at(state.share).bears_c
    return HardnessStory(
        share=round(state.share, 3),
        moved_k=round(now_c - hardiness.at(state.before).bears_c, 3),
        over_days=TOLD_DAYS,
        by_weather_c=(
            None if state.by_weather is None else round(hardiness.at(state.by_weather).bears_c, 3)
        ),
        is_uncertain=state.is_uncertain,
    )


def _options(prospect: Prospect, planting_id: int) -> tuple[Option, ...]:
    """The best covers, each once: whose they are makes no difference to the plant."""
    ranked = sorted(
        (prospect.covered[planting_id, treatment].harm.share, treatment)
        for treatment in prospect.ways
        if (planting_id, treatment) in prospect.covered
    )
    first: dict[TreatmentName, tuple[float, str]] = {}
    for share, treatment in ranked:
        first.setdefault(prospect.ways[treatment].name, (share, treatment))
    best = list(first.values())[:MOST_OPTIONS]
    return tuple(
        Option(
            treatment=treatment,
            name=prospect.ways[treatment].name,
            temp=rounded(prospect.covered[planting_id, treatment].temp),
            share=round(share, 4),
        )
        for share, treatment in best
    )


def _reason(found: AllocationReason | None) -> Reason | None:
    if found is None:
        return None
    return Reason(
        code=found.code,
        values=found.params,
        needs_height_cm=found.needs_height_cm,
        needs_spread_cm=found.needs_spread_cm,
        units_wanted=found.units_wanted,
    )


def _header(
    prospect: Prospect,
    allocation: Allocation,
    jobs: Sequence[PlannedJob],
    stories: Sequence[PlantingStory],
) -> PlanHeader:
    site, record = prospect.site, prospect.belief.record
    forecast, night = site.forecast, site.night
    coldest_c = min(
        (bare.temp.mean for bare in prospect.bare.values()), default=site.screen_low.mean
    )
    frost = frost_type(
        air_low_c=forecast.low_c,
        plant_low_c=coldest_c,
        cloud_fraction=forecast.cloud_fraction,
        wind_mps=forecast.wind_mps,
    )
    to_do = [job for job in jobs if not job.must_come_off]
    in_use = sorted({job.treatment for job in jobs})
    return PlanHeader(
        low=rounded(site.screen_low),
        low_at=site.curve.low[0],
        forecast_low_c=forecast.low_c,
        record_nights=record.count,
        record_bias=rounded(record.bias),
        share=rounded(site.share),
        frost=frost.value,
        coldest_plant_c=round(coldest_c, 2),
        cloud_fraction=forecast.cloud_fraction,
        wind_mps=forecast.wind_mps,
        gust_mps=forecast.gust_mps,
        dew_point_c=forecast.dew_point_c,
        sunset_at=night.sunset_at,
        sunrise_at=night.sunrise_at,
        is_polar=night.is_polar,
        put_on_by=min((job.by_at for job in to_do), default=None),
        lift_off_by=min(
            (job.lift_by_at for job in to_do if job.lift_by_at is not None), default=None
        ),
        counts=dict(Counter(story.status for story in stories)),
        minutes=round(allocation.minutes_used, 1),
        lifts=_lift_stories(prospect, in_use),
        lift_statuses={treatment: _lift_statuses(prospect, treatment) for treatment in in_use},
        curve=tuple((at, round(temp_c, 2)) for at, temp_c in site.curve.knots),
        stages=tuple(SolveStage(s.name, round(s.seconds, 3)) for s in allocation.stages),
        names={treatment: prospect.ways[treatment].name for treatment in in_use},
    )


def _lift_stories(
    prospect: Prospect, treatments: Sequence[str]
) -> dict[str, tuple[LiftStory, ...]]:
    """For each treatment in use of a kind that was tried here: before, trials, after."""
    learnt = prospect.gathered.lifts
    found = {
        treatment: tuple(
            _lift_story(kind, learnt[kind.id][1])
            for kind in prospect.ways[treatment].kinds
            if kind.id in learnt
        )
        for treatment in treatments
    }
    return {treatment: stories for treatment, stories in found.items() if stories}


def _lift_statuses(prospect: Prospect, treatment: str) -> tuple[str, ...]:
    """How well the lifts of a treatment's untried kinds are known."""
    if treatment == SHELTER:
        return (shelter_prior()[1],)
    kinds = prospect.ways[treatment].kinds
    return tuple(sorted({kind.status for kind in kinds if kind.id not in prospect.gathered.lifts}))


def _lift_story(kind: CoverKind, provenance: Provenance) -> LiftStory:
    return LiftStory(
        kind_id=kind.id,
        kind=kind.name,
        trials=provenance.trials,
        nights=len(provenance.nights),
        clear=_lift_learnt(provenance.clear),
        cloudy=_lift_learnt(provenance.cloudy),
    )


def _lift_learnt(learnt: LearntLift) -> LiftLearnt:
    return LiftLearnt(rounded(learnt.prior), rounded(learnt.estimate), learnt.nights)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
