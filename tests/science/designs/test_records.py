"""A wish that makes no sense is refused in words."""

from __future__ import annotations

import math

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.designs.design import (
    BoxFrame,
    CageBag,
    ColdFrame,
    HoopTunnel,
    PalletLeanTo,
    UpturnedBox,
    Wish,
    design,
)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (BoxFrame(-1, 800, 500), "length must be"),
        (BoxFrame(1200, math.nan, 500), "width must be"),
        (BoxFrame(1e9, 800, 500), "length must be"),
        (BoxFrame(210, 210, 200, bar_mm=60), "too thick"),
        (PalletLeanTo(1200, 800, angle_deg=80), "angle_deg must be 30 to 75"),
        (ColdFrame(1200, 700, 400, 200), "at least as high"),
        (ColdFrame(1200, 500, 100, 600), "too steep"),
        (HoopTunnel(3000, 300, 1000), "twice the width"),
        (UpturnedBox("bottle", 90, 100, 200), "its diameter"),
        (CageBag(0, 400, 250, 700, 900), "pot diameter"),
    ],
    ids=lambda value: value if isinstance(value, str) else type(value).__name__,
)
def test_impossible_shapes_are_refused_in_words(wish: Wish, words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        design(wish, gust_mps=8.0)
