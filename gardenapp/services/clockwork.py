"""Which night is tonight."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.people import Garden
from gardenapp.words import _

# Until noon the night that is ending is still the one people ask about.
NIGHT_ENDS_AT_HOUR = 12


def night_at(moment: datetime, zone: ZoneInfo) -> date:
    """The evening's date of the night that `moment` belongs to, at the garden."""
    local = moment.astimezone(zone)
    return local.date() - timedelta(days=1 if local.hour < NIGHT_ENDS_AT_HOUR else 0)


def get_garden() -> Garden:
    """The garden's row. Raises NotFound before it has been set up."""
    garden = db.session.get(Garden, 1)
    if garden is None:
        raise NotFound(
            _("There is no garden yet. Run `gardenapp init`, or open the first-steps page.")
        )
    return garden


def garden_zone() -> ZoneInfo:
    """The garden's time zone."""
    return ZoneInfo(get_garden().time_zone)


def tonight(now: datetime) -> date:
    """The night to show at `now`."""
    return night_at(now, garden_zone())
