"""Every answer made of text goes out compressed, to whoever takes it so.

A phone in the garden has a bad signal: a page is a quarter as long so. Style sheet, scripts and
drawings are compressed once and kept; pages and tables when they are answered.

What a page's length could give away: somebody who makes a reader's browser ask for a page again
and again, with guesses in its address, and who watches the lengths, learns from better
compression that a guess stands on the page too (known as BREACH). The one thing on our pages
that must not be learnt so is the form's token, and it is left uncompressed: no guess can match
it. Besides, the session's cookie is `SameSite=Lax`, so that another site's page cannot ask for
ours as the reader unseen. Links that are shown once stand in the answer to a form, which another
site cannot send.
"""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterable, Iterator
from functools import lru_cache

from flask import Flask, g, request
from werkzeug.wrappers import Response

from gardenapp.web.kept_page import LEVEL, gzip_around

COMPRESSED = frozenset({"application/javascript", "application/json", "application/xml"})
FILE_LEVEL = 9  # done once a file
# Below this the header and the tables eat what is saved, and all of it is one packet anyway.
SMALLEST_BYTES = 500
WITHOUT_BODY = frozenset({204, 304})
PART = 206  # a part of the file as it is


def is_text(mimetype: str) -> bool:
    """Whether bytes of this kind get shorter; pictures and archives are compressed already."""
    return (
        mimetype.startswith("text/")
        or mimetype.endswith(("+json", "+xml"))
        or mimetype in COMPRESSED
    )


@lru_cache(maxsize=64)
def _compress(plain: bytes) -> bytes:
    """`plain` as one gzip member without a time, so that it is always the same bytes."""
    return gzip.compress(plain, FILE_LEVEL, mtime=0)


def _in_pieces(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """One gzip member of an answer that is made while it is sent."""
    press = zlib.compressobj(LEVEL, zlib.DEFLATED, zlib.MAX_WBITS | 16)
    try:
        for piece in pieces:
            if out := press.compress(piece):
                yield out
        yield press.flush()
    finally:
        close = getattr(pieces, "close", None)
        if close is not None:
            close()


def init_compress(app: Flask) -> None:
    """Compress text for browsers that take gzip."""

    @app.after_request
    def compress(response: Response) -> Response:
        if not is_text(response.mimetype or ""):
            return response
        response.vary.add("Accept-Encoding")
        if (
            response.status_code in WITHOUT_BODY
            or response.status_code == PART
            or "Content-Encoding" in response.headers
            or not request.accept_encodings.quality("gzip")
        ):
            return response
        is_file = request.endpoint == "static"
        if response.is_streamed and not is_file:
            response.response = _in_pieces(response.iter_encoded())
            response.headers.pop("Content-Length", None)
        else:
            response.direct_passthrough = False
            body = response.get_data()
            if len(body) < SMALLEST_BYTES and not is_file:
                return response
            token = str(g.get(app.config["WTF_CSRF_FIELD_NAME"]) or "")
            response.set_data(_compress(body) if is_file else gzip_around(body, token.encode()))
        response.headers["Content-Encoding"] = "gzip"
        response.headers.pop("Accept-Ranges", None)
        tag, _ = response.get_etag()
        if tag is not None:
            # The same text in other bytes: a weak tag says "as good as".
            response.set_etag(tag, weak=True)
        return response
