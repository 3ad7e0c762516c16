"""Tonight's plan: from the forecast in force to jobs that people can do.

Gather the garden's rows in one short read. Work out, without the database, what the night does to
each planting, which covers avoid most of it, and who has to do what by when. Keep the result in
one short write: a plan is a snapshot, and opening the board never solves anything. The first plan
is kept within a second; `improving` looks for a better one afterwards.

What already stands over plants stays; what somebody has promised to do stays theirs.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast
from gardenapp.models.nights import Job, JobPart, Plan
from gardenapp.models.people import Garden
from gardenapp.science.allocation.problem import Allocation, Id, Problem, Use
from gardenapp.science.allocation.solve import first_answer, solve
from gardenapp.services.clockwork import evening_of, get_garden, night_of_garden, tonight
from gardenapp.services.garden.weather import keep_days
from gardenapp.services.night.forecasts import find_forecast, hours_of
from gardenapp.services.night.gather import gather
from gardenapp.services.night.jobs import jobs_of
from gardenapp.services.night.keep import Overtaken, keep, keep_holding_all_back
from gardenapp.services.night.learning import SiteBelief, site_belief
from gardenapp.services.night.outlook import SiteNight, site_night
from gardenapp.services.night.problem import problem_of
from gardenapp.services.night.prospect import Prospect, prospect_of
from gardenapp.services.night.season_shares import shares_of_season
from gardenapp.services.night.snapshot import Snapshot, snapshot_of
from gardenapp.words import _

MOST_ATTEMPTS = 4
"""So often a plan is made while people claim and mark; then they wait a moment until it is."""


@dataclass(frozen=True, slots=True)
class Basis:
    """The garden, the night and the question of it, with what the plan at hand gives."""

    prospect: Prospect
    problem: Problem
    at_hand: tuple[Use, ...]


def plan_night(
    *, night_of: date | None, member_id: int | None, now: datetime, at_once: bool = False
) -> int:
    """Make and keep the plan for a night from its newest forecast; gives the plan's id.

    at_once : the first plan that does, to be improved afterwards (`improving.improve`); else a
    good one, for whoever can wait for it.

    The plan at hand is where it begins: what is on, what is promised and what is still right
    stays. Where people mark and claim meanwhile it is put right for that, as often as it takes.

    Raises NotFound where the night has no forecast.
    """
    garden = get_garden()
    evening = night_of or tonight(now)
    forecast = find_forecast(evening)
    if forecast is None:
        raise NotFound(_("There is no forecast for that night yet. Enter or import one."))
    keep_days(today=evening, latitude=garden.latitude)
    belief = site_belief(before=evening)
    found: Allocation | None = None

    def made() -> Snapshot:
        nonlocal found
        basis = basis_of(garden, forecast, belief, now)
        if found is None and not at_once:
            found = solve(basis.problem, start=basis.at_hand)
        else:
            found = first_answer(basis.problem, start=found.uses if found else basis.at_hand)
        return snapshot_of(basis.prospect, found, jobs_of(basis.prospect, found))

    for _attempt in range(MOST_ATTEMPTS):
        try:
            return keep(
                made(), evening=evening, member_id=member_id, now=now, is_improved=not at_once
            )
        except Overtaken:
            db.session.rollback()
    return keep_holding_all_back(
        made, evening=evening, member_id=member_id, now=now, is_improved=not at_once
    )


def basis_of(garden: Garden, forecast: Forecast, belief: SiteBelief, now: datetime) -> Basis:
    """Gather the garden and put the night's question; three dozen short statements, no solving."""
    evening = forecast.night_of
    gathered = gather(garden, evening, belief)
    prospect = prospect_of(gathered, site_of(garden, forecast, belief), belief, now=now)
    problem = problem_of(prospect, shares=shares_of_season(evening))
    return Basis(prospect, problem, uses_at_hand(prospect, evening))


def uses_at_hand(prospect: Prospect, evening: date) -> tuple[Use, ...]:
    """What the plan in force gives beside what is on or promised, as the solver knows it."""
    rows = db.session.execute(
        select(Job.plot_id, Job.treatment, JobPart.plants)
        .join(JobPart, JobPart.job_id == Job.id)
        .join(Plan, Plan.id == Job.plan_id)
        .where(Plan.night_of == evening, Plan.is_current.is_(True), Job.must_come_off.is_(False))
        .order_by(JobPart.id)
    )
    units: dict[tuple[int, str], list[dict[Id, int]]] = defaultdict(list)
    for plot_id, treatment, plants in rows:
        units[plot_id, treatment].append({int(key): number for key, number in plants.items()})
    for stand in prospect.standing:  # fixed already, and in the plan's jobs as well
        here = units.get((stand.plot_id, prospect.pools.treatment_of(stand)), [])
        under: dict[Id, int] = dict(stand.plants.items())
        if under in here:
            here.remove(under)
    return tuple(
        Use(plot_id, treatment, tuple(parts))
        for (plot_id, treatment), parts in units.items()
        if parts
    )


def site_of(garden: Garden, forecast: Forecast, belief: SiteBelief) -> SiteNight:
    """The night at the garden's screen."""
    night = night_of_garden(garden, forecast.night_of)
    return site_night(
        night=night,
        forecast=forecast,
        hours=hours_of(forecast),
        record=belief.record,
        beyond_k=belief.beyond_k,
        evening_at=evening_of(garden, forecast.night_of),
    )
