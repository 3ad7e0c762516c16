"""Covers without a frame: bag, box, bottle and two pallets."""

from __future__ import annotations

import math

import pytest

from gardenapp.science.designs.design import (
    CageBag,
    PalletLeanTo,
    Plants,
    design,
)


def test_a_lean_to_is_a_triangle() -> None:
    made = design(PalletLeanTo(1200, 800, angle_deg=60.0, thickness_mm=144), gust_mps=8.0)

    _, base, height = made.inner_mm
    assert base == pytest.approx(1200)  # equilateral at 60°
    assert height == pytest.approx(1200 * math.sqrt(3) / 2)
    assert made.inner_volume_m3 == pytest.approx(base * height / 2 * 800 / 1e9)
    assert made.outer_mm[2] == pytest.approx(height + 72)
    left = made.views[0].polygons[0].points
    assert math.dist(left[0], left[1]) == pytest.approx(1200)
    assert math.dist(left[0], left[3]) == pytest.approx(144)


def test_a_plant_of_half_the_ridge_has_half_the_width() -> None:
    wish = PalletLeanTo(1200, 1200, angle_deg=60.0)
    height = 1200 * math.sqrt(3) / 2

    low = design(wish, gust_mps=8.0, plants=Plants(height / 2 - 50, 300, 10))

    assert low.capacity == 2 * 4 and low.covers_needed == 2


def test_a_bag_too_narrow_says_which_would_do() -> None:
    narrow = design(CageBag(200, 400, 250, 400, 900), gust_mps=8.0)
    wide = design(CageBag(200, 400, 250, 561, 900), gust_mps=8.0)

    # A cage of 250 + 2 × 50 mm has a girth of 1,100 mm; with 2 % ease half of it is 561 mm.
    assert "too narrow" in str(narrow.problems[0]) and "561 mm wide" in str(narrow.problems[0])
    assert not wide.problems
