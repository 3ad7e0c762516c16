"""What a cut plan starts from: sound stretches of boards, whole numbers and first fit."""

from __future__ import annotations

from gardenapp.science.timber.spans import usable_spans


def test_a_nail_hole_costs_at_least_the_saws_width() -> None:
    assert usable_spans(1000, [(400, 400), (990, 1000)], 3) == ((0, 400), (403, 990))
    assert usable_spans(1000, [(0, 100), (50, 1000)], 3) == ()
