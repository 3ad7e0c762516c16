"""What has happened to the garden since a plan was made, such as jobs that cannot be done now.

A plan is a snapshot. Between it and the dusk a cover is lent, a bag torn, a row of beans sown; the
board says so at once, and the timetable makes the plan anew.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import joinedload

from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import CoverUse, Deployment, Job, JobPart
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.models.store import LedgerEntry
from gardenapp.science.night.plan_records import PlantingStory

AVAILABLE = ("here", "out")
# Of what is written in the ledger, this gives the garden a cover that the plan did not have.
GAINED = ("acquired", "returned", "mended")


@dataclass(frozen=True)
class Trouble:
    """Why a cover of a job cannot be put on: `code` is lent, missing, retired, broken, elsewhere
    or ended (no plants are left); `at` since when, where that is known."""

    code: str
    label: str = ""
    plot: str = ""
    at: datetime | None = None


@dataclass(frozen=True)
class Change:
    """What a plan does not know of: `code` is added, ended, changed or cover."""

    code: str
    name: str
    plot: str = ""


def troubles_of(jobs: Sequence[Job]) -> dict[int, dict[int, Trouble]]:
    """By job and by the number of its part: what keeps that part from being done.

    A part that stands already is not asked for here; the caller knows which jobs are on.
    """
    ids = {cover for job in jobs for part in job.parts for cover in covers_of(part)}
    bad = _bad_covers(ids)
    elsewhere = _standing(ids)
    alive = _alive({int(key) for job in jobs for part in job.parts for key in part.plants})
    found: dict[int, dict[int, Trouble]] = defaultdict(dict)
    for job in jobs:
        for number, part in enumerate(job.parts):
            trouble = _trouble(job, part, bad, elsewhere, alive)
            if trouble is not None:
                found[job.id][number] = trouble
    return dict(found)


def _trouble(
    job: Job,
    part: JobPart,
    bad: Mapping[int, Trouble],
    elsewhere: Mapping[int, tuple[int | None, str, datetime, str]],
    alive: Collection[int],
) -> Trouble | None:
    if part.plants and not any(int(key) in alive for key in part.plants):
        return Trouble("ended")
    for cover_id in covers_of(part):
        if cover_id in bad:
            return bad[cover_id]
        if cover_id in elsewhere and elsewhere[cover_id][0] != job.id:
            _job_id, plot, at, label = elsewhere[cover_id]
            return Trouble("elsewhere", label, plot, at)
    return None


def covers_of(part: JobPart) -> list[int]:
    """A part's covers, outermost first."""
    return [cover for cover in (part.cover_id, part.inner_cover_id) if cover is not None]


def _bad_covers(ids: Collection[int]) -> dict[int, Trouble]:
    if not ids:
        return {}
    rows = db.session.execute(
        select(Cover.id, Cover.label, Cover.status, Cover.condition, LedgerEntry.at)
        .outerjoin(
            LedgerEntry,
            (LedgerEntry.cover_id == Cover.id) & (LedgerEntry.number == Cover.ledger_number),
        )
        .where(
            Cover.id.in_(ids),
            Cover.status.not_in(AVAILABLE) | (Cover.condition == "broken"),
        )
    )
    return {
        cover_id: Trouble("broken" if status in AVAILABLE else status, label, "", at)
        for cover_id, label, status, _condition, at in rows
    }


def _standing(ids: Collection[int]) -> dict[int, tuple[int | None, str, datetime, str]]:
    """Where covers stand: the job that put them there, the plot, since when, and their label."""
    if not ids:
        return {}
    rows = db.session.execute(
        select(CoverUse.cover_id, Deployment.job_id, Plot.label, Deployment.put_on_at, Cover.label)
        .join(Deployment, Deployment.id == CoverUse.deployment_id)
        .join(Plot, Plot.id == Deployment.plot_id)
        .join(Cover, Cover.id == CoverUse.cover_id)
        .where(CoverUse.is_open, CoverUse.cover_id.in_(ids))
    )
    return {cover_id: (job_id, plot, at, label) for cover_id, job_id, plot, at, label in rows}


def _alive(planting_ids: Collection[int]) -> set[int]:
    return set(
        db.session.scalars(
            select(Planting.id).where(Planting.id.in_(planting_ids), Planting.ended_at.is_(None))
        )
    )


def changes_since(made_at: datetime, stories: Sequence[PlantingStory]) -> tuple[Change, ...]:
    """Plantings that came, went or changed since a plan was made, or whose plot did, and covers
    that came.
    """
    known = {story.planting_id: story for story in stories}
    growing = {
        planting.id: planting
        for planting in db.session.scalars(
            select(Planting)
            .where(Planting.ended_at.is_(None))
            .options(joinedload(Planting.stage).joinedload(CropStage.crop))
            .order_by(Planting.id)
        )
    }
    plots = {plot.id: plot for plot in db.session.scalars(select(Plot))}
    found = []
    for planting in growing.values():
        story = known.get(planting.id)
        name = planting.name or planting.stage.crop.name
        plot = plots[planting.plot_id]
        if story is None:
            found.append(Change("added", name, plot.label))
        elif _differs(planting, plot, story):
            found.append(Change("changed", name, plot.label))
    found += [
        Change("ended", story.name, story.plot)
        for story in stories
        if story.planting_id not in growing
    ]
    gained = db.session.scalars(
        select(Cover.label)
        .join(LedgerEntry, LedgerEntry.cover_id == Cover.id)
        .where(
            LedgerEntry.action.in_(GAINED),
            LedgerEntry.at > made_at,
            Cover.status.in_(AVAILABLE),
            Cover.condition != "broken",
        )
        .distinct()
        .order_by(Cover.label)
    )
    return (*found, *(Change("cover", label) for label in gained))


def _differs(planting: Planting, plot: Plot, story: PlantingStory) -> bool:
    now: tuple[object, ...] = (
        planting.count,
        planting.stage.name,
        planting.worth_per,
        planting.in_pot,
        planting.mind,
        planting.plot_id,
        plot.offset_k,
        plot.offset_sd_k,
    )
    then: tuple[object, ...] = (
        story.count,
        story.stage,
        story.worth_per,
        story.in_pot,
        story.mind,
        story.plot_id,
        story.offset_declared.mean,
        story.offset_declared.sd,
    )
    return now != then


@dataclass(frozen=True)
class Lacking:
    """Why there is nothing to decide: what the garden has none of."""

    plots: bool = False
    plantings: bool = False
    covers: bool = False


def lacking() -> Lacking:
    """What there is none of, without which a board has nothing to say."""

    def none(query: object) -> bool:
        return not db.session.scalar(query)  # type: ignore[call-overload]

    return Lacking(
        plots=none(select(func.count()).select_from(Plot)),
        plantings=none(
            select(func.count()).select_from(Planting).where(Planting.ended_at.is_(None))
        ),
        covers=none(select(func.count()).select_from(Cover).where(Cover.status.in_(AVAILABLE))),
    )
