"""What the server does by itself: fetch the forecast, plan again, send what waits, keep house.

Three groups of jobs, each with a thread and a lease of its own, so that a web hook that answers a
byte a minute keeps no forecast and no copy from its turn. `tick` does whatever is due at `now` and
is called about once a minute. With several workers only the one that holds a group's lease does
anything; when it dies, another takes over within minutes. What the clock says is not believed
blindly: a last run in the future is none.
"""

from __future__ import annotations

import logging
import re
import secrets
from collections.abc import Callable, Collection
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from threading import Event
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError

from gardenapp.errors import FieldRefused, GardenError, NotAllowed, Refused
from gardenapp.extensions import db
from gardenapp.models.forecasts import ForecastAddress
from gardenapp.models.notices import Heartbeat, Lease, Timetable
from gardenapp.models.people import Garden, Member
from gardenapp.services import change_log
from gardenapp.services.clockwork import SKEW, get_garden, is_believable, tonight
from gardenapp.services.fetching import FetchFailed
from gardenapp.services.night import forecasts
from gardenapp.services.notices import alerts, telling, watch
from gardenapp.services.notices.planned import keep_planned
from gardenapp.services.notices.telling import Outlet
from gardenapp.services.store import photos, things
from gardenapp.services.transaction import write_transaction
from gardenapp.services.upkeep import backup, doctor
from gardenapp.words import _, later

FETCHING, SENDING, KEEPING = "fetching", "sending", "housekeeping"
GROUPS = (FETCHING, SENDING, KEEPING)
# Longer than one group's tick may take.
LEASE_FOR = timedelta(minutes=5)
TICK_S = 60.0
FETCH, SEND, TIDY = later("forecast fetch"), "notices", "tidying"
PLAN, WATCH, ALERTS = "planning", "watch over the coming night", "alerts"
RETRY_AFTER = timedelta(minutes=20)
PLAN_AGAIN_AFTER = timedelta(minutes=5)
# A fetch that was missed while the server was off is made up for within this time.
CATCH_UP_WITHIN = timedelta(hours=12)
MOST_TIMES = 6
MOST_EXTRA_S = 1200
TIDY_EVERY = timedelta(days=1)
BACKUP, CHECK = "backup", "database check"
CHECK_EVERY = timedelta(hours=1)

_Work = Callable[[], str | None]

_log = logging.getLogger("gardenapp.scheduler")


@dataclass(frozen=True)
class TimetableSettings:
    """When the forecast is fetched, garden time; `extra_s` is added to each."""

    times: tuple[time, ...]
    extra_s: int

    @property
    def text(self) -> str:
        return ", ".join(f"{at:%H:%M}" for at in self.times)


@dataclass(frozen=True)
class Beat:
    """When a job ran last and how it went."""

    job: str
    last_run_at: datetime
    last_result: str
    was_good: bool


# --- settings ---------------------------------------------------------------------------------


def get_timetable() -> TimetableSettings:
    """The garden's timetable; without one nothing is fetched by itself."""
    row = db.session.get(Timetable, 1)
    if row is None:
        return TimetableSettings((), 0)
    return TimetableSettings(tuple(parse_times(row.fetch_times)), row.extra_s)


def parse_times(text: str) -> list[time]:
    """Times of day in `text`, sorted: `6:30, 15:00`. Raises FieldRefused."""
    found = []
    for word in re.split(r"[\s,;]+", text.strip()):
        if not word:
            continue
        match = re.fullmatch(r"([01]?[0-9]|2[0-3])[:.]([0-5][0-9])", word, re.ASCII)
        if match is None:
            raise FieldRefused("fetch_times", _("Enter times such as 06:30, 15:00."))
        found.append(time(int(match[1]), int(match[2])))
    if len(set(found)) > MOST_TIMES:
        raise FieldRefused(
            "fetch_times", _("Enter at most %(most_times)s times a day.", most_times=MOST_TIMES)
        )
    return sorted(set(found))


def change_timetable(*, text: str, by_id: int | None, now: datetime) -> None:
    """Set when the forecast is fetched; empty stops it. Raises NotAllowed, FieldRefused."""
    times = parse_times(text)
    with write_transaction(changes_board=False) as session:
        if by_id is not None:
            actor = session.get(Member, by_id, populate_existing=True)
            if actor is None or not actor.is_active or not actor.is_coordinator:
                raise NotAllowed(_("Only a coordinator can do this."))
        row = session.get(Timetable, 1)
        if row is None:
            # Weather services ask their callers not to come all on the same minute.
            row = Timetable(id=1, extra_s=30 + secrets.randbelow(MOST_EXTRA_S))
            session.add(row)
        row.fetch_times = " ".join(f"{at:%H:%M}" for at in times)
        change_log.record(
            action="changed the timetable",
            subject=row.fetch_times or "no fetching",
            at=now,
            member_id=by_id,
        )


# --- heartbeats -------------------------------------------------------------------------------


def list_heartbeats() -> tuple[Beat, ...]:
    """Every job that ever ran, for a check-up."""
    return tuple(
        Beat(row.job, row.last_run_at, row.last_result, row.was_good)
        for row in db.session.scalars(select(Heartbeat).order_by(Heartbeat.job))
    )


def beat(
    *,
    job: str,
    result: str,
    was_good: bool,
    now: datetime,
    not_before_at: datetime | None = None,
) -> None:
    """Note that a job ran."""
    with write_transaction(changes_board=False) as session:
        row = session.scalar(select(Heartbeat).where(Heartbeat.job == job))
        if row is None:
            row = Heartbeat(job=job, last_run_at=now)
            session.add(row)
        row.last_run_at, row.last_result = now, result[:1000]
        row.was_good, row.not_before_at = was_good, not_before_at
        row.failures = 0 if was_good else (row.failures or 0) + 1


# --- the lease --------------------------------------------------------------------------------


def take_lease(*, holder: str, now: datetime, job: str = FETCHING) -> bool:
    """Become, or stay, the one worker that runs a group's jobs; says whether it worked out.

    A lease that ends later than any given now can was given by a clock gone wrong, and is over.
    """
    over = (Lease.until_at <= now) | (Lease.until_at > now + LEASE_FOR + SKEW)
    with write_transaction(changes_board=False) as session:
        taken = session.execute(
            update(Lease)
            .where(Lease.job == job, (Lease.holder == holder) | over)
            .values(holder=holder, until_at=now + LEASE_FOR)
            .execution_options(synchronize_session=False)
        )
        if taken.rowcount == 1:  # type: ignore[attr-defined]
            return True
        if session.scalar(select(Lease.id).where(Lease.job == job)) is not None:
            return False
        try:
            with session.begin_nested():
                session.add(Lease(job=job, holder=holder, until_at=now + LEASE_FOR))
        except IntegrityError:
            return False
        return True


def give_lease_back(*, holder: str, now: datetime) -> None:
    """Let another worker begin at once, when this one stops."""
    with write_transaction(changes_board=False) as session:
        session.execute(
            update(Lease)
            .where(Lease.holder == holder)
            .values(until_at=now)
            .execution_options(synchronize_session=False)
        )


# --- the jobs ---------------------------------------------------------------------------------


def tick(*, holder: str, now: datetime, outlet: Outlet, groups: Collection[str] = GROUPS) -> bool:
    """Do what is due at `now` in these groups; says whether this worker holds any of them."""
    if db.session.get(Garden, 1) is None:
        db.session.rollback()
        return False
    held = False
    for group in groups:
        if not take_lease(holder=holder, now=now, job=group):
            db.session.rollback()
            continue
        held = True
        for job, work in _jobs_of(group, now, outlet):
            _guarded(job, now, work)
        note_tick(group, now)
    return held


def _jobs_of(group: str, now: datetime, outlet: Outlet) -> list[tuple[str, _Work]]:
    if group == FETCHING:
        return [
            (FETCH, lambda: _fetch_if_due(now, outlet)),
            (PLAN, lambda: _keep_planned(now)),
            (WATCH, lambda: _watch(now)),
        ]
    if group == SENDING:
        return [(ALERTS, lambda: _tell_alerts(now)), (SEND, lambda: _send(now, outlet))]
    return [
        (TIDY, lambda: _tidy(now, outlet)),
        (BACKUP, lambda: _back_up(now, outlet)),
        (CHECK, lambda: _check(now)),
    ]


def note_tick(group: str, now: datetime) -> None:
    """Write that a group had its turn, and read it back: what `/healthz` judges the server by."""
    name = doctor.tick_of(group)
    beat(job=name, result="Had its turn.", was_good=True, now=now)
    kept = db.session.scalar(select(Heartbeat.last_run_at).where(Heartbeat.job == name))
    db.session.rollback()
    if kept != now:
        raise Refused(f"What {group} wrote down did not come back.")


def fetch_is_due(now: datetime) -> bool:
    """Whether a chosen time has passed since the last fetch, or a failed one may be retried."""
    if db.session.get(ForecastAddress, 1) is None:
        return False
    latest = _latest_time(now)
    if latest is None or now - latest > CATCH_UP_WITHIN:
        return False
    last = db.session.scalar(select(Heartbeat).where(Heartbeat.job == FETCH))
    if last is None or not is_believable(last.last_run_at, now):
        return True
    if last.last_run_at < latest:
        return last.not_before_at is None or last.not_before_at <= now
    if last.was_good:
        return False
    return now >= (last.not_before_at or last.last_run_at + RETRY_AFTER)


def _latest_time(now: datetime) -> datetime | None:
    """The newest moment at or before `now` at which a fetch should have been."""
    table = get_timetable()
    zone = ZoneInfo(get_garden().time_zone)
    today = now.astimezone(zone).date()
    moments = [
        # In UTC before anything is added: a clock change lies between local times.
        datetime.combine(day, at, zone).astimezone(now.tzinfo) + timedelta(seconds=table.extra_s)
        for day in (today - timedelta(days=1), today)
        for at in table.times
    ]
    return max((moment for moment in moments if moment <= now), default=None)


def _fetch_if_due(now: datetime, outlet: Outlet) -> str | None:
    if not fetch_is_due(now):
        return None
    imported = forecasts.fetch(
        member_id=None,
        now=now,
        allowed_private_hosts=outlet.allowed_private_hosts,
        session=outlet.http,
    )
    return "New forecast." if imported is not None else "There is no newer forecast."


def _keep_planned(now: datetime) -> str | None:
    """The coming night's plan; after a failure, not at every tick, for solving takes a while."""
    last = db.session.scalar(select(Heartbeat).where(Heartbeat.job == PLAN))
    waits = last is not None and not last.was_good and is_believable(last.last_run_at, now)
    if waits and last is not None and now < last.last_run_at + PLAN_AGAIN_AFTER:
        return None
    if keep_planned(now=now) is not None:
        return f"The night of {tonight(now).isoformat()} is planned."
    return "Nothing to plan." if last is not None and not last.was_good else None


def _watch(now: datetime) -> str | None:
    states = {
        row.job: row for row in db.session.scalars(select(Heartbeat).where(~Heartbeat.was_good))
    }
    fetch, planning = states.get(FETCH), states.get(PLAN)
    told = watch.look(
        now=now,
        fetch_failures=fetch.failures if fetch else 0,
        fetch_answer=fetch.last_result if fetch else "",
        plan_answer=planning.last_result if planning else "",
        fetched_at=fetch.last_run_at if fetch else None,
    )
    return f"{told} told." if told else None


def _tell_alerts(now: datetime) -> str | None:
    told = alerts.tell_alerts(now=now)
    return f"{told} told." if told else None


def _send(now: datetime, outlet: Outlet) -> str:
    telling.catch_up(now=now)
    done = telling.send_due(now=now, outlet=outlet)
    return f"{done.sent} sent, {done.failed} failed, {done.waiting} waiting."


def _tidy(now: datetime, outlet: Outlet) -> str | None:
    last = db.session.scalar(select(Heartbeat.last_run_at).where(Heartbeat.job == TIDY))
    if last is not None and timedelta() <= now - last < TIDY_EVERY:
        return None
    swept = photos.sweep(things.named_photos(), folder=photos.folder_in(outlet.instance), now=now)
    return f"{telling.forget_old(now=now)} old notices and {swept} stray pictures dropped."


def _back_up(now: datetime, outlet: Outlet) -> str | None:
    # What the job before read must not stay open while the copy is made.
    db.session.rollback()
    try:
        return backup.back_up_daily(
            engine=db.engine, instance=outlet.instance, keep_days=outlet.backup_days, now=now
        )
    except OSError as error:
        raise Refused(f"No copy was made: {error.strerror or error}.") from error


def _check(now: datetime) -> str | None:
    """Look through the database for damage, once an hour, before it spreads."""
    last = db.session.scalar(select(Heartbeat.last_run_at).where(Heartbeat.job == CHECK))
    if last is not None and timedelta() <= now - last < CHECK_EVERY:
        return None
    db.session.rollback()
    trouble = doctor.damage()
    if trouble:
        raise Refused(trouble)
    return "Nothing is damaged."


def _guarded(job: str, now: datetime, work: Callable[[], str | None]) -> None:
    """Run one job; whatever goes wrong is noted and keeps no other job from its turn."""
    try:
        result = work()
        if result is not None:
            beat(job=job, result=result, was_good=True, now=now)
    except FetchFailed as error:
        db.session.rollback()
        wait = max(RETRY_AFTER, timedelta(seconds=min(error.retry_after_s or 0, 86_400)))
        beat(job=job, result=str(error), was_good=False, now=now, not_before_at=now + wait)
    except GardenError as error:
        db.session.rollback()
        beat(job=job, result=str(error), was_good=False, now=now)
    except Exception as error:
        db.session.rollback()
        _log.exception("job %s", job)
        beat(job=job, result=f"Unexpected: {type(error).__name__}.", was_good=False, now=now)


def run(
    *,
    context: Callable[[], AbstractContextManager[Any]],
    clock: Callable[[], datetime],
    outlet: Outlet,
    stop: Event,
    groups: Collection[str] = GROUPS,
    first_wait_s: float = 5.0,
    every_s: float = TICK_S,
) -> None:
    """Tick until `stop` is set. For a thread of its own, one for each group; no error ends it.

    `context` gives what the database needs around each tick.
    """
    holder = secrets.token_hex(8)
    wait_s = first_wait_s
    while not stop.wait(wait_s):
        wait_s = every_s
        with context():
            try:
                tick(holder=holder, now=clock(), outlet=outlet, groups=groups)
            except Exception:
                _log.exception("tick")
            finally:
                db.session.remove()
    with context():
        try:
            give_lease_back(holder=holder, now=clock())
        except Exception:
            _log.debug("the lease runs out by itself", exc_info=True)
        finally:
            db.session.remove()
