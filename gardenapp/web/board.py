"""Placeholder until its pages are written."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.web.access import board_readers

blueprint = Blueprint("board", __name__)


@blueprint.get("/tonight")
@board_readers
def tonight() -> str:
    return render_template("errors/error.html", title="board", message="", advice="")
