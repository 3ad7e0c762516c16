"""How long the next phone waits beside idle ones: `python -m tests.bench.bench_idle_connections`.

300 connections that opened a page and stay open, then silent sockets on top; HTTP and HTTPS. The
aim is at most one second; a lone phone stands beside it.
"""

from __future__ import annotations

import socket
import ssl
import statistics
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from ipaddress import ip_network
from pathlib import Path
from typing import Any

from gardenapp import doors
from gardenapp.cli import certificate as certificates
from gardenapp.cli import server as cli_server

PHONES, SILENT, TRIES = 300, 100, 20


def app(environ: dict[str, Any], start: Any) -> list[bytes]:
    page = b"x" * 14_000
    start("200 OK", [("Content-Type", "text/html"), ("Content-Length", str(len(page)))])
    return [page]


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        certificates.make_certificate(folder, names=(), ips=("127.0.0.1",), at=datetime.now(UTC))
        for scheme in ("http", "https"):
            measure(scheme, folder)


def measure(scheme: str, folder: Path) -> None:
    tls = phone = None
    if scheme == "https":
        tls = cli_server.tls_context(folder / certificates.CERTIFICATE, folder / certificates.KEY)
        phone = ssl.create_default_context(cafile=str(folder / certificates.AUTHORITY))
        phone.check_hostname = False
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    made = doors.Doors(
        app,
        host="127.0.0.1",
        port=port,
        threads=8,
        largest=1_000_000,
        door=doors.Door(
            may_send_much=lambda headers: False, proxies=(ip_network("127.0.0.0/8"),), tls=tls
        ),
    )
    threading.Thread(target=made.run, daemon=True).start()

    def connect() -> socket.socket:
        plain = socket.create_connection(("127.0.0.1", port), timeout=30)
        return plain if phone is None else phone.wrap_socket(plain)

    def ask(sock: socket.socket) -> None:
        sock.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        left = 14_000
        while left > 0:
            left -= len(sock.recv(20_000))

    def wait_s() -> float:
        began_s = time.perf_counter()
        with connect() as sock:
            ask(sock)
        return time.perf_counter() - began_s

    lone = [wait_s() for _ in range(TRIES)]
    held = [connect() for _ in range(PHONES)]
    for sock in held:
        ask(sock)
    held += [socket.create_connection(("127.0.0.1", port)) for _ in range(SILENT)]
    beside = [wait_s() for _ in range(TRIES)]
    sys.stdout.write(
        f"{scheme}: alone {statistics.median(lone) * 1000:.1f} ms, beside {PHONES} idle phones and "
        f"{SILENT} silent sockets {statistics.median(beside) * 1000:.1f} ms, at most "
        f"{max(beside) * 1000:.1f} ms\n"
    )
    for sock in held:
        sock.close()
    made.close()


if __name__ == "__main__":
    main()
