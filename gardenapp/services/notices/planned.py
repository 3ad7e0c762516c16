"""Plan a night and tell those it concerns: the way in for pages, shell and timetable.

Planning knows nothing of notices, and a plan is good whether anybody is told or not; this is the
one place where the two meet.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from gardenapp.services.clockwork import tonight
from gardenapp.services.night.plan_night import plan_night
from gardenapp.services.notices import telling


def plan_and_tell(*, night_of: date | None, member_id: int | None, now: datetime) -> int:
    """Plan a night, queue what it changes for each member, and give the plan's id.

    Raises what `plan_night` raises; queueing raises nothing.
    """
    plan_id = plan_night(night_of=night_of, member_id=member_id, now=now)
    telling.plan_changed(plan_id)
    return plan_id


def replan_if_needed(*, nights: Iterable[date], member_id: int | None, now: datetime) -> list[int]:
    """Plan tonight again if a new forecast spoke of it."""
    evening = tonight(now)
    if evening in set(nights):
        return [plan_and_tell(night_of=evening, member_id=member_id, now=now)]
    return []
