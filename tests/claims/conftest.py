"""The server and its visitors, and the garden in which each rule has something to point at."""

from __future__ import annotations

from tests.system.conftest import server, visitor
from tests.web.test_access_matrix import world

__all__ = ["server", "visitor", "world"]
