"""Placeholder until its pages are written."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.web.access import board_readers

blueprint = Blueprint("plants", __name__)


@blueprint.get("/plants")
@board_readers
def plants_page() -> str:
    return render_template("errors/error.html", title="plants", message="", advice="")
