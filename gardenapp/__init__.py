"""A community garden's app for cold nights."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from gardenapp.config import Settings, read_settings
from gardenapp.folders import shipped
from gardenapp.version import __version__ as __version__

if TYPE_CHECKING:
    # Imported where the app is made: the command line's own help needs none of it.
    from flask import Flask


def create_app(
    settings: Settings | None = None, *, overrides: Mapping[str, Any] | None = None
) -> Flask:
    """Build and wire the app; `overrides` are Flask settings that tests change."""
    from flask import Flask

    from gardenapp.web.proxy import BehindProxy, UnderPrefix, WithoutProxy

    settings = settings or read_settings()
    app = Flask(
        "gardenapp",
        instance_path=str(settings.instance),
        template_folder=str(shipped("templates")),
        static_folder=str(shipped("static")),
    )
    app.config.update(settings.flask_config(), VERSION=__version__)
    app.config.update(overrides or {})
    if settings.prefix:
        app.wsgi_app = UnderPrefix(app.wsgi_app, settings.prefix)  # type: ignore[method-assign]
    if settings.proxy_hops:
        app.wsgi_app = BehindProxy(  # type: ignore[method-assign]
            app.wsgi_app, proxies=settings.proxies, hops=settings.proxy_hops
        )
    else:
        app.wsgi_app = WithoutProxy(app.wsgi_app)  # type: ignore[method-assign]

    from sqlalchemy.orm import configure_mappers

    from gardenapp import extensions, models  # noqa: F401  (models: registers the tables)

    # Otherwise the first page after a start waits for it.
    configure_mappers()

    extensions.db.init_app(app)
    extensions.migrate.init_app(app, extensions.db, directory=str(shipped("migrations")))
    extensions.csrf.init_app(app)
    with app.app_context():
        extensions.prepare_engine(extensions.db.engine)

    from gardenapp.web import init_web

    init_web(app)

    from gardenapp.improver import improve_apart, improve_here

    if app.config["PLANS_APART"]:
        improve_apart(app)
    else:
        improve_here(app)
    return app
