"""Placeholder until its pages are written."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.web.access import members

blueprint = Blueprint("covers", __name__)


@blueprint.get("/covers")
@members
def covers_page() -> str:
    return render_template("errors/error.html", title="covers", message="", advice="")
