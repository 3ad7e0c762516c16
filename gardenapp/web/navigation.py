"""The way round the site: what everybody needs at dusk first, the rest behind one word."""

from __future__ import annotations

from dataclasses import dataclass

from flask import current_app, request, url_for

from gardenapp.web.access import BOARD, COORDINATOR, MEMBER, current_member
from gardenapp.words import later


@dataclass(frozen=True)
class Way:
    """One link of the navigation."""

    label: str
    endpoint: str
    level: str
    is_first: bool = False


@dataclass(frozen=True)
class Link:
    """A way as the page draws it."""

    label: str
    address: str
    is_here: bool


WAYS = (
    Way(later("Tonight"), "board.tonight", BOARD, is_first=True),
    Way(later("Morning"), "morning.morning_page", MEMBER, is_first=True),
    Way(later("Plots"), "plots.plots_page", BOARD, is_first=True),
    Way(later("Store"), "store.store_page", MEMBER, is_first=True),
    Way(later("Forecast"), "forecast.forecasts_page", COORDINATOR, is_first=True),
    Way(later("Nights ahead"), "ahead.nights_ahead", BOARD),
    Way(later("Map"), "garden_map.map_page", BOARD),
    Way(later("Kinds of cover"), "covers.covers_page", MEMBER),
    Way(later("Plants"), "plants.plants_page", BOARD),
    Way(later("Trials"), "trials.trials_page", MEMBER),
    Way(later("Loggers"), "readings.loggers_page", COORDINATOR),
    Way(later("Build"), "builds.builds_page", MEMBER),
    Way(later("Season"), "season.season_page", BOARD),
    Way(later("How good it was"), "morning.calibration", MEMBER),
    Way(later("Replay a winter"), "replay.replays_page", COORDINATOR),
    Way(later("Members"), "people.members_page", COORDINATOR),
    Way(later("Garden"), "garden.settings_page", COORDINATOR),
)


def ways() -> dict[str, list[Link]]:
    """The links this reader may follow: `first` for the bar, `more` for behind the word."""
    member = current_member()
    levels = {BOARD}
    if member is not None:
        levels.add(MEMBER)
        if member.is_coordinator:
            levels.add(COORDINATOR)
    found: dict[str, list[Link]] = {"first": [], "more": []}
    for way in WAYS:
        if way.level not in levels or way.endpoint not in current_app.view_functions:
            continue
        part = way.endpoint.partition(".")[0]
        is_here = request.endpoint == way.endpoint or (
            request.blueprint == part and part not in {"people", "morning"}
        )
        link = Link(way.label, url_for(way.endpoint), is_here)
        found["first" if way.is_first else "more"].append(link)
    return found
