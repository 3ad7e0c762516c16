"""Hoops, slopes and masses agree with geometry, tables and many small steps."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.reference import STATUSES, load_materials
from gardenapp.science.designs import design as designs
from gardenapp.science.designs import shapes as designs_shapes
from gardenapp.science.designs.design import (
    ColdFrame,
    PalletLeanTo,
    design,
)


def test_a_half_round_hoop_is_pi_times_its_radius() -> None:
    arc, line = designs_shapes.hoop(800, 400)

    assert arc == pytest.approx(math.pi * 400)
    assert line[0] == (pytest.approx(0), pytest.approx(0))
    assert line[-1] == (pytest.approx(800), pytest.approx(0))
    assert designs_shapes.area_under_hoop(800, 400) == pytest.approx(math.pi * 400**2 / 2)
    assert designs_shapes.hoop_width_at(800, 400, 0) == pytest.approx(800)
    assert designs_shapes.hoop_width_at(800, 400, 400 * math.sqrt(0.75)) == pytest.approx(400)


@given(st.floats(200, 3000), st.floats(0.1, 1.9))
def test_hoop_lengths_and_areas_agree_with_many_small_steps(width: float, ratio: float) -> None:
    height = ratio * width
    arc, line = designs_shapes.hoop(width, height)

    steps = sum(math.dist(a, b) for a, b in itertools.pairwise(line))
    assert steps == pytest.approx(arc, rel=0.003) and steps <= arc * (1 + 1e-9)
    heights = [height * (k + 0.5) / 4000 for k in range(4000)]
    area = sum(designs_shapes.hoop_width_at(width, height, h) for h in heights) * height / 4000
    assert area == pytest.approx(designs_shapes.area_under_hoop(width, height), rel=0.002)
    assert max(y for _, y in line) == pytest.approx(height, rel=1e-6)


def test_slopes_are_measured_along_themselves() -> None:
    lean_to = design(PalletLeanTo(1200, 800, angle_deg=50.0), gust_mps=8.0)
    frame = design(ColdFrame(1200, 700, 200, 400), gust_mps=8.0)

    figures = [d.length_mm for view in lean_to.views for d in view.dimensions]
    assert any(figure == pytest.approx(1200) for figure in figures)
    assert any(figure == pytest.approx(lean_to.inner_mm[1]) for figure in figures)
    figures = [d.length_mm for view in frame.views for d in view.dimensions]
    assert any(figure == pytest.approx(700) for figure in figures)
    assert any(figure == pytest.approx(200) for figure in figures)


@pytest.mark.outside("Published tables of densities in the reference data (and memory where so)")
@pytest.mark.parametrize(
    ("material", "kgm3"),
    [
        ("polypropylene (PP)", designs_shapes.PLASTIC_KGM3["PP"]),
        ("PET", designs_shapes.PLASTIC_KGM3["PET"]),
        ("polycarbonate (PC)", designs_shapes.PLASTIC_KGM3["PC"]),
        ("HDPE", designs_shapes.PLASTIC_KGM3["HDPE"]),
        ("window glass", designs_shapes.GLASS_KGM3),
        ("LDPE", 920.0),
    ],
)
def test_densities_are_those_of_the_tables(material: str, kgm3: float) -> None:
    rows = [r for r in load_materials() if r.material == material and r.property == "density"]

    assert rows
    assert any(
        r.low is not None and r.low <= kgm3 <= (r.high if r.high is not None else r.low)
        for r in rows
    )


def test_every_figure_says_how_well_it_is_known() -> None:
    for figure in designs.FIGURES:
        assert figure.status in STATUSES
        assert bool(figure.source) == (figure.status in ("seen", "derived"))
