"""A night that has been: what was said of it, what was read, and what was hurt."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.nights import ObservedLow, Plan
from gardenapp.science.estimate import Estimate
from gardenapp.services.clockwork import get_garden, night_of_garden
from gardenapp.services.kept_plans import header_of, stories_of
from gardenapp.services.night import learning, outcomes
from gardenapp.words import _


@dataclass(frozen=True)
class SaidAndRead:
    """One place of a night: `plot` is empty for the screen. [°C]

    said : the low there, at the height it was read at; read_c : None where nobody read one.
    hurt, looked_at : plantings with damage, and those that somebody looked at.
    """

    plot: str
    plot_id: int | None
    said: Estimate
    read_c: float | None
    place: str
    hurt: int
    looked_at: int


@dataclass(frozen=True)
class PlantAfter:
    """A planting that somebody looked at, or that was to lose a part: said and seen."""

    plot: str
    name: str
    stage: str
    count: int
    expected_share: float | None
    damage: str


@dataclass(frozen=True)
class PastNight:
    """All of it, the screen first and then the plots by name."""

    night_of: date
    places: tuple[SaidAndRead, ...]
    plants: tuple[PlantAfter, ...]


def past_night(*, night_of: date, now: datetime) -> PastNight:
    """What was said of a night that is over, and what came. Raises NotFound."""
    plan = db.session.scalar(
        select(Plan).where(Plan.night_of == night_of, Plan.is_current.is_(True))
    )
    if plan is None:
        raise NotFound(_("There was no plan for that night, so there is nothing to compare."))
    if now < night_of_garden(get_garden(), night_of).sunrise_at:
        raise NotFound(_("That night is not over yet."))
    low, stories = header_of(plan).low, stories_of(plan)
    lows = list(db.session.scalars(select(ObservedLow).where(ObservedLow.night_of == night_of)))
    read = {row.plot_id: row for row in lows}
    falls = learning.falls_of(lows)
    seen = outcomes.outcomes_of(night_of=night_of)
    shares = outcomes.expected_shares(night_of=night_of)
    looked: dict[int, list[str]] = defaultdict(list)
    plots: dict[int, tuple[str, Estimate]] = {}
    for story in stories:
        plots.setdefault(story.plot_id, (story.plot, story.said_low))
        if story.planting_id in seen:
            looked[story.plot_id].append(seen[story.planting_id])
    places = [_place("", None, low, read.get(None), 0.0, ())]
    for plot_id, (label, said) in sorted(plots.items(), key=lambda item: item[1][0]):
        row = read.get(plot_id)
        fall_k = 0.0 if row is None else falls.get(row.id, 0.0)
        if row is not None or looked[plot_id]:
            places.append(_place(label, plot_id, said, row, fall_k, tuple(looked[plot_id])))
    plants = [
        PlantAfter(
            story.plot,
            story.name,
            story.stage,
            story.count,
            shares.get(story.planting_id),
            seen.get(story.planting_id, ""),
        )
        for story in stories
        if story.planting_id in seen or shares.get(story.planting_id, 0.0) >= 0.05
    ]
    plants.sort(key=lambda plant: (plant.plot, plant.name))
    return PastNight(night_of, tuple(places), tuple(plants))


def is_said(night_of: date, *, now: datetime) -> bool:
    """Whether a night is over and was planned, so that there is something to show."""
    is_planned = db.session.scalar(
        select(Plan.id).where(Plan.night_of == night_of, Plan.is_current.is_(True))
    )
    return is_planned is not None and now >= night_of_garden(get_garden(), night_of).sunrise_at


def nights_said(*, now: datetime, most: int = 60) -> tuple[date, ...]:
    """Nights that are over and were planned, the newest first."""
    garden = get_garden()
    nights = db.session.scalars(
        select(Plan.night_of)
        .where(Plan.is_current.is_(True))
        .order_by(Plan.night_of.desc())
        .limit(most)
    )
    return tuple(n for n in nights if now >= night_of_garden(garden, n).sunrise_at)


def _place(
    plot: str,
    plot_id: int | None,
    said: Estimate,
    row: ObservedLow | None,
    fall_k: float,
    damages: tuple[str, ...],
) -> SaidAndRead:
    return SaidAndRead(
        plot=plot,
        plot_id=plot_id,
        said=said.shifted(fall_k),
        read_c=None if row is None else row.low_c,
        place="" if row is None else row.place,
        hurt=sum(damage != "none" for damage in damages),
        looked_at=len(damages),
    )
