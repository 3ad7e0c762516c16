"""Pages made once for each change in the garden and not for each look.

A kept page belongs to one reader: who it is, since when they are signed in, their language,
units and theme are in its key, and so is the garden's version, which every write raises that a
page may show. What changes within a reader's own session, a form's token and the messages of
what they just did, is put in as the page goes out and kept nowhere.
"""

from __future__ import annotations

import hashlib
import secrets
from collections import OrderedDict
from collections.abc import Callable, Hashable
from datetime import datetime
from threading import Lock
from typing import Any, Generic, TypeVar

from flask import render_template, request, session
from flask_wtf.csrf import generate_csrf
from werkzeug.wrappers import Response

from gardenapp.extensions import db
from gardenapp.services.clockwork import tonight
from gardenapp.version import __version__
from gardenapp.web import formats
from gardenapp.web.access import current_garden, current_member
from gardenapp.web.kept_page import KeptPage, keep_page
from gardenapp.web.languages import language
from gardenapp.web.themes import theme

Kept = TypeVar("Kept")

KEPT_PAGES = 200
# A page says how old the forecast is, so a kept one is made anew this often.
KEPT_MINUTES = 10
# Nobody can name a plot so that it is taken for one of these.
TOKEN_PLACE = f"@@{secrets.token_hex(16)}@@"
MESSAGES_PLACE = f"@@{secrets.token_hex(16)}@@"
TOKEN, MESSAGES = "token", "messages"
PLACES = {TOKEN: TOKEN_PLACE, MESSAGES: MESSAGES_PLACE}


class Shelf(Generic[Kept]):
    """Things made, by what they were made from; the longest unused goes first."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = Lock()
        self._kept: OrderedDict[Hashable, Kept] = OrderedDict()

    def get(self, key: Hashable) -> Kept | None:
        with self._lock:
            found = self._kept.get(key)
            if found is not None:
                self._kept.move_to_end(key)
            return found

    def put(self, key: Hashable, made: Kept) -> None:
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)

    def clear(self) -> None:
        with self._lock:
            self._kept.clear()


pages: Shelf[KeptPage] = Shelf(KEPT_PAGES)


def night_key(at: datetime) -> tuple[Any, ...]:
    """What a page shows besides its reader: the garden as it is now, and which night it is."""
    garden = current_garden()
    assert garden is not None  # the access check sends visitors to the first steps otherwise
    return str(db.engine.url), garden.version, tonight(at)


def reader_key(at: datetime) -> tuple[Any, ...]:
    """All that a kept page depends on, but for what the view itself was asked for."""
    member = current_member()
    return (
        # The same garden in other words: a browser must not keep the page of the old version.
        __version__,
        *night_key(at),
        member.id if member else 0,
        member.session_epoch if member else 0,
        formats.temperature_unit(),
        formats.length_unit(),
        language(),
        theme(),
        request.script_root,
        int(at.timestamp() // (60 * KEPT_MINUTES)),
    )


def kept_answer(name: str, asked: Hashable, *, at: datetime, render: Callable[[], str]) -> Response:
    """The page `name` as `asked` for, from the shelf or rendered now.

    `render` leaves `TOKEN_PLACE` where a form's token belongs; `components/page.html` leaves
    `MESSAGES_PLACE` where it is told `messages_place`.
    """
    key = (name, asked, *reader_key(at))
    page = pages.get(key)
    if page is None:
        tag = hashlib.sha256(repr(key).encode()).hexdigest()[:20]
        page = keep_page(render(), places=PLACES, tag=tag)
        pages.put(key, page)
    fillings = {TOKEN: b"", MESSAGES: b""}
    tag = page.tag
    if TOKEN in page.holes:
        fillings[TOKEN] = generate_csrf().encode()
        own = hashlib.sha256(str(session.get("csrf_token", "")).encode()).hexdigest()[:8]
        tag = f"{tag}-{own}"
    has_message = "_flashes" in session
    if has_message:
        fillings[MESSAGES] = render_template("components/messages.html").encode()
    return _answer(page, fillings, tag=None if has_message else tag)


def _answer(page: KeptPage, fillings: dict[str, bytes], *, tag: str | None) -> Response:
    response = Response(mimetype="text/html", content_type="text/html; charset=utf-8")
    response.headers["Vary"] = "Cookie, Accept-Encoding, Accept-Language"
    if tag is not None:
        response.set_etag(tag, weak=True)
        response.make_conditional(request.environ)
    if response.status_code != 200:
        return response
    if request.accept_encodings.quality("gzip"):
        response.set_data(page.gzipped(fillings))
        response.headers["Content-Encoding"] = "gzip"
    else:
        response.set_data(page.plain(fillings))
    return response
