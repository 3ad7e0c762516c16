"""The first step of a plan: the garden's rows, in one short read."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import joinedload, selectinload

from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.nights import Claim, Deployment, Job, Plan
from gardenapp.models.people import Garden, PlotHolder
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.covers.lift_learning import LearntLift
from gardenapp.science.night.bearing import Bearing
from gardenapp.science.night.root_ball import Before
from gardenapp.services.garden.crop_learning import learnt_shifts
from gardenapp.services.garden.hardened import State, bearings_of, before_of, stages_of, states_of
from gardenapp.services.night.learning import SiteBelief
from gardenapp.services.trials.cover_trials import Provenance, believed_gains, believed_lifts

# Ids of what stands open and of what is promised.
Facts = tuple[frozenset[int], frozenset[int]]


@dataclass(frozen=True, slots=True)
class Gathered:
    """The rows one plan is made from, and lookups over them.

    By the planting's id: `stages`, as the warmth has moved them; `states` and `bearings`, how
    hardened it is this evening and what it bears; `before`, what the nights before did to it.
    `learnt` : how much warmer each crop is harmed here than published, by its id. `promised` are
    the jobs of the night's plan before this one that somebody has claimed, and `claims` those
    claims, by job. `lifts` and `gains` : what the garden's own trials taught, by kind; the others
    keep their published figures.
    """

    garden: Garden
    plots: Mapping[int, Plot]
    plantings: tuple[Planting, ...]
    stages: Mapping[int, CropStage]
    states: Mapping[int, State]
    bearings: Mapping[int, Bearing]
    before: Mapping[int, Before]
    learnt: Mapping[int, float]
    kinds: Mapping[int, CoverKind]
    covers: tuple[Cover, ...]
    holders: Mapping[int, set[int]]
    deployments: tuple[Deployment, ...]
    promised: tuple[Job, ...]
    claims: Mapping[int, Claim]
    lifts: Mapping[int, tuple[LiftPrior, Provenance]]
    gains: Mapping[int, LearntLift]

    def by_id(self) -> dict[int, Planting]:
        """The plantings, by their id."""
        return {planting.id: planting for planting in self.plantings}

    @property
    def facts(self) -> Facts:
        """What stood open and was promised when it was read."""
        return (
            frozenset(deployment.id for deployment in self.deployments),
            frozenset(claim.id for claim in self.claims.values()),
        )


def gather(garden: Garden, evening: date, belief: SiteBelief) -> Gathered:
    """Everything the plan of a night is made from, beside its forecast."""
    session = db.session
    plantings = tuple(
        session.scalars(select(Planting).where(Planting.ended_at.is_(None)).order_by(Planting.id))
    )
    kinds = {kind.id: kind for kind in session.scalars(select(CoverKind).order_by(CoverKind.id))}
    promised, claims = _promised(evening)
    stages = stages_of(plantings, on=evening)
    learnt = learnt_shifts()
    states = states_of(plantings, stages, belief.clear_offsets, on=evening)
    return Gathered(
        garden=garden,
        plots={plot.id: plot for plot in session.scalars(select(Plot).order_by(Plot.id))},
        plantings=plantings,
        stages=stages,
        states=states,
        bearings=bearings_of(plantings, stages, states, learnt),
        learnt=learnt,
        before=before_of(plantings, stages, belief.clear_offsets, on=evening),
        kinds=kinds,
        covers=tuple(
            session.scalars(
                # What is lent, missing or gone cannot be fetched tonight.
                select(Cover)
                .where(Cover.status.in_(("here", "out")))
                .options(joinedload(Cover.place))
                .order_by(Cover.label, Cover.id)
            )
        ),
        holders=_holders(),
        deployments=tuple(
            session.scalars(
                select(Deployment)
                .where(Deployment.taken_off_at.is_(None))
                .options(selectinload(Deployment.covers), selectinload(Deployment.plants))
                .order_by(Deployment.id)
            )
        ),
        promised=promised,
        claims=claims,
        lifts=believed_lifts(kinds=kinds.values()),
        gains=believed_gains(),
    )


def facts_now(evening: date) -> Facts:
    """What stands open and what is promised, as the database has it now."""
    standing = db.session.scalars(select(Deployment.id).where(Deployment.taken_off_at.is_(None)))
    promised = db.session.scalars(
        select(Claim.id)
        .join(Job, Job.id == Claim.job_id)
        .join(Plan, Plan.id == Job.plan_id)
        .where(Plan.night_of == evening, Plan.is_current.is_(True), Claim.released_at.is_(None))
    )
    return frozenset(standing), frozenset(promised)


def _holders() -> dict[int, set[int]]:
    found: dict[int, set[int]] = defaultdict(set)
    for plot_id, member_id in db.session.execute(select(PlotHolder.plot_id, PlotHolder.member_id)):
        found[plot_id].add(member_id)
    return found


def _promised(evening: date) -> tuple[tuple[Job, ...], dict[int, Claim]]:
    """The claimed jobs of the night's plan so far, and their claims."""
    rows = db.session.execute(
        select(Job, Claim)
        .join(Plan, Plan.id == Job.plan_id)
        .join(Claim, Claim.job_id == Job.id)
        .where(Plan.night_of == evening, Plan.is_current.is_(True), Claim.released_at.is_(None))
        .options(selectinload(Job.parts))
        .order_by(Job.id)
    ).all()
    return tuple(job for job, _claim in rows), {job.id: claim for job, claim in rows}
