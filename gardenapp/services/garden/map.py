"""The map of the garden: kept, looked at, and asked for the order of a walk."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from flask_sqlalchemy.session import Session
from sqlalchemy import select
from sqlalchemy.orm import scoped_session

from gardenapp.errors import FieldRefused, NotFound
from gardenapp.extensions import db
from gardenapp.messages import Words, say
from gardenapp.models.people import Garden, Member
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.science.garden_map import (
    GATE,
    PLOT,
    GardenMap,
    MapError,
    Reading,
    first_map,
    natural,
    read_map,
    renamed,
    walk_order,
    write_map,
)
from gardenapp.services import change_log
from gardenapp.services.permission import coordinator_only
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

PLACE = "place"
_LABELS = {PLOT: Plot.label, PLACE: StorePlace.label}


class BadMap(FieldRefused):
    """A text that does not draw this garden; `errors` is all that is wrong with it."""

    def __init__(self, errors: tuple[MapError, ...]) -> None:
        super().__init__("map_text", line_words(errors[0]))
        self.errors = errors


def line_words(error: MapError) -> Words:
    """What is wrong, with the line it is in."""
    return say("Line %(line)s: %(what)s", line=error.line, what=error.message)


@dataclass(frozen=True)
class MapPage:
    """The garden's map as it is kept.

    text : what draws it; empty where nobody has drawn it. north : degrees clockwise from the top;
    None where nobody said. plot_ids : the plots there are, by label.
    missing_plots, missing_places : what the garden has and the map does not.
    """

    text: str
    north: float | None
    garden_map: GardenMap
    plot_ids: Mapping[str, int]
    missing_plots: tuple[str, ...]
    missing_places: tuple[str, ...]

    @property
    def is_drawn(self) -> bool:
        return bool(self.garden_map.rows)


def get_map() -> MapPage:
    """The map as it is, empty or not. Raises NotFound before the garden was set up."""
    garden = db.session.execute(
        select(Garden.map_text, Garden.map_north).where(Garden.id == 1)
    ).first()
    if garden is None:
        raise NotFound(_("There is no garden yet."))
    return _page(garden.map_text, garden.map_north, _read(garden.map_text))


def look_at(*, text: str, north: float | None) -> tuple[MapPage, tuple[MapError, ...]]:
    """What a text would draw and all that is wrong with it; keeps nothing."""
    reading = _checked(db.session, text)
    return _page(text, north, reading.garden_map), reading.errors


def begin_map() -> str:
    """The text of a map to begin with: every plot and place of the garden, to be put right."""
    return write_map(first_map(_names(db.session, PLOT), _names(db.session, PLACE)))


def save_map(*, text: str, north: float | None, member: Member, now: datetime) -> None:
    """Keep the map that a text draws; an empty text takes the map away.

    Plots and places that are not on it are allowed: `get_map` tells them. Raises NotAllowed,
    NotFound, BadMap, FieldRefused.
    """
    coordinator_only(member)
    if north is not None and not 0 <= north <= 360:
        raise FieldRefused("north", _("North is between 0 and 360 degrees from the top."))
    with write_transaction() as session:
        reading = _checked(session, text)
        if reading.errors:
            raise BadMap(reading.errors)
        garden = session.get(Garden, 1, populate_existing=True, with_for_update=True)
        if garden is None:
            raise NotFound(_("There is no garden yet."))
        drawn = write_map(reading.garden_map)
        kept_north = None if north is None else north % 360.0
        if (garden.map_text, garden.map_north) == (drawn, kept_north):
            return
        garden.map_text, garden.map_north = drawn, kept_north
        change_log.record(
            action="map of the garden drawn" if drawn else "map of the garden taken away",
            subject=garden.name,
            at=now,
            member_id=member.id,
        )


def rename_on_map(session: scoped_session[Session], *, kind: str, old: str, new: str) -> None:
    """Let the map follow a plot or place that gets another name, in the caller's transaction."""
    garden = session.get(Garden, 1)
    if garden is None or not garden.map_text or old == new:
        return
    garden.map_text = write_map(renamed(_read(garden.map_text), kind, old, new))


def walk_order_for(place_label: str, plot_labels: Collection[str]) -> list[str]:
    """In which order to visit plots from the place where covers are kept.

    By the map's paths; plots that are not on the map come last. Where there is no map, or it shows
    neither the place nor a gate to begin at, by how far the plots are said to be from the store.
    """
    garden_map = _read(db.session.scalar(select(Garden.map_text).where(Garden.id == 1)) or "")
    has_start = place_label in garden_map.places or any(
        cell.kind == GATE for _spot, cell in garden_map.cells()
    )
    drawn = {label for label in plot_labels if has_start and label in garden_map.plots}
    others = set(plot_labels) - drawn
    away: dict[str, float] = {}
    if others:
        rows = db.session.execute(select(Plot.label, Plot.distance_m))
        away = {row.label: row.distance_m for row in rows}
    return walk_order(garden_map, place_label, drawn) + sorted(
        others, key=lambda label: (away.get(label, float("inf")), natural(label))
    )


@lru_cache(maxsize=16)
def _read(text: str) -> GardenMap:
    """A kept map. What was kept is drawn as far as it can be, whatever became of its names."""
    return read_map(text).garden_map


def _names(session: scoped_session[Session], kind: str) -> set[str]:
    return set(session.scalars(select(_LABELS[kind])))


def _checked(session: scoped_session[Session], text: str) -> Reading:
    return read_map(text, plots=_names(session, PLOT), places=_names(session, PLACE))


def _page(text: str, north: float | None, garden_map: GardenMap) -> MapPage:
    plot_ids = {row.label: row.id for row in db.session.execute(select(Plot.label, Plot.id))}
    places = _names(db.session, PLACE)
    return MapPage(
        text=text,
        north=north,
        garden_map=garden_map,
        plot_ids=plot_ids,
        missing_plots=tuple(sorted(plot_ids.keys() - garden_map.plots.keys(), key=natural)),
        missing_places=tuple(sorted(places - garden_map.places.keys(), key=natural)),
    )
