"""Plan a night and tell those it concerns: the way in for pages, shell and timetable.

Planning knows nothing of notices, and a plan is good whether anybody is told or not; this is the
one place where the two meet. It also holds the one rule about when to plan: the coming night has
a plan from the forecast in force, or one is made.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from datetime import date, datetime, timedelta

from sqlalchemy import select

from gardenapp.errors import GardenError, NotFound
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.science.allocation.solve import Progress
from gardenapp.services.clockwork import tonight
from gardenapp.services.night import improving
from gardenapp.services.night.forecasts import find_forecast
from gardenapp.services.night.live import follow
from gardenapp.services.night.plan_night import plan_night
from gardenapp.services.night.tonight import tonight_page
from gardenapp.services.notices import telling

_log = logging.getLogger("gardenapp.planning")


def plan_and_tell(*, night_of: date | None, member_id: int | None, now: datetime) -> int:
    """Plan a night, queue what it changes for each member, and give the plan's id.

    Where plans are improved apart, the first one is kept and people are told when it has been
    improved, so that nobody is told twice. Raises what `plan_night` raises; queueing raises
    nothing.
    """
    apart = improving.is_left_to_another()
    plan_id = plan_night(night_of=night_of, member_id=member_id, now=now, at_once=apart)
    if apart:
        _have_improved(plan_id)
    else:
        telling.plan_changed(plan_id)
    return plan_id


def improve_and_tell(
    plan_id: int,
    *,
    clock: Callable[[], datetime],
    say: Callable[[Progress], None] | None = None,
) -> int | None:
    """Look for a better plan here, and queue what the plan in force then changes for members.

    Gives its id; None where somebody else looks already or the plan is not in force any more.
    """
    try:
        kept = improving.improve(plan_id, clock=clock, say=say)
    except Exception:  # the first plan is good to use, and nobody should try again all night
        db.session.rollback()
        _log.exception("improving plan %s", plan_id)
        improving.give_up(plan_id)
        kept = plan_id
    if kept is not None:
        telling.plan_changed(kept)
    return kept


def take_up_what_was_left(now: datetime) -> int:
    """Have plans improved that a stopped process left, and say how many were taken up."""
    if not improving.is_left_to_another():
        return 0
    left = improving.left_alone(now=now, first_night=tonight(now) - timedelta(days=1))
    for plan_id in left:
        _have_improved(plan_id)
    return len(left)


def _have_improved(plan_id: int) -> None:
    try:
        improving.begin(plan_id)
    except OSError:
        _log.exception("no process could be started to improve plan %s", plan_id)
        improving.give_up(plan_id)
        telling.plan_changed(plan_id)


def needs_planning(evening: date) -> bool:
    """Whether a night has a forecast and no plan from it."""
    forecast = find_forecast(evening)
    if forecast is None:
        return False
    planned = db.session.scalar(
        select(Plan.forecast_id).where(Plan.night_of == evening, Plan.is_current.is_(True))
    )
    return planned != forecast.id


def garden_has_changed(evening: date, now: datetime) -> bool:
    """Whether the garden is another than its plan was made for, in a way that a new plan mends.

    What a new plan could not take into account is left out, or one would be made every minute.
    """
    page = tonight_page(now=now, night_of=evening)
    if page.made_at is None:
        return False
    made_at = page.made_at
    is_new = any(
        trouble.code == "ended" or trouble.at is None or trouble.at > made_at
        for job in page.jobs
        for trouble in job.troubles
    )
    return bool(page.changes) or is_new


def keep_planned(*, now: datetime, member_id: int | None = None) -> int | None:
    """Plan the coming night where it has no plan from its forecast; the plan's id if one was made.

    Asked at every tick and after whatever may have changed the answer, so that a night gets its
    plan whoever brought the forecast, whenever. Raises what `plan_night` raises.
    """
    evening = tonight(now)
    take_up_what_was_left(now)
    try:
        follow(now)  # the garden's own readings may have corrected the low
    except Exception:  # what is wrong with a thermometer leaves no night unplanned
        db.session.rollback()
        _log.exception("following the night")
    if not needs_planning(evening) and not garden_has_changed(evening, now):
        return None
    return plan_and_tell(night_of=evening, member_id=member_id, now=now)


def replan_if_needed(*, nights: Iterable[date], member_id: int | None, now: datetime) -> list[int]:
    """Plan tonight again if something new speaks of it, or if it has no plan yet."""
    evening = tonight(now)
    if evening in set(nights):
        return [plan_and_tell(night_of=evening, member_id=member_id, now=now)]
    made = keep_planned(now=now, member_id=member_id)
    return [] if made is None else [made]


def plan_or_say(
    *, nights: Iterable[date], member_id: int | None, now: datetime
) -> tuple[bool, str]:
    """`replan_if_needed` for a page whose own work is done: whether it planned, or why not.

    What was kept stays kept, and the timetable tries again. Raises nothing.
    """
    try:
        return bool(replan_if_needed(nights=nights, member_id=member_id, now=now)), ""
    except NotFound:
        return False, ""
    except GardenError as refusal:
        db.session.rollback()
        return False, str(refusal)
    except Exception as error:
        db.session.rollback()
        _log.exception("planning")
        return False, type(error).__name__
