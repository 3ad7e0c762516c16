"""A cold evening that is planned, and what is written down on the morning after."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.services.night import forecasts, morning, plan_night, tonight
from tests.services.night.planning import EVENING

MORNING = timedelta(hours=16)  # seven o'clock after the evening of `make.now`


def plan(now: datetime, low_c: float = -2.0) -> tonight.TonightPage:
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=now)
    plan_night.plan_night(night_of=EVENING, member_id=None, now=now)
    return tonight.tonight_page(now=now)


def save(
    planting: Planting,
    member: Member,
    now: datetime,
    *,
    damage: str = "some",
    low_c: float | None = -1.5,
    night_of: date = EVENING,
) -> None:
    morning.save_plot_morning(
        night_of=night_of,
        plot_id=planting.plot_id,
        low_c=low_c,
        place="screen",
        low_source="read",
        damages={planting.id: damage},
        member=member,
        now=now,
    )
