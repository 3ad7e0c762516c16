"""Headers on every answer."""

from __future__ import annotations

from flask import Flask, request
from werkzeug.wrappers import Response

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)


def init_headers(app: Flask) -> None:
    """Add the security headers; pages of members are kept by no shared cache."""

    @app.after_request
    def add_headers(response: Response) -> Response:
        headers = response.headers
        headers.setdefault("Content-Security-Policy", CONTENT_SECURITY_POLICY)
        headers.setdefault("X-Content-Type-Options", "nosniff")
        # Not `no-referrer`: over HTTPS the forgery check asks for the referrer.
        headers.setdefault("Referrer-Policy", "same-origin")
        headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
        headers.setdefault("Permissions-Policy", "camera=(self), geolocation=(), microphone=()")
        if app.config["IS_HTTPS"]:
            headers.setdefault("Strict-Transport-Security", "max-age=31536000")
        if request.endpoint == "static":
            headers["Cache-Control"] = (
                "public, max-age=31536000, immutable" if "v" in request.args else "no-cache"
            )
        else:
            headers.setdefault("Cache-Control", "private, no-cache")
        return response
