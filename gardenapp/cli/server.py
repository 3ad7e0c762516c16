"""`gardenapp serve`: the server for the garden's network, by HTTP or HTTPS, and its timetable.

The timetable runs in a thread of the server. Where the computer's own timetable is to do the work
instead, start it with `GARDEN_SCHEDULER=no` and run `gardenapp forecast fetch` and
`gardenapp notices send` from that.
"""

from __future__ import annotations

import dataclasses
import signal
import ssl
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
from flask import Flask, current_app

from gardenapp import create_app
from gardenapp.cli import main
from gardenapp.cli.base import (
    addresses,
    bring_catalogue_up_to_date,
    now,
    outlet,
    upgrade_if_needed,
    with_app,
)
from gardenapp.config import MAX_LOGGER_UPLOAD_BYTES, MAX_UPLOAD_BYTES, read_settings
from gardenapp.errors import NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.request_log import write_json_to_stderr
from gardenapp.services.garden import settings as gardens
from gardenapp.services.upkeep import scheduler
from gardenapp.web.template_cache import compile_board

# Flask answers 413 with our own page above MAX_UPLOAD_BYTES, or above MAX_LOGGER_UPLOAD_BYTES on
# the page for loggers' files. The server refuses larger bodies itself, without a page, before it
# has stored them.
LARGEST_BODY_BYTES = MAX_LOGGER_UPLOAD_BYTES + 2 * MAX_UPLOAD_BYTES


@main.command("serve")
@click.option(
    "--host",
    # Phones on the garden's network are what the app is for. Until the garden is set up the
    # set-up code guards it, afterwards signing in.
    default="0.0.0.0",  # noqa: S104
    show_default=True,
    help="Address to listen on; 127.0.0.1 for this computer alone.",
)
@click.option("--port", default=8080, show_default=True, type=click.IntRange(1, 65_535))
@click.option("--threads", default=8, show_default=True, type=click.IntRange(1, 64))
@click.option(
    "--certificate",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Serve HTTPS with this certificate (PEM, with its chain); `gardenapp certificate` "
    "makes a private one.",
)
@click.option("--key", type=click.Path(dir_okay=False, path_type=Path), help="Its key (PEM).")
@with_app
def serve(host: str, port: int, threads: int, certificate: Path | None, key: Path | None) -> None:
    """Serve the pages, after bringing the tables up to date."""
    if (certificate is None) != (key is None):
        raise NotFound("Give --certificate and --key together.")
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]
    write_json_to_stderr()
    upgrade_if_needed()
    bring_catalogue_up_to_date()
    if certificate is not None and not app.config["IS_HTTPS"]:
        # Cookies for HTTPS only, and browsers told to stay with it.
        app = create_app(dataclasses.replace(read_settings(), is_https=True))
    compile_board(app)
    try:
        run, close = _server(app, host, port, threads, certificate, key)
    except OSError as error:
        raise NotFound(f"Cannot listen on {host}, port {port}: {error.strerror}.") from error
    for line in welcome(host, port, scheme="https" if certificate else "http"):
        click.echo(line)
    # Nothing of this command's own may stay open while the server's threads work.
    db.session.remove()
    end = start_scheduler(app) if app.config["HAS_SCHEDULER"] else None
    # A service manager ends the server with SIGTERM: that too lets answers under way be finished.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        run()
    except KeyboardInterrupt:
        click.echo("Stopped.")
    finally:
        close()
        if end is not None:
            end()


def _server(
    app: Flask, host: str, port: int, threads: int, certificate: Path | None, key: Path | None
) -> tuple[Callable[[], None], Callable[[], None]]:
    """How to run and how to close the server; it listens already. Raises OSError."""
    import waitress

    if certificate is not None and key is not None:
        secure = tls_server(
            app,
            host=host,
            port=port,
            threads=threads,
            certificate=certificate,
            key=key,
            largest=LARGEST_BODY_BYTES,
        )
        secure.prepare()
        return secure.serve, secure.stop
    server = waitress.create_server(
        app,
        host=host,
        port=port,
        threads=threads,
        ident=None,
        max_request_body_size=LARGEST_BODY_BYTES,
        # Which of them to believe is decided in one place, for every server alike: `web.proxy`.
        clear_untrusted_proxy_headers=False,
    )
    return server.run, server.close


def tls_server(
    app: Any, *, host: str, port: int, threads: int, certificate: Path, key: Path, largest: int
) -> Any:
    """A server that speaks HTTPS by itself, for a garden without a proxy in front.

    Raises NotFound, OutOfRange, with words, where the files cannot be used.
    """
    from cheroot import wsgi
    from cheroot.ssl.builtin import BuiltinSSLAdapter

    class Adapter(BuiltinSSLAdapter):
        """Shakes hands in the worker that reads, not in the one loop that accepts.

        Otherwise a single visitor who connects and says nothing keeps everybody waiting.
        """

        def wrap(self, sock: Any) -> tuple[Any, dict[str, str]]:
            wrapped = self.context.wrap_socket(
                sock, server_side=True, do_handshake_on_connect=False
            )
            return wrapped, {"wsgi.url_scheme": "https", "HTTPS": "on"}

    for path in (certificate, key):
        if not path.is_file():
            raise NotFound(f"There is no file {path}.")
    try:
        adapter = Adapter(str(certificate), str(key))
    except (ssl.SSLError, OSError, ValueError) as error:
        raise OutOfRange(
            f"{certificate.name} and {key.name} are not a certificate and its key in PEM form."
        ) from error
    adapter.context.minimum_version = ssl.TLSVersion.TLSv1_2
    server = wsgi.Server((host, port), app, numthreads=threads, server_name="", timeout=20)
    server.ssl_adapter = adapter
    server.max_request_body_size = largest
    return server


def start_scheduler(app: Flask) -> Callable[[], None]:
    """Run the timetable in threads beside the server, one a group; gives how to stop them."""
    stop = threading.Event()
    with app.app_context():
        where = outlet()
    threads = [
        threading.Thread(
            target=scheduler.run,
            kwargs={
                "context": app.app_context,
                "clock": now,
                "outlet": where,
                "stop": stop,
                "groups": (group,),
            },
            name=group,
            daemon=True,
        )
        for group in scheduler.GROUPS
    ]
    for thread in threads:
        thread.start()

    def end() -> None:
        stop.set()
        for thread in threads:
            thread.join(5)

    return end


def welcome(host: str, port: int, *, scheme: str = "http") -> list[str]:
    """What to say at the start: where the pages are, and the set-up code if there is no garden."""
    lines = [f"The garden's pages are at {scheme}://{a}:{port}/" for a in addresses(host)]
    if not gardens.has_garden():
        code = gardens.make_setup_code(Path(current_app.instance_path))
        lines += [
            "",
            "There is no garden yet. Open the page and type this set-up code:",
            f"    {code}",
            "It works once, and a new one is made at each start.",
        ]
    return lines
