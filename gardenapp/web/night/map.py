"""Tonight on the map of the garden."""

from __future__ import annotations

from datetime import datetime

from flask import Blueprint, render_template, url_for
from werkzeug.wrappers import Response

from gardenapp.services.garden.map import MapPage, get_map
from gardenapp.services.night.map_states import NOTHING_PLANNED, plot_states
from gardenapp.services.night.tonight import TonightPage, tonight_page
from gardenapp.web.access import board_readers
from gardenapp.web.clock import now
from gardenapp.web.map_drawing import MapDrawing, draw_map
from gardenapp.web.shelf import MESSAGES_PLACE, kept_answer

blueprint = Blueprint("tonight_map", __name__)


@blueprint.get("/tonight/map")
@board_readers
def tonight_map() -> Response:
    at = now()
    return kept_answer("tonight map", (), at=at, render=lambda: _render(at))


def _render(at: datetime) -> str:
    page = tonight_page(now=at)
    garden = get_map()
    return render_template(
        "board/map.html",
        page=page,
        drawing=draw_tonight(page, garden, at),
        missing=garden.missing_plots,
        now=at,
        messages_place=MESSAGES_PLACE,
    )


def draw_tonight(
    page: TonightPage, garden: MapPage, at: datetime, *, has_links: bool = True
) -> MapDrawing | None:
    """The map with each plot's state; None where nobody has drawn it."""
    if not garden.is_drawn:
        return None
    found = plot_states(page, now=at)
    states = {
        label: found.get(plot_id, NOTHING_PLANNED) for label, plot_id in garden.plot_ids.items()
    }
    links = {
        label: url_for("board.tonight", plot=plot_id) for label, plot_id in garden.plot_ids.items()
    }
    return draw_map(
        garden.garden_map,
        {label: (state.key, state.word) for label, state in states.items()},
        links if has_links else {},
        north=garden.north,
    )
