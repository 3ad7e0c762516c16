"""A page rendered and compressed once for many readers, with places left for what is their own.

Compressing the board anew for each reader takes longer than all the rest of the answer. What
lies around a form's token and the reader's messages is the same for each, so it is compressed
when the page is kept. Deflate lets separately flushed pieces follow one another; what goes
between them goes as it is.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

# RFC 1952: magic, deflate, no flags, no time, nothing said about speed, unknown system.
_HEADER = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
_LAST_BLOCK = b"\x01\x00\x00\xff\xff"  # RFC 1951, 3.2.4: final, stored, empty
LONGEST_TOKEN = 65_535  # what one stored block holds
LEVEL = 6


@dataclass(frozen=True)
class KeptPage:
    """A page in pieces; after each but the last comes the filling that `holes` names."""

    pieces: tuple[bytes, ...]
    compressed: tuple[bytes, ...]
    holes: tuple[str, ...]
    tag: str

    def plain(self, fillings: Mapping[str, bytes]) -> bytes:
        """The page as it is, with `fillings` in their places."""
        return b"".join(_between(self.pieces, [fillings[hole] for hole in self.holes]))

    def gzipped(self, fillings: Mapping[str, bytes]) -> bytes:
        """The page as one gzip member. Raises ValueError for a filling no block holds."""
        stored = [_stored(fillings[hole]) for hole in self.holes]
        return _member(self.plain(fillings), _between(self.compressed, stored))


def keep_page(html: str, *, places: Mapping[str, str], tag: str) -> KeptPage:
    """Cut `html` wherever one of `places` (name: mark) stands and compress what is between."""
    names = {mark: name for name, mark in places.items()}
    cut = re.split("({})".format("|".join(map(re.escape, names))), html) if names else [html]
    pieces = tuple(piece.encode() for piece in cut[::2])
    holes = tuple(names[mark] for mark in cut[1::2])
    return KeptPage(pieces, tuple(map(_compress, pieces)), holes, tag)


def gzip_around(body: bytes, secret: bytes) -> bytes:
    """`body` as one gzip member in which `secret`, wherever it stands, is not compressed."""
    if not secret or len(secret) > LONGEST_TOKEN:
        return _member(body, [_compress(body)])
    pieces = [_compress(piece) for piece in body.split(secret)]
    return _member(body, _between(pieces, [_stored(secret)] * (len(pieces) - 1)))


def _between(pieces: Iterable[bytes], fillings: Iterable[bytes]) -> Iterable[bytes]:
    filling = iter(fillings)
    for piece in pieces:
        yield piece
        yield next(filling, b"")


def _member(whole: bytes, blocks: Iterable[bytes]) -> bytes:
    trailer = struct.pack("<II", zlib.crc32(whole), len(whole) & 0xFFFFFFFF)
    return b"".join((_HEADER, *blocks, _LAST_BLOCK, trailer))


def _compress(piece: bytes) -> bytes:
    """Blocks that end on a whole byte and need nothing from before."""
    press = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    return press.compress(piece) + press.flush(zlib.Z_FULL_FLUSH)


def _stored(filling: bytes) -> bytes:
    """A block that holds `filling` uncompressed."""
    if len(filling) > LONGEST_TOKEN:
        raise ValueError("a filling of this length fits in no stored block")
    return b"\x00" + struct.pack("<HH", len(filling), len(filling) ^ 0xFFFF) + filling
