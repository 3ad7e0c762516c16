"""One address for a machine that watches over this one: is it well?"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from flask import Blueprint, current_app, jsonify

from gardenapp.services.upkeep import doctor
from gardenapp.web.access import public
from gardenapp.web.clock import now

blueprint = Blueprint("health", __name__)


@blueprint.get("/healthz")
@public
def healthz() -> Any:
    """200 while the server can do its work, 503 while it cannot; says nothing about the garden."""
    found = doctor.troubles(
        now=now(),
        has_scheduler=current_app.config["HAS_SCHEDULER"],
        instance=Path(current_app.instance_path),
    )
    database = "unavailable" if any("does not answer" in words for words in found) else "ok"
    response = jsonify(
        {
            "status": "failing" if found else "ok",
            "database": database,
            "reasons": list(found),
        }
    )
    response.headers["Cache-Control"] = "no-store"
    return response, 503 if found else 200
