"""Placeholder until its pages are written."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.web.access import members

blueprint = Blueprint("plots", __name__)


@blueprint.get("/plots")
@members
def plots_page() -> str:
    return render_template("errors/error.html", title="plots", message="", advice="")
