"""What the pages for files share."""

from __future__ import annotations


def clean_name(name: str) -> str:
    """A file's name fit to be shown and kept: no path, printable, short."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    shown = "".join(c for c in last if c.isprintable() and not 0xD800 <= ord(c) <= 0xDFFF)
    return shown[:120] or "file"
