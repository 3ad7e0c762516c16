"""Placeholder until its pages are written."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.web.access import coordinators

blueprint = Blueprint("forecast", __name__)


@blueprint.get("/forecast")
@coordinators
def forecasts_page() -> str:
    return render_template("errors/error.html", title="forecast", message="", advice="")
