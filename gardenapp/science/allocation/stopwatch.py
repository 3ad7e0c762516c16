"""How long the search has run: the one place of the allocation that looks at a stopwatch."""

from __future__ import annotations

import time


class Stopwatch:
    """Seconds of wall time since it was made, against a limit. It does not know what time it is."""

    def __init__(self, limit_s: float) -> None:
        self.limit_s = limit_s
        self._started = time.perf_counter()

    def seconds(self) -> float:
        """Seconds since it was made. [s]"""
        return time.perf_counter() - self._started

    def left(self, share: float = 1.0) -> float:
        """Seconds until this share of the limit is used up; below 0 once it is. [s]"""
        return share * self.limit_s - self.seconds()
