"""The last nights of one plot: what was said of it, what was read there, and what was damaged."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.extensions import db
from gardenapp.models.nights import ObservedLow, Plan, PlanRow
from gardenapp.models.plants import Planting
from gardenapp.models.trials import Outcome
from gardenapp.science.estimate import Estimate
from gardenapp.services.clockwork import get_garden, night_of_garden
from gardenapp.services.kept_plans import story_of

MOST = 5


@dataclass(frozen=True)
class PlotNight:
    """One night of a plot. said : its low as it was believed; read_c : None where nobody read it.

    damaged, looked_at : plantings. [°C]
    """

    night_of: date
    said: Estimate
    read_c: float | None
    place: str
    damaged: int
    looked_at: int


def plot_nights(*, plot_id: int, now: datetime, most: int = MOST) -> tuple[PlotNight, ...]:
    """The plot's nights that are over and were planned, the newest first."""
    garden = get_garden()
    firsts: dict[date, PlotNight] = {}
    rows = db.session.execute(
        select(Plan, PlanRow)
        .join(PlanRow, PlanRow.plan_id == Plan.id)
        .where(Plan.is_current.is_(True), PlanRow.plot_id == plot_id)
        .options(joinedload(Plan.forecast))
        .order_by(Plan.night_of.desc(), PlanRow.id)
        .limit(most * 40)
    )
    read = {
        low.night_of: low
        for low in db.session.scalars(select(ObservedLow).where(ObservedLow.plot_id == plot_id))
    }
    seen = _seen(plot_id)
    for plan, row in rows:
        night = plan.night_of
        if night in firsts or now < night_of_garden(garden, night).sunrise_at:
            continue
        if len(firsts) == most:
            break
        low = read.get(night)
        damages = seen.get(night, [])
        firsts[night] = PlotNight(
            night,
            story_of(plan, row).said_low,
            None if low is None else low.low_c,
            "" if low is None else low.place,
            sum(damage != "none" for damage in damages),
            len(damages),
        )
    return tuple(firsts.values())


def _seen(plot_id: int) -> dict[date, list[str]]:
    found: dict[date, list[str]] = defaultdict(list)
    for outcome in db.session.scalars(
        select(Outcome)
        .join(Planting, Planting.id == Outcome.planting_id)
        .where(Planting.plot_id == plot_id)
    ):
        found[outcome.night_of].append(outcome.damage)
    return found
