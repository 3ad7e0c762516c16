"""What a phone keeps for when there is no signal. Over HTTPS only: browsers allow it nowhere else.

`/sw.js` is the worker where copies are wanted, and otherwise one that takes earlier copies away
and removes itself. Its address never changes, so phones find the switch by themselves.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from flask import Blueprint, current_app, jsonify, render_template, request, url_for
from werkzeug.wrappers import Response

from gardenapp.web.access import current_garden, public
from gardenapp.web.formats import asset

blueprint = Blueprint("offline", __name__)

# Kept with the worker, and taken from the network first: what one reads in the garden.
PAGES = ("/tonight", "/ahead")
# A press on one of these changes who is reading: kept pages go first.
SIGNING = ("/sign-in", "/sign-out", "/join", "/me/sign-out-everywhere", "/me/password")
FILES = ("garden.css", "today.css", "install.js", "board.js", "signs.svg")
LEAVING = frozenset({"people.sign_out", "people.sign_out_everywhere"})


@blueprint.get("/sw.js")
@public
def worker() -> Response:
    if current_app.config["HAS_OFFLINE_COPY"]:
        files = [asset(name) for name in FILES if (_static() / name).exists()]
        files.append(url_for("offline.page"))
        settings = {
            "release": _release(files),
            "files": files,
            "pages": PAGES,
            "signing": SIGNING,
            "offline": url_for("offline.page"),
        }
        body = f"const KEEP = {json.dumps(settings)};\n" + _script("sw.js")
    else:
        body = _script("sw_off.js")
    response = Response(body, content_type="text/javascript; charset=utf-8")
    response.headers["Cache-Control"] = "no-cache"
    return response


@blueprint.get("/manifest.webmanifest")
@public
def manifest() -> Response:
    garden = current_garden()
    response = jsonify(
        {
            "name": garden.name if garden is not None else "Garden",
            "short_name": "Cold nights",
            "start_url": url_for("board.tonight"),
            "scope": "/",
            "display": "standalone",
            "background_color": "#f7f4ec",
            "theme_color": "#1d4468",
            "icons": [
                {
                    "src": url_for("static", filename="icon.svg"),
                    "sizes": "any",
                    "type": "image/svg+xml",
                    "purpose": "any",
                }
            ],
        }
    )
    response.headers["Content-Type"] = "application/manifest+json"
    return response


@blueprint.get("/offline")
@public
def page() -> str:
    return render_template("offline/offline.html")


@blueprint.after_app_request
def forget_copies(response: Response) -> Response:
    """Whoever signs out leaves nothing in the browser's own store either."""
    if request.endpoint in LEAVING and current_app.config["IS_HTTPS"]:
        response.headers["Clear-Site-Data"] = '"cache"'
    return response


def _static() -> Path:
    return Path(current_app.static_folder or "")


def _script(name: str) -> str:
    return (_static() / name).read_text(encoding="utf-8")


def _release(files: list[str]) -> str:
    """Changes with any kept file or the worker itself, so that old copies go."""
    whole = "\n".join([*files, _script("sw.js")])
    return hashlib.sha256(whole.encode()).hexdigest()[:12]
