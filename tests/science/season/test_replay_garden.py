"""The garden of a replay says what its plants bear by what they are given."""

from __future__ import annotations

from gardenapp.science.allocation.problem import PlantingNeed
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing import Bearing, Hardiness
from gardenapp.science.night.damage import DamageCurve
from gardenapp.science.season.replay_garden import ReplayPlanting


def test_the_threshold_is_where_first_harm_begins() -> None:
    bearing = Bearing(DamageCurve(-4.0, 1.0))
    need = PlantingNeed("kale", "A1", 4, 45.0, 50.0, 1.0, 0.0)

    planting = ReplayPlanting(need, Hardiness(bearing), bearing, Estimate(0.0, 0.5))

    assert planting.threshold_c == bearing.bears_c > -4.0
