"""The night's jobs on paper: each with a number of its own, by the place of its covers.

A number is a job's place in its plan, plot by plot: it depends on the plan alone, so that what was
ticked on a sheet can be typed in whatever has happened since. The sheet's number is the plan's.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.nights import Job
from gardenapp.science.night.plan_records import PlantingStory
from gardenapp.services.night.tonight import BoardJob, TonightPage, tonight_page
from gardenapp.services.night.walks import Walk, walks_of, way_round


@dataclass(frozen=True)
class PlaceOnSheet:
    """The jobs whose covers are kept in one place, in the order in which one comes by their plots.

    place : "" is no fixed place, None no cover at all, but pots to carry in.
    """

    place: str | None
    note: str
    jobs: tuple[BoardJob, ...]


@dataclass(frozen=True)
class GateSheet:
    """Everything on the sheet for the gate. `numbers` : of each job, by its id."""

    page: TonightPage
    numbers: Mapping[int, int]
    places: tuple[PlaceOnSheet, ...]
    no_cover: tuple[PlantingStory, ...]
    at_risk: tuple[PlantingStory, ...]


@dataclass(frozen=True)
class Slips:
    """One slip a walk, with what is left to do. `left_out` : jobs that need nobody any more."""

    page: TonightPage
    numbers: Mapping[int, int]
    walks: tuple[Walk, ...]
    left_out: int


def numbers_of(plan_id: int) -> dict[int, int]:
    """The number of each job of a plan, by the job's id."""
    ids = db.session.scalars(
        select(Job.id).where(Job.plan_id == plan_id).order_by(Job.plot_id, Job.id)
    )
    return {job_id: number for number, job_id in enumerate(ids, 1)}


def gate_sheet(*, now: datetime) -> GateSheet:
    """All of tonight's jobs and all that cannot be helped; nothing is left out."""
    page = tonight_page(now=now)
    short = page.with_status("short")
    return GateSheet(
        page=page,
        numbers=_numbers(page),
        places=_places(walks_of(page.jobs, way_round())),
        no_cover=tuple(story for story in short if not story.given),
        at_risk=tuple(story for story in short if story.given),
    )


def slips(*, now: datetime) -> Slips:
    """What is left to do tonight, as walks."""
    page = tonight_page(now=now)
    open_jobs = [job for job in page.jobs if is_open(job)]
    return Slips(
        page=page,
        numbers=_numbers(page),
        walks=walks_of(open_jobs, way_round()),
        left_out=len(page.jobs) - len(open_jobs),
    )


def is_open(job: BoardJob) -> bool:
    """Whether a job still needs a pair of hands this evening."""
    if job.must_come_off:
        return job.state == "on"
    return job.state in {"free", "claimed"}


def _numbers(page: TonightPage) -> dict[int, int]:
    return {} if page.plan_id is None else numbers_of(page.plan_id)


def _places(walks: tuple[Walk, ...]) -> tuple[PlaceOnSheet, ...]:
    """A place with several walks is one part of the sheet."""
    found = []
    for place, parts in groupby(walks, key=lambda walk: walk.place):
        several = list(parts)
        jobs = tuple(job for walk in several for job in walk.jobs)
        found.append(PlaceOnSheet(place, several[0].note, jobs))
    return tuple(found)


def from_elsewhere(job: BoardJob, place: str | None) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What of a job is kept in other places than the one it is listed under: place and labels."""
    found: dict[str, list[str]] = defaultdict(list)
    for cover in job.covers:
        if cover.place != (place or ""):
            found[cover.place].append(cover.label)
    return tuple((name, tuple(labels)) for name, labels in sorted(found.items()))
