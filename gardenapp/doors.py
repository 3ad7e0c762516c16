"""The server's doors: who may stand in them, for how long, and with how much in hand.

waitress takes hundreds of connections in one loop and gives a thread only to a whole request; what
it lacks is a limit to how long a visitor may dawdle. Here are deadlines for the handshake, for the
head of a request, for a body by how fast it comes, and for saying nothing; a cap an address; room
that is made by sending away whoever has been idle longest; small bodies only before signing in,
and a budget for all bodies together. The same server speaks HTTPS: its loop shakes hands as it
reads, so that a visitor who connects and says nothing costs nobody else a thread.
"""

from __future__ import annotations

import contextlib
import ssl
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import MultiSocketServer, TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher
from waitress.utilities import Error

from gardenapp.config import Network
from gardenapp.web.proxy import is_proxy

try:
    import resource
except ImportError:  # Windows has no such limit
    resource = None  # type: ignore[assignment]

IDLE_S = 20.0
HEAD_S = 15.0
HANDSHAKE_S = 10.0
# A body may take this long and then a second for each so many bytes: the slowest phone counts.
BODY_FREE_S, SLOWEST_BYTES_S = 30.0, 500.0
UNREAD_S = 60.0
MOST_CONNECTIONS = 1_000
MOST_OF_ONE_ADDRESS = 64
SMALL_BODY_BYTES = 600_000
MOST_BYTES_AT_ONCE = 300_000_000
LOOK_EVERY_S = 1


class NoRoom(Error):  # type: ignore[misc]
    """Too much is being sent by others; the sender may try again."""

    code = 503
    reason = "Service Unavailable"


@dataclass
class Door:
    """What all connections of a server share. `may_send_much` judges a request by its headers."""

    may_send_much: Callable[[Mapping[str, str]], bool]
    proxies: Sequence[Network] = ()
    tls: ssl.SSLContext | None = None
    in_flight: dict[int, int] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def admit(self, parser: GardenParser, size: int) -> bool:
        """Whether a body of this size fits into the budget; it is given back by `let_go`."""
        with self.lock:
            if sum(self.in_flight.values()) + size > MOST_BYTES_AT_ONCE:
                return False
            self.in_flight[id(parser)] = size
            return True

    def let_go(self, parser: GardenParser) -> None:
        with self.lock:
            self.in_flight.pop(id(parser), None)


class _Smaller:
    """waitress's settings with another limit for a body."""

    def __init__(self, settings: Any, largest: int) -> None:
        self._settings, self.max_request_body_size = settings, largest

    def __getattr__(self, name: str) -> Any:
        return getattr(self._settings, name)


class GardenParser(HTTPRequestParser):  # type: ignore[misc]
    """A request as it comes in: how much it may hold is known once its head is read."""

    adj: Any

    def __init__(self, adj: Any) -> None:
        super().__init__(adj)
        self.began = time.monotonic()

    def parse_header(self, header_plus: bytes) -> None:
        super().parse_header(header_plus)
        door: Door = self.adj.door
        size = self.content_length
        if not size and not self.chunked:
            return
        if not door.may_send_much(self.headers):
            self.adj = _Smaller(self.adj, SMALL_BODY_BYTES)
        limit = self.adj.max_request_body_size
        if size < limit and not door.admit(self, size or limit):
            self.error = NoRoom("Others are sending much just now; try again in a minute.")
            self.completed = True

    def received(self, data: bytes) -> int:
        taken = super().received(data)
        if isinstance(self.error, NoRoom):
            self.completed = True
        return int(taken)

    def close(self) -> None:
        self.adj.door.let_go(self)
        super().close()


class GardenChannel(HTTPChannel):  # type: ignore[misc]
    """One connection, with the times that it may take."""

    parser_class = GardenParser

    @property
    def last_activity(self) -> float:
        """When something last came or went, by the clock that nobody sets."""
        return self._active

    @last_activity.setter
    def last_activity(self, _wall_time: float) -> None:
        # waitress notes the wall's time; a clock set back would keep the idle for ever.
        self._active = time.monotonic()

    def is_overdue(self, now: float) -> bool:
        """Whether its time is over; `now` by the monotonic clock."""
        if self.requests:
            return False  # it is being worked on
        quiet_s = now - self.last_activity
        if self.total_outbufs_len:
            return bool(quiet_s > UNREAD_S)
        request = self.request
        if request is None:
            return bool(quiet_s > IDLE_S)
        taken_s = now - request.began
        if not request.headers_finished:
            return bool(taken_s > HEAD_S)
        return bool(taken_s > BODY_FREE_S + request.body_bytes_received / SLOWEST_BYTES_S)

    @property
    def is_idle(self) -> bool:
        """Whether nothing is under way on it."""
        return not (self.requests or self.request or self.total_outbufs_len)

    def handle_close(self) -> None:
        if self.request is not None:
            self.request.close()
        super().handle_close()


class SecureChannel(GardenChannel):
    """The same over TLS. The loop reads while a thread may write, so each step holds a lock."""

    def __init__(self, server: Any, sock: ssl.SSLSocket, *args: Any, **kwargs: Any) -> None:
        self._tls = threading.RLock()
        self._is_shaken = self._wants_to_write = False
        self._came = time.monotonic()
        super().__init__(server, sock, *args, **kwargs)

    def is_overdue(self, now: float) -> bool:
        if not self._is_shaken:
            return bool(now - self._came > HANDSHAKE_S)
        return super().is_overdue(now)

    @property
    def is_idle(self) -> bool:
        return self._is_shaken and super().is_idle

    def readable(self) -> bool:
        return bool(super().readable()) if self._is_shaken else not self.will_close

    def writable(self) -> bool:
        if self._is_shaken:
            return bool(super().writable())
        return bool(self._wants_to_write or self.will_close)

    def handle_write(self) -> None:
        if self._is_shaken:
            super().handle_write()
        elif self.will_close:
            self.handle_close()
        else:
            self._shake()

    def handle_read(self) -> None:
        if not (self._is_shaken or self._shake()):
            return
        while self.connected and self.socket is not None:
            try:
                with self._tls:
                    data = self.socket.recv(self.adj.recv_bytes)
                    more = self.socket.pending()
            except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return
            except (OSError, ValueError):
                self.handle_close()
                return
            if not data:
                self.handle_close()
                return
            self.last_activity = time.monotonic()
            self.received(data)
            if not more:  # what TLS holds already wakes no loop
                return

    def send(self, data: bytes, do_close: bool = True) -> int:
        try:
            with self._tls:
                return int(self.socket.send(data))
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return 0
        except (OSError, ValueError):
            if do_close:
                self.handle_close()
            else:
                self.will_close = True
            return 0

    def _shake(self) -> bool:
        try:
            with self._tls:
                self.socket.do_handshake()
        except ssl.SSLWantReadError:
            self._wants_to_write = False
            return False
        except ssl.SSLWantWriteError:
            self._wants_to_write = True
            return False
        except (OSError, ValueError):
            self.handle_close()
            return False
        self._is_shaken, self._wants_to_write = True, False
        self.last_activity = time.monotonic()
        return True


class GardenServer(TcpWSGIServer):  # type: ignore[misc]
    """Accepts while there is room, and makes room."""

    channel_class = GardenChannel

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._closing = threading.Lock()
        self._is_closed = False
        self._next_look = 0.0
        super().__init__(*args, **kwargs)

    def pull_trigger(self) -> None:
        """Wake the loop, as a thread does that has an answer; nothing once all is closed.

        The trigger's file is given back by then, and its number may be another file's.
        """
        with self._closing:
            if not self._is_closed:
                super().pull_trigger()

    def close(self) -> None:
        with self._closing:
            self._is_closed = True
            super().close()

    def readable(self) -> bool:
        now = time.monotonic()
        if now >= self._next_look:
            self._next_look = now + LOOK_EVERY_S
            for channel in list(self.active_channels.values()):
                if channel.is_overdue(now):
                    channel.will_close = True
        return bool(super().readable())

    def handle_accept(self) -> None:
        door: Door = self.adj.door
        try:
            accepted = self.accept()
            if accepted is None:
                return
            sock, address = accepted
            self.set_socket_options(sock)
            address = self.fix_addr(address)
            if not self._makes_room(str(address[0])):
                sock.close()
                return
            if door.tls is None:
                GardenChannel(self, sock, address, self.adj, map=self._map)
                return
            sock.setblocking(False)
            wrapped = door.tls.wrap_socket(sock, server_side=True, do_handshake_on_connect=False)
        except (OSError, ValueError):
            return  # gone before it was taken in
        SecureChannel(self, wrapped, address, self.adj, map=self._map)

    def _makes_room(self, address: str) -> bool:
        """Send idle ones away where an address has its share or the house is full."""
        channels = list(self.active_channels.values())
        same = [channel for channel in channels if str(channel.addr[0]) == address]
        is_over = len(same) >= MOST_OF_ONE_ADDRESS and not is_proxy(address, self.adj.door.proxies)
        if is_over:
            return self._send_away(same)
        if len(channels) >= self.adj.connection_limit - 50:
            return self._send_away(channels)
        return True

    def _send_away(self, channels: Sequence[Any]) -> bool:
        idle = [channel for channel in channels if channel.is_idle or not channel.requests]
        if not idle:
            return False
        oldest = min(idle, key=lambda channel: (not channel.is_idle, channel.last_activity))
        oldest.handle_close()
        return True

    def maintenance(self, now: float) -> None:
        """Nothing: it is called by a clock that may be set; `readable` looks for the overdue."""


class Doors:
    """A server that listens already, on every address of its host."""

    def __init__(
        self,
        app: Any,
        *,
        host: str,
        port: int,
        threads: int,
        largest: int,
        door: Door,
    ) -> None:
        settings = Adjustments(
            host=host,
            port=port,
            threads=threads,
            ident=None,
            url_scheme="https" if door.tls else "http",
            max_request_body_size=largest,
            connection_limit=_connections(),
            asyncore_use_poll=True,
            backlog=256,
            # Which of them to believe is decided in one place, for every server alike: `web.proxy`.
            clear_untrusted_proxy_headers=False,
        )
        settings.door = door
        self._map: dict[int, Any] = {}
        self._threads = ThreadedTaskDispatcher()
        self._threads.set_thread_count(threads)
        self._servers = [
            GardenServer(
                app,
                self._map,
                True,
                None,
                dispatcher=self._threads,
                adj=settings,
                sockinfo=sockinfo,
            )
            for sockinfo in settings.listen
        ]
        self._settings = settings

    @property
    def port(self) -> int:
        """Where it listens, also where the computer chose."""
        return int(self._servers[0].effective_port)

    def run(self) -> None:
        """Serve until a KeyboardInterrupt or `close`."""
        with contextlib.suppress(OSError, ValueError):  # `close` takes the sockets away under it
            if len(self._servers) == 1:
                self._servers[0].run()
            else:
                names = [(each.effective_host, each.effective_port) for each in self._servers]
                MultiSocketServer(
                    self._map, self._settings, names, self._threads, self._servers[0].log_info
                ).run()

    def close(self) -> None:
        """Stop listening and let answers under way be finished."""
        for each in self._servers:
            each.accepting = False
        self._threads.shutdown(cancel_pending=False, timeout=5)
        for each in self._servers:
            with contextlib.suppress(OSError):
                each.close()
        for channel in list(self._map.values()):
            with contextlib.suppress(OSError, ValueError):
                channel.close()
        self._map.clear()


def _connections() -> int:
    """How many connections the computer lets the server have, some files for itself left over."""
    if resource is None:
        return 400
    soft, _hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    return MOST_CONNECTIONS if soft < 0 else max(100, min(MOST_CONNECTIONS, soft - 200))
