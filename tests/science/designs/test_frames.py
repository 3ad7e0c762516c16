"""Framed covers: hoops where they are needed, a window at its slope, a lid with its own bars."""

from __future__ import annotations

import math

import pytest

from gardenapp.science.designs.design import (
    BoxFrame,
    ColdFrame,
    HoopTunnel,
    design,
)


def test_hoops_stand_at_both_ends_and_not_too_far_apart() -> None:
    made = design(HoopTunnel(3000, 800, 400, spacing_mm=900), gust_mps=8.0)

    assert made.parts[0].count == 5  # 3000 / 900 is 3.3, so four gaps
    assert made.parts[0].length_mm == pytest.approx(math.pi * 400 + 600)


def test_a_cold_frame_is_as_deep_as_pythagoras_says() -> None:
    made = design(ColdFrame(1200, 500, 200, 500), gust_mps=8.0)

    assert made.outer_mm[1] == pytest.approx(400)  # 3, 4, 5
    window = next(item for item in made.items if item.name.startswith("window"))
    assert window.mass_kg == pytest.approx(1.2 * 0.5 * 0.004 * 2500)
    assert "slopes at 37°" in str(made.notes[0])


def test_a_lid_needs_its_own_bars_and_hinges() -> None:
    plain = design(BoxFrame(1200, 800, 500), gust_mps=8.0)
    lidded = design(BoxFrame(1200, 800, 500, has_lid=True), gust_mps=8.0)

    assert len(lidded.parts) == len(plain.parts) + 2
    assert any(item.name == "hinge" for item in lidded.items)
    assert any("take it off every morning" in str(note) for note in plain.notes)
    assert not any("take it off every morning" in str(note) for note in lidded.notes)
