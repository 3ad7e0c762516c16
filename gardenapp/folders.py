"""Where the files that belong to the app lie, and where a garden's own are kept."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

PACKAGE = Path(__file__).resolve().parent
# Of a checkout; where the app is installed otherwise, only what surrounds the package.
ABOVE = PACKAGE.parent

Shipped = Literal["templates", "static", "migrations"]


def shipped(name: Shipped, *, package: Path = PACKAGE) -> Path:
    """The folder of pages, of styles and scripts, or of migrations.

    A checkout has the three beside the package; a wheel has them inside it, where
    `gardenapp/packaging.py` puts them, because nothing else of its own is sure to be there.
    """
    inside = package / name
    return inside if inside.is_dir() else package.parent / name


def usual_instance() -> Path:
    """Where a garden's data is kept unless a setting says so: `instance` in the working folder.

    Never beside the code: what is installed is replaced with the next version.
    """
    return Path.cwd() / "instance"
