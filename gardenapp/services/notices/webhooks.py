"""Telling another program: one POST with a plain JSON body and a signature.

The receiver checks `Garden-Signature`: the hexadecimal HMAC-SHA256, under the hook's secret, of
the value of `Garden-Sent` (seconds since 1970), a full stop, and the body exactly as received.
An old `Garden-Sent` is somebody's replay. `Garden-Notice` is the same over all tries of one
notice, so a second copy can be dropped.

The same care as when fetching: an address that leads into the garden's own network is refused
unless its host was allowed, nothing is followed on, and the message goes to the very address that
was looked at, in case the name meant another machine a moment ago.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from datetime import datetime
from importlib import metadata
from typing import Any
from urllib.parse import urlsplit

import requests
import urllib3

from gardenapp.errors import FieldRefused
from gardenapp.services import fetching
from gardenapp.services.notices.mail import NotSent
from gardenapp.words import _

TIMEOUT_S = 5.0
WHOLE_S = 15.0
"""For one pause, and for the whole exchange from the first packet to the answer."""
MOST_URL = 500


def check_url(url: str) -> str:
    """`url` trimmed, if it can be a hook's address. Raises FieldRefused. Sends nothing."""
    cleaned = url.strip()
    try:
        parts = urlsplit(cleaned)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port, parts = None, None, urlsplit("")
    if (
        parts.scheme not in {"http", "https"}
        or not host
        or port == 0
        or len(cleaned) > MOST_URL
        or not cleaned.isascii()
        or not cleaned.isprintable()
        or " " in cleaned
    ):
        raise FieldRefused(
            "address", _("Enter a whole web address, such as https://example.org/in.")
        )
    if parts.username is not None or parts.password is not None:
        raise FieldRefused("address", _("The address must not hold a user name or password."))
    return cleaned


def signature(secret: str, sent_s: int, body: bytes) -> str:
    """What a receiver compares with. Raises nothing."""
    return hmac.new(secret.encode(), str(sent_s).encode() + b"." + body, hashlib.sha256).hexdigest()


def post(
    *,
    url: str,
    secret: str,
    notice: str,
    data: dict[str, Any],
    now: datetime,
    allowed_private_hosts: frozenset[str],
    session: requests.Session | None = None,
) -> None:
    """Send `data` to a hook. Raises NotSent; any answer of 2xx is a yes, nothing is read."""
    _check_host(url, allowed_private_hosts)
    body = json.dumps(data, ensure_ascii=False, separators=(",", ":")).encode()
    sent_s = int(now.timestamp())
    headers = {
        "Content-Type": "application/json",
        "User-Agent": f"{fetching.APP_NAME}/{metadata.version(fetching.APP_NAME)}",
        "Garden-Notice": notice,
        "Garden-Sent": str(sent_s),
        "Garden-Signature": signature(secret, sent_s, body),
    }
    own = session is None
    http = session or requests.Session()
    adapter = fetching.checked_adapter(allowed_private_hosts, whole_s=WHOLE_S)
    if own:
        http.mount("https://", adapter)
        http.mount("http://", adapter)
    try:
        with http.post(
            url,
            data=body,
            headers=headers,
            timeout=TIMEOUT_S,
            allow_redirects=False,
            stream=True,
        ) as response:
            status = response.status_code
    except requests.exceptions.SSLError as error:
        raise NotSent(_("We can’t trust the other program’s certificate.")) from error
    except (requests.exceptions.Timeout, urllib3.exceptions.TimeoutError) as error:
        raise NotSent(
            _(
                "The other program did not reply within %(timeout_s)s seconds.",
                timeout_s=f"{TIMEOUT_S:g}",
            )
        ) from error
    except (
        requests.exceptions.RequestException,
        urllib3.exceptions.HTTPError,
        ValueError,
        OSError,
    ) as error:
        raise NotSent(_("We could not reach the other program, or it broke off.")) from error
    finally:
        if own:
            http.close()
    if 300 <= status < 400:
        raise NotSent(
            _(
                "The other program sends us elsewhere (%(status)s), which we don’t follow.",
                status=status,
            )
        )
    if status == 410:
        raise NotSent(_("The other program is gone (410)."), is_final=True)
    if not 200 <= status < 300:
        raise NotSent(_("The other program replied %(status)s.", status=status))


def _check_host(url: str, allowed_private_hosts: frozenset[str]) -> None:
    parts = urlsplit(url)
    host = (parts.hostname or "").rstrip(".").lower()
    if host in {allowed.lower() for allowed in allowed_private_hosts}:
        return
    try:
        addresses = fetching.resolve_addresses(
            host, parts.port or (443 if parts.scheme == "https" else 80)
        )
    except (OSError, UnicodeError) as error:
        raise NotSent(_("We can’t find the other program’s host.")) from error
    if not addresses or not all(fetching.is_public(address) for address in addresses):
        raise NotSent(
            _(
                "The address leads into a private network. If it is the garden’s own, whoever "
                "runs the server can add its host to the allowed ones."
            )
        )
