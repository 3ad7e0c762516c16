"""From errors to pages: the one place where it is decided."""

from __future__ import annotations

import logging
from typing import Any
from urllib.parse import urlsplit

from flask import Flask, jsonify, make_response, render_template, request
from flask_wtf.csrf import CSRFError
from sqlalchemy.exc import IntegrityError, InternalError, OperationalError
from werkzeug.exceptions import HTTPException

from gardenapp.errors import AlreadyClaimed, Busy, GardenError, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.request_log import request_id
from gardenapp.words import _, later, told

log = logging.getLogger("gardenapp")

WORDS: dict[int, tuple[str, str]] = {
    400: (later("We can’t read that"), later("Go back, check the page and send it again.")),
    403: (
        later("You can’t open this page"),
        later("Sign in with an account that can, or ask a coordinator."),
    ),
    404: (
        later("We can’t find that page"),
        later("The page may have moved, or what it showed is gone."),
    ),
    405: (later("That didn’t work"), later("Go back and use the button on the page.")),
    409: (later("Somebody was first"), later("Look at the board again.")),
    413: (
        later("Too big"),
        later(
            "A forecast file may be up to 2 MB, two loggers’ files together 64 MB, a form 500 kB."
        ),
    ),
    415: (later("Wrong kind of file"), later("Choose a text file: CSV, JSON or a pasted TAF.")),
    429: (later("Too many tries"), later("Wait a little and try again.")),
    500: (
        later("Something went wrong"),
        later("We changed nothing. Try again; if it happens again, tell a coordinator."),
    ),
    503: (
        later("Could not save"),
        later("We changed nothing. You can still read pages; try again in a minute."),
    ),
}


def _page(status: int, message: str = "") -> tuple[Any, int]:
    title, advice = WORDS.get(status, WORDS[500])
    if request.accept_mimetypes.best == "application/json":
        return jsonify({"error": message or f"{title}. {advice}"}), status
    try:
        return render_template(
            "errors/error.html", title=title, message=message, advice=advice, status=status
        ), status
    except Exception:
        # Without a database or a template there is still an answer in words.
        log.exception("the error page could not be made")
        return (
            f"<!doctype html><html lang=en><title>{title}</title><h1>{title}</h1><p>{advice}</p>"
            f"<p>Number of this answer: {request_id()}</p>",
            status,
        )


def _typed_here() -> list[tuple[str, str, str]] | None:
    """(name, value, kind) of what was typed into a form of ours; None where it may be another's.

    A stranger's page can send a form here too, and must not get it shown as if it were ours: the
    browser has to say itself that it came from this very site.
    """
    site = request.headers.get("Sec-Fetch-Site")
    origin = urlsplit(request.headers.get("Origin") or request.headers.get("Referer") or "")
    if site != "same-origin" and (site is not None or origin.netloc != request.host):
        return None
    if request.files or not request.form:
        return None
    found = []
    for name, value in request.form.items(multi=True):
        if name == "csrf_token":
            continue
        if "password" in name or name in {"current", "new"}:
            found.append((name, "", "password"))
        elif name.endswith("key") or name == "token":
            found.append((name, value, "hidden"))
        else:
            shown = "".join(c for c in value if c.isprintable() or c in "\n\t")
            found.append((name, shown, "box" if "\n" in shown or len(shown) > 60 else "line"))
    return found


def status_of(error: GardenError) -> int:
    """The status of the answer to a named error."""
    if isinstance(error, Refused):
        return 409
    return {NotFound: 404, NotAllowed: 403, AlreadyClaimed: 409}.get(type(error), 400)


def init_errors(app: Flask) -> None:
    """Map named errors and unexpected ones to pages in house style."""

    def known(error: GardenError) -> Any:
        db.session.rollback()
        status = status_of(error)
        if isinstance(error, Busy):
            answer = make_response(_again_or_page(error))
            answer.headers["Retry-After"] = "2"
            return answer
        return _page(status, str(told(error)))

    def _again_or_page(error: Busy) -> Any:
        """What was typed is shown again, ready to be sent once more."""
        typed = _typed_here()
        if typed is None:
            return _page(503, str(told(error)))
        return (
            render_template(
                "errors/again.html", typed=typed, action=request.full_path, why=told(error)
            ),
            503,
        )

    app.register_error_handler(GardenError, known)

    @app.errorhandler(CSRFError)
    def bad_token(error: CSRFError) -> Any:
        typed = _typed_here()
        if typed is not None:
            return render_template("errors/again.html", typed=typed, action=request.full_path), 400
        return _page(
            400,
            _(
                "This form was open for too long or came from another page, so we saved "
                "nothing. Go back, reload and send it again."
            ),
        )

    @app.errorhandler(HTTPException)
    def http(error: HTTPException) -> Any:
        if error.code is not None and error.code < 400:
            return error
        return _page(error.code or 500)

    # InternalError is what PostgreSQL's driver says of a write where only reading is allowed.
    @app.errorhandler(InternalError)
    @app.errorhandler(OperationalError)
    def database(error: OperationalError | InternalError) -> Any:
        db.session.rollback()
        log.error("database: %s", type(error.orig).__name__, exc_info=error)
        return _page(503)

    @app.errorhandler(IntegrityError)
    def conflict(error: IntegrityError) -> Any:
        db.session.rollback()
        log.error("integrity: %s", type(error.orig).__name__, exc_info=error)
        return _page(
            409,
            _("Somebody changed the same page at the same moment. We saved nothing; try again."),
        )

    @app.errorhandler(Exception)
    def unexpected(error: Exception) -> Any:
        db.session.rollback()
        log.exception("unexpected error")
        return _page(500)
