"""The style sheet and the scripts go out compressed.

They are the second thing a phone asks for, over the same bad signal as the board. Each is
compressed once and kept; another version of the file has another entry tag.
"""

from __future__ import annotations

import gzip
from functools import lru_cache

from flask import Flask, request
from werkzeug.wrappers import Response

COMPRESSED = frozenset({"text/css", "text/javascript", "application/javascript", "image/svg+xml"})
LEVEL = 9  # done once a file


@lru_cache(maxsize=64)
def _compress(plain: bytes) -> bytes:
    """`plain` as one gzip member without a time, so that it is always the same bytes."""
    return gzip.compress(plain, LEVEL, mtime=0)


def init_compress(app: Flask) -> None:
    """Compress the static text files for browsers that take gzip."""

    @app.after_request
    def compress(response: Response) -> Response:
        if request.endpoint != "static" or response.mimetype not in COMPRESSED:
            return response
        response.vary.add("Accept-Encoding")
        is_whole = response.status_code == 200 and "Content-Encoding" not in response.headers
        if not is_whole or not request.accept_encodings.quality("gzip"):
            return response
        tag, _ = response.get_etag()
        response.direct_passthrough = False
        response.set_data(_compress(response.get_data()))
        response.headers["Content-Encoding"] = "gzip"
        response.headers.pop("Accept-Ranges", None)
        if tag is not None:
            # The same file in other bytes: a weak tag says "as good as".
            response.set_etag(tag, weak=True)
        return response
