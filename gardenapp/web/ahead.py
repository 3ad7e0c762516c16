"""The nights after tonight."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.services.look_ahead import look_ahead
from gardenapp.web.access import board_readers
from gardenapp.web.clock import now
from gardenapp.web.fields import measure
from gardenapp.web.formats import SPACE

blueprint = Blueprint("ahead", __name__)

WHY = {
    "heat": "the inside would get too warm",
    "not needed": "the next night does not need it",
    "wind": "a gust is over its limit",
    "unknown": "there is no forecast for the night after",
    "unknown day": "how warm the day gets is not known",
    "cold": "cold and dull enough, and needed again",
}


@blueprint.get("/ahead")
@board_readers
def nights_ahead() -> str:
    return render_template("ahead/ahead.html", ahead=look_ahead(now()), why=WHY, wind=_wind)


def _wind(speed_mps: float) -> str:
    unit = measure("wind")
    return f"{unit.from_si(speed_mps):.0f}{SPACE}{unit.sign}"
