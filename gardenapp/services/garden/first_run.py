"""From an empty garden to a first plan: which step comes next, and which are left out.

A step that is missing stands on the coordinator's Today until it is done or somebody says that
this garden does without it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import (
    ColumnExpressionArgument,
    ScalarSelect,
    Select,
    and_,
    exists,
    func,
    or_,
    select,
)

from gardenapp.errors import NotAllowed, NotFound
from gardenapp.extensions import Base, db
from gardenapp.models.covers import Cover
from gardenapp.models.forecasts import Forecast, ForecastAddress
from gardenapp.models.people import Garden, Invite, Member
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.services import change_log
from gardenapp.services.clockwork import get_garden, tonight
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

STEPS = ("plots", "plantings", "covers", "forecast", "members", "slips")
CAN_WAIT = ("members", "slips")


@dataclass(frozen=True)
class Step:
    """One of STEPS. `number` : how many there are of it already."""

    key: str
    number: int
    is_done: bool
    is_left: bool

    @property
    def can_wait(self) -> bool:
        """Whether a night can be planned without it."""
        return self.key in CAN_WAIT

    @property
    def is_open(self) -> bool:
        return not (self.is_done or self.is_left)


def list_steps(*, now: datetime) -> tuple[Step, ...]:
    """Every step with what there is of it, in their order. Raises NotFound without a garden."""
    counted = db.session.execute(_counts(now)).one()
    left = set(get_garden().steps_left.split())
    if "members" in left:
        left.add("slips")  # nobody to print one for
    numbers = dict(zip(STEPS, (int(n or 0) for n in counted[: len(STEPS)]), strict=True))
    done = {key: number > 0 for key, number in numbers.items()}
    done["slips"] = done["members"] and counted.outside == 0
    return tuple(Step(key, numbers[key], done[key], key in left) for key in STEPS)


def next_step(*, now: datetime) -> Step | None:
    """The first step that is neither done nor left out."""
    return next((step for step in list_steps(now=now) if step.is_open), None)


def leave_step(*, key: str, is_left: bool, by_id: int, now: datetime) -> None:
    """Say that this garden does without a step, or that it comes up again.

    Only people can be done without; what a plan is made from cannot.

    Raises NotFound (no such step), NotAllowed.
    """
    if key not in CAN_WAIT:
        raise NotFound(_("There is no such step."))
    with write_transaction() as session:
        actor = session.get(Member, by_id, populate_existing=True)
        if actor is None or not actor.is_active or not actor.is_coordinator:
            raise NotAllowed(_("Only a coordinator can do this."))
        garden = session.get(Garden, 1, populate_existing=True, with_for_update=True)
        if garden is None:
            raise NotFound(_("There is no garden yet."))
        left = [step for step in garden.steps_left.split() if step != key]
        garden.steps_left = " ".join([*left, key] if is_left else left)
        change_log.record(
            action="left a step out" if is_left else "took a step up again",
            subject=key,
            at=now,
            member_id=by_id,
        )


def _number(of: type[Base], *where: ColumnExpressionArgument[bool]) -> ScalarSelect[int]:
    return select(func.count()).select_from(of).where(*where).scalar_subquery()


def _counts(now: datetime) -> Select[int, int, int, int, int, int, int]:
    """How many there are for each step, and how many members have no way in: one query."""
    has_link = exists().where(Invite.member_id == Member.id)
    can_get_in = or_(Member.password_hash.is_not(None), has_link)
    helpers = and_(Member.is_active, Member.role == "member")
    return select(
        _number(Plot),
        _number(Planting, Planting.ended_at.is_(None)),
        _number(Cover, Cover.is_usable),
        _number(Forecast, Forecast.night_of >= tonight(now))
        + _number(ForecastAddress, ForecastAddress.url != ""),
        _number(Member, helpers),
        _number(Member, helpers, can_get_in),
        _number(Member, Member.is_active, ~can_get_in).label("outside"),
    )
