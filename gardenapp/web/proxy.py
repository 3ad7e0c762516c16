"""Who may say where a request came from: the garden's own proxy and nobody else.

A proxy tells who asked, by which name and by HTTPS, in headers that any visitor can send as well.
They are believed only where the connection itself comes from an address that was named as the
proxy's; from everybody else they are taken away before the app sees them. The path that the pages
stand under is a setting: what a request says of it would end up in pages that are kept for others.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from ipaddress import ip_address
from typing import Any, Protocol

from werkzeug.middleware.proxy_fix import ProxyFix

from gardenapp.config import Network

# Begin the names of headers by which proxies speak for visitors.
SPOKEN_FOR = ("HTTP_X_FORWARDED_", "HTTP_FORWARDED", "HTTP_X_REAL_IP", "HTTP_X_SCRIPT_NAME")


class WsgiApp(Protocol):
    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]: ...


class BehindProxy:
    """The app as `proxies` may speak for its visitors; others speak for themselves."""

    def __init__(self, app: WsgiApp, *, proxies: Sequence[Network], hops: int) -> None:
        self._app, self._proxies = app, proxies
        self._told = ProxyFix(app, x_for=hops, x_proto=hops, x_host=hops)

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        if is_proxy(environ.get("REMOTE_ADDR", ""), self._proxies):
            environ.pop("HTTP_X_FORWARDED_PREFIX", None)
            return self._told(environ, start_response)
        return self._app(without_claims(environ), start_response)


class WithoutProxy:
    """The app where no proxy is named: what requests say of themselves is taken away."""

    def __init__(self, app: WsgiApp) -> None:
        self._app = app

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        return self._app(without_claims(environ), start_response)


class UnderPrefix:
    """The app under a path of its own, whether the proxy leaves that path in or takes it off."""

    def __init__(self, app: WsgiApp, prefix: str) -> None:
        self._app, self._prefix = app, prefix

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        path = environ.get("PATH_INFO", "")
        if path == self._prefix or path.startswith(f"{self._prefix}/"):
            environ["PATH_INFO"] = path[len(self._prefix) :] or "/"
        environ["SCRIPT_NAME"] = self._prefix
        return self._app(environ, start_response)


def is_proxy(peer: str, proxies: Sequence[Network]) -> bool:
    """Whether the other end of a connection is one of the garden's proxies."""
    try:
        address = ip_address(peer)
    except ValueError:
        return False  # a socket file or nothing: nobody that was named
    mapped = getattr(address, "ipv4_mapped", None)
    return any((mapped or address) in network for network in proxies)


def without_claims(environ: dict[str, Any]) -> dict[str, Any]:
    """A request without what it says of who sent it and where it was sent."""
    for name in [name for name in environ if name.startswith(SPOKEN_FOR)]:
        del environ[name]
    return environ
