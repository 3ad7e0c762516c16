"""`gardenapp notices send`, `gardenapp certificate`, and what `serve` needs for both.

The timetable runs in a thread of `gardenapp serve`. Where the computer's own timetable is to do
the work instead, start the server with `GARDEN_SCHEDULER=no` and run `gardenapp forecast fetch`
and `gardenapp notices send` from it.
"""

from __future__ import annotations

import ipaddress
import os
import socket
import ssl
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click
from flask import Flask, current_app

from gardenapp.cli import addresses, local_time, main, now, with_app
from gardenapp.errors import NotFound, OutOfRange
from gardenapp.services.notices import telling
from gardenapp.services.notices.telling import Outlet
from gardenapp.services.upkeep import scheduler

CERTIFICATE, KEY, AUTHORITY = "certificate.pem", "certificate_key.pem", "garden_authority.crt"
# Phones refuse a server's certificate that is good for longer than 825 days, private ones too.
CERTIFICATE_DAYS = 800


def outlet() -> Outlet:
    """What sending needs, from the app's settings."""
    return Outlet(
        instance=Path(current_app.instance_path),
        allowed_private_hosts=current_app.config["FETCH_ALLOWED_HOSTS"],
        backup_days=current_app.config["BACKUP_DAYS"],
    )


# --- notices ----------------------------------------------------------------------------------


@main.group("notices")
def notices_group() -> None:
    """Notices of cold nights."""


@notices_group.command("send")
@with_app
def notices_send() -> None:
    """Queue what tonight's plan has not told yet and send what is due; for cron."""
    at = now()
    queued = telling.catch_up(now=at)
    done = telling.send_due(now=at, outlet=outlet())
    words = f"{done.sent} sent, {done.failed} failed, {done.waiting} waiting."
    scheduler.beat(job=scheduler.SEND, result=words, was_good=True, now=at)
    click.echo(f"{queued} queued, {words}")


@notices_group.command("list")
@with_app
def notices_list() -> None:
    """Print the newest notices and what became of them."""
    for line in telling.list_notices():
        error = f"  {line.last_error}" if line.last_error else ""
        click.echo(
            f"{local_time(line.made_at)}  {line.name}  {line.channel}  {line.kind}  "
            f"{line.state}  {line.tries} tries{error}"
        )


def start_scheduler(app: Flask) -> Callable[[], None]:
    """Run the timetable in a thread beside the server; gives how to stop it."""
    stop = threading.Event()
    with app.app_context():
        where = outlet()
    thread = threading.Thread(
        target=scheduler.run,
        kwargs={"context": app.app_context, "clock": now, "outlet": where, "stop": stop},
        name="timetable",
        daemon=True,
    )
    thread.start()

    def end() -> None:
        stop.set()
        thread.join(5)

    return end


# --- https ------------------------------------------------------------------------------------


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


@main.command("certificate")
@click.option("--name", "names", multiple=True, help="Host name of this computer; repeatable.")
@click.option("--address", "ips", multiple=True, help="Network address; repeatable.")
@click.option("--force", is_flag=True, help="Replace the certificate there is.")
@with_app
def certificate(names: tuple[str, ...], ips: tuple[str, ...], force: bool) -> None:
    """Make a private certificate, so that phones can open the pages by HTTPS.

    Without options it is for this computer's name and its network address.
    """
    folder = Path(current_app.instance_path)
    if (folder / CERTIFICATE).exists() and not force:
        raise NotFound(
            f"There is a certificate already: {folder / CERTIFICATE}. Phones that trust it would "
            "have to be told again; use --force to replace it."
        )
    if not names and not ips:
        host = socket.gethostname().lower()
        names = tuple(dict.fromkeys(n for n in (host, f"{host.partition('.')[0]}.local") if n))
        ips = tuple(addresses(""))
    fingerprint = make_certificate(folder, names=names, ips=ips, at=now())
    until = now() + timedelta(days=CERTIFICATE_DAYS)
    for line in (
        f"Made for {', '.join((*names, *ips))}, good until {until:%d %b %Y}.",
        "",
        "Start the server with it:",
        f"    gardenapp serve --certificate {folder / CERTIFICATE} --key {folder / KEY}",
        "",
        f"For phones: {folder / AUTHORITY}",
        f"Its SHA-256 fingerprint: {fingerprint}",
        "",
        "How a phone trusts it, once:",
        "  1. Bring the .crt file to the phone: by cable, or as an e-mail to yourself.",
        "  2. Android: Settings, search for “CA certificate”, install it from the file.",
        "     iPhone: open the file, Settings, Profile downloaded, Install; then General, About,",
        "     Certificate Trust Settings, and switch it on.",
        "  3. Compare the fingerprint the phone shows with the one above before agreeing.",
        "It is good for the names and addresses above and for nothing else: its own key was",
        "thrown away after signing. When this computer’s address changes, make a new one.",
    ):
        click.echo(line)


def make_certificate(
    folder: Path, *, names: tuple[str, ...], ips: tuple[str, ...], at: datetime
) -> str:
    """Write certificate, key and the file phones trust into `folder`; gives the fingerprint.

    A small authority signs one certificate and its key is dropped at once. Phones that trust it
    are limited to these names and addresses by its own constraints, so that nothing else on the
    internet could ever be vouched for with it.

    Raises OutOfRange for a name or an address that is none.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    hosts = [_host_name(name) for name in names]
    try:
        numbers = [ipaddress.ip_address(ip) for ip in ips]
    except ValueError as error:
        raise OutOfRange(f"Not a network address: {error}.") from error
    if not hosts and not numbers:
        raise OutOfRange("Give at least one --name or --address.")
    alternatives: list[x509.GeneralName] = [x509.DNSName(host) for host in hosts]
    alternatives += [x509.IPAddress(number) for number in numbers]
    limits: list[x509.GeneralName] = [x509.DNSName(host) for host in hosts]
    limits += [x509.IPAddress(ipaddress.ip_network(number)) for number in numbers]
    # What is left out of the list of permitted kinds would be unlimited.
    if not hosts:
        limits.append(x509.DNSName("invalid"))
    if not numbers:
        limits.append(x509.IPAddress(ipaddress.ip_network("192.0.2.0/32")))
    start, end = at - timedelta(hours=1), at + timedelta(days=CERTIFICATE_DAYS)
    authority_key = ec.generate_private_key(ec.SECP256R1())
    server_key = ec.generate_private_key(ec.SECP256R1())
    title = f"Garden pages of {(hosts or [str(n) for n in numbers])[0]}"[:60]
    authority_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, title)])

    def usage(*, signs_certificates: bool) -> x509.KeyUsage:
        return x509.KeyUsage(
            digital_signature=not signs_certificates,
            content_commitment=False,
            key_encipherment=False,
            data_encipherment=False,
            key_agreement=False,
            key_cert_sign=signs_certificates,
            crl_sign=False,
            encipher_only=False,
            decipher_only=False,
        )

    authority_id = x509.SubjectKeyIdentifier.from_public_key(authority_key.public_key())
    authority = (
        x509.CertificateBuilder()
        .subject_name(authority_name)
        .issuer_name(authority_name)
        .public_key(authority_key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(end)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage(signs_certificates=True), critical=True)
        .add_extension(x509.NameConstraints(limits, None), critical=True)
        .add_extension(authority_id, critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    server = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([]))
        .issuer_name(authority_name)
        .public_key(server_key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(end)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=True)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.SubjectKeyIdentifier.from_public_key(server_key.public_key()), critical=False
        )
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(authority_id),
            critical=False,
        )
        .sign(authority_key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    _write(
        folder / KEY,
        server_key.private_bytes(
            pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        ),
        0o600,
    )
    _write(folder / CERTIFICATE, server.public_bytes(pem) + authority.public_bytes(pem), 0o644)
    _write(folder / AUTHORITY, authority.public_bytes(pem), 0o644)
    digest = authority.fingerprint(hashes.SHA256()).hex().upper()
    return ":".join(digest[i : i + 2] for i in range(0, len(digest), 2))


def _host_name(name: str) -> str:
    cleaned = name.strip().rstrip(".").lower()
    labels = cleaned.split(".")
    good = all(
        label
        and len(label) <= 63
        and label.isascii()
        and all(c.isalnum() or c == "-" for c in label)
        and not label.startswith("-")
        and not label.endswith("-")
        for label in labels
    )
    if not good or len(cleaned) > 253:
        raise OutOfRange(f"{name} is not a host name; give addresses with --address.")
    return cleaned


def _write(path: Path, data: bytes, mode: int) -> None:
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    draft.unlink(missing_ok=True)
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
    draft.replace(path)
