"""The shapes a cover can be built in, and the sizes that suit some plants."""

from __future__ import annotations

import pytest

from gardenapp.models.people import Member
from gardenapp.services.builds import designing
from gardenapp.services.builds.designing import PlanEntry
from gardenapp.services.builds.shapes import (
    SHAPES,
    Need,
    suggest_box_frame,
    suggest_hoop_tunnel,
    usual_sizes,
)
from tests.services.builds.stocked import add


@pytest.mark.parametrize("shape", list(SHAPES))
def test_every_shape_makes_a_design_from_the_sizes_its_form_starts_with(
    member: Member, shape: str
) -> None:
    sizes = usual_sizes(shape)
    plan_id = add(member, shape=shape, sizes=sizes, need=Need(150.0, 90.0, 4))

    page = designing.get_plan(plan_id=plan_id, member=member)

    assert page.design.mass_kg > 0
    assert len(page.design.views) == 3
    assert page.design.lift is not None
    assert page.design.steps
    assert {key for step in page.design.steps for key in step.cautions} == set(page.cautions)


@pytest.mark.parametrize("count", [1, 4, 7, 12, 60])
@pytest.mark.parametrize("spread", [120.0, 300.0, 550.0])
def test_a_suggested_frame_takes_the_plants_and_stands_on_the_bed(
    member: Member, count: int, spread: float
) -> None:
    need = Need(350.0, spread, count, 2_400.0, 1_200.0)
    sizes = suggest_box_frame(need, bar_mm=38.0, film_um=150.0)
    assert sizes is not None

    found = designing.check_entry(PlanEntry("box_frame", sizes, need))

    assert found.problems == ()
    assert (found.capacity or 0) >= 1
    assert found.outer_mm[0] <= 2_000.0


def test_a_suggested_tunnel_is_wide_enough_at_the_plants_tops(member: Member) -> None:
    need = Need(400.0, 300.0, 12, 3_000.0, 1_200.0)
    sizes = suggest_hoop_tunnel(need, pipe_mm=20.0, film_um=150.0)
    assert sizes is not None

    found = designing.check_entry(PlanEntry("hoop_tunnel", sizes, need))

    assert found.problems == ()
    assert (found.capacity or 0) >= 12
