"""The one outgoing call the app makes: asking a public weather service for its forecast.

Polite by the services' own terms: the asker names the app and a contact, asks for what has
changed since the last time, and is told when to ask again. Careful of the garden's own
network: an address that leads there is refused before anything is sent, at every redirect.

Knows no database and no clock of day; the caller keeps what comes back.
"""

from __future__ import annotations

import ipaddress
import re
import socket
import time
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from importlib import metadata
from typing import Literal
from urllib.parse import parse_qsl, urljoin, urlsplit

import requests
import urllib3.exceptions

from gardenapp.errors import GardenError
from gardenapp.services.outgoing import CheckedAdapter
from gardenapp.words import _, n_

APP_NAME = "gardenapp"
MOST_REDIRECTS = 3
MOST_DECIMALS = 4  # both public services answer more with a refusal

_TOTAL_TIMES = 3  # the whole answer may take this many times the time allowed for one pause
_CHUNK_BYTES = 8_192
_REDIRECTS = frozenset({301, 302, 303, 307, 308})
_POSITION_NAMES = frozenset({"lat", "lon", "latitude", "longitude"})
_POINTS_PATH = re.compile(r"/points/([^/]*)", re.IGNORECASE)
_TOO_FINE = re.compile(rf"[0-9]\.[0-9]{{{MOST_DECIMALS + 1},}}", re.ASCII)
_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")  # RFC 6052
_NAT64_LOCAL = ipaddress.IPv6Network("64:ff9b:1::/48")  # RFC 8215: inside somebody's own network
_COMPATIBLE = ipaddress.IPv6Network("::/96")  # RFC 4291 2.5.5.1, an IPv4 address in the last bits
_MAX_AGE = re.compile(r"\bmax-age=([0-9]{1,8})\b", re.ASCII)


class FetchFailed(GardenError):
    """No forecast came, with words for a coordinator.

    `status` is the service's answer where it gave one; `retry_after_s` how long it asks to be
    left alone, where it says so in seconds.
    """

    def __init__(
        self, message: str, *, status: int | None = None, retry_after_s: int | None = None
    ) -> None:
        super().__init__(message)
        self.status = status
        self.retry_after_s = retry_after_s


@dataclass(frozen=True)
class FetchResult:
    """What a service answered.

    `data` is None when nothing has changed since the validators sent. `etag` and `last_modified`,
    exactly as received, are to be sent next time, not before `expires_at`.
    """

    status: Literal["new", "unchanged"]
    data: bytes | None
    etag: str | None
    last_modified: str | None
    expires_at: datetime | None
    warning: str = ""


def fetch_forecast_bytes(
    url: str,
    *,
    session: requests.Session,
    etag: str | None,
    last_modified: str | None,
    contact: str,
    allowed_private_hosts: frozenset[str],
    max_bytes: int = 1_000_000,
    timeout_s: float = 5.0,
) -> FetchResult:
    """Ask a weather service for a forecast, if it has changed.

    Parameters
    ----------
    url : http or https; positions in it with at most four decimals.
    session : sends the request; the caller closes it.
    etag, last_modified : as the last answer gave them, or None.
    contact : the garden's address or page, which the services require in the request.
    allowed_private_hosts : names that may lead to a private address, such as the garden's own
        weather station.
    max_bytes : refuse a longer answer, counted after unpacking.
    timeout_s : for one pause; the body may take three times as long. [s]

    Raises
    ------
    FetchFailed : with words a coordinator can act on. Nothing is fetched twice by itself.
    """
    whole_s = _TOTAL_TIMES * timeout_s
    deadline_s = time.monotonic() + whole_s
    headers = _headers(contact, etag, last_modified)
    adapter = checked_adapter(allowed_private_hosts, whole_s=whole_s)
    session.mount("https://", adapter)
    session.mount("http://", adapter)
    try:
        for _hop in range(MOST_REDIRECTS + 1):
            _check_address(url, allowed_private_hosts)
            with session.get(
                url, headers=headers, timeout=timeout_s, stream=True, allow_redirects=False
            ) as response:
                if response.status_code in _REDIRECTS:
                    url = _redirected(url, response)
                    continue
                try:
                    found = _result(
                        response,
                        etag=etag,
                        last_modified=last_modified,
                        max_bytes=max_bytes,
                        deadline_s=deadline_s,
                    )
                except FetchFailed as error:
                    if adapter.is_over():
                        raise _too_slow() from error
                    raise
                if adapter.is_over():  # it was cut off, and looks like an end
                    raise _too_slow()
                return found
    except requests.exceptions.SSLError as error:
        raise FetchFailed(
            _(
                "We can’t trust the service's certificate. Check the address and this "
                "computer's clock."
            )
        ) from error
    except (requests.exceptions.Timeout, urllib3.exceptions.TimeoutError) as error:
        raise FetchFailed(
            _(
                "The service did not answer within %(timeout_s)s seconds. Try again in a while.",
                timeout_s=f"{timeout_s:g}",
            )
        ) from error
    except (requests.exceptions.RequestException, urllib3.exceptions.HTTPError, OSError) as error:
        if adapter.was_refused():
            raise FetchFailed(
                _("The address turned out to lead into a private network, so we did not use it.")
            ) from error
        if adapter.is_over():
            raise _too_slow() from error
        raise FetchFailed(
            _(
                "We could not reach the service, or its answer broke off. Check the address and "
                "this computer's connection."
            )
        ) from error
    except ValueError as error:  # requests looks at a redirect's address even if not following it
        raise FetchFailed(
            _("The service sends us on to something that is not an address.")
        ) from error
    raise FetchFailed(
        _(
            "The address sends us on more than %(most_redirects)s times. Enter the one it ends at.",
            most_redirects=MOST_REDIRECTS,
        )
    )


def checked_adapter(allowed: Collection[str], *, whole_s: float) -> CheckedAdapter:
    """For one exchange of at most `whole_s` seconds, with public addresses or allowed names."""
    return CheckedAdapter(
        # By name, so that tests can put their own in its place.
        resolve=lambda host, port: resolve_addresses(host, port),
        is_public=lambda address: is_public(address),
        allowed=allowed,
        whole_s=whole_s,
    )


def resolve_addresses(host: str, port: int) -> tuple[str, ...]:
    """The network addresses a host name stands for. Tests put their own in its place.

    Raises OSError where the name is not known.
    """
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return tuple(dict.fromkeys(str(entry[4][0]) for entry in found))


def _headers(contact: str, etag: str | None, last_modified: str | None) -> dict[str, str]:
    contact = contact.strip()
    if not contact:
        raise FetchFailed(
            _(
                "Weather services ask who is calling. Enter a contact (an e-mail address or a "
                "page) in the garden's settings."
            )
        )
    if not (contact.isascii() and contact.isprintable() and len(contact) <= 200):
        raise FetchFailed(
            _("The garden's contact may hold only plain letters, digits and punctuation.")
        )
    headers = {
        "User-Agent": f"{APP_NAME}/{metadata.version(APP_NAME)} ({contact})",
        "Accept": "application/geo+json, application/json, text/csv, text/plain",
        "Accept-Encoding": "gzip",
    }
    if etag:
        headers["If-None-Match"] = etag
    if last_modified:
        headers["If-Modified-Since"] = last_modified
    return headers


def _check_address(url: str, allowed_private_hosts: Iterable[str]) -> None:
    """Refuse what is no web address, is too fine a position, or leads to a private network.

    Looked up again where the call is made (`outgoing`); here only to say why in time.
    """
    try:
        parts = urlsplit(url)
        host = (parts.hostname or "").rstrip(".").lower()
        port = parts.port or (443 if parts.scheme == "https" else 80)
    except ValueError as error:
        raise FetchFailed(_("This is not a web address.")) from error
    if parts.scheme not in ("http", "https") or not host:
        raise FetchFailed("The address must begin with https:// or http:// and name a host.")
    if parts.username is not None or parts.password is not None:
        raise FetchFailed(_("The address must not hold a user name or password."))
    _check_position(parts.path, parts.query)
    if host in {allowed.lower() for allowed in allowed_private_hosts}:
        return
    try:
        addresses = resolve_addresses(host, port)
    except (OSError, UnicodeError) as error:
        raise FetchFailed(
            _(
                "We can’t find the address's host. Check its spelling and this computer's "
                "connection."
            )
        ) from error
    if not addresses or any(not is_public(address) for address in addresses):
        raise FetchFailed(
            _(
                "The address leads into a private network, not to a public weather service. If "
                "it is the garden's own station, add its host to the allowed ones in the "
                "configuration."
            )
        )


def _check_position(path: str, query: str) -> None:
    values = [
        value
        for name, value in parse_qsl(query, keep_blank_values=True)
        if name.lower() in _POSITION_NAMES
    ]
    values.extend(_POINTS_PATH.findall(path))
    if any(_TOO_FINE.search(value) for value in values):
        raise FetchFailed(
            _(
                "Give the position with at most %(most_decimals)s decimals (about ten "
                "metres); the services refuse more.",
                most_decimals=MOST_DECIMALS,
            )
        )


def is_public(address: str) -> bool:
    """Whether an address is on the open internet, seen through IPv4-in-IPv6 wrappings too."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    if isinstance(ip, ipaddress.IPv6Address):
        if ip in _NAT64_LOCAL:
            return False
        wrapped = ip.ipv4_mapped or ip.sixtofour
        if wrapped is None and (ip in _NAT64 or ip in _COMPATIBLE):
            wrapped = ipaddress.IPv4Address(int(ip) & 0xFFFF_FFFF)
        if wrapped is not None:
            ip = wrapped
    return ip.is_global and not ip.is_multicast


def _redirected(url: str, response: requests.Response) -> str:
    location = response.headers.get("Location", "")
    if not location:
        raise FetchFailed(
            _("The service says the forecast has moved, but not where to."),
            status=response.status_code,
        )
    try:
        target = urljoin(url, location)
        is_downgrade = urlsplit(url).scheme == "https" and urlsplit(target).scheme != "https"
    except ValueError as error:
        raise FetchFailed(
            _("The service sends us on to something that is not an address."),
            status=response.status_code,
        ) from error
    if is_downgrade:
        raise FetchFailed(
            _(
                "The service sends us from https to an address without protection, which we "
                "don’t follow."
            ),
            status=response.status_code,
        )
    return target


def _result(
    response: requests.Response,
    *,
    etag: str | None,
    last_modified: str | None,
    max_bytes: int,
    deadline_s: float,
) -> FetchResult:
    status = response.status_code
    new_etag = response.headers.get("ETag")
    new_last_modified = response.headers.get("Last-Modified")
    expires_at = _expires_at(response)
    if status == 304 and (etag or last_modified):
        # What a 304 leaves out still holds.
        return FetchResult(
            "unchanged", None, new_etag or etag, new_last_modified or last_modified, expires_at
        )
    if status not in (200, 203):
        raise _refusal(response)
    warning = ""
    if status == 203:
        warning = _(
            "The service says this version of its forecast will end. Ask whoever looks after the "
            "app for a newer address."
        )
    if "html" in response.headers.get("Content-Type", "").lower():
        raise FetchFailed(_("The address gives a web page, not a forecast."))
    data = _body(response, max_bytes=max_bytes, deadline_s=deadline_s)
    if data.lstrip()[:1] == b"<":
        raise FetchFailed(_("The address gives a web page, not a forecast."))
    if not data.strip():
        raise FetchFailed(_("The service sent nothing."), status=status)
    return FetchResult("new", data, new_etag, new_last_modified, expires_at, warning)


def _body(response: requests.Response, *, max_bytes: int, deadline_s: float) -> bytes:
    too_long = FetchFailed(
        _(
            "The answer is longer than %(max_bytes)s bytes, so it can’t be a forecast. Check "
            "the address.",
            max_bytes=f"{max_bytes:,}",
        )
    )
    stated = response.headers.get("Content-Length", "")
    if stated.isascii() and stated.isdigit() and len(stated) < 20 and int(stated) > max_bytes:
        raise too_long
    pieces: list[bytes] = []
    size = 0
    # read1 gives what has come; the usual way would wait for a full chunk, however slowly it
    # trickles in, and the time limit would never be looked at.
    while piece := response.raw.read1(_CHUNK_BYTES, decode_content=True):
        size += len(piece)
        if size > max_bytes:
            raise too_long
        if time.monotonic() > deadline_s:
            raise _too_slow()
        pieces.append(piece)
    return b"".join(pieces)


def _too_slow() -> FetchFailed:
    return FetchFailed(_("The answer came too slowly, so we stopped. Try again later."))


def _refusal(response: requests.Response) -> FetchFailed:
    """Words for an answer that is no forecast."""
    status = response.status_code
    retry_text = response.headers.get("Retry-After", "").strip()
    plain = retry_text.isascii() and retry_text.isdigit() and len(retry_text) <= 6
    retry_after_s = int(retry_text) if plain else None
    if status == 403:
        words = _(
            "The service refuses to answer (403). Enter a proper contact in the garden's "
            "settings; if there is one, the service has blocked this address."
        )
    elif status in (404, 410):
        words = _(
            "The service has no forecast at this address (%(status)s). Check the address.",
            status=status,
        )
    elif status == 429:
        words = _("We have asked the service too often (429). Wait before asking again.")
    elif status == 304:
        words = _(
            "The service says nothing has changed (304), though we have no forecast from it yet."
        )
    elif 500 <= status <= 599:
        words = _(
            "The service is not working just now (%(status)s). Try again in a while.", status=status
        )
    else:
        words = _(
            "The service replied %(status)s, which is not a forecast. Check the address.",
            status=status,
        )
    if retry_after_s is not None:
        wait = n_(
            "It asks to wait %(num)s second.", "It asks to wait %(num)s seconds.", retry_after_s
        )
        words = f"{words} {wait}"
    return FetchFailed(words, status=status, retry_after_s=retry_after_s)


def _expires_at(response: requests.Response) -> datetime | None:
    """When to ask again at the earliest: `max-age` counted from the answer's date, or `Expires`."""
    age = _MAX_AGE.search(response.headers.get("Cache-Control", ""))
    answered_at = _http_date(response.headers.get("Date"))
    if age and answered_at is not None:
        try:
            return answered_at + timedelta(seconds=int(age[1]))
        except OverflowError:
            return None
    return _http_date(response.headers.get("Expires"))


def _http_date(text: str | None) -> datetime | None:
    if not text:
        return None
    try:
        moment = parsedate_to_datetime(text)
        # "-0000" gives a naive moment, which the mail standard means as UTC
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)
    except (TypeError, ValueError, OverflowError):
        return None
