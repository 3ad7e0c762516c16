"""Connections of the app's own go where was looked, and end in time."""

from __future__ import annotations

import socket
import threading
import time

import pytest
import requests

from gardenapp.services.outgoing import CheckedAdapter


@pytest.fixture
def silent() -> tuple[str, int]:
    """A server that takes connections and never says a word."""
    listening = socket.create_server(("127.0.0.1", 0))
    held: list[socket.socket] = []

    def take() -> None:
        while True:
            try:
                held.append(listening.accept()[0])
            except OSError:
                return

    threading.Thread(target=take, daemon=True).start()
    return "127.0.0.1", listening.getsockname()[1]


def session(
    *, is_public: bool, allowed: frozenset[str] = frozenset(), whole_s: float = 0.3
) -> tuple[requests.Session, CheckedAdapter]:
    adapter = CheckedAdapter(
        resolve=lambda host, port: ("127.0.0.1",),
        is_public=lambda address: is_public,
        allowed=allowed,
        whole_s=whole_s,
    )
    made = requests.Session()
    made.trust_env = False
    made.mount("http://", adapter)
    made.mount("https://", adapter)
    return made, adapter


def test_a_private_address_is_not_even_connected_to(silent: tuple[str, int]) -> None:
    http, adapter = session(is_public=False, whole_s=60.0)

    with pytest.raises((requests.RequestException, OSError)):
        http.get(f"http://name.example.org:{silent[1]}/", timeout=5)

    assert adapter.was_refused()
    assert not adapter.is_over()


@pytest.mark.parametrize("scheme", ["http", "https"])
def test_a_server_that_says_nothing_is_left_when_the_time_is_over(
    silent: tuple[str, int], scheme: str
) -> None:
    http, adapter = session(is_public=True)
    began_s = time.monotonic()

    with pytest.raises((requests.RequestException, OSError)):
        http.get(f"{scheme}://name.example.org:{silent[1]}/", timeout=60)

    assert adapter.is_over()
    assert time.monotonic() - began_s < 30.0  # it would have been a minute and more


def test_an_allowed_name_may_lead_into_the_own_network(silent: tuple[str, int]) -> None:
    http, adapter = session(is_public=False, allowed=frozenset({"127.0.0.1"}))

    with pytest.raises((requests.RequestException, OSError)):
        http.get(f"http://127.0.0.1:{silent[1]}/", timeout=60)

    assert not adapter.was_refused()
    assert adapter.is_over()
