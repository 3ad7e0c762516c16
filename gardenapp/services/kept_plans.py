"""Kept plans as records, whichever format they were kept in.

A plan is never changed once it is made, so what was read of the newest ones stays at hand: the
garden's version moves with each claim, and reading what a plan says of some hundred plantings is a
third of making a board anew.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection
from datetime import date, datetime
from threading import Lock
from weakref import WeakKeyDictionary

from sqlalchemy import Engine, exists, select

from gardenapp.extensions import db
from gardenapp.models.nights import Deployment, Job, JobPart, Plan, PlanRow
from gardenapp.models.plots import Plot
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.plan_records import PlanHeader, PlantingStory, format_of

_Kept = OrderedDict[tuple[int, datetime], tuple[PlantingStory, ...]]
_stories: WeakKeyDictionary[Engine, _Kept] = WeakKeyDictionary()
_lock = Lock()
MOST_PLANS_KEPT = 3


def header_of(plan: Plan) -> PlanHeader:
    """What a kept plan says of its night."""
    return PlanHeader.from_json(plan.header, format_of(plan.header))


def story_of(plan: Plan, row: PlanRow) -> PlantingStory:
    """What a kept plan says of one planting; `row` is of that plan."""
    return PlantingStory.from_json(
        row.data,
        format_of(plan.header),
        planting_id=row.planting_id,
        plot_id=row.plot_id,
        status=row.status,
        margin_k=row.margin_k,
    )


def offsets_said(
    plans: Collection[Plan], *, plot_ids: Collection[int] | None = None
) -> dict[tuple[int, int], Estimate]:
    """What each plan believed of each plot with a planting in it, by the two ids; or some plots."""
    by_id = {plan.id: plan for plan in plans}
    query = select(PlanRow).where(PlanRow.plan_id.in_(by_id))
    if plot_ids is not None:
        query = query.where(PlanRow.plot_id.in_(plot_ids))
    found: dict[tuple[int, int], Estimate] = {}
    for row in db.session.scalars(query):
        if (row.plan_id, row.plot_id) not in found:
            story = story_of(by_id[row.plan_id], row)
            found[row.plan_id, row.plot_id] = story.parts.offset
    return found


def stories_of(plan: Plan) -> tuple[PlantingStory, ...]:
    """What a kept plan says of each planting, those in most danger first."""
    key = (plan.id, plan.made_at)
    with _lock:
        kept = _stories.setdefault(db.engine, OrderedDict())
        found = kept.get(key)
    if found is None:
        found = tuple(
            story_of(plan, row)
            for row in db.session.scalars(
                select(PlanRow)
                .where(PlanRow.plan_id == plan.id)
                .order_by(PlanRow.margin_k, PlanRow.id)
            )
        )
        with _lock:
            kept[key] = found
            while len(kept) > MOST_PLANS_KEPT:
                kept.popitem(last=False)
    return found


def needed_tonight(cover_id: int, evening: date) -> str | None:
    """The plot that a night's plan puts a cover on, unless that is done; None where it is free.

    For the store, which knows nothing of planning.
    """
    return db.session.scalar(
        select(Plot.label)
        .join(Job, Job.plot_id == Plot.id)
        .join(Plan, Plan.id == Job.plan_id)
        .join(JobPart, JobPart.job_id == Job.id)
        .where(
            Plan.night_of == evening,
            Plan.is_current.is_(True),
            Job.must_come_off.is_(False),
            (JobPart.cover_id == cover_id) | (JobPart.inner_cover_id == cover_id),
            # What was put on and taken off again is done.
            ~exists().where(
                Deployment.job_id == Job.id,
                Deployment.taken_off_at.is_not(None),
                Deployment.was_undone.is_(False),
            ),
        )
        .limit(1)
    )
