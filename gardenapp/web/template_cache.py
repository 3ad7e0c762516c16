"""Templates stay compiled from one start to the next.

Compiling what the board is made of takes longer than making the board. What comes of it is kept
in a folder of the garden's own instance, readable and writable by its owner alone: Python runs
what it reads there. Jinja notices by itself when a template has changed. What an earlier version
of the app left is thrown away, because a template's meaning also hangs on the app's filters.
Without room or permission everything works as before, only slower.
"""

from __future__ import annotations

import contextlib
import functools
import logging
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jinja2
import jinja2.filters
import jinja2.runtime
from flask import Flask
from jinja2.bccache import Bucket, FileSystemBytecodeCache

from gardenapp.version import __version__

log = logging.getLogger("gardenapp")

SETTING = "TEMPLATE_CACHE"  # another folder; empty for none
BOARD = (
    "board/tonight.html",
    "board/_bar.html",
    "board/_card.html",
    "board/_folds.html",
    "components/guide.html",
    "board/_picture.html",
    "board/_sending.html",
    "components/page.html",
    "components/parts.html",
    "components/messages.html",
)
PREFIX = f"{__version__}-{jinja2.__version__}-"


class KeptTemplates(FileSystemBytecodeCache):
    """Jinja's own, but neither a damaged file nor a full disk costs the page."""

    def __init__(self, folder: Path) -> None:
        super().__init__(str(folder), f"{PREFIX}%s.cache")

    def load_bytecode(self, bucket: Bucket) -> None:
        try:
            super().load_bytecode(bucket)
        except Exception:  # whatever unpickling half a file raises: it is compiled again
            bucket.reset()

    def dump_bytecode(self, bucket: Bucket) -> None:
        try:
            super().dump_bytecode(bucket)
        except OSError as error:
            log.debug("a compiled template could not be kept: %s", error.strerror)


def init_template_cache(app: Flask) -> None:
    """Keep compiled templates in the instance, or where the setting says.

    Jinja works out a filter of a constant, such as `{{ 2|temperature }}`, when it compiles. Ours
    answer in a reader's units and language, so they wait until somebody reads.
    """
    for name, function in app.jinja_env.filters.items():
        if name not in jinja2.filters.FILTERS:
            app.jinja_env.filters[name] = _when_read(function)
    place = app.config.get(SETTING)
    folder = Path(app.instance_path) / "cache" if place is None else Path(place)
    if place == "" or not _is_private(folder):
        return
    for path in folder.glob("*.cache"):
        if not path.name.startswith(PREFIX):
            with contextlib.suppress(OSError):
                path.unlink()
    app.jinja_env.bytecode_cache = KeptTemplates(folder)


def _when_read(function: Callable[..., Any]) -> Callable[..., Any]:
    """The filter as one that asks for the page it stands on, which no compiler can give it."""

    @jinja2.pass_context
    @functools.wraps(function)
    def filtered(_page: jinja2.runtime.Context, *values: Any, **more: Any) -> Any:
        return function(*values, **more)

    return filtered


def _is_private(folder: Path) -> bool:
    """Make the folder; whether nobody but its owner can put something into it."""
    try:
        folder.mkdir(mode=stat.S_IRWXU, exist_ok=True)
        about = folder.lstat()
    except OSError:
        return False
    is_ours = not hasattr(os, "getuid") or about.st_uid == os.getuid()
    others = stat.S_IWGRP | stat.S_IWOTH
    return is_ours and stat.S_ISDIR(about.st_mode) and not about.st_mode & others


def compile_board(app: Flask) -> None:
    """Compile what the board is made of, or read it compiled, before anybody asks for it."""
    for name in BOARD:
        app.jinja_env.get_template(name)
