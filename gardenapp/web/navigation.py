"""The way round the site: four rooms, each with its pages; help and one's own account apart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from flask import current_app, request, url_for

from gardenapp.web.access import BOARD, COORDINATOR, MEMBER, PUBLIC, current_member
from gardenapp.words import later


@dataclass(frozen=True)
class Way:
    """One page of a room. `of` : blueprints whose other pages belong to it."""

    label: str
    endpoint: str
    level: str
    of: tuple[str, ...] = ()


@dataclass(frozen=True)
class Room:
    """What belongs together for people; its first page that one may open is where it leads."""

    label: str
    ways: tuple[Way, ...]


@dataclass(frozen=True)
class Link:
    """A way as the page draws it."""

    label: str
    address: str
    is_here: bool
    endpoint: str = ""


@dataclass(frozen=True)
class Ways:
    """The rooms a reader may go to, and the pages of the one they are in."""

    rooms: list[Link] = field(default_factory=list)
    here: str = ""
    pages: list[Link] = field(default_factory=list)


ROOMS = (
    Room(
        later("Today"),
        (
            Way(later("Evening"), "board.tonight", BOARD, ("board", "tonight_map", "paper")),
            Way(later("Morning"), "morning.morning_page", MEMBER, ("morning",)),
            Way(later("Nights ahead"), "ahead.nights_ahead", BOARD, ("ahead",)),
            Way(later("Walks"), "board.hands", MEMBER),
            Way(later("Forecast"), "forecast.forecasts_page", COORDINATOR, ("forecast",)),
        ),
    ),
    Room(
        later("Garden"),
        (
            Way(later("Plots"), "plots.plots_page", BOARD, ("plots",)),
            Way(later("Map"), "garden_map.map_page", BOARD, ("garden_map",)),
            Way(later("Plants"), "plants.plants_page", BOARD, ("plants",)),
            Way(later("People"), "people.members_page", COORDINATOR, ("people",)),
            Way(later("My notices"), "notices.mine", MEMBER, ("notices", "feeds")),
            Way(later("Notices and timetable"), "notices.garden_page", COORDINATOR),
            Way(later("Tables"), "tables.paste", COORDINATOR, ("tables",)),
            Way(later("Settings"), "garden.settings_page", COORDINATOR, ("garden",)),
            Way(later("Log of changes"), "garden.log_page", COORDINATOR),
        ),
    ),
    Room(
        later("Shed"),
        (
            Way(later("All of it"), "store.store_page", MEMBER, ("store",)),
            Way(later("Kinds of cover"), "covers.covers_page", MEMBER, ("covers",)),
            Way(later("Add"), "store.add_page", MEMBER),
            Way(later("Lent out"), "store.out_page", MEMBER),
            Way(later("Needs and offers"), "store.needs_page", MEMBER),
            Way(later("Build"), "builds.builds_page", MEMBER, ("builds",)),
            Way(later("Stocktake"), "store.stocktake_page", MEMBER),
            Way(later("Reuse"), "store.reuse_page", MEMBER),
            Way(later("Places"), "covers.places_page", MEMBER),
            Way(later("Tables out and in"), "store.tables_page", MEMBER),
        ),
    ),
    Room(
        later("Evidence"),
        (
            Way(later("Trials"), "trials.trials_page", MEMBER, ("trials",)),
            Way(later("Loggers"), "readings.loggers_page", COORDINATOR, ("readings",)),
            Way(later("Predicted and actual"), "morning.calibration", MEMBER),
            Way(later("Season"), "season.season_page", BOARD, ("season",)),
            Way(later("The garden’s days"), "plots.weather_page", BOARD),
            Way(later("Replay a winter"), "replay.replays_page", COORDINATOR, ("replay",)),
            Way(later("Sources"), "help_pages.sources_page", PUBLIC),
        ),
    ),
)
# Pages of nobody's room: one's own account.
OWN = {
    "people.join",
    "people.join_by_code",
    "people.join_with_code",
    "people.me_page",
    "people.my_link_page",
    "people.password_page",
    "people.sign_in_page",
}


def ways() -> Ways:
    """The rooms this reader may go to, and the pages of the one they are in."""
    here = _here()
    found = Ways()
    for room in ROOMS:
        open_ways = list(_open(room))
        if not open_ways:
            continue
        is_here = here is not None and here in room.ways
        found.rooms.append(Link(room.label, url_for(open_ways[0].endpoint), is_here))
        if is_here and len(open_ways) > 1:
            pages = [
                Link(way.label, url_for(way.endpoint), way is here, way.endpoint)
                for way in open_ways
            ]
            found = Ways(found.rooms, room.label, pages)
    return found


def _here() -> Way | None:
    """The page being shown, or the one it belongs to."""
    every = [way for room in ROOMS for way in room.ways]
    for way in every:
        if way.endpoint == request.endpoint:
            return way
    if request.endpoint in OWN:
        return None
    return next((way for way in every if request.blueprint in way.of), None)


def _open(room: Room) -> Iterator[Way]:
    member = current_member()
    levels = {PUBLIC, BOARD}
    if member is not None:
        levels.add(MEMBER)
        if member.is_coordinator:
            levels.add(COORDINATOR)
    for way in room.ways:
        if way.level in levels and way.endpoint in current_app.view_functions:
            yield way
