"""The last step of a plan: one short write.

The plan, its jobs and its stories go in; promises are carried over to the jobs that keep them, and
what stands is tied to its new job. Rows of a kind go in together, so that entering a low asks the
database some forty things and not some three hundred.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime

from flask_sqlalchemy.session import Session
from sqlalchemy import insert, select, update
from sqlalchemy.orm import scoped_session

from gardenapp.models.nights import Claim, Job, JobPart, Plan, PlanRow, PlanShare
from gardenapp.services import change_log
from gardenapp.services.night.gather import facts_now
from gardenapp.services.night.jobs import PlannedJob
from gardenapp.services.night.season_shares import shares_of
from gardenapp.services.night.snapshot import Snapshot
from gardenapp.services.transaction import write_transaction

# Values that are empty are written too, so that rows of a kind make one statement.
_ALL_COLUMNS = {"render_nulls": True}


class Overtaken(Exception):
    """Somebody claimed a job or put a cover on while the plan was being worked out."""


def keep(
    snapshot: Snapshot,
    *,
    evening: date,
    member_id: int | None,
    now: datetime,
    is_improved: bool = True,
    instead_of: int | None = None,
) -> int:
    """Write a plan as the current one of its night, and give its id. Raises Overtaken.

    is_improved : False leaves it waiting for a better one to be looked for.
    instead_of : the plan that must still be the current one.
    """
    with write_transaction() as session:
        if facts_now(evening) != snapshot.prospect.gathered.facts:
            raise Overtaken
        if instead_of is not None and not session.scalar(
            select(Plan.is_current).where(Plan.id == instead_of)
        ):
            raise Overtaken
        return _write(session, snapshot, evening, member_id, now, is_improved=is_improved)


def keep_holding_all_back(
    make: Callable[[], Snapshot],
    *,
    evening: date,
    member_id: int | None,
    now: datetime,
    is_improved: bool,
) -> int:
    """Make a plan and write it while nobody else can write; for where people are too quick.

    Everybody waits meanwhile, so only after a few tries, and for what is quickly made.
    """
    with write_transaction() as session:
        return _write(session, make(), evening, member_id, now, is_improved=is_improved)


def _write(
    session: scoped_session[Session],
    snapshot: Snapshot,
    evening: date,
    member_id: int | None,
    now: datetime,
    *,
    is_improved: bool,
) -> int:
    allocation = snapshot.allocation
    session.execute(
        update(Plan)
        .where(Plan.night_of == evening, Plan.is_current.is_(True))
        .values(is_current=False)
    )
    plan = Plan(
        night_of=evening,
        forecast_id=snapshot.prospect.site.forecast.id,
        made_at=now,
        made_by_id=member_id,
        method=allocation.method,
        objective=allocation.objective,
        bound=allocation.bound,
        gap=min(allocation.gap, 1e9),
        header=snapshot.header.to_json(),
        improving="" if is_improved else "waiting",
        # Handed over now: whoever is to improve it is given time to begin.
        heard_at=None if is_improved else now,
    )
    session.add(plan)
    session.flush()
    job_ids = _write_jobs(session, plan.id, snapshot.jobs)
    _carry_over(session, snapshot, job_ids, now)
    _write_stories(session, plan.id, snapshot, job_ids)
    _write_shares(session, plan.id, snapshot)
    change_log.record(
        action="plan made",
        subject=f"night of {evening.isoformat()}",
        detail=f"{len(snapshot.jobs)} jobs, gap {allocation.gap:.2%}, {allocation.method}",
        at=now,
        member_id=member_id,
    )
    return plan.id


def _write_jobs(
    session: scoped_session[Session], plan_id: int, jobs: Sequence[PlannedJob]
) -> list[int]:
    """Keep the jobs with their parts, and give their numbers in the same order."""
    if not jobs:
        return []
    rows = [
        {
            "plan_id": plan_id,
            "plot_id": job.plot_id,
            "treatment": job.treatment[:200],
            "label": job.name.label[:200],
            "minutes": job.minutes,
            "by_at": job.by_at,
            "lift_by_at": job.lift_by_at,
            "safe_from_at": job.safe_from_at,
            "must_come_off": job.must_come_off,
            "mass_kg": job.mass_kg,
            "is_icy": job.is_icy,
        }
        for job in jobs
    ]
    session.execute(insert(Job).execution_options(**_ALL_COLUMNS), rows)
    # They went in one after the other, so their numbers rise in their order.
    written = session.execute(
        select(Job.id, Job.plot_id, Job.treatment).where(Job.plan_id == plan_id).order_by(Job.id)
    ).all()
    assert [(row.plot_id, row.treatment) for row in written] == [
        (row["plot_id"], row["treatment"]) for row in rows
    ]
    job_ids = [row.id for row in written]
    parts = [
        {
            "job_id": job_id,
            "cover_id": part.covers[0] if part.covers else None,
            "inner_cover_id": part.covers[1] if len(part.covers) > 1 else None,
            "plants": {str(key): number for key, number in part.plants.items()},
        }
        for job_id, job in zip(job_ids, jobs, strict=True)
        for part in job.parts
    ]
    if parts:
        session.execute(insert(JobPart).execution_options(**_ALL_COLUMNS), parts)
    return job_ids


def _carry_over(
    session: scoped_session[Session], snapshot: Snapshot, job_ids: Sequence[int], now: datetime
) -> None:
    """Tie what stands to its new job, and move each promise to the job that keeps it."""
    gathered = snapshot.prospect.gathered
    deployments = {deployment.id: deployment for deployment in gathered.deployments}
    claims = {claim.id: claim for claim in gathered.claims.values()}
    kept = []
    for job_id, job in zip(job_ids, snapshot.jobs, strict=True):
        for part in job.parts:
            if part.deployment_id is not None:
                deployments[part.deployment_id].job_id = job_id
        claim = claims.pop(job.claim_id, None) if job.claim_id is not None else None
        if claim is not None:
            claim.released_at = now
            kept.append(
                {
                    "job_id": job_id,
                    "member_id": claim.member_id,
                    "with_member_id": claim.with_member_id,
                    "claimed_at": claim.claimed_at,
                }
            )
    session.flush()
    if kept:
        session.execute(insert(Claim), kept)


def _write_stories(
    session: scoped_session[Session], plan_id: int, snapshot: Snapshot, job_ids: Sequence[int]
) -> None:
    rows = [
        {
            "plan_id": plan_id,
            "planting_id": story.planting_id,
            "plot_id": story.plot_id,
            "status": story.status,
            "margin_k": story.margin_k,
            "data": story.with_job_ids(job_ids).to_json(),
        }
        for story in snapshot.stories
    ]
    if rows:
        session.execute(insert(PlanRow), rows)


def _write_shares(session: scoped_session[Session], plan_id: int, snapshot: Snapshot) -> None:
    rows = [
        {"plan_id": plan_id, "plot_id": plot_id, "avoided": avoided, "avoidable": avoidable}
        for plot_id, (avoided, avoidable) in shares_of(snapshot.prospect, snapshot.stories).items()
    ]
    if rows:
        session.execute(insert(PlanShare), rows)
