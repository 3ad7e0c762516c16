"""One address for a machine that watches over this one: is it well?"""

from __future__ import annotations

from typing import Any

from flask import Blueprint, jsonify

from gardenapp.services.upkeep import doctor
from gardenapp.web.access import public

blueprint = Blueprint("health", __name__)


@blueprint.get("/healthz")
@public
def healthz() -> Any:
    """200 while the database answers, 503 while it does not; says nothing about the garden."""
    well, word = doctor.is_well()
    response = jsonify({"status": "ok" if well else "failing", "database": word})
    response.headers["Cache-Control"] = "no-store"
    return response, 200 if well else 503
