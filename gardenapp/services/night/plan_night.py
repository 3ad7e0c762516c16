"""Tonight's plan: from the forecast in force to jobs that people can do.

Gather the garden's rows in one short read. Work out, without the database, what the night does to
each planting, which covers avoid most of it, and who has to do what by when. Keep the result in
one short write: a plan is a snapshot, and opening the board never solves anything.

What already stands over plants stays; what somebody has promised to do stays theirs.
"""

from __future__ import annotations

from datetime import date, datetime

from gardenapp.errors import NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast
from gardenapp.models.people import Garden
from gardenapp.science.allocation.solve import solve
from gardenapp.services.clockwork import evening_of, get_garden, night_of_garden, tonight
from gardenapp.services.garden.weather import keep_days
from gardenapp.services.night.forecasts import find_forecast, hours_of
from gardenapp.services.night.gather import gather
from gardenapp.services.night.jobs import jobs_of
from gardenapp.services.night.keep import Overtaken, keep
from gardenapp.services.night.learning import SiteBelief, site_belief
from gardenapp.services.night.outlook import SiteNight, site_night
from gardenapp.services.night.problem import problem_of
from gardenapp.services.night.prospect import prospect_of
from gardenapp.services.night.snapshot import Snapshot, snapshot_of
from gardenapp.words import _

MOST_ATTEMPTS = 4


def plan_night(*, night_of: date | None, member_id: int | None, now: datetime) -> int:
    """Make and keep the plan for a night from its newest forecast; gives the plan's id.

    Raises NotFound where the night has no forecast.
    """
    garden = get_garden()
    evening = night_of or tonight(now)
    forecast = find_forecast(evening)
    if forecast is None:
        raise NotFound(_("There is no forecast for that night yet. Enter or import one."))
    keep_days(today=evening, latitude=garden.latitude)
    belief = site_belief(before=evening)
    site = site_of(garden, forecast, belief)
    for _attempt in range(MOST_ATTEMPTS):
        snapshot = _work_out(garden, site, belief, now)
        try:
            return keep(snapshot, evening=evening, member_id=member_id, now=now)
        except Overtaken:
            db.session.rollback()
    raise Refused(_("People are marking covers on right now. Plan again in a minute."))


def _work_out(garden: Garden, site: SiteNight, belief: SiteBelief, now: datetime) -> Snapshot:
    gathered = gather(garden, site.forecast.night_of, belief)
    prospect = prospect_of(gathered, site, belief, now=now)
    allocation = solve(problem_of(prospect))
    jobs = jobs_of(prospect, allocation)
    return snapshot_of(prospect, allocation, jobs)


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
