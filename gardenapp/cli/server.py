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
from collections.abc import Callable, Mapping
from pathlib import Path

import click
from flask import Flask, current_app
from flask.sessions import SecureCookieSessionInterface
from itsdangerous import BadData
from werkzeug.http import parse_cookie

from gardenapp import create_app, doors
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
from gardenapp.improver import improve_apart
from gardenapp.request_log import write_json_to_stderr
from gardenapp.services.garden import settings as gardens
from gardenapp.services.notices.planned import take_up_what_was_left
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
    if app.config["PLANS_APART"]:
        improve_apart(app)
        if gardens.has_garden():
            take_up_what_was_left(now())
    compile_board(app)
    try:
        house = doors_of(app, host, port, threads, certificate, key)
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
        house.run()
    except KeyboardInterrupt:
        click.echo("Stopped.")
    finally:
        house.close()
        if end is not None:
            end()


def doors_of(
    app: Flask,
    host: str,
    port: int,
    threads: int,
    certificate: Path | None = None,
    key: Path | None = None,
) -> doors.Doors:
    """The server, which listens already; over HTTPS with a certificate and key. Raises OSError."""
    tls = tls_context(certificate, key) if certificate is not None and key is not None else None
    return doors.Doors(
        app,
        host=host,
        port=port,
        threads=threads,
        largest=LARGEST_BODY_BYTES,
        door=doors.Door(
            may_send_much=signed_in_or_machine(app), proxies=read_settings().proxies, tls=tls
        ),
    )


def signed_in_or_machine(app: Flask) -> Callable[[Mapping[str, str]], bool]:
    """Whether a request's headers carry a session that this app signed, or a logger's token.

    Signed is enough: whose it is and whether it has ended is asked once the whole request is here.
    """
    name = str(app.config["SESSION_COOKIE_NAME"])
    serializer = SecureCookieSessionInterface().get_signing_serializer(app)

    def judge(headers: Mapping[str, str]) -> bool:
        if headers.get("AUTHORIZATION", "").lower().startswith("bearer "):
            return True
        found = parse_cookie(headers.get("COOKIE", "")).get(name)
        if not found or serializer is None:
            return False
        try:
            return "_user_id" in serializer.loads(found)
        except BadData:
            return False

    return judge


def tls_context(certificate: Path, key: Path) -> ssl.SSLContext:
    """What HTTPS is spoken with, for a garden without a proxy in front.

    Raises NotFound, OutOfRange, with words, where the files cannot be used.
    """
    for path in (certificate, key):
        if not path.is_file():
            raise NotFound(f"There is no file {path}.")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate, key)
    except (ssl.SSLError, OSError, ValueError) as error:
        raise OutOfRange(
            f"{certificate.name} and {key.name} are not a certificate and its key in PEM form."
        ) from error
    return context


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
