"""The nights after tonight."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.services.night.look_ahead import look_ahead
from gardenapp.web.access import board_readers
from gardenapp.web.clock import now
from gardenapp.web.fields import measure
from gardenapp.web.formats import SPACE
from gardenapp.words import later

blueprint = Blueprint("ahead", __name__)

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
def nights_ahead() -> str:
    return render_template("ahead/ahead.html", ahead=look_ahead(now()), why=WHY, wind=_wind)


def _wind(speed_mps: float) -> str:
    unit = measure("wind")
    return f"{unit.from_si(speed_mps):.0f}{SPACE}{unit.sign}"
