"""Time is counted from the start, against a share of the limit."""

from __future__ import annotations

import time

import pytest

from gardenapp.science.allocation.stopwatch import Stopwatch


def test_what_is_left_is_the_share_of_the_limit_less_what_has_gone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = [1000.0]
    monkeypatch.setattr(time, "perf_counter", lambda: now[0])
    watch = Stopwatch(10.0)
    assert (watch.seconds(), watch.left()) == (0.0, 10.0)

    now[0] += 6.0

    assert watch.seconds() == 6.0
    assert watch.left() == 4.0
    assert watch.left(0.5) == -1.0  # half of the limit was used up a second ago
