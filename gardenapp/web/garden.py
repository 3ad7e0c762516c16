"""Placeholder until its pages are written."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.web.access import coordinators

blueprint = Blueprint("garden", __name__)


@blueprint.get("/garden")
@coordinators
def settings_page() -> str:
    return render_template("errors/error.html", title="garden", message="", advice="")


@blueprint.get("/first-steps")
@coordinators
def first_steps() -> str:
    return ""
