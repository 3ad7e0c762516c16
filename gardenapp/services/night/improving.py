"""A plan is there at once; this looks for a better one afterwards and says how far off it is.

Whoever looks has the plan in its name for as long as it is heard of, so that two servers do not do
it twice and another takes it up where a server was stopped. A better plan replaces the one at hand
only where the difference is worth sending somebody elsewhere. What is claimed or on by then stays
where it is: the search is put right for it instead of begun again.
"""

from __future__ import annotations

import os
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import or_, select, update

from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.science.allocation.problem import Allocation, relative_gap_of
from gardenapp.science.allocation.solve import Progress, first_answer, solve, worth_of
from gardenapp.science.allocation.weights import WORTH_A_CHANGE
from gardenapp.services import change_log
from gardenapp.services.clockwork import get_garden
from gardenapp.services.night.forecasts import find_forecast
from gardenapp.services.night.gather import facts_now
from gardenapp.services.night.jobs import jobs_of
from gardenapp.services.night.keep import Overtaken, keep
from gardenapp.services.night.learning import site_belief
from gardenapp.services.night.plan_night import Basis, basis_of
from gardenapp.services.night.snapshot import snapshot_of
from gardenapp.services.transaction import write_transaction

MOST_SECONDS = 60.0
"""How long a better plan is looked for; in the background, so longer than anybody would wait."""

GAP = 0.005
"""From the best there is; a plan this near is not looked into further."""

SILENT_FOR = timedelta(seconds=60)
"""Whoever has not been heard of for so long has been stopped; another takes the plan up."""

TELL_EVERY_S = 1.0
MOST_REPAIRS = 20

Begin = Callable[[int], None]
_beginners: dict[str, Begin] = {}


class Superseded(Exception):
    """Another plan of the night is in force, so there is nothing left to improve."""


@dataclass(frozen=True)
class State:
    """How far the plan in force has been improved. `gap` : a share of the best there may be."""

    plan_id: int
    is_on: bool
    gap: float


def begin_with(database: str, begin: Begin | None) -> None:
    """Say who improves plans of a database in another process; None: each is made well at once."""
    if begin is None:
        _beginners.pop(database, None)
    else:
        _beginners[database] = begin


def is_left_to_another() -> bool:
    """Whether plans of this database are improved in another process."""
    return str(db.engine.url) in _beginners


def begin(plan_id: int) -> None:
    """Have a plan improved in another process. Raises OSError where none can be started."""
    _beginners[str(db.engine.url)](plan_id)


def state_of(night_of: date) -> State | None:
    """How far the plan in force of a night has come; None where there is none."""
    row = db.session.execute(
        select(Plan.id, Plan.improving, Plan.gap).where(
            Plan.night_of == night_of, Plan.is_current.is_(True)
        )
    ).first()
    return None if row is None else State(row.id, bool(row.improving), row.gap)


def left_alone(*, now: datetime, first_night: date) -> list[int]:
    """Plans in force that wait to be improved and that nobody is heard of, from a night on."""
    return list(
        db.session.scalars(
            select(Plan.id).where(
                Plan.is_current.is_(True),
                Plan.night_of >= first_night,
                Plan.improving != "",
                or_(Plan.heard_at.is_(None), Plan.heard_at < now - SILENT_FOR),
            )
        )
    )


def take(plan_id: int, *, holder: str, now: datetime) -> bool:
    """Take a plan to improve; whether it was free to take."""
    with write_transaction(changes_board=False) as session:
        done = session.execute(
            update(Plan)
            .where(
                Plan.id == plan_id,
                Plan.is_current.is_(True),
                or_(
                    Plan.improving == "waiting",
                    (Plan.improving == "running")
                    & or_(Plan.heard_at.is_(None), Plan.heard_at < now - SILENT_FOR),
                ),
            )
            .values(improving="running", improver=holder, heard_at=now)
        )
        return bool(done.rowcount)  # type: ignore[attr-defined]


def give_up(plan_id: int) -> None:
    """Let a plan stand as it is, where nobody can look for a better one."""
    with write_transaction() as session:
        session.execute(update(Plan).where(Plan.id == plan_id).values(improving=""))


def improve(
    plan_id: int,
    *,
    clock: Callable[[], datetime],
    seconds: float = MOST_SECONDS,
    say: Callable[[Progress], None] | None = None,
) -> int | None:
    """Look for a better plan and keep it where it is worth the change.

    clock : the time now. [UTC]  seconds : how long is looked at the most. [s]
    say : told how far it has come.

    Gives the id of the plan in force afterwards; None where another has it, or it is not in force
    any more.
    """
    holder = f"{os.getpid()}-{secrets.token_hex(6)}"
    if not take(plan_id, holder=holder, now=clock()):
        return None
    listener = _Listener(plan_id, holder, clock, say)
    found: Allocation | None = None
    try:
        for _repair in range(MOST_REPAIRS):
            basis = _basis(plan_id, clock())
            if found is None:
                found = solve(
                    basis.problem,
                    time_limit_s=seconds,
                    relative_gap=GAP,
                    start=basis.at_hand,
                    tell=listener.hear,
                )
            else:  # people were quicker: what they took stays, the rest goes round it
                found = first_answer(basis.problem, start=found.uses)
            try:
                return _settle(plan_id, holder, basis, found, clock())
            except Overtaken:
                db.session.rollback()
        give_up(plan_id)
        return plan_id
    except Superseded:
        db.session.rollback()
        return None


def _basis(plan_id: int, now: datetime) -> Basis:
    """The garden as it is, and the plan at hand. Raises Superseded."""
    plan = db.session.get(Plan, plan_id, populate_existing=True)
    if plan is None or not plan.is_current:
        raise Superseded
    forecast = find_forecast(plan.night_of)
    if forecast is None or forecast.id != plan.forecast_id:
        raise Superseded  # a newer forecast wants a plan of its own
    return basis_of(get_garden(), forecast, site_belief(before=plan.night_of), now)


def _settle(plan_id: int, holder: str, basis: Basis, found: Allocation, now: datetime) -> int:
    """Keep what was found, or say of the plan at hand how far off it is. Raises Overtaken."""
    at_hand = worth_of(basis.problem, basis.at_hand)
    if found.objective - at_hand >= WORTH_A_CHANGE:
        prospect = basis.prospect
        snapshot = snapshot_of(prospect, found, jobs_of(prospect, found))
        return keep(
            snapshot,
            evening=prospect.site.forecast.night_of,
            member_id=None,
            now=now,
            instead_of=plan_id,
        )
    with write_transaction() as session:
        if facts_now(basis.prospect.site.forecast.night_of) != basis.prospect.gathered.facts:
            raise Overtaken
        gap = relative_gap_of(at_hand, max(found.bound, at_hand))
        session.execute(
            update(Plan)
            .where(Plan.id == plan_id, Plan.improver == holder)
            .values(
                improving="",
                bound=max(found.bound, at_hand),
                objective=at_hand,
                gap=min(gap, 1e9),
                method=found.method,
            )
        )
        change_log.record(
            action="plan checked",
            subject=f"night of {basis.prospect.site.forecast.night_of.isoformat()}",
            detail=f"kept as it was, at most {gap:.2%} from the best",
            at=now,
            member_id=None,
        )
    return plan_id


class _Listener:
    """Hears how far a search has come, and writes it down now and then."""

    def __init__(
        self,
        plan_id: int,
        holder: str,
        clock: Callable[[], datetime],
        say: Callable[[Progress], None] | None,
    ) -> None:
        self._plan_id, self._holder = plan_id, holder
        self._clock, self._say = clock, say
        self._last = -TELL_EVERY_S

    def hear(self, progress: Progress) -> None:
        """Write the gap down, at most once a second. Raises Superseded."""
        if self._say is not None:
            self._say(progress)
        if time.monotonic() - self._last < TELL_EVERY_S:
            return
        self._last = time.monotonic()
        with write_transaction(changes_board=False) as session:
            done = session.execute(
                update(Plan)
                .where(
                    Plan.id == self._plan_id,
                    Plan.improver == self._holder,
                    Plan.is_current.is_(True),
                )
                .values(heard_at=self._clock(), gap=min(progress.gap, 1e9))
            )
            if not done.rowcount:  # type: ignore[attr-defined]
                raise Superseded
