"""The pages. Each part of the site is a blueprint; this module wires them in."""

from __future__ import annotations

from flask import Flask


def init_web(app: Flask) -> None:
    """Register blueprints, sign-in, error pages, headers and template helpers."""
    from gardenapp.logs import init_logs
    from gardenapp.web.access import init_access
    from gardenapp.web.ahead import blueprint as ahead
    from gardenapp.web.board import blueprint as board
    from gardenapp.web.builds import blueprint as builds
    from gardenapp.web.compress import init_compress
    from gardenapp.web.covers import blueprint as covers
    from gardenapp.web.errors import init_errors
    from gardenapp.web.feeds import blueprint as feeds
    from gardenapp.web.forecast import blueprint as forecast
    from gardenapp.web.formats import init_formats
    from gardenapp.web.garden import blueprint as garden
    from gardenapp.web.handbook import blueprint as handbook
    from gardenapp.web.headers import init_headers
    from gardenapp.web.health import blueprint as health
    from gardenapp.web.help_pages import blueprint as help_pages
    from gardenapp.web.morning import blueprint as morning
    from gardenapp.web.notices import blueprint as notices
    from gardenapp.web.offline import blueprint as offline
    from gardenapp.web.people import blueprint as people
    from gardenapp.web.plants import blueprint as plants
    from gardenapp.web.plots import blueprint as plots
    from gardenapp.web.privacy import blueprint as privacy
    from gardenapp.web.readings import blueprint as readings
    from gardenapp.web.replay import blueprint as replay
    from gardenapp.web.season import blueprint as season
    from gardenapp.web.store import blueprint as store
    from gardenapp.web.template_cache import init_template_cache
    from gardenapp.web.themes import init_themes
    from gardenapp.web.trials import blueprint as trials

    init_logs(app)
    init_access(app)
    init_formats(app)
    init_themes(app)
    init_headers(app)
    init_compress(app)
    init_errors(app)
    app.register_blueprint(health)
    app.register_blueprint(privacy)
    for part in (
        board,
        forecast,
        plots,
        plants,
        covers,
        trials,
        people,
        garden,
        help_pages,
        handbook,
        morning,
        readings,
    ):
        app.register_blueprint(part)
    for part in (feeds, notices, ahead, offline):
        app.register_blueprint(part)
    app.register_blueprint(replay)
    app.register_blueprint(store)
    for part in (builds, season):
        app.register_blueprint(part)
    # After the blueprints, which bring filters of their own.
    init_template_cache(app)
