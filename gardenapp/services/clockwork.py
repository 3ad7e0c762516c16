"""Which night is tonight.

Two questions that look alike. `night_at`: to which night does a reading belong? From noon to
noon, whatever the sun does. `tonight`: for which night does somebody who asks now prepare? For the
one that runs until the sun is up, and from then on for the coming one: nobody covers up at nine in
the morning for the night that has ended.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.people import Garden
from gardenapp.science.night.sun import Night, night_for
from gardenapp.words import _

# A reading before noon belongs to the night before.
NIGHT_ENDS_AT_HOUR = 12


# Clocks of one network differ by less; a stored time beyond it was written by a clock gone wrong.
SKEW = timedelta(minutes=5)


def is_believable(stored: datetime, now: datetime) -> bool:
    """Whether a stored moment can have been: one in the future is no reason to wait."""
    return stored <= now + SKEW


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
    """The night that is running or coming at `now`, by its evening's date.

    The one answer for the form, the planner, the board, the notices and the shell. It turns at
    sunrise; where the sun does not rise or set, at six by the sun's mean time. Raises NotFound
    before there is a garden.
    """
    garden = get_garden()
    today = now.astimezone(ZoneInfo(garden.time_zone)).date()
    before = today - timedelta(days=1)
    ends_at = night_of_garden(garden, before).sunrise_at
    return before if now.astimezone(UTC) < ends_at else today


def ending_night(now: datetime) -> date:
    """The night whose morning it is or was: that of yesterday's evening, from midnight on."""
    return now.astimezone(garden_zone()).date() - timedelta(days=1)


def evening_of(garden: Garden, evening: date) -> datetime:
    """Eight in the evening at the garden, which forecasts mean by it. [UTC]"""
    zone = ZoneInfo(garden.time_zone)
    return datetime.combine(evening, time(20), tzinfo=zone).astimezone(UTC)


def night_of_garden(garden: Garden, evening: date) -> Night:
    """Sunset and sunrise of a night at the garden."""
    return _night(evening, garden.latitude, garden.longitude, garden.height_m, garden.time_zone)


@lru_cache(maxsize=64)
def _night(
    evening: date, latitude: float, longitude: float, elevation_m: float, time_zone: str
) -> Night:
    return night_for(
        evening,
        latitude=latitude,
        longitude=longitude,
        elevation_m=elevation_m,
        time_zone=ZoneInfo(time_zone),
    )
