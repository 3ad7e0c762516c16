"""HTTPS with a private certificate, and sending from the shell."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import ssl
import stat
import subprocess
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from cryptography import x509

from gardenapp import cli, doors
from gardenapp.cli import certificate as certificates
from gardenapp.cli import server as cli_server
from gardenapp.errors import NotFound, OutOfRange
from tests.factories import PASSWORD
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)
from tests.servers import Serve

pytestmark = pytest.mark.usefixtures("quick_hashes")
AT = datetime.now(UTC)
INIT = [
    "init", "--name", "Lantern Lane Plots", "--latitude", "52.2", "--longitude=-0.9",
    "--zone", "europe/london", "--elevation", "90", "--coordinator", "Odile", "--password-stdin",
]  # fmt: skip


@pytest.fixture(autouse=True)
def _own_instance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.startswith("GARDEN_") or name == "DATABASE_URL":
            monkeypatch.delenv(name)
    monkeypatch.setenv("GARDEN_INSTANCE", str(tmp_path))


def run(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(cli.main, list(words), input=typed)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def hello(environ: dict[str, Any], start: Any) -> list[bytes]:
    start("200 OK", [("Content-Type", "text/plain")])
    return [environ["wsgi.url_scheme"].encode()]


@pytest.fixture
def tls_port(tmp_path: Path) -> Iterator[int]:
    """A little app behind the certificate that was just made."""
    certificates.make_certificate(tmp_path, names=("shed.local",), ips=("127.0.0.1",), at=AT)
    port = free_port()
    tls = cli_server.tls_context(tmp_path / certificates.CERTIFICATE, tmp_path / certificates.KEY)
    server = doors.Doors(
        hello,
        host="127.0.0.1",
        port=port,
        threads=4,
        largest=1000,
        door=doors.Door(may_send_much=lambda headers: False, tls=tls),
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield port
    server.close()
    thread.join(10)


def trusting(folder: Path) -> ssl.SSLContext:
    """A phone that was told to trust the garden's authority and nothing else."""
    return ssl.create_default_context(cafile=str(folder / certificates.AUTHORITY))


# --- the certificate --------------------------------------------------------------------------


@pytest.mark.outside("RFC 5280 path validation and RFC 6125 names, as OpenSSL does them")
def test_a_phone_that_trusts_the_authority_opens_the_pages(tmp_path: Path, tls_port: int) -> None:
    with urllib.request.urlopen(
        f"https://127.0.0.1:{tls_port}/", context=trusting(tmp_path), timeout=10
    ) as answer:
        assert answer.read() == b"https"


@pytest.mark.outside("RFC 6125 names, as OpenSSL checks them")
@pytest.mark.parametrize(("host", "is_good"), [("shed.local", True), ("bank.example", False)])
def test_the_certificate_is_good_for_its_names_only(
    tmp_path: Path, tls_port: int, host: str, is_good: bool
) -> None:
    def shake() -> None:
        with (
            socket.create_connection(("127.0.0.1", tls_port), timeout=10) as plain,
            trusting(tmp_path).wrap_socket(plain, server_hostname=host) as wrapped,
        ):
            assert wrapped.version() in {"TLSv1.2", "TLSv1.3"}

    if is_good:
        shake()
    else:
        with pytest.raises(ssl.SSLCertVerificationError, match="Hostname mismatch"):
            shake()


def test_somebody_who_was_not_told_does_not_trust_it(tls_port: int) -> None:
    with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
        urllib.request.urlopen(f"https://127.0.0.1:{tls_port}/", timeout=10)


@pytest.mark.outside("OpenSSL’s `x509 -fingerprint` and `verify`")
@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs the openssl command")
def test_the_printed_fingerprint_is_the_one_a_phone_shows(tmp_path: Path) -> None:
    result = run("certificate", "--name", "shed.local", "--address", "192.0.2.7")
    authority = str(tmp_path / certificates.AUTHORITY)

    shown = subprocess.run(
        ["openssl", "x509", "-in", authority, "-noout", "-fingerprint", "-sha256"],
        capture_output=True,
        check=True,
        text=True,
    ).stdout
    verified = subprocess.run(
        [
            "openssl", "verify", "-x509_strict", "-purpose", "sslserver",
            "-CAfile", authority, str(tmp_path / certificates.CERTIFICATE),
        ],
        capture_output=True,
        text=True,
    )  # fmt: skip

    assert result.exit_code == 0, result.output
    assert shown.strip().partition("=")[2] in result.output
    assert verified.returncode == 0, verified.stderr


def test_the_authority_is_limited_to_the_garden_and_its_key_is_not_kept(tmp_path: Path) -> None:
    certificates.make_certificate(tmp_path, names=("shed.local",), ips=(), at=AT)

    authority = x509.load_pem_x509_certificate((tmp_path / certificates.AUTHORITY).read_bytes())
    server = x509.load_pem_x509_certificates((tmp_path / certificates.CERTIFICATE).read_bytes())[0]
    limits = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert limits.critical
    permitted = limits.value.permitted_subtrees or []
    assert x509.DNSName("shed.local") in permitted
    assert any(isinstance(name, x509.IPAddress) for name in permitted)
    keys = [path for path in tmp_path.iterdir() if b"PRIVATE KEY" in path.read_bytes()]
    assert [path.name for path in keys] == [certificates.KEY]
    assert stat.S_IMODE(keys[0].stat().st_mode) == 0o600
    assert authority.public_key() != server.public_key()
    # Phones refuse more than 825 days, Apple’s HT211025; recalled from memory.
    assert (server.not_valid_after_utc - server.not_valid_before_utc).days <= 825


def test_a_certificate_is_not_replaced_unasked(tmp_path: Path) -> None:
    run("certificate", "--name", "shed.local")
    before = (tmp_path / certificates.CERTIFICATE).read_bytes()

    refused = run("certificate", "--name", "other.local")
    replaced = run("certificate", "--name", "other.local", "--force")

    assert refused.exit_code == 2
    assert "--force" in refused.output
    assert replaced.exit_code == 0
    assert (tmp_path / certificates.CERTIFICATE).read_bytes() != before


@pytest.mark.parametrize(
    ("names", "ips"),
    [(("a b",), ()), (("-x",), ()), (("*.example",), ()), ((), ("300.1.1.1",)), ((), ())],
)
def test_what_is_no_name_or_address_is_refused(
    tmp_path: Path, names: tuple[str, ...], ips: tuple[str, ...]
) -> None:
    with pytest.raises(OutOfRange):
        certificates.make_certificate(tmp_path, names=names, ips=ips, at=AT)


# --- the server -------------------------------------------------------------------------------


def test_visitors_who_connect_and_say_nothing_keep_nobody_waiting(
    tmp_path: Path, tls_port: int
) -> None:
    silent = [socket.create_connection(("127.0.0.1", tls_port)) for _ in range(2)]
    try:
        began = time.monotonic()
        with urllib.request.urlopen(
            f"https://127.0.0.1:{tls_port}/", context=trusting(tmp_path), timeout=10
        ) as answer:
            assert answer.status == 200
        assert time.monotonic() - began < 5
    finally:
        for one in silent:
            one.close()


def test_plain_http_on_the_secure_port_leaves_it_working(tmp_path: Path, tls_port: int) -> None:
    with socket.create_connection(("127.0.0.1", tls_port), timeout=10) as plain:
        plain.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        said = b""
        with contextlib.suppress(ConnectionResetError):  # or hung up on, which says as little
            said = plain.recv(1000)

    assert b"200 OK" not in said
    with urllib.request.urlopen(
        f"https://127.0.0.1:{tls_port}/", context=trusting(tmp_path), timeout=10
    ) as answer:
        assert answer.status == 200


def test_files_that_are_no_certificate_are_said_in_words(tmp_path: Path) -> None:
    bad = tmp_path / "bad.pem"
    bad.write_text("not a certificate", encoding="ascii")

    def make(certificate: Path) -> None:
        cli_server.tls_context(certificate, bad)

    with pytest.raises(OutOfRange, match="PEM"):
        make(bad)
    with pytest.raises(NotFound, match="no file"):
        make(tmp_path / "absent.pem")


def test_the_certificate_needs_its_key() -> None:
    result = run("serve", "--certificate", "x.pem")

    assert result.exit_code == 2
    assert "together" in result.output


def test_served_over_https_cookies_are_for_https_only_and_browsers_stay_with_it(
    tmp_path: Path,
    serve: Serve,
) -> None:
    assert run(*INIT, typed=PASSWORD + "\n").exit_code == 0
    assert run("certificate", "--address", "127.0.0.1").exit_code == 0
    port = free_port()
    server = serve(
        "--host", "127.0.0.1", "--port", str(port),
        "--certificate", str(tmp_path / certificates.CERTIFICATE),
        "--key", str(tmp_path / certificates.KEY),
        environment={**os.environ, "GARDEN_INSTANCE": str(tmp_path)},
    )  # fmt: skip
    answer = wait_for(f"https://127.0.0.1:{port}/sign-in", trusting(tmp_path))
    cookie = answer.headers["Set-Cookie"]
    assert cookie.startswith("__Host-garden=")
    assert "Secure" in cookie
    assert "max-age=31536000" in answer.headers["Strict-Transport-Security"]
    worker = wait_for(f"https://127.0.0.1:{port}/sw.js", trusting(tmp_path))
    assert b"garden-copies-" in worker.read()
    worker.close()
    answer.close()
    said, status = server.end()
    assert status == 0, said
    assert f"https://127.0.0.1:{port}/" in said
    assert "Traceback" not in said


def wait_for(url: str, context: ssl.SSLContext) -> Any:
    for _ in range(120):
        try:
            return urllib.request.urlopen(url, context=context, timeout=10)  # noqa: S310
        except (urllib.error.URLError, ConnectionError):
            time.sleep(0.25)
    raise AssertionError(f"{url} never answered")


# --- sending from the shell -------------------------------------------------------------------


def test_sending_says_what_was_sent_and_leaves_a_heartbeat() -> None:
    run(*INIT, typed=PASSWORD + "\n")

    result = run("notices", "send")
    listed = run("notices", "list")

    assert result.exit_code == 0, result.output
    assert result.output.strip() == "0 queued, 0 sent, 0 failed, 0 waiting."
    assert listed.exit_code == 0


def test_sending_before_there_is_a_garden_is_said_in_words() -> None:
    run("db", "upgrade")

    result = run("notices", "send")

    assert result.exit_code == 2
    assert "no garden yet" in result.output


@pytest.mark.parametrize(("value", "expected"), [("no", False), ("yes", True), ("", True)])
def test_the_timetable_can_be_left_to_the_computers_own(
    monkeypatch: pytest.MonkeyPatch, value: str, expected: bool
) -> None:
    from gardenapp.config import read_settings

    monkeypatch.setenv("GARDEN_SCHEDULER", value)

    assert read_settings().has_scheduler is expected
