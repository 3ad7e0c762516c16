"""Which language a reader gets, and how they choose it.

A member's own choice comes first, also on the page that greets them before they sign in; then what
this phone was told by the link at the foot of every page; then what the browser asks for; then the
garden's language.
"""

from __future__ import annotations

import contextlib

import flask_babel
from flask import (
    Blueprint,
    Flask,
    current_app,
    g,
    has_request_context,
    redirect,
    request,
    url_for,
)
from sqlalchemy.exc import SQLAlchemyError
from werkzeug.wrappers import Response

from gardenapp.errors import NotFound
from gardenapp.models.people import LANGUAGES
from gardenapp.web.access import current_garden, current_member, public, safe_next
from gardenapp.words import _

blueprint = Blueprint("languages", __name__)

# Each language by its own name, so that whoever looks for it can read it.
NAMES = {"en": "English", "es": "Español"}
COOKIE = "language"
COOKIE_S = 60 * 60 * 24 * 300

babel = flask_babel.Babel()


def choose_language() -> str:
    """The code of the reader's language; English where there is no reader."""
    if not has_request_context():
        return "en"
    if request.endpoint == "static":
        return "en"
    chosen: str | None = None
    # The page that says the database is away must not need it.
    with contextlib.suppress(SQLAlchemyError):
        if "greeted_in" in g:
            return str(g.greeted_in)
        member = current_member()
        chosen = member.language if member is not None else None
        chosen = chosen or _of_the_phone()
        if chosen is None:
            garden = current_garden()
            chosen = garden.language if garden is not None else None
    return chosen if chosen in NAMES else "en"


def _of_the_phone() -> str | None:
    told = request.cookies.get(COOKIE, "")
    if told in NAMES:
        return told
    # Not `best_match`: it takes "es" for a reader of British English who also reads Spanish.
    for asked, quality in request.accept_languages:
        code = asked.partition("-")[0].lower()
        if quality > 0 and code in LANGUAGES:
            return code
    return None


def language() -> str:
    """The code of the language the page is being written in."""
    found = flask_babel.get_locale()
    return "en" if found is None else str(found.language)


def greet_in(code: str | None) -> None:
    """Answer this request in the language of a member who is not signed in yet; None: as it is."""
    if code in NAMES:
        g.greeted_in = code
    forget_language()


def forget_language() -> None:
    """Settle the language anew, after the reader has changed it in this request."""
    flask_babel.refresh()


@blueprint.get("/language/<string(maxlength=5):to_language>")
@public
def set_language(to_language: str) -> Response:
    """Remember a language on this phone. Changes nothing that is stored."""
    if to_language not in NAMES:
        raise NotFound(_("The pages are not in that language."))
    response = redirect(safe_next(request.args.get("next")), 303)
    response.set_cookie(
        COOKIE,
        to_language,
        max_age=COOKIE_S,
        httponly=True,
        samesite="Lax",
        secure=current_app.config["SESSION_COOKIE_SECURE"],
    )
    return response


def other_languages() -> list[tuple[str, str, str]]:
    """(code, own name, address) of each language the page is not in."""
    is_secret = "token" in " ".join(request.view_args or {})
    back = None if is_secret or request.method != "GET" else request.path
    now_in = language()
    return [
        (code, name, url_for("languages.set_language", to_language=code, next=back))
        for code, name in NAMES.items()
        if code != now_in
    ]


def init_languages(app: Flask) -> None:
    """Set up the catalogues, and say the language to the templates."""
    babel.init_app(app, default_locale="en", locale_selector=choose_language)
    app.register_blueprint(blueprint)
    app.jinja_env.globals.update(language=language, other_languages=other_languages)

    @app.after_request
    def say_language(response: Response) -> Response:
        if response.mimetype == "text/html":
            response.headers.setdefault("Content-Language", language())
        return response
