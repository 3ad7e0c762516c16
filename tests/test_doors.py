"""Who dawdles at the door keeps nobody else out, over HTTP and over HTTPS."""

from __future__ import annotations

import contextlib
import socket
import ssl
import statistics
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from gardenapp import doors
from gardenapp.cli import certificate as certificates
from gardenapp.cli import server as cli_server

IDLE = 300


def hello(environ: dict[str, Any], start: Any) -> list[bytes]:
    body = environ["wsgi.input"].read()
    words = f"{environ['wsgi.url_scheme']} {environ['REMOTE_ADDR']} {len(body)}".encode()
    start("200 OK", [("Content-Type", "text/plain"), ("Content-Length", str(len(words)))])
    return [words]


@dataclass
class Open:
    """A server that listens, and how to speak with it."""

    port: int
    tls: ssl.SSLContext | None

    def connect(self) -> socket.socket:
        plain = socket.create_connection(("127.0.0.1", self.port), timeout=20)
        return plain if self.tls is None else self.tls.wrap_socket(plain)

    def ask(self, sock: socket.socket | None = None) -> bytes:
        own = sock or self.connect()
        own.sendall(b"GET / HTTP/1.1\r\nHost: garden.test\r\n\r\n")
        answer = own.recv(4_000)
        while b"\r\n\r\n" not in answer or answer.endswith(b"\r\n\r\n"):
            more = own.recv(4_000)
            if not more:
                break
            answer += more
        if sock is None:
            own.close()
        return answer

    def wait_s(self) -> float:
        began_s = time.perf_counter()
        assert b"200 OK" in self.ask()
        return time.perf_counter() - began_s


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("certificate")
    certificates.make_certificate(folder, names=(), ips=("127.0.0.1",), at=datetime.now(UTC))
    return folder


@pytest.fixture(params=["http", "https"])
def serve(request: pytest.FixtureRequest, files: Path) -> Iterator[Callable[..., Open]]:
    running: list[tuple[doors.Doors, threading.Thread]] = []

    def begin(
        may_send_much: Callable[[Mapping[str, str]], bool] = lambda headers: False,
        **changes: Any,
    ) -> Open:
        tls = phone = None
        if request.param == "https":
            tls = cli_server.tls_context(files / certificates.CERTIFICATE, files / certificates.KEY)
            phone = ssl.create_default_context(cafile=str(files / certificates.AUTHORITY))
            phone.check_hostname = False
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        made = doors.Doors(
            hello,
            host="127.0.0.1",
            port=port,
            threads=4,
            largest=changes.pop("largest", 5_000_000),
            door=doors.Door(may_send_much=may_send_much, tls=tls, **changes),
        )
        thread = threading.Thread(target=made.run, daemon=True)
        thread.start()
        running.append((made, thread))
        return Open(port, phone)

    yield begin
    for made, thread in running:
        made.close()
        thread.join(10)


def test_three_hundred_idle_phones_keep_the_next_one_waiting_no_longer_than_ten_lone_ones(
    serve: Callable[..., Open],
) -> None:
    house = serve(proxies=(ip_network("127.0.0.0/8"),))  # each stands for a phone of its own
    lone_s = statistics.median(house.wait_s() for _ in range(9))
    held = [house.connect() for _ in range(IDLE)]
    try:
        for sock in held:
            assert b"200 OK" in house.ask(sock)

        next_s = statistics.median(house.wait_s() for _ in range(9))
    finally:
        for sock in held:
            sock.close()

    assert next_s <= 10 * lone_s


def test_sockets_that_never_say_a_word_keep_nobody_out(serve: Callable[..., Open]) -> None:
    house = serve(proxies=(ip_network("127.0.0.0/8"),))
    held = [socket.create_connection(("127.0.0.1", house.port)) for _ in range(200)]
    try:
        assert b"200 OK" in house.ask()
    finally:
        for sock in held:
            sock.close()


def test_one_address_gets_its_share_and_what_was_idle_longest_goes(
    serve: Callable[..., Open], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "MOST_OF_ONE_ADDRESS", 3)
    house = serve()
    held = [house.connect() for _ in range(3)]
    for sock in held:
        house.ask(sock)
        time.sleep(0.02)

    assert b"200 OK" in house.ask()

    held[0].settimeout(5)
    with contextlib.suppress(OSError):
        assert held[0].recv(10) == b""
    assert b"200 OK" in house.ask(held[2])
    for sock in held:
        sock.close()


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ",
        b"POST / HTTP/1.1\r\nContent-Length: 900\r\n\r\nx",
    ],
    ids=["nothing", "half a head", "a body that stops"],
)
def test_who_dawdles_is_sent_away(
    serve: Callable[..., Open], monkeypatch: pytest.MonkeyPatch, said: bytes
) -> None:
    for name in ("IDLE_S", "HEAD_S", "BODY_FREE_S", "HANDSHAKE_S"):
        monkeypatch.setattr(doors, name, 0.3)
    house = serve()
    sock = house.connect()
    sock.settimeout(15)
    if said:
        sock.sendall(said)

    try:
        answer = sock.recv(1_000)
    except OSError:
        answer = b""

    assert answer == b""
    sock.close()


def test_a_clock_set_back_keeps_no_dawdler(
    serve: Callable[..., Open], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "IDLE_S", 0.3)
    house = serve()
    sock = house.connect()
    house.ask(sock)
    ago = time.time() - 31_536_000.0
    monkeypatch.setattr(time, "time", lambda: ago)
    sock.settimeout(15)

    assert sock.recv(10) == b""
    sock.close()


def test_an_answer_that_is_ready_after_the_house_has_closed_is_let_go() -> None:
    house = doors.Doors(
        hello,
        host="127.0.0.1",
        port=0,
        threads=1,
        largest=1_000,
        door=doors.Door(may_send_much=lambda headers: False),
    )
    server = house._servers[0]
    house.close()

    server.pull_trigger()  # the file that wakes the loop is closed, or another's by now


def test_a_slow_phone_gets_its_page_all_the_same(serve: Callable[..., Open]) -> None:
    house = serve()
    sock = house.connect()
    for byte in b"GET / HTTP/1.1\r\nHost: garden.test\r\n\r\n":
        sock.sendall(bytes([byte]))
        time.sleep(0.005)

    assert b"200 OK" in sock.recv(1_000)
    sock.close()


def send(house: Open, size: int, headers: str = "") -> bytes:
    sock = house.connect()
    head = f"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: {size}\r\n{headers}\r\n"
    with contextlib.suppress(OSError):
        sock.sendall(head.encode() + b"x" * size)
    answer = b""
    with contextlib.suppress(OSError):
        answer = sock.recv(1_000)
    sock.close()
    return answer


def test_only_who_is_signed_in_sends_much(serve: Callable[..., Open]) -> None:
    house = serve(lambda headers: headers.get("COOKIE") == "garden=signed")

    assert b"200 OK" in send(house, 500_000)
    assert b"200 OK" not in send(house, 700_000)
    assert b"200 OK" in send(house, 700_000, "Cookie: garden=signed\r\n")


def test_all_bodies_together_have_a_budget_that_is_given_back(
    serve: Callable[..., Open], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "MOST_BYTES_AT_ONCE", 1_000_000)
    house = serve(lambda headers: True)
    waiting = house.connect()
    waiting.sendall(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 900000\r\n\r\nx")
    time.sleep(0.2)

    refused = send(house, 200_000)
    waiting.close()
    for _ in range(50):
        time.sleep(0.1)
        taken = send(house, 200_000)
        if b"200 OK" in taken:
            break

    assert b"503" in refused
    assert b"200 OK" in taken


def test_a_session_is_known_by_its_signature(app: Flask) -> None:
    judge = cli_server.signed_in_or_machine(app)
    name = app.config["SESSION_COOKIE_NAME"]
    serializer: Any = app.session_interface.get_signing_serializer(app)  # type: ignore[attr-defined]
    good = serializer.dumps({"_user_id": "1:1"})

    assert judge({"COOKIE": f"{name}={good}"})
    assert judge({"AUTHORIZATION": "Bearer abc"})
    assert not judge({"COOKIE": f"{name}={good}x"})
    assert not judge({"COOKIE": f"{name}={serializer.dumps({'csrf_token': 'x'})}"})
    assert not judge({})
