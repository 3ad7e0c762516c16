"""Placeholder until its pages are written."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.web.access import public

blueprint = Blueprint("help_pages", __name__)


@blueprint.get("/help")
@public
def help_page() -> str:
    return render_template("errors/error.html", title="help_pages", message="", advice="")


@blueprint.get("/sources")
@public
def sources_page() -> str:
    return ""
