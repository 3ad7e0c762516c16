"""From the solver's answer to jobs that people can do, with real covers and times."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from gardenapp.models.covers import Cover
from gardenapp.science.allocation.problem import Allocation, Use
from gardenapp.science.allocation.weights import (
    SAFE_BELOW,
    SHELTER_MINUTES_PER_POT,
)
from gardenapp.science.handling import takes_two
from gardenapp.science.night.morning import LiftOff, lift_off
from gardenapp.science.night.plan_records import TreatmentName
from gardenapp.services.night.latest import Latest
from gardenapp.services.night.outlook import SHELTER
from gardenapp.services.night.problem import walk_minutes
from gardenapp.services.night.prospect import Prospect, worth_of
from gardenapp.services.night.standing import Standing, covers_of

# Air at which there may be ice underfoot. Common practice, no source.
ICE_C = 0.0


@dataclass(frozen=True, slots=True)
class PlannedPart:
    """One unit of a job: covers, outermost first, and the plants under them, by planting."""

    covers: tuple[int, ...]
    plants: Mapping[int, int]
    deployment_id: int | None = None
    claim_id: int | None = None

    @classmethod
    def standing(cls, stand: Standing) -> PlannedPart:
        """What is on already."""
        return cls(stand.covers, stand.plants, stand.deployment_id)


@dataclass(frozen=True, slots=True)
class PlannedJob:
    """One thing to do in one plot, before it has a number. `claim_id`: who promised it before.

    mass_kg : of its heaviest unit; what takes two, and takes both their
    minutes. is_icy : whether there may be ice underfoot by then.
    """

    plot_id: int
    treatment: str
    name: TreatmentName
    parts: tuple[PlannedPart, ...]
    minutes: float
    by_at: datetime
    lift_by_at: datetime | None
    safe_from_at: datetime
    claim_id: int | None = None
    must_come_off: bool = False
    mass_kg: float | None = None
    is_icy: bool = False

    @property
    def plants(self) -> dict[int, int]:
        """Plants under all of it, by planting."""
        totals: dict[int, int] = defaultdict(int)
        for part in self.parts:
            for planting_id, plants in part.plants.items():
                totals[planting_id] += plants
        return dict(totals)


def jobs_of(prospect: Prospect, allocation: Allocation) -> tuple[PlannedJob, ...]:
    """Everything to do and everything that is on, the most pressing first."""
    times = _Times(_Mornings(prospect), Latest(prospect))
    free = _free_covers(prospect)
    waiting: dict[tuple[int, str], list[Standing]] = defaultdict(list)
    for stand in prospect.standing:
        waiting[stand.plot_id, prospect.pools.treatment_of(stand)].append(stand)
    jobs: list[PlannedJob] = []
    # Whoever owns a cover of the kind is given it before it goes to another plot.
    owners_first = sorted(allocation.uses, key=lambda use: not _has_own(prospect, use))
    for use in owners_first:
        plot_id, treatment = int(use.plot_id), str(use.treatment_id)
        parts = _parts_of(prospect, use, waiting.get((plot_id, treatment), []), free)
        # What is on, what is promised and what is new are different jobs to the reader.
        groups: dict[tuple[bool, int | None], list[PlannedPart]] = defaultdict(list)
        for part in parts:
            groups[part.deployment_id is not None, part.claim_id].append(part)
        for (_is_on, claim_id), group in groups.items():
            jobs.append(_job(times, plot_id, treatment, group, claim_id=claim_id))
    for fixed in allocation.must_come_off:
        plot_id, treatment = int(fixed.plot_id), str(fixed.treatment_id)
        group = [
            PlannedPart.standing(stand)
            for stand in waiting[plot_id, treatment]
            if stand.deployment_id is not None and stand.plants
        ]
        if group:
            jobs.append(_job(times, plot_id, treatment, group, must_come_off=True))
    jobs += _left_alone(prospect, times)
    plantings = prospect.gathered.by_id()

    def saved(job: PlannedJob) -> float:
        """Worth of the plants that a job saves, in the garden's unit."""
        return sum(
            plants
            * worth_of(plantings[planting_id])
            * (prospect.bare[planting_id].harm.share - under.harm.share)
            for planting_id, plants in job.plants.items()
            if (under := prospect.covered.get((planting_id, job.treatment))) is not None
        )

    return tuple(sorted(jobs, key=lambda job: (job.by_at, -saved(job), job.plot_id)))


def _left_alone(prospect: Prospect, times: _Times) -> list[PlannedJob]:
    """A cover whose plants are gone still stands there, and somebody must bring it in."""
    return [
        _job(times, stand.plot_id, treatment, [PlannedPart.standing(stand)])
        for stand in prospect.standing
        if stand.deployment_id is not None
        and not stand.plants
        and (treatment := prospect.pools.treatment_of(stand)) in prospect.ways
    ]


def _free_covers(prospect: Prospect) -> dict[str, list[Cover]]:
    on = covers_of(prospect.standing)
    return {
        key: [cover for cover in covers if cover.id not in on]
        for key, covers in prospect.pools.members.items()
    }


def _parts_of(
    prospect: Prospect, use: Use, standing: Iterable[Standing], free: Mapping[str, list[Cover]]
) -> list[PlannedPart]:
    """A use's units: those that stand are matched with what they are, the others get covers.

    What is taken is taken out of `free`.
    """
    plot_id, treatment = int(use.plot_id), str(use.treatment_id)
    left = list(standing)
    parts = []
    for unit in use.units:
        plants = {int(key): int(number) for key, number in unit.items() if number}
        alike = [stand for stand in left if use.is_fixed and stand.plants == plants]
        stand = alike[0] if alike else None
        if stand is not None:
            left.remove(stand)
            covers = stand.covers
        else:
            taken = [
                _take(prospect, free, str(pool_id), plot_id)
                for pool_id in prospect.ways[treatment].treatment.pool_ids
            ]
            covers = tuple(cover for cover in taken if cover is not None)
        if plants:
            parts.append(
                PlannedPart(
                    covers=covers,
                    plants=plants,
                    deployment_id=stand.deployment_id if stand else None,
                    claim_id=stand.claim_id if stand else None,
                )
            )
    return parts


def _has_own(prospect: Prospect, use: Use) -> bool:
    """Whether the plot's holders own a cover of any of the kinds that a use wants."""
    holders = prospect.gathered.holders.get(int(use.plot_id), set())
    way = prospect.ways[str(use.treatment_id)]
    return any(
        cover.owner_id in holders
        for pool_id in way.treatment.pool_ids
        for cover in prospect.pools.members[str(pool_id)]
    )


def _take(
    prospect: Prospect, free: Mapping[str, list[Cover]], pool_id: str, plot_id: int
) -> int | None:
    """The cover to fetch: the holders' own first, then the soundest, then by label."""
    candidates = free.get(pool_id, [])
    if not candidates:
        return None
    holders = prospect.gathered.holders.get(plot_id, set())
    best = min(
        candidates,
        key=lambda cover: (
            cover.owner_id not in holders,
            cover.owner_id is not None and cover.owner_id not in holders,
            cover.condition != "sound",
            cover.label,
        ),
    )
    candidates.remove(best)
    return best.id


@dataclass(frozen=True, slots=True)
class _Times:
    """When covers of this night go on and come off."""

    mornings: _Mornings
    latest: Latest

    @property
    def prospect(self) -> Prospect:
        """The night they are reckoned for."""
        return self.mornings.prospect


def _job(
    times: _Times,
    plot_id: int,
    treatment: str,
    parts: list[PlannedPart],
    *,
    claim_id: int | None = None,
    must_come_off: bool = False,
) -> PlannedJob:
    prospect = times.prospect
    way, night = prospect.ways[treatment], prospect.site.night
    planting_ids = {key for part in parts for key in part.plants}
    minutes = (
        SHELTER_MINUTES_PER_POT * sum(sum(part.plants.values()) for part in parts)
        if treatment == SHELTER
        else way.minutes * len(parts)
    )
    mass_kg = sum(kind.mass_kg or 0.0 for kind in way.kinds) or None
    people = 2 if takes_two(mass_kg) else 1
    by_at = min((times.latest.of(key, treatment) for key in planting_ids), default=night.sunset_at)
    plot = prospect.gathered.plots[plot_id]
    lifts = [times.mornings.lift_off(key, treatment) for key in planting_ids]
    return PlannedJob(
        plot_id=plot_id,
        treatment=treatment,
        name=way.name,
        parts=tuple(parts),
        minutes=people * (minutes + walk_minutes(plot.distance_m)),
        by_at=by_at,
        mass_kg=mass_kg,
        is_icy=_air_c(prospect, plot_id, by_at) <= ICE_C,
        lift_by_at=min(
            (lift.must_by_at for lift in lifts if lift.must_by_at is not None), default=None
        ),
        safe_from_at=max((lift.safe_from_at for lift in lifts), default=night.sunrise_at),
        claim_id=claim_id,
        must_come_off=must_come_off,
    )


def _air_c(prospect: Prospect, plot_id: int, at: datetime) -> float:
    """Air at a plot at a moment of the night. [°C]"""
    curve = prospect.site.curve
    at = min(max(at, curve.starts_at), curve.ends_at)
    return curve.at(at) + prospect.belief.offsets[plot_id].estimate.mean


class _Mornings:
    """When covers of this night come off again; plants that are alike are reckoned once."""

    def __init__(self, prospect: Prospect) -> None:
        self.prospect = prospect
        self._known: dict[tuple[Any, ...], LiftOff] = {}

    def lift_off(self, planting_id: int, treatment: str) -> LiftOff:
        prospect = self.prospect
        garden = prospect.gathered.garden
        stage = prospect.gathered.stages[planting_id]
        bare = prospect.bare[planting_id]
        offset_k, gain_k = bare.parts.offset.mean, prospect.ways[treatment].day_gain_k
        needs_c = bare.bearing.needs_c(SAFE_BELOW, sd_k=bare.temp.sd)
        below_air_k = bare.parts.air.mean + bare.parts.leaf.mean
        key = (offset_k, needs_c, below_air_k, stage.heat_max_c, gain_k)
        if key not in self._known:
            self._known[key] = lift_off(
                night=prospect.site.night,
                curve=prospect.site.curve.shifted(offset_k),
                threshold_c=needs_c,
                below_air_k=below_air_k,
                heat_max_c=stage.heat_max_c,
                day_gain_k=gain_k,
                latitude=garden.latitude,
                longitude=garden.longitude,
                elevation_m=garden.height_m,
            )
        return self._known[key]
