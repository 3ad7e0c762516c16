"""The shapes a cover can be built in, and the sizes that suit some plants."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from flask import Flask

from gardenapp.errors import FieldRefused
from gardenapp.models.people import Member
from gardenapp.science.designs.small import CLEARANCE_MM
from gardenapp.services.builds import designing
from gardenapp.services.builds.designing import PlanEntry
from gardenapp.services.builds.shapes import (
    SHAPES,
    USUAL_BED_MM,
    Need,
    rows_and_columns,
    suggest_box_frame,
    suggest_cage,
    suggest_cold_frame,
    suggest_hoop_tunnel,
    suggest_pallets,
    usual_sizes,
    wish_of,
)
from gardenapp.words import speaking
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


# --- sizes that suit the plants ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "along_mm", "across_mm", "found"),
    [
        (12, 2_400.0, 1_200.0, (4, 3)),
        (1, 2_400.0, 1_200.0, (1, 1)),
        (8, 750.0, 1_200.0, (3, 3)),  # three along is all there is room for
        (60, 1_000.0, 500.0, (4, 2)),  # as many as the ground takes
        (4, 240.0, 1_200.0, (0, 0)),
        (4, 1_200.0, 240.0, (0, 0)),
    ],
)
def test_plants_stand_near_a_square_as_far_as_the_ground_goes(
    count: int, along_mm: float, across_mm: float, found: tuple[int, int]
) -> None:
    assert rows_and_columns(Need(300.0, 250.0, count), along_mm, across_mm) == found


def test_where_the_bed_is_not_known_a_usual_one_is_built_for() -> None:
    assert Need(300.0, 250.0, 4).ground_mm == USUAL_BED_MM
    assert Need(300.0, 250.0, 4, 900.0).ground_mm == (900.0, USUAL_BED_MM[1])


@pytest.mark.parametrize("height", [100.0, 400.0, 700.0])
def test_a_suggested_cold_frame_clears_the_plants_and_slopes_to_the_front(height: float) -> None:
    need = Need(height, 200.0, 6)

    sizes = suggest_cold_frame(need, window_mm=(600.0, 1_000.0), board_mm=(19.0, 140.0))

    assert sizes is not None
    assert (sizes["window_across_mm"], sizes["window_down_mm"]) == (1_000.0, 600.0)
    assert sizes["front_height_mm"] >= height + CLEARANCE_MM
    assert sizes["back_height_mm"] - sizes["front_height_mm"] == pytest.approx(0.2 * 600.0)
    assert designing.check_entry(PlanEntry("cold_frame", sizes, need)).problems == ()


def test_pallets_are_leaned_as_low_as_still_leaves_room() -> None:
    low = suggest_pallets(Need(200.0, 200.0, 4), pallet_mm=(1_200.0, 800.0))
    high = suggest_pallets(Need(600.0, 300.0, 4), pallet_mm=(1_200.0, 800.0))

    assert low is not None and high is not None
    assert (low["slope_mm"], low["run_mm"], low["angle_deg"]) == (800.0, 1_200.0, 45.0)
    top = [s["slope_mm"] * math.sin(math.radians(s["angle_deg"])) for s in (low, high)]
    assert top[0] < top[1]
    assert top[1] > 600.0 + CLEARANCE_MM


@pytest.mark.parametrize(("height", "spread"), [(150.0, 100.0), (600.0, 400.0)])
def test_a_suggested_cage_is_wider_than_the_plant_and_its_bag_goes_round(
    height: float, spread: float
) -> None:
    need = Need(height, spread, 1)

    sizes = suggest_cage(need, bag_mm=None)

    assert 2.0 * sizes["bag_width_mm"] > math.pi * (spread + 2.0 * CLEARANCE_MM)
    assert designing.check_entry(PlanEntry("cage_bag", sizes, need)).problems == ()


def test_a_bag_that_is_there_is_taken_as_it_is() -> None:
    sizes = suggest_cage(Need(300.0, 200.0, 1), bag_mm=(700.0, 1_100.0))

    assert (sizes["bag_width_mm"], sizes["bag_length_mm"]) == (700.0, 1_100.0)


@pytest.mark.parametrize(
    "suggested",
    [
        lambda need: suggest_box_frame(need, bar_mm=38.0, film_um=150.0),
        lambda need: suggest_hoop_tunnel(need, pipe_mm=20.0, film_um=150.0),
        lambda need: suggest_cold_frame(need, window_mm=(1_000.0, 600.0), board_mm=(19.0, 140.0)),
        lambda need: suggest_pallets(need, pallet_mm=(1_200.0, 800.0)),
    ],
    ids=["frame", "tunnel", "cold frame", "pallets"],
)
def test_for_plants_too_tall_for_a_shape_it_is_not_suggested(
    suggested: Callable[[Need], object],
) -> None:
    assert suggested(Need(300.0, 250.0, 6)) is not None
    assert suggested(Need(2_600.0, 250.0, 6)) is None


@pytest.mark.parametrize(
    ("shape", "missing"),
    [(shape, field.name) for shape in SHAPES for field in SHAPES[shape].fields],
)
def test_a_size_that_is_missing_is_named_and_not_made_up(shape: str, missing: str) -> None:
    sizes = usual_sizes(shape)
    need = Need(300.0, 250.0, 1)
    assert wish_of(shape, sizes, need)
    del sizes[missing]

    with pytest.raises(KeyError) as unknown:
        wish_of(shape, sizes, need)
    with pytest.raises(FieldRefused, match="Enter this size") as refused:
        designing.check_entry(PlanEntry(shape, sizes, need))

    assert unknown.value.args == (missing,)
    assert refused.value.field == missing


@pytest.mark.parametrize("shape", list(SHAPES))
def test_a_form_starts_with_sizes_that_it_would_take(shape: str) -> None:
    for field in SHAPES[shape].fields:
        if field.kind == "tick":
            assert isinstance(usual_sizes(shape)[field.name], bool)
        else:
            assert field.least <= usual_sizes(shape)[field.name] <= field.most, field.name


def test_shapes_and_their_sizes_are_named_in_both_languages(app: Flask) -> None:
    words = [w for s in SHAPES.values() for w in (s.title, *(f.label for f in s.fields))]

    with app.app_context():
        english = [str(word) for word in words]
        with speaking("es"):
            spanish = [str(word) for word in words]
            assert str(SHAPES["box_frame"].title) == "Armazón de madera con plástico transparente"

    assert "Timber frame with clear film" in english
    assert [one for one, other in zip(english, spanish, strict=True) if one == other] == []
