"""The nights after tonight."""

from __future__ import annotations

from datetime import datetime

from flask import Blueprint, render_template
from werkzeug.wrappers import Response

from gardenapp.services.night.look_ahead import LookAhead, look_ahead
from gardenapp.web.access import board_readers
from gardenapp.web.clock import now
from gardenapp.web.fields import measure
from gardenapp.web.formats import SPACE
from gardenapp.web.shelf import MESSAGES_PLACE, Shelf, kept_answer, night_key
from gardenapp.words import later

blueprint = Blueprint("ahead", __name__)

worked_out: Shelf[LookAhead] = Shelf(8)

WHY = {
    "heat": later("the inside would get too warm"),
    "not needed": later("the next night does not need it"),
    "wind": later("a gust is over its limit"),
    "unknown": later("there is no forecast for the night after"),
    "unknown day": later("how warm the day gets is not known"),
    "cold": later("cold and dull enough, and needed again"),
}


@blueprint.get("/ahead")
@board_readers
def nights_ahead() -> Response:
    at = now()
    return kept_answer("ahead", (), at=at, render=lambda: _render(at))


def _render(at: datetime) -> str:
    return render_template(
        "ahead/ahead.html",
        ahead=_look_ahead(at),
        why=WHY,
        wind=_wind,
        messages_place=MESSAGES_PLACE,
    )


def _look_ahead(at: datetime) -> LookAhead:
    """Worked out once for all readers: nothing in it is one reader's own."""
    key = night_key(at)
    found = worked_out.get(key)
    if found is None:
        found = look_ahead(at)
        worked_out.put(key, found)
    return found


def _wind(speed_mps: float) -> str:
    unit = measure("wind")
    return f"{unit.from_si(speed_mps):.0f}{SPACE}{unit.sign}"
