"""Pictures of things: made anew, so that nothing but the picture is kept.

What comes in is decoded and written again as JPEG, at most 1600 pixels a side. Place, camera
and whatever else was in the file are gone, and so is anything that only looked like a picture.
"""

from __future__ import annotations

import contextlib
import io
import re
import secrets
import threading
import warnings
from collections.abc import Collection
from datetime import datetime
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from gardenapp.errors import FieldRefused
from gardenapp.words import _

LARGEST_SIDE = 1_600
LARGEST_BYTES = 3_900_000
# A phone's 50 megapixels, in a format that is decoded at a fraction of its size; a file may promise
# far more than it weighs.
MOST_PIXELS = 60_000_000
# What has to be unpacked whole, four bytes a pixel: PNG, WebP, and JPEG that comes in layers.
MOST_PIXELS_WHOLE = 20_000_000
# One at a time: what a picture needs while it is made anew, the server has once.
_ONE = threading.Semaphore(1)
WAIT_S = 20.0
FRESH_S = 3_600.0
NAME = re.compile(r"[a-z0-9]{32}\.jpg", re.ASCII)
TAKEN = ("JPEG", "PNG", "WEBP")


def folder_in(instance: Path) -> Path:
    """Where a garden's pictures are kept."""
    return instance / "photos"


def remake(data: bytes) -> bytes:
    """The picture in `data` as a plain JPEG. Raises FieldRefused."""
    if len(data) > LARGEST_BYTES:
        raise FieldRefused("photo", _("The picture is over 3.9 MB; send a smaller one."))
    if not _ONE.acquire(timeout=WAIT_S):
        raise FieldRefused("photo", _("Others are sending pictures just now; try again."))
    try:
        return _remade(data)
    finally:
        _ONE.release()


def _remade(data: bytes) -> bytes:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=TAKEN) as picture:
                pixels = picture.width * picture.height
                is_whole = picture.format != "JPEG" or "progressive" in picture.info
                if pixels > (MOST_PIXELS_WHOLE if is_whole else MOST_PIXELS):
                    raise FieldRefused("photo", _("The picture has too many pixels."))
                # Smaller first: a JPEG is then never unpacked at its full size.
                picture.thumbnail((LARGEST_SIDE, LARGEST_SIDE))
                # What the camera wrote on turning is obeyed, then forgotten with the rest.
                upright = ImageOps.exif_transpose(picture)
                flat = Image.new("RGB", upright.size, "white")
                whole = upright.convert("RGBA")
                flat.paste(whole, mask=whole.getchannel("A"))
    except FieldRefused:
        raise
    except (
        UnidentifiedImageError,
        Image.DecompressionBombError,
        Image.DecompressionBombWarning,
        OSError,
        ValueError,
        SyntaxError,
        EOFError,
    ):
        raise FieldRefused(
            "photo", _("That is not a picture that can be read. Send a JPEG, PNG or WebP.")
        ) from None
    out = io.BytesIO()
    flat.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()


def keep(data: bytes, *, folder: Path) -> str:
    """Store a picture under a name of its own; gives the name. Raises FieldRefused."""
    made = remake(data)
    name = f"{secrets.token_hex(16)}.jpg"
    put(made, name=name, folder=folder)
    return name


def put(made: bytes, *, name: str, folder: Path) -> None:
    """Write a picture that was made anew under `name`. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    draft = folder / f".{name}"
    # Whole under another name first: a full disk leaves no half picture behind.
    try:
        draft.write_bytes(made)
        draft.replace(folder / name)
    except OSError:
        draft.unlink(missing_ok=True)
        raise


def sweep(named: Collection[str], *, folder: Path, now: datetime) -> int:
    """Remove pictures and drafts that nothing names, left by a kill or a change; says how many.

    named : every picture that a row shows. A fresh one may belong to a row about to be written.
    """
    gone = 0
    for path in folder.iterdir() if folder.is_dir() else ():
        name = path.name.removeprefix(".")
        if not NAME.fullmatch(name) or (path.name in named):
            continue
        with contextlib.suppress(OSError):
            if now.timestamp() - path.stat().st_mtime > FRESH_S:
                path.unlink()
                gone += 1
    return gone


def drop(name: str | None, *, folder: Path) -> None:
    """Remove a stored picture that nothing shows any more."""
    if name and NAME.fullmatch(name):
        (folder / name).unlink(missing_ok=True)
