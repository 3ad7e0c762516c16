"""The server's own log: one JSON object a line on stderr.

A line says that a request was answered: its id, method, the path's template (never the path
itself, which may hold a link's secret), status and milliseconds. No names, no addresses, no query
strings, no forms. Of an unexpected error it gives the kind and where in the code it came up, not
its message, which may quote what somebody typed. The same id goes out in the header
`X-Request-Id` and stands on the error page, so that a gardener can read it out on the telephone.
"""

from __future__ import annotations

import json
import logging
import secrets
import sys
import time
import traceback
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from flask import Flask, g, has_request_context, request
from werkzeug.wrappers import Response

from gardenapp.folders import ABOVE

HEADER = "X-Request-Id"
FIELDS = ("method", "path", "status", "ms")
DEEPEST = 12
# Asked once a minute by a machine, and by every page for its style: lines nobody reads.
QUIET = frozenset({"static", "health.healthz"})

_requests = logging.getLogger("gardenapp.requests")


class JsonLines(logging.Formatter):
    """Turns a record into one line; control characters are escaped, so no line can be forged."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "says": _message(record),
        }
        if has_request_context():
            line["request"] = request_id()
        for name in FIELDS:
            if name in record.__dict__:
                line[name] = record.__dict__[name]
        if record.exc_info and record.exc_info[1] is not None:
            line["error"] = kinds_of(record.exc_info[1])
            line["where"] = places_of(record.exc_info[1])
        return json.dumps(line, ensure_ascii=True)


def _message(record: logging.LogRecord) -> str:
    try:
        return record.getMessage()
    except Exception:  # a wrong format string must not cost the request
        return str(record.msg)


def kinds_of(error: BaseException) -> list[str]:
    """The error's class and those it came from, without their words."""
    found: list[str] = []
    seen: set[int] = set()
    current: BaseException | None = error
    while current is not None and id(current) not in seen and len(found) < DEEPEST:
        seen.add(id(current))
        found.append(f"{type(current).__module__}.{type(current).__qualname__}")
        current = current.__cause__ or current.__context__
    return found


def places_of(error: BaseException) -> list[str]:
    """Where it came up, innermost last: file, line, function."""
    frames = traceback.extract_tb(error.__traceback__)[-DEEPEST:]
    return [f"{_short(frame.filename)}:{frame.lineno} {frame.name}" for frame in frames]


def _short(filename: str) -> str:
    path = Path(filename)
    if path.is_relative_to(ABOVE):
        return path.relative_to(ABOVE).as_posix()
    parts = path.parts
    return (
        "/".join(parts[parts.index("site-packages") + 1 :])
        if "site-packages" in parts
        else (path.name)
    )


def write_json_to_stderr(level: int = logging.INFO) -> None:
    """Send every record of this process to stderr as JSON lines."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    # Its own lines would repeat ours with addresses and query strings in them.
    for name in ("werkzeug", "waitress.queue", "gunicorn.access"):
        logging.getLogger(name).setLevel(logging.ERROR)
    for name in ("urllib3", "alembic"):
        logging.getLogger(name).setLevel(logging.WARNING)


def request_id() -> str:
    """This request's id: made here, never taken from the visitor."""
    if "request_id" not in g:
        g.request_id = secrets.token_hex(8)
    found: str = g.request_id
    return found


def init_logs(app: Flask) -> None:
    """Give every request an id and a line when it is answered."""

    @app.before_request
    def begin() -> None:
        g.began_at = time.monotonic()
        request_id()

    @app.after_request
    def note(response: Response) -> Response:
        response.headers[HEADER] = request_id()
        if request.endpoint not in QUIET or response.status_code >= 400:
            began = g.get("began_at")
            _requests.info(
                "answered",
                extra={
                    "method": request.method if request.method.isalpha() else "?",
                    "path": request.url_rule.rule if request.url_rule else "(none)",
                    "status": response.status_code,
                    "ms": round((time.monotonic() - began) * 1000) if began is not None else None,
                },
            )
        return response

    @app.context_processor
    def ids() -> dict[str, Any]:
        return {"request_id": request_id if has_request_context() else (lambda: "")}
