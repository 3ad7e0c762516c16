"""The pages. Each part of the site is a blueprint; this module wires them in."""

from __future__ import annotations

from flask import Flask


def init_web(app: Flask) -> None:
    """Register blueprints, sign-in, error pages, headers and template helpers."""
    from gardenapp.request_log import init_logs
    from gardenapp.web.access import init_access
    from gardenapp.web.builds.designing import blueprint as builds
    from gardenapp.web.compress import init_compress
    from gardenapp.web.errors import init_errors
    from gardenapp.web.first_run import init_first_run
    from gardenapp.web.formats import init_formats

    # The first run hangs on the garden's blueprint, slips and their codes on the people's.
    from gardenapp.web.garden import first_run, join_slips  # noqa: F401
    from gardenapp.web.garden.map import blueprint as garden_map
    from gardenapp.web.garden.people import blueprint as people
    from gardenapp.web.garden.plants import blueprint as plants
    from gardenapp.web.garden.plots import blueprint as plots
    from gardenapp.web.garden.settings import blueprint as garden
    from gardenapp.web.handbook import blueprint as handbook
    from gardenapp.web.headers import init_headers
    from gardenapp.web.help_pages import blueprint as help_pages

    # The board's pages of paper hang on its blueprint.
    from gardenapp.web.night import paper  # noqa: F401
    from gardenapp.web.night.ahead import blueprint as ahead
    from gardenapp.web.night.board import blueprint as board
    from gardenapp.web.night.forecast import blueprint as forecast
    from gardenapp.web.night.map import blueprint as tonight_map
    from gardenapp.web.night.morning import blueprint as morning
    from gardenapp.web.night.plot import plot_page
    from gardenapp.web.notices.feeds import blueprint as feeds
    from gardenapp.web.notices.telling import blueprint as notices
    from gardenapp.web.offline import blueprint as offline
    from gardenapp.web.season.outlook import blueprint as season
    from gardenapp.web.season.replay import blueprint as replay

    # The pages of materials and the walks round the store hang on the store's blueprint.
    from gardenapp.web.store import lots, things, walks  # noqa: F401
    from gardenapp.web.store.base import blueprint as store
    from gardenapp.web.store.covers import blueprint as covers
    from gardenapp.web.tables.tables import blueprint as tables
    from gardenapp.web.template_cache import init_template_cache
    from gardenapp.web.themes import init_themes
    from gardenapp.web.trials.cover_trials import blueprint as trials
    from gardenapp.web.trials.readings import blueprint as readings
    from gardenapp.web.upkeep.health import blueprint as health
    from gardenapp.web.upkeep.privacy import blueprint as privacy

    init_logs(app)
    init_access(app)
    init_formats(app)
    init_themes(app)
    init_first_run(app)
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
        garden_map,
        tonight_map,
        help_pages,
        handbook,
        morning,
        readings,
    ):
        app.register_blueprint(part)
    for part in (feeds, notices, ahead, offline):
        app.register_blueprint(part)
    # A plot's page is home and asks the night: of that room, under the plots' name.
    app.add_url_rule(
        "/plots/<int(max=2147483647):plot_id>", endpoint="plots.plot_page", view_func=plot_page
    )
    app.register_blueprint(replay)
    app.register_blueprint(store)
    for part in (builds, season, tables):
        app.register_blueprint(part)
    # After the blueprints, which bring filters of their own.
    init_template_cache(app)
