"""What use came of a thing: stays on beds, protected nights, seasons, cost, plastic.

A season runs from July to June, so that one winter is one season; it is named by the year it
begins in. A night counts for a cover when the cover still stood at the next day's dawn: put
on for the 24th and brought back on the 25th is one night, brought back the same evening none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.store.ledger import Entry, standing_entries

SEASON_BEGINS_IN = 7  # July


@dataclass(frozen=True)
class Stay:
    """One time on a bed. `nights` are the evenings' dates of the nights it stood through."""

    plot_id: int
    night_of: date
    nights: tuple[date, ...]
    is_over: bool


def season_of(day: date) -> int:
    """The year in which the season of `day` began: 2026 for June 2027."""
    return day.year if day.month >= SEASON_BEGINS_IN else day.year - 1


def season_days(season: int) -> tuple[date, date]:
    """First and last day of a season."""
    return date(season, SEASON_BEGINS_IN, 1), date(season + 1, SEASON_BEGINS_IN - 1, 30)


def seasons_in_service(came_on: date, until: date) -> int:
    """How many seasons a thing was there in, begun ones counted. 0 where `until` is earlier."""
    return max(0, season_of(until) - season_of(came_on) + 1)


def stays_of(
    entries: Iterable[Entry], *, day_of: Callable[[datetime], date], today: date
) -> tuple[Stay, ...]:
    """The stays that a thing's entries tell of; `day_of` gives a moment's date at the garden."""
    stays: list[Stay] = []
    begun: Entry | None = None
    for entry in standing_entries(entries):
        if entry.action == "deployed" and entry.night_of is not None:
            begun = entry
        elif entry.action == "brought back" and begun is not None:
            stays.append(_stay(begun, day_of(entry.at), is_over=True))
            begun = None
    if begun is not None:
        stays.append(_stay(begun, today, is_over=False))
    return tuple(stays)


def _stay(begun: Entry, until: date, *, is_over: bool) -> Stay:
    assert begun.night_of is not None
    nights = max(0, (until - begun.night_of).days)
    return Stay(
        plot_id=begun.plot_id or 0,
        night_of=begun.night_of,
        nights=tuple(begun.night_of + timedelta(days=day) for day in range(nights)),
        is_over=is_over,
    )


def nights_within(stays: Iterable[Stay], first: date, last: date) -> list[date]:
    """The protected nights from `first` to `last`, one for each thing and night."""
    return [night for stay in stays for night in stay.nights if first <= night <= last]


def uses_within(stays: Iterable[Stay], first: date, last: date) -> int:
    """How many times it was put on for a night from `first` to `last`."""
    return sum(first <= stay.night_of <= last for stay in stays)


def cost_per_night(costs: Sequence[float], nights: int) -> float | None:
    """What a protected night has cost so far; None before the first night."""
    return sum(costs) / nights if nights else None


def plastic_kg(area_m2: float, thickness_um: float, density_kgm3: float) -> float:
    """Mass of a film or a thin-walled box.

    Parameters
    ----------
    area_m2 : of the plastic, all sides and layers. [m²]
    thickness_um : [µm]
    density_kgm3 : of the solid plastic. [kg/m³]

    Returns
    -------
    Mass. [kg]

    Notes
    -----
    Area × thickness × density. Raises OutOfRange for a negative size or no density.

    Examples
    --------
    >>> round(plastic_kg(300 * 0.5, 17, 920), 3)
    2.346
    """
    if area_m2 < 0 or thickness_um < 0 or density_kgm3 <= 0:
        raise OutOfRange(say("area_m2 and thickness_um are 0 or more, density_kgm3 above 0"))
    return area_m2 * thickness_um * 1e-6 * density_kgm3
