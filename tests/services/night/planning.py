"""Enter a low and plan the night of the tests."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from gardenapp.services.clockwork import get_garden
from gardenapp.services.night import forecasts, plan_night, tonight
from gardenapp.services.night.gather import gather
from gardenapp.services.night.learning import site_belief
from gardenapp.services.night.prospect import Prospect, prospect_of

EVENING = date(2026, 11, 24)


def enter(now: datetime, low_c: float, **more: Any) -> None:
    """Type a low for the evening."""
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=now, **more)


def plan(now: datetime) -> tonight.TonightPage:
    """Plan the evening from the newest forecast, and give its board."""
    plan_night.plan_night(night_of=EVENING, member_id=None, now=now)
    return tonight.tonight_page(now=now)


def prospect(now: datetime | None = None) -> Prospect:
    """What the night would do, from the newest forecast; nothing is solved."""
    garden, belief = get_garden(), site_belief(before=EVENING)
    forecast = forecasts.find_forecast(EVENING)
    assert forecast is not None
    site = plan_night.site_of(garden, forecast, belief)
    return prospect_of(gather(garden, EVENING, belief), site, belief, now=now)
