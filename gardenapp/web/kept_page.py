"""A page rendered and compressed once for many readers, with a place left for a form's token.

Compressing the board anew for each reader takes longer than all the rest of the answer. What
lies around the token is the same for each, so it is compressed when the page is kept. Deflate
lets separately flushed pieces follow one another; the token goes between them as it is.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

# RFC 1952: magic, deflate, no flags, no time, nothing said about speed, unknown system.
_HEADER = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
_LAST_BLOCK = b"\x01\x00\x00\xff\xff"  # RFC 1951, 3.2.4: final, stored, empty
LONGEST_TOKEN = 65_535  # what one stored block holds
LEVEL = 6


@dataclass(frozen=True)
class KeptPage:
    """A page in pieces; the reader's own token comes between each two."""

    pieces: tuple[bytes, ...]
    compressed: tuple[bytes, ...]
    tag: str

    def plain(self, token: bytes) -> bytes:
        """The page as it is, with `token` in its places."""
        return token.join(self.pieces)

    def gzipped(self, token: bytes) -> bytes:
        """The page as one gzip member. Raises ValueError for a token no block holds."""
        whole = self.plain(token)
        trailer = struct.pack("<II", zlib.crc32(whole), len(whole) & 0xFFFFFFFF)
        return b"".join((_HEADER, _stored(token).join(self.compressed), _LAST_BLOCK, trailer))


def keep_page(html: str, *, token_place: str, tag: str) -> KeptPage:
    """Cut `html` at each `token_place` and compress what is between."""
    pieces = tuple(html.encode().split(token_place.encode()))
    return KeptPage(pieces, tuple(_compress(piece) for piece in pieces), tag)


def _compress(piece: bytes) -> bytes:
    """Blocks that end on a whole byte and need nothing from before."""
    press = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    return press.compress(piece) + press.flush(zlib.Z_FULL_FLUSH)


def _stored(token: bytes) -> bytes:
    """A block that holds `token` uncompressed."""
    if len(token) > LONGEST_TOKEN:
        raise ValueError("a token of this length fits in no stored block")
    return b"\x00" + struct.pack("<HH", len(token), len(token) ^ 0xFFFF) + token
