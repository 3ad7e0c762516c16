"""Tonight's plan: from the forecast in force to jobs that people can do.

Three steps. Gather the garden's rows in one short read. Work out, without the database, what
the night does to each planting and which covers avoid most of it. Keep the result in one short
write: a plan is a snapshot, and opening the board never solves anything.

What already stands over plants stays; what somebody has promised to do stays theirs.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select, update
from sqlalchemy.orm import joinedload, selectinload

from gardenapp.errors import NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverClass
from gardenapp.models.nights import Claim, Deployment, Job, JobPart, Plan, PlanRow
from gardenapp.models.people import Garden, PlotHolder
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.science.allocation.problem import (
    Allocation,
    CoverPool,
    FixedUse,
    Id,
    PlantingNeed,
    PlotSite,
    Problem,
    Treatment,
)
from gardenapp.science.allocation.reasons import words as reason_words
from gardenapp.science.allocation.solve import solve
from gardenapp.science.allocation.weights import (
    CLEARANCE_CM,
    MOST_OPTIONS,
    MOST_STACKS,
    SAFE_BELOW,
    SHELTER_MINUTES_PER_POT,
    SHORT_FROM,
    WALK_M_PER_MINUTE,
    WORTH,
    WORTH_PER_MINUTE,
)
from gardenapp.science.covers.lift import SHELTER_LIFT_K, LiftPrior
from gardenapp.science.covers.lift_learning import LearntLift
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.curve import NightCurve
from gardenapp.science.night.exposure import FrostType, frost_type
from gardenapp.science.night.morning import DEFAULT_DAY_GAIN_K, LiftOff, lift_off
from gardenapp.science.night.sun import night_for
from gardenapp.services import change_log
from gardenapp.services.clockwork import get_garden, tonight
from gardenapp.services.night.forecasts import find_forecast, hours_of
from gardenapp.services.night.learning import SiteBelief, site_belief
from gardenapp.services.night.outlook import (
    SHELTER,
    BareOutlook,
    CoveredOutlook,
    SiteNight,
    bare_outlook,
    covered_outlook,
    prior_of,
    site_night,
    stack_prior,
    tonight_lift,
)
from gardenapp.services.transaction import write_transaction
from gardenapp.services.trials.cover_trials import Provenance, believed_gains, believed_lifts
from gardenapp.words import _

MOST_ATTEMPTS = 4


@dataclass
class Gathered:
    """The rows one plan is made from, and lookups over them."""

    garden: Garden
    plots: dict[int, Plot]
    plantings: list[Planting]
    stages: dict[int, CropStage]
    kinds: dict[int, CoverClass]
    covers: list[Cover]
    holders: dict[int, set[int]]
    deployments: list[Deployment]
    promised: list[Job]
    claims: dict[int, Claim]
    # What the garden's own trials taught, by kind; the others keep their published figures.
    lifts: dict[int, tuple[LiftPrior, Provenance]]
    gains: dict[int, LearntLift]


@dataclass
class Pools:
    """Covers that are alike for the solver, and the way back to the covers themselves."""

    pools: dict[str, CoverPool] = field(default_factory=dict)
    members: dict[str, list[Cover]] = field(default_factory=lambda: defaultdict(list))
    kind_of: dict[str, CoverClass] = field(default_factory=dict)
    pool_of: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Standing:
    """A deployment or a promise as the solver sees it, with the covers that make it up."""

    plot_id: int
    treatment_id: str
    covers: tuple[int, ...]
    plants: dict[int, int]
    deployment_id: int | None
    claim_id: int | None


def plan_night(*, night_of: date | None, member_id: int | None, now: datetime) -> int:
    """Make and keep the plan for a night from its newest forecast; gives the plan's id.

    Raises NotFound where the night has no forecast.
    """
    garden = get_garden()
    evening = night_of or tonight(now)
    forecast = find_forecast(evening)
    if forecast is None:
        raise NotFound(_("There is no forecast for that night yet. Enter or import one."))
    night = night_for(
        evening,
        latitude=garden.latitude,
        longitude=garden.longitude,
        elevation_m=garden.elevation_m,
        time_zone=ZoneInfo(garden.time_zone),
    )
    belief = site_belief(before=evening)
    site = site_night(
        night=night, forecast=forecast, hours=hours_of(forecast), record=belief.record
    )
    for _attempt in range(MOST_ATTEMPTS):
        draft = _Draft(_gather(garden, evening), site, belief, now)
        draft.work_out()
        try:
            return _keep(draft, evening=evening, member_id=member_id, now=now)
        except _Overtaken:
            db.session.rollback()
    raise Refused(_("People are marking covers on right now. Plan again in a minute."))


def _gather(garden: Garden, evening: date) -> Gathered:
    session = db.session
    plots = {plot.id: plot for plot in session.scalars(select(Plot).order_by(Plot.id))}
    plantings = list(
        session.scalars(select(Planting).where(Planting.ended_at.is_(None)).order_by(Planting.id))
    )
    stage_ids = {planting.stage_id for planting in plantings}
    stages = {
        stage.id: stage
        for stage in session.scalars(
            select(CropStage).where(CropStage.id.in_(stage_ids)).options(joinedload(CropStage.crop))
        )
    }
    kinds = {kind.id: kind for kind in session.scalars(select(CoverClass).order_by(CoverClass.id))}
    covers = list(
        session.scalars(
            # What is lent, missing or gone cannot be fetched tonight.
            select(Cover)
            .where(Cover.status.in_(("here", "out")))
            .options(joinedload(Cover.place))
            .order_by(Cover.label, Cover.id)
        )
    )
    holders: dict[int, set[int]] = defaultdict(set)
    for plot_id, member_id in session.execute(select(PlotHolder.plot_id, PlotHolder.member_id)):
        holders[plot_id].add(member_id)
    deployments = list(
        session.scalars(
            select(Deployment)
            .where(Deployment.taken_off_at.is_(None))
            .options(selectinload(Deployment.covers), selectinload(Deployment.plants))
            .order_by(Deployment.id)
        )
    )
    current = session.scalar(
        select(Plan).where(Plan.night_of == evening, Plan.is_current.is_(True))
    )
    promised: list[Job] = []
    claims: dict[int, Claim] = {}
    if current is not None:
        jobs = list(
            session.scalars(
                select(Job).where(Job.plan_id == current.id).options(selectinload(Job.parts))
            )
        )
        claims = {
            claim.job_id: claim
            for claim in session.scalars(
                select(Claim).where(
                    Claim.job_id.in_([job.id for job in jobs]), Claim.released_at.is_(None)
                )
            )
        }
        promised = [job for job in jobs if job.id in claims]
    return Gathered(
        garden,
        plots,
        plantings,
        stages,
        kinds,
        covers,
        holders,
        deployments,
        promised,
        claims,
        believed_lifts(kinds=kinds.values()),
        believed_gains(),
    )


class _Overtaken(Exception):
    """Somebody claimed a job or put a cover on while the plan was being worked out."""


class _Draft:
    """One plan in the making. `work_out` fills it; `_keep` writes it."""

    def __init__(
        self, gathered: Gathered, site: SiteNight, belief: SiteBelief, now: datetime
    ) -> None:
        self.gathered = gathered
        self.belief = belief
        self.site = site
        self.now = now
        self.standing: list[Standing] = []
        self.pools = Pools()
        self.treatments: dict[str, Treatment] = {}
        self.lifts: dict[str, tuple[Estimate, float, bool, float]] = {}
        self.bare: dict[int, BareOutlook] = {}
        self.covered: dict[tuple[int, str], CoveredOutlook] = {}
        self.allocation: Allocation | None = None
        self.rows: list[dict[str, Any]] = []
        self.jobs: list[dict[str, Any]] = []
        self.header: dict[str, Any] = {}
        self.stage_of = {planting.id: planting.stage_id for planting in gathered.plantings}
        self._lift_offs: dict[tuple[Any, ...], LiftOff] = {}

    # Steps, in order

    def work_out(self) -> None:
        """Do every step that needs no database."""
        self._find_bare()
        self._find_standing()
        self._make_pools()
        self._make_treatments()
        self._find_covered()
        self.allocation = solve(self._problem())
        self._make_jobs()
        self._make_rows()
        self._make_header()

    def _find_bare(self) -> None:
        known: dict[tuple[Any, ...], BareOutlook] = {}
        for planting in self.gathered.plantings:
            offset = self.belief.offsets[planting.plot_id].estimate
            key = (
                planting.stage_id,
                planting.is_hardened,
                planting.height_cm,
                planting.in_pot,
                offset,
            )
            if key not in known:
                known[key] = bare_outlook(
                    self.site, planting, offset, self.gathered.stages[planting.stage_id]
                )
            self.bare[planting.id] = known[key]

    def _find_standing(self) -> None:
        alive = {planting.id: planting for planting in self.gathered.plantings}
        for deployment in self.gathered.deployments:
            covers = [
                use.cover_id
                for use in sorted(deployment.covers, key=lambda use: use.is_inner)
                if use.is_open
            ]
            plants = {
                under.planting_id: min(under.plants, alive[under.planting_id].count)
                for under in deployment.plants
                if under.planting_id in alive
            }
            self.standing.append(
                Standing(
                    plot_id=deployment.plot_id,
                    treatment_id="",
                    covers=tuple(covers),
                    plants=plants,
                    deployment_id=deployment.id,
                    claim_id=None,
                )
            )
        on = {cover for stand in self.standing for cover in stand.covers}
        present = {cover.id for cover in self.gathered.covers}
        for job in self.gathered.promised:
            claim = self.gathered.claims[job.id]
            for part in job.parts:
                part_covers = tuple(
                    c for c in (part.cover_id, part.inner_cover_id) if c is not None
                )
                if any(cover in on for cover in part_covers):
                    continue
                if not present.issuperset(part_covers):
                    continue  # lent out or gone since it was promised
                if not part_covers and any(
                    s.deployment_id is not None and not s.covers and s.plot_id == job.plot_id
                    for s in self.standing
                ):
                    continue
                plants = {
                    int(key): min(number, alive[int(key)].count)
                    for key, number in part.plants.items()
                    if int(key) in alive and alive[int(key)].plot_id == job.plot_id
                }
                if plants:
                    self.standing.append(
                        Standing(job.plot_id, "", part_covers, plants, None, claim.id)
                    )

    def _make_pools(self) -> None:
        held_by: dict[int, set[int]] = defaultdict(set)
        for plot_id, members in self.gathered.holders.items():
            for member_id in members:
                held_by[member_id].add(plot_id)
        on = {cover for stand in self.standing for cover in stand.covers}
        for cover in self.gathered.covers:
            if cover.id not in on and (not cover.is_usable or cover.condition == "broken"):
                continue
            own_only = cover.lending == "own plots" and cover.owner_id is not None
            key = f"{cover.class_id}" + (f"@{cover.owner_id}" if own_only else "")
            kind = self.gathered.kinds[cover.class_id]
            self.pools.members[key].append(cover)
            self.pools.kind_of[key] = kind
            self.pools.pool_of[cover.id] = key
            allowed = frozenset(held_by[cover.owner_id or 0]) if own_only else None
            self.pools.pools[key] = pool_of(
                key, kind, len(self.pools.members[key]), allowed=allowed
            )

    def _make_treatments(self) -> None:
        learnt = self.gathered.lifts
        priors = {
            kind.id: learnt[kind.id][0] if kind.id in learnt else prior_of(kind)
            for kind in self.gathered.kinds.values()
        }
        chains: list[tuple[str, ...]] = [(key,) for key in self.pools.pools]
        in_use = {
            tuple(self.pools.pool_of[c] for c in stand.covers)
            for stand in self.standing
            if len(stand.covers) > 1
        }
        chains += sorted(in_use)
        stacks = [
            (outer, inner)
            for outer in self.pools.pools
            for inner in self.pools.pools
            if self.pools.kind_of[inner].goes_under
            and not self.pools.kind_of[outer].goes_under
            and self.pools.kind_of[outer].id != self.pools.kind_of[inner].id
            and (outer, inner) not in in_use
        ]
        stacks.sort(
            key=lambda pair: (
                -tonight_lift(
                    self.site, stack_prior([self.pools.kind_of[key] for key in pair], priors)
                ).mean
            )
        )
        chains += stacks[:MOST_STACKS]
        for chain in chains:
            kinds = [self.pools.kind_of[key] for key in chain]
            prior = stack_prior(kinds, priors)
            treatment_id = "+".join(chain)
            label = " with ".join(
                kind.name if index == 0 else f"{kind.name} under it"
                for index, kind in enumerate(kinds)
            )
            self.treatments[treatment_id] = Treatment(treatment_id, chain, label)
            gain = max(self._day_gain_k(kind) for kind in kinds)
            self.lifts[treatment_id] = (
                tonight_lift(self.site, prior),
                prior.leaf_shield,
                kinds[-1].inner_height_cm is None and not kinds[-1].is_rigid,
                gain,
            )
        garden = self.gathered.garden
        if garden.shelter_spaces > 0:
            label = f"carry to {garden.shelter_label or 'the shelter'}"
            self.treatments[SHELTER] = Treatment(SHELTER, (), label)
            self.lifts[SHELTER] = (SHELTER_LIFT_K, 1.0, False, 0.0)

    def _day_gain_k(self, kind: CoverClass) -> float:
        """What a kind gains by day: as tried here, else as published, else the usual.

        A gain tried here is taken a spread warmer than its mean: lifting early costs nothing.
        """
        tried = self.gathered.gains.get(kind.id)
        if tried is not None:
            return max(0.0, tried.estimate.mean + tried.estimate.sd)
        return DEFAULT_DAY_GAIN_K if kind.day_gain_k is None else kind.day_gain_k

    def _find_covered(self) -> None:
        known: dict[tuple[Any, ...], CoveredOutlook] = {}
        for planting in self.gathered.plantings:
            bare = self.bare[planting.id]
            if bare.harm.share < SAFE_BELOW and not self._is_standing(planting.id):
                continue
            stage = self.gathered.stages[planting.stage_id]
            for treatment_id, (lift, shield, is_draped, _gain) in self.lifts.items():
                if treatment_id == SHELTER and not (planting.in_pot and planting.is_movable):
                    continue
                key = (id(bare), treatment_id)
                if key not in known:
                    known[key] = covered_outlook(
                        self.site,
                        planting,
                        stage,
                        bare,
                        lift=lift,
                        leaf_shield=shield,
                        is_draped=is_draped,
                    )
                self.covered[planting.id, treatment_id] = known[key]

    def _is_standing(self, planting_id: int) -> bool:
        return any(planting_id in stand.plants for stand in self.standing)

    def _problem(self) -> Problem:
        gathered = self.gathered
        walk = {plot.id: plot.distance_m / WALK_M_PER_MINUTE for plot in gathered.plots.values()}
        fixed: dict[tuple[int, str], list[Mapping[Id, int]]] = defaultdict(list)
        for index, stand in enumerate(self.standing):
            treatment_id = self._treatment_of(stand)
            self.standing[index] = Standing(
                stand.plot_id,
                treatment_id,
                stand.covers,
                stand.plants,
                stand.deployment_id,
                stand.claim_id,
            )
            if treatment_id in self.treatments:
                fixed[stand.plot_id, treatment_id].append(dict(stand.plants.items()))
        return Problem(
            plots=tuple(
                PlotSite(plot.id, plot.length_cm, plot.width_cm, plot.bed_width_cm, walk[plot.id])
                for plot in gathered.plots.values()
            ),
            plantings=tuple(
                PlantingNeed(
                    id=planting.id,
                    plot_id=planting.plot_id,
                    count=planting.count,
                    spread_cm=planting.spread_cm,
                    height_cm=planting.height_cm,
                    worth=WORTH[planting.mind] / planting.count,
                    bare_damage=(
                        self.bare[planting.id].harm.share
                        if self.bare[planting.id].harm.share >= SAFE_BELOW
                        or self._is_standing(planting.id)
                        else 0.0
                    ),
                    is_movable_pot=planting.in_pot and planting.is_movable,
                )
                for planting in gathered.plantings
            ),
            pools=tuple(self.pools.pools.values()),
            treatments=tuple(self.treatments.values()),
            damage={key: outlook.harm.share for key, outlook in self.covered.items()},
            shelter_spaces=gathered.garden.shelter_spaces,
            shelter_minutes_per_pot=SHELTER_MINUTES_PER_POT,
            minutes_budget=gathered.garden.minutes_budget,
            worth_per_minute=WORTH_PER_MINUTE,
            gust_mps=self.site.forecast.gust_mps,
            fixed=tuple(
                FixedUse(plot_id, treatment_id, tuple(units))
                for (plot_id, treatment_id), units in fixed.items()
            ),
        )

    def _treatment_of(self, stand: Standing) -> str:
        if not stand.covers:
            return SHELTER
        return "+".join(self.pools.pool_of[cover] for cover in stand.covers)

    # From the solver's answer to jobs with real covers

    def _make_jobs(self) -> None:
        assert self.allocation is not None
        free = self._free_covers()
        waiting: dict[tuple[int, str], list[Standing]] = defaultdict(list)
        for standing in self.standing:
            waiting[standing.plot_id, standing.treatment_id].append(standing)
        for use in self.allocation.uses:
            parts: list[dict[str, Any]] = []
            stands = list(waiting.get((int(use.plot_id), str(use.treatment_id)), ()))
            for unit in use.units:
                plants = {int(key): int(number) for key, number in unit.items() if number}
                alike = [s for s in stands if use.is_fixed and s.plants == plants]
                stand: Standing | None = alike[0] if alike else None
                if stand is not None:
                    stands.remove(stand)
                    covers: Sequence[int | None] = stand.covers
                elif use.treatment_id == SHELTER:
                    covers = ()
                else:
                    covers = [
                        self._take(free, pool_id, int(use.plot_id))
                        for pool_id in self.treatments[str(use.treatment_id)].pool_ids
                    ]
                if not plants:
                    continue
                parts.append(
                    {
                        "covers": [c for c in covers if c is not None],
                        "plants": plants,
                        "deployment_id": stand.deployment_id if stand else None,
                        "claim_id": stand.claim_id if stand else None,
                    }
                )
            # What is on, what is promised and what is new are different jobs to the reader.
            groups: dict[tuple[bool, int | None], list[dict[str, Any]]] = defaultdict(list)
            for part in parts:
                groups[part["deployment_id"] is not None, part["claim_id"]].append(part)
            for (_is_on, claim_id), group in groups.items():
                self.jobs.append(
                    self._job(
                        int(use.plot_id),
                        str(use.treatment_id),
                        group,
                        claim_id=claim_id,
                    )
                )
        for fixed in self.allocation.must_come_off:
            group = [
                {
                    "covers": list(stand.covers),
                    "plants": stand.plants,
                    "deployment_id": stand.deployment_id,
                    "claim_id": None,
                }
                for stand in waiting[int(fixed.plot_id), str(fixed.treatment_id)]
                if stand.deployment_id is not None and stand.plants
            ]
            if group:
                self.jobs.append(
                    self._job(
                        int(fixed.plot_id),
                        str(fixed.treatment_id),
                        group,
                        claim_id=None,
                        must_come_off=True,
                    )
                )
        # A cover whose plants are gone still stands there, and somebody must bring it in.
        for stand in self.standing:
            is_alone = stand.deployment_id is not None and not stand.plants
            if is_alone and stand.treatment_id in self.treatments:
                part = {
                    "covers": list(stand.covers),
                    "plants": {},
                    "deployment_id": stand.deployment_id,
                    "claim_id": None,
                }
                self.jobs.append(
                    self._job(stand.plot_id, stand.treatment_id, [part], claim_id=None)
                )
        self.jobs.sort(key=lambda job: (job["by_at"], job["plot_id"]))

    def _free_covers(self) -> dict[str, list[Cover]]:
        on = {cover for stand in self.standing for cover in stand.covers}
        return {
            key: [cover for cover in covers if cover.id not in on]
            for key, covers in self.pools.members.items()
        }

    def _take(self, free: Mapping[str, list[Cover]], pool_id: Any, plot_id: int) -> int | None:
        """The cover to fetch: the holders' own first, then the soundest, then by label."""
        candidates = free.get(str(pool_id), [])
        if not candidates:
            return None
        holders = self.gathered.holders.get(plot_id, set())
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

    def _job(
        self,
        plot_id: int,
        treatment_id: str,
        parts: list[dict[str, Any]],
        *,
        claim_id: int | None,
        must_come_off: bool = False,
    ) -> dict[str, Any]:
        treatment = self.treatments[treatment_id]
        planting_ids = {key for part in parts for key in part["plants"]}
        night = self.site.night
        by_at = min(
            (self._cover_by(self.bare[key]) for key in planting_ids), default=night.sunset_at
        )
        kinds = [self.pools.kind_of[str(key)] for key in treatment.pool_ids]
        minutes = (
            SHELTER_MINUTES_PER_POT * sum(sum(part["plants"].values()) for part in parts)
            if treatment_id == SHELTER
            else sum(kind.minutes for kind in kinds) * len(parts)
        )
        lifts = [self._lift_off(key, treatment_id) for key in planting_ids]
        must = [lift.must_by_at for lift in lifts if lift.must_by_at is not None]
        return {
            "plot_id": plot_id,
            "treatment": treatment_id,
            "label": treatment.label,
            "parts": parts,
            "minutes": minutes + self.gathered.plots[plot_id].distance_m / WALK_M_PER_MINUTE,
            "by_at": by_at,
            "lift_by_at": min(must) if must else None,
            "safe_from_at": max((lift.safe_from_at for lift in lifts), default=night.sunrise_at),
            "claim_id": claim_id,
            "must_come_off": must_come_off,
        }

    def _cover_by(self, bare: BareOutlook) -> datetime:
        """Sunset keeps the day's warmth in; a planting in danger before that goes first."""
        sunset_at = self.site.night.sunset_at
        if bare.crosses_at is None:
            return sunset_at
        return min(sunset_at, bare.crosses_at)

    def _lift_off(self, planting_id: int, treatment_id: str) -> LiftOff:
        stage = self.gathered.stages[self.stage_of[planting_id]]
        bare = self.bare[planting_id]
        key = (
            bare.parts.offset.mean,
            bare.threshold_c,
            stage.heat_max_c,
            self.lifts[treatment_id][3],
        )
        if key not in self._lift_offs:
            self._lift_offs[key] = self._find_lift_off(bare, stage, self.lifts[treatment_id][3])
        return self._lift_offs[key]

    def _find_lift_off(self, bare: BareOutlook, stage: CropStage, day_gain_k: float) -> LiftOff:
        garden = self.gathered.garden
        return lift_off(
            night=self.site.night,
            curve=self._air_curve(bare),
            threshold_c=bare.threshold_c,
            heat_max_c=stage.heat_max_c,
            day_gain_k=day_gain_k,
            latitude=garden.latitude,
            longitude=garden.longitude,
            elevation_m=garden.elevation_m,
        )

    def _air_curve(self, bare: BareOutlook) -> NightCurve:
        return self.site.curve.shifted(bare.parts.offset.mean)

    # What the board shows

    def _make_rows(self) -> None:
        assert self.allocation is not None
        job_of: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for number, job in enumerate(self.jobs):
            if job["must_come_off"]:
                continue
            totals: dict[int, int] = defaultdict(int)
            for part in job["parts"]:
                for planting_id, plants in part["plants"].items():
                    totals[planting_id] += plants
            for planting_id, plants in totals.items():
                job_of[planting_id].append((number, plants))
        for planting in self.gathered.plantings:
            self.rows.append(self._row(planting, job_of.get(planting.id, [])))
        self.rows.sort(key=lambda row: (row["margin_k"], row["planting_id"]))

    def _row(self, planting: Planting, given: list[tuple[int, int]]) -> dict[str, Any]:
        assert self.allocation is not None
        bare = self.bare[planting.id]
        stage = self.gathered.stages[planting.stage_id]
        plot = self.gathered.plots[planting.plot_id]
        gifts = []
        lost = 0.0
        covered_plants = 0
        worst = 0.0
        for number, plants in given:
            treatment_id = self.jobs[number]["treatment"]
            outlook = self.covered[planting.id, treatment_id]
            gifts.append(
                {
                    "job": number,
                    "treatment": treatment_id,
                    "label": self.treatments[treatment_id].label,
                    "plants": plants,
                    "temp": _pair(outlook.temp),
                    "lift": _pair(outlook.lift),
                    "share": round(outlook.harm.share, 4),
                }
            )
            covered_plants += plants
            lost += plants * outlook.harm.share
            worst = max(worst, outlook.harm.share)
        left = max(0, planting.count - covered_plants)
        lost += left * bare.harm.share
        after = lost / planting.count
        reason = self.allocation.reasons.get(planting.id)
        if bare.harm.share < SAFE_BELOW and not gifts:
            status = "safe"
        elif (left and bare.harm.share >= SHORT_FROM) or worst >= SHORT_FROM:
            status = "short"
        elif gifts:
            status = "protect"
        else:
            status = "watch"
        best = sorted(
            (self.covered[planting.id, treatment_id].harm.share, treatment_id)
            for treatment_id in self.treatments
            if (planting.id, treatment_id) in self.covered
        )[:MOST_OPTIONS]
        options = [
            {
                "treatment": treatment_id,
                "label": self.treatments[treatment_id].label,
                "temp": _pair(self.covered[planting.id, treatment_id].temp),
                "share": round(share, 4),
            }
            for share, treatment_id in best
        ]
        hardened = planting.is_hardened and stage.hardened_threshold_c is not None
        data: dict[str, Any] = {
            "name": planting.name or stage.crop.name,
            "crop": stage.crop.name,
            "crop_id": stage.crop_id,
            "stage": stage.name,
            "count": planting.count,
            "is_hardened": planting.is_hardened,
            "uses_hardened": hardened,
            "in_pot": planting.in_pot,
            "mind": planting.mind,
            "height_cm": planting.height_cm,
            "spread_cm": planting.spread_cm,
            "plot": plot.label,
            "threshold_c": bare.threshold_c,
            "kind": bare.kind,
            "curve": [round(bare.curve.t50_c, 3), round(bare.curve.sd_k, 3)],
            "source_id": stage.hardened_source_id if hardened else stage.source_id,
            "source_text": stage.hardened_source_text if hardened else stage.source_text,
            "source_status": stage.status,
            "parts": {
                "low": _pair(bare.parts.screen_low),
                "offset": _pair(bare.parts.offset),
                "air": _pair(bare.parts.air),
                "leaf": _pair(bare.parts.leaf),
            },
            "offset_reason": plot.offset_reason,
            "offset_declared": [plot.offset_k, plot.offset_sd_k],
            "offset_nights": self.belief.offsets[plot.id].nights,
            "temp": _pair(bare.temp),
            "share": round(bare.harm.share, 4),
            "frost": round(bare.harm.frost, 4),
            "chilling": _rounded(bare.harm.chilling),
            "chilling_c": stage.chilling_c,
            "root": _rounded(bare.harm.root),
            "root_kill_c": stage.root_kill_c if planting.in_pot else None,
            "hours_below": round(bare.hours_below, 2),
            "crosses_at": _iso(bare.crosses_at),
            "back_at": _iso(bare.back_at),
            "given": gifts,
            "left": left,
            "after": round(after, 4),
            "options": options,
        }
        if reason is not None:
            data["reason"] = {
                "code": reason.code,
                "params": dict(reason.params),
                "words": reason_words(reason),
                "needs_height_cm": reason.needs_height_cm,
                "needs_spread_cm": reason.needs_spread_cm,
                "units_wanted": reason.units_wanted,
            }
        return {
            "planting_id": planting.id,
            "plot_id": planting.plot_id,
            "status": status,
            "margin_k": round(bare.temp.mean - bare.threshold_c, 4),
            "data": data,
        }

    def _make_header(self) -> None:
        assert self.allocation is not None
        forecast, night = self.site.forecast, self.site.night
        coldest = min(
            (bare.temp.mean for bare in self.bare.values()), default=self.site.screen_low.mean
        )
        frost: FrostType = frost_type(
            air_low_c=forecast.low_c,
            plant_low_c=coldest,
            cloud_fraction=forecast.cloud_fraction,
            wind_mps=forecast.wind_mps,
        )
        to_do = [job for job in self.jobs if not job["must_come_off"]]
        lifts = [job["lift_by_at"] for job in to_do if job["lift_by_at"] is not None]
        counts: dict[str, int] = defaultdict(int)
        for row in self.rows:
            counts[row["status"]] += 1
        self.header = {
            "low": _pair(self.site.screen_low),
            "low_at": _iso(self.site.curve.low[0]),
            "forecast_low_c": forecast.low_c,
            "record_nights": self.belief.record.count,
            "record_bias": _pair(self.belief.record.bias),
            "share": _pair(self.site.share),
            "frost": frost.value,
            "coldest_plant_c": round(coldest, 2),
            "cloud_fraction": forecast.cloud_fraction,
            "wind_mps": forecast.wind_mps,
            "gust_mps": forecast.gust_mps,
            "dew_point_c": forecast.dew_point_c,
            "sunset_at": _iso(night.sunset_at),
            "sunrise_at": _iso(night.sunrise_at),
            "is_polar": night.is_polar,
            "put_on_by": _iso(min((job["by_at"] for job in to_do), default=None)),
            "lift_off_by": _iso(min(lifts, default=None)),
            "counts": dict(counts),
            "minutes": round(self.allocation.minutes_used, 1),
            "lifts": self._lift_stories(),
            "curve": [[_iso(at), round(c, 2)] for at, c in self.site.curve.knots],
            "stages": [
                {"name": stage.name, "seconds": round(stage.seconds, 3)}
                for stage in self.allocation.stages
            ],
        }

    def _lift_stories(self) -> dict[str, list[dict[str, Any]]]:
        """For each treatment in use of a kind that was tried here: before, trials, after."""
        found: dict[str, list[dict[str, Any]]] = {}
        for treatment_id in sorted({job["treatment"] for job in self.jobs}):
            kinds = [self.pools.kind_of[str(k)] for k in self.treatments[treatment_id].pool_ids]
            stories = [
                _lift_story(kind, self.gathered.lifts[kind.id][1])
                for kind in kinds
                if kind.id in self.gathered.lifts
            ]
            if stories:
                found[treatment_id] = stories
        return found


def _lift_story(kind: CoverClass, provenance: Provenance) -> dict[str, Any]:
    return {
        "kind_id": kind.id,
        "kind": kind.name,
        "trials": provenance.trials,
        "nights": len(provenance.nights),
        **{
            name: {
                "prior": _pair(learnt.prior),
                "result": _pair(learnt.estimate),
                "nights": learnt.nights,
            }
            for name, learnt in (("clear", provenance.clear), ("cloudy", provenance.cloudy))
        },
    }


def pool_of(
    key: str, kind: CoverClass, count: int, *, allowed: frozenset[Id] | None = None
) -> CoverPool:
    """`count` covers of a kind as the solver sees them; `allowed` None: on every plot."""
    return CoverPool(
        id=key,
        label=kind.name,
        count=count,
        inner_length_cm=kind.inner_length_cm,
        inner_width_cm=kind.inner_width_cm,
        inner_height_cm=kind.inner_height_cm,
        outer_length_cm=kind.outer_length_cm,
        outer_width_cm=kind.outer_width_cm,
        is_rigid=kind.is_rigid,
        may_touch=kind.may_touch,
        clearance_cm=CLEARANCE_CM,
        minutes=kind.minutes,
        gust_limit_mps=kind.gust_limit_mps,
        allowed_plot_ids=allowed,
    )


def _keep(draft: _Draft, *, evening: date, member_id: int | None, now: datetime) -> int:
    """Write the plan, carry promises over, and tie what stands to its new job."""
    allocation = draft.allocation
    assert allocation is not None
    with write_transaction() as session:
        if _facts(evening) != _gathered_facts(draft.gathered):
            raise _Overtaken
        session.execute(
            update(Plan)
            .where(Plan.night_of == evening, Plan.is_current.is_(True))
            .values(is_current=False)
        )
        session.flush()
        plan = Plan(
            night_of=evening,
            forecast_id=draft.site.forecast.id,
            made_at=now,
            made_by_id=member_id,
            method=allocation.method,
            objective=allocation.objective,
            bound=allocation.bound,
            gap=min(allocation.gap, 1e9),
            header=draft.header,
        )
        session.add(plan)
        session.flush()
        job_ids: list[int] = []
        for item in draft.jobs:
            job = Job(
                plan_id=plan.id,
                plot_id=item["plot_id"],
                treatment=item["treatment"][:200],
                label=item["label"][:200],
                minutes=item["minutes"],
                by_at=item["by_at"],
                lift_by_at=item["lift_by_at"],
                safe_from_at=item["safe_from_at"],
                must_come_off=item["must_come_off"],
            )
            session.add(job)
            session.flush()
            job_ids.append(job.id)
            for part in item["parts"]:
                covers = part["covers"]
                session.add(
                    JobPart(
                        job_id=job.id,
                        cover_id=covers[0] if covers else None,
                        inner_cover_id=covers[1] if len(covers) > 1 else None,
                        plants={str(key): number for key, number in part["plants"].items()},
                    )
                )
                if part["deployment_id"] is not None:
                    session.execute(
                        update(Deployment)
                        .where(
                            Deployment.id == part["deployment_id"],
                            Deployment.taken_off_at.is_(None),
                        )
                        .values(job_id=job.id)
                    )
            if item["claim_id"] is not None:
                old = session.get(Claim, item["claim_id"])
                if old is not None and old.released_at is None:
                    old.released_at = now
                    session.flush()
                    session.add(
                        Claim(job_id=job.id, member_id=old.member_id, claimed_at=old.claimed_at)
                    )
        for row in draft.rows:
            data = row["data"]
            for gift in data["given"]:
                gift["job_id"] = job_ids[gift.pop("job")]
            session.add(
                PlanRow(
                    plan_id=plan.id,
                    planting_id=row["planting_id"],
                    plot_id=row["plot_id"],
                    status=row["status"],
                    margin_k=row["margin_k"],
                    data=data,
                )
            )
        change_log.record(
            action="plan made",
            subject=f"night of {evening.isoformat()}",
            detail=f"{len(draft.jobs)} jobs, gap {allocation.gap:.2%}, {allocation.method}",
            at=now,
            member_id=member_id,
        )
        return plan.id


def _facts(evening: date) -> tuple[frozenset[int], frozenset[int]]:
    """What stands open and what is promised, by id, as the database has it now."""
    standing = db.session.scalars(select(Deployment.id).where(Deployment.taken_off_at.is_(None)))
    promised = db.session.scalars(
        select(Claim.id)
        .join(Job, Job.id == Claim.job_id)
        .join(Plan, Plan.id == Job.plan_id)
        .where(Plan.night_of == evening, Plan.is_current.is_(True), Claim.released_at.is_(None))
    )
    return frozenset(standing), frozenset(promised)


def _gathered_facts(gathered: Gathered) -> tuple[frozenset[int], frozenset[int]]:
    return (
        frozenset(deployment.id for deployment in gathered.deployments),
        frozenset(claim.id for claim in gathered.claims.values()),
    )


def _pair(estimate: Estimate) -> list[float]:
    return [round(estimate.mean, 4), round(estimate.sd, 4)]


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
