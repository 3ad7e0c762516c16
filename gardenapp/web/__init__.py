"""The pages. Each part of the site is a blueprint; this module wires them in."""

from __future__ import annotations

from flask import Flask

from gardenapp.web import access, errors, formats, headers


def init_web(app: Flask) -> None:
    """Register blueprints, sign-in, error pages, headers and template helpers."""
    from gardenapp.web import board, covers, forecast, garden, help_pages, people, plants, plots

    access.init_access(app)
    formats.init_formats(app)
    headers.init_headers(app)
    errors.init_errors(app)
    for part in (board, forecast, plots, plants, covers, people, garden, help_pages):
        app.register_blueprint(part.blueprint)
