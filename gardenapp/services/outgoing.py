"""Connections of the app's own: to the address that was looked at, and within one time for all.

A name can mean one machine when it is looked up and another when it is called. So the call goes to
the very addresses that were checked, whatever the service speaks afterwards; the certificate is
still held against the name. And whoever answers a byte every two seconds is cut off when the time
for the whole exchange is over, from the first packet to the last.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable, Collection
from typing import Any

from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import NewConnectionError

Resolve = Callable[[str, int], tuple[str, ...]]


class WrongPeer(OSError):
    """The name leads into a private network."""


class CheckedAdapter(HTTPAdapter):
    """Connects only to checked addresses, and ends the exchange when its time is over.

    resolve : a name's addresses; is_public : whether one is on the open internet; allowed : names
        that may lead into a private network; whole_s : for everything, beginning now. [s]
    """

    def __init__(
        self,
        *,
        resolve: Resolve,
        is_public: Callable[[str], bool],
        allowed: Collection[str],
        whole_s: float,
    ) -> None:
        self._rules = _Rules(
            resolve, is_public, frozenset(map(str.lower, allowed)), time.monotonic() + whole_s
        )
        super().__init__()

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        rules = self._rules

        class Plain(_Checked, HTTPConnection):
            _rules = rules

        class Secure(_Checked, HTTPSConnection):
            _rules = rules

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class SecurePool(HTTPSConnectionPool):
            ConnectionCls = Secure

        self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}

    def was_refused(self) -> bool:
        """Whether a name led into a private network; who asked gets an error of their library."""
        return self._rules.was_refused

    def is_over(self) -> bool:
        """Whether the time for the whole exchange is over."""
        return time.monotonic() >= self._rules.ends_s


class _Rules:
    def __init__(
        self,
        resolve: Resolve,
        is_public: Callable[[str], bool],
        allowed: frozenset[str],
        ends_s: float,
    ) -> None:
        self.resolve, self.is_public = resolve, is_public
        self.allowed, self.ends_s = allowed, ends_s
        self.was_refused = False


class _Checked:
    """Where a connection of urllib3 opens its socket: to a checked address, with an end."""

    _rules: _Rules
    _cut: threading.Timer | None = None

    def _new_conn(self) -> socket.socket:
        connection: Any = self
        host = str(connection._dns_host).rstrip(".").lower()
        addresses: tuple[str, ...] = (host,)
        if host not in self._rules.allowed:
            try:
                addresses = self._rules.resolve(host, connection.port)
            except (OSError, UnicodeError) as error:
                raise NewConnectionError(connection, "the name is not known") from error
            if not addresses or not all(map(self._rules.is_public, addresses)):
                self._rules.was_refused = True
                raise WrongPeer("into a private network")
        sock = self._first_that_answers(addresses)
        self._cut_off_at_the_end(sock)
        return sock

    def _first_that_answers(self, addresses: Collection[str]) -> socket.socket:
        connection: Any = self
        trouble: OSError | None = None
        for address in addresses:
            left_s = self._rules.ends_s - time.monotonic()
            if left_s <= 0:
                break
            pause = connection.timeout
            wait_s = min(left_s, pause) if isinstance(pause, int | float) else left_s
            try:
                return socket.create_connection((address, connection.port), timeout=wait_s)
            except OSError as error:
                trouble = error
        raise NewConnectionError(connection, "nobody answers there") from trouble

    def _cut_off_at_the_end(self, sock: socket.socket) -> None:
        # A second handle on the same connection: TLS takes the first one over.
        handle = socket.socket(fileno=os.dup(sock.fileno()))

        def cut() -> None:
            with contextlib.suppress(OSError):
                handle.shutdown(socket.SHUT_RDWR)
            handle.close()

        left_s = max(0.0, self._rules.ends_s - time.monotonic())
        self._cut = threading.Timer(left_s, cut)
        self._cut.daemon = True
        self._handle = handle
        self._cut.start()

    def close(self) -> None:
        if self._cut is not None:
            self._cut.cancel()
            with contextlib.suppress(OSError):
                self._handle.close()
            self._cut = None
        super().close()  # type: ignore[misc]
