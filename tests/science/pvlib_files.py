"""Where the solar library keeps what tests read; they are skipped without it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest


def pvlib_folder() -> Path:
    found = importlib.util.find_spec("pvlib")
    if found is None or not found.submodule_search_locations:
        pytest.skip("pvlib is not installed")
    return Path(found.submodule_search_locations[0])
