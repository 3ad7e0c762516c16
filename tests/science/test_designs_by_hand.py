"""Whole designs worked out by hand: every piece, sheet and item, and each limit at its edge.

The cold frame is Pythagoras' 3-4-5 triangle and the lean-to stands at 60°, so that the figures
can be followed on paper.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science import designs
from gardenapp.science.designs import Design
from gardenapp.science.designs_records import (
    Bed,
    BoxFrame,
    CageBag,
    ColdFrame,
    DrawingView,
    HoopTunnel,
    PalletLeanTo,
    Plants,
    UpturnedBox,
    Wish,
)

FRAME = BoxFrame(1_200.0, 600.0, 400.0)
TUNNEL = HoopTunnel(3_000.0, 1_000.0, 500.0)
COLD = ColdFrame(1_000.0, 500.0, 200.0, 500.0)  # 300 up on 500 of window: 400 on the ground
LEAN_TO = PalletLeanTo(1_200.0, 800.0, 60.0)
BAG = CageBag(200.0, 400.0, 100.0, 450.0, 700.0)
TOTE = UpturnedBox("tote", 600.0, 400.0, 300.0, 2.0, "PP")
BOTTLE = UpturnedBox("bottle", 90.0, 90.0, 250.0)


def design(wish: Wish, *, plants: Plants | None = None) -> Design:
    return designs.design(wish, gust_mps=12.0, plants=plants)


def cut_list(made: Design) -> list[tuple[str, str, float, int]]:
    return [(p.name, p.section, round(p.length_mm, 1), p.count) for p in made.parts]


def sheets(made: Design) -> list[tuple[str, float, float, int]]:
    """Finished sizes, without hems."""
    return [
        (f.name, round(f.finished_length_mm, 1), round(f.finished_width_mm, 1), f.count)
        for f in made.film
    ]


def items(made: Design) -> dict[str, int]:
    return {item.name: item.count for item in made.items}


def masses(made: Design) -> dict[str, float]:
    return {part.name: part.mass_kg for part in (*made.parts, *made.film, *made.items)}


def drawn(view: DrawingView) -> list[tuple[str, list[tuple[float, float]]]]:
    return [
        (shape.kind, [(round(x, 1), round(y, 1)) for x, y in shape.points])
        for shape in view.polygons
    ]


def measured(view: DrawingView) -> list[tuple[float, ...]]:
    return [
        tuple(round(v, 1) for v in (d.x1, d.y1, d.x2, d.y2, d.length_mm)) for d in view.dimensions
    ]


def box(x: float, y: float, wide: float, high: float) -> list[tuple[float, float]]:
    return [(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)]


def views(made: Design) -> dict[str, DrawingView]:
    return {view.name: view for view in made.views}


# --- box frame --------------------------------------------------------------------------------


def test_a_box_frame() -> None:
    made = design(FRAME)

    assert (made.outer_mm, made.inner_mm) == ((1_200.0, 600.0, 400.0), (1_124.0, 524.0, 362.0))
    assert made.inner_volume_m3 == pytest.approx(1.124 * 0.524 * 0.362)
    assert cut_list(made) == [
        ("bar along", "38 x 38", 1_200.0, 4),
        ("bar across", "38 x 38", 600.0, 4),
        ("upright", "38 x 38", 400.0, 4),
    ]
    # Round it 3.6 m and an overlap; four uprights and twice round, a staple every 10 cm.
    assert sheets(made) == [
        ("film round the sides", 3_700.0, 400.0, 1),
        ("film over the top", 1_200.0, 600.0, 1),
    ]
    assert items(made) == {"screw": 24, "staple": 104}
    assert masses(made)["bar along"] == pytest.approx(0.038 * 0.038 * 1.2 * 510.0)


def test_a_box_frame_with_lid_and_vent() -> None:
    made = design(replace(FRAME, has_lid=True, has_vent=True))

    assert made.outer_mm == (1_200.0, 600.0, 438.0)
    assert cut_list(made)[3:] == [
        ("lid bar along", "38 x 38", 1_200.0, 2),
        ("lid bar across", "38 x 38", 524.0, 2),
        ("vent batten", "38 x 38", 524.0, 1),
    ]
    assert items(made) == {"screw": 24, "staple": 104, "hinge": 2, "hook and eye": 2, "prop": 1}
    assert drawn(views(made)["front"])[-1] == ("timber", box(0.0, 400.0, 600.0, 38.0))
    assert drawn(views(made)["front"])[0] == ("film", box(0.0, 0.0, 600.0, 400.0))


@pytest.mark.parametrize(("lid", "vent", "told"), [(0, 0, True), (1, 0, False), (0, 1, False)])
def test_a_frame_that_cannot_be_opened_says_so(lid: int, vent: int, told: bool) -> None:
    made = design(replace(FRAME, has_lid=bool(lid), has_vent=bool(vent)))

    assert any("neither lid nor vent" in note for note in made.notes) is told


# --- hooped tunnel ----------------------------------------------------------------------------


def test_a_hooped_tunnel() -> None:
    made = design(TUNNEL)
    arc = math.pi * 500.0  # a half circle
    pipe_m3 = math.pi / 4 * (0.020**2 - 0.016**2) * (arc + 600.0) / 1_000

    assert cut_list(made) == [("hoop", "pipe 20", round(arc + 600.0, 1), 4)]
    assert masses(made)["hoop"] == pytest.approx(pipe_m3 * 958.0, rel=1e-3)
    # Over both ends to the ground with 30 cm to dig in, and 20 cm on either side.
    assert sheets(made) == [("film over the hoops", 3_000.0 + 2 * 800.0, round(arc + 400.0, 1), 1)]
    assert items(made) == {"ridge string, m": 5, "end peg": 2, "film clip": 12}
    assert made.inner_volume_m3 == pytest.approx(math.pi / 8 * 3.0, rel=1e-3)
    assert drawn(views(made)["side"]) == [
        ("film", box(0.0, 0.0, 3_000.0, 500.0)),
        *(("body", box(x, 0.0, 20.0, 500.0)) for x in (0.0, 990.0, 1_990.0, 2_980.0)),
    ]
    assert any("1000 mm apart" in step.text for step in made.steps)


@pytest.mark.parametrize(
    ("length", "hoops"), [(3_000.0, 4), (3_001.0, 5), (1_000.0, 2), (999.0, 2)]
)
def test_there_is_a_hoop_at_each_end_and_every_metre(length: float, hoops: int) -> None:
    assert design(replace(TUNNEL, length_mm=length)).parts[0].count == hoops


# --- cold frame -------------------------------------------------------------------------------


def test_a_cold_frame() -> None:
    made = design(COLD)

    assert made.outer_mm == (1_000.0, 400.0, 500.0)
    assert made.inner_mm == (962.0, 362.0, 500.0)
    assert made.inner_volume_m3 == pytest.approx(0.962 * 0.362 * 0.35)
    # Boards of 140: four up the back, two up the front. The third row of the sides begins at 280
    # and the slope is 220 of 300 above it there, the fourth at 420: 80 of 300.
    assert cut_list(made) == [
        ("front board", "19 x 140", 1_000.0, 2),
        ("back board", "19 x 140", 1_000.0, 4),
        ("side board", "19 x 140", 362.0, 4),
        ("side board", "19 x 140", round(362.0 * 220 / 300, 1), 2),
        ("side board", "19 x 140", round(362.0 * 80 / 300, 1), 2),
        ("front post", "38 x 38", 200.0, 2),
        ("back post", "38 x 38", 500.0, 2),
    ]
    assert items(made) == {"window 1000 x 500 mm": 1, "hinge": 2, "screw": 40, "prop": 1}
    assert masses(made)["window 1000 x 500 mm"] == pytest.approx(1.0 * 0.5 * 0.004 * 2_500.0)
    assert any("slopes at 37°" in note for note in made.notes)
    seen = views(made)
    assert drawn(seen["front"]) == [
        ("timber", box(0.0, 0.0, 1_000.0, 200.0)),
        ("glass", box(0.0, 200.0, 1_000.0, 300.0)),
    ]
    assert drawn(seen["side"]) == [
        ("timber", [(0.0, 0.0), (400.0, 0.0), (400.0, 500.0), (0.0, 200.0)]),
        ("glass", [(0.0, 200.0), (400.0, 500.0), (400.0, 490.0), (0.0, 190.0)]),
    ]
    assert drawn(seen["plan"]) == [
        ("timber", box(0.0, 0.0, 1_000.0, 400.0)),
        ("glass", box(19.0, 19.0, 962.0, 362.0)),
    ]
    # The front's height and the window along its slope are measured where they are.
    assert (0.0, 0.0, 0.0, 200.0, 200.0) in measured(seen["side"])
    assert (0.0, 200.0, 400.0, 500.0, 500.0) in measured(seen["side"])
    assert [d.offset_mm for d in seen["side"].dimensions if d.x1 == 0.0 and d.x2 == 0.0][-1] == 30.0


def test_a_flat_cold_frame_has_no_glass_to_be_seen_from_the_front() -> None:
    made = design(replace(COLD, back_height_mm=200.0, window_mass_kg=7.0))

    assert made.outer_mm == (1_000.0, 500.0, 200.0)
    assert drawn(views(made)["front"]) == [("timber", box(0.0, 0.0, 1_000.0, 200.0))]
    assert masses(made)["window 1000 x 500 mm"] == 7.0
    assert cut_list(made)[2] == ("side board", "19 x 140", 462.0, 4)


@pytest.mark.parametrize(
    ("height", "problem"), [(150.0, False), (290.0, False), (300.0, True), (455.0, True)]
)
def test_a_cold_frame_is_as_deep_at_a_height_as_its_slope_leaves(
    height: float, problem: bool
) -> None:
    # 160 of 300 above 340: 193 deep there. Five centimetres over a plant of 290 that is enough
    # for one 190 across, and a centimetre higher it is not.
    made = design(COLD, plants=Plants(height, 190.0))

    assert bool(made.problems) is problem


# --- lean-to ----------------------------------------------------------------------------------


def test_a_lean_to_of_two_pallets() -> None:
    made = design(LEAN_TO)
    high = 1_200.0 * math.sqrt(3) / 2
    aside, up = 144.0 * math.sqrt(3) / 2, 72.0

    assert made.inner_mm == pytest.approx((800.0, 1_200.0, high))
    assert made.outer_mm == pytest.approx((800.0, 1_200.0 + 2 * aside, high + up))
    assert made.inner_volume_m3 == pytest.approx(1.2 * high / 1_000 / 2 * 0.8)
    assert sheets(made) == [
        ("sheet over the ridge", 2 * (1_200.0 + 144.0 + 150.0), 800.0 + 300.0, 1),
        ("end", 1_200.0, round(high, 1), 2),
    ]
    assert items(made) == {"pallet 800 x 1200 mm": 2, "strap or rope, 3 m": 1}
    assert masses(made)["pallet 800 x 1200 mm"] == 22.0
    front = views(made)["front"]
    left, middle, right = aside, aside + 600.0, aside + 1_200.0
    assert [points for _, points in drawn(front)] == [
        [
            tuple(round(v, 1) for v in point)
            for point in ((left, 0.0), (middle, high), (middle - aside, high + up), (0.0, up))
        ],
        [
            tuple(round(v, 1) for v in point)
            for point in (
                (right, 0.0),
                (middle, high),
                (middle + aside, high + up),
                (right + aside, up),
            )
        ],
    ]
    lengths = [line[-1] for line in measured(front)]
    assert 1_200.0 in lengths
    assert lengths.count(1_200.0) == 2  # along the slope, and between the feet


def test_open_ends_take_no_film_and_more_wind() -> None:
    open_, closed = design(replace(LEAN_TO, has_closed_ends=False)), design(LEAN_TO)

    assert [sheet[0] for sheet in sheets(open_)] == ["sheet over the ridge"]
    assert "Turn the open ends" in " ".join(step.text for step in open_.steps)
    assert "Close both ends" in " ".join(step.text for step in closed.steps)
    assert open_.wind.bare_limit_mps < closed.wind.bare_limit_mps


# --- without a frame --------------------------------------------------------------------------


def test_a_bag_over_a_cage() -> None:
    made = design(BAG)
    wire = math.pi * 0.00125**2 * 7_850.0  # kg a metre

    assert made.outer_mm == (200.0, 200.0, 450.0)
    assert made.inner_volume_m3 == pytest.approx(math.pi / 4 * 0.2**2 * 0.45)
    assert cut_list(made) == [
        ("ring", "wire 2.5", round(math.pi * 200.0 + 50.0, 1), 3),
        ("leg", "wire 2.5", 550.0, 4),
    ]
    assert masses(made)["leg"] == pytest.approx(0.55 * wire)
    assert masses(made)["clear bag 450 x 700 mm"] == pytest.approx(
        2 * 0.45 * 0.7 * 40e-6 * 920.0, rel=0.01
    )
    assert items(made) == {"clear bag 450 x 700 mm": 1, "tie": 1}
    assert made.problems == ()
    wide = design(replace(BAG, plant_spread_mm=150.0))
    assert wide.outer_mm[0] == 250.0  # the plant and 5 cm to either side


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        # π · 200 with 2 % ease is 640.9 mm round: 321 mm flat.
        ({"bag_width_mm": 320.0}, "goes round 640 mm and the cage needs 641 mm"),
        ({"bag_width_mm": 321.0}, ""),
        # 450 high, half the diameter and 10 cm below the rim.
        ({"bag_length_mm": 649.0}, "it is 649 mm long and 650 mm are needed"),
        ({"bag_length_mm": 650.0}, ""),
    ],
)
def test_a_bag_must_go_round_and_reach(changes: dict[str, Any], words: str) -> None:
    problems = " ".join(design(replace(BAG, **changes)).problems)

    assert words in problems
    assert bool(problems) is bool(words)


def test_boxes_and_bottles_weigh_their_walls() -> None:
    tote, bottle = design(TOTE), design(BOTTLE)

    assert tote.outer_mm == (604.0, 404.0, 302.0)
    assert tote.inner_volume_m3 == pytest.approx(0.6 * 0.4 * 0.3)
    assert tote.mass_kg == pytest.approx((0.24 + 2.0 * 0.3) * 0.002 * 905.0)
    assert items(tote) == {"tote 600 x 400 x 300 mm": 1}
    assert bottle.inner_volume_m3 == pytest.approx(math.pi / 4 * 0.09**2 * 0.25)
    assert bottle.mass_kg == pytest.approx(
        (math.pi / 4 * 0.09**2 + math.pi * 0.09 * 0.25) * 0.0005 * 1_345.0
    )
    assert design(replace(TOTE, mass_kg=1.5)).mass_kg == 1.5
    assert (tote.construction, bottle.construction) == ("tote", "bottle")
    assert design(replace(TOTE, is_sealed=False)).construction == "tote_unsealed"
    assert design(UpturnedBox("food box", 200.0, 150.0, 90.0)).construction == "food_box"
    assert set(bottle.tools) == {"gloves", "knife"}
    assert tote.tools == ()
    assert drawn(views(tote)["front"]) == [("body", box(0.0, 0.0, 404.0, 302.0))]
    assert drawn(views(tote)["side"]) == [("body", box(0.0, 0.0, 604.0, 302.0))]
    assert drawn(views(tote)["plan"]) == [("body", box(0.0, 0.0, 604.0, 404.0))]
    ((kind, ring),) = drawn(views(bottle)["plan"])
    assert kind == "body"
    assert len(ring) == 48
    assert all(math.hypot(x - 45.5, y - 45.5) == pytest.approx(45.5, abs=0.1) for x, y in ring)


# --- limits -----------------------------------------------------------------------------------

# Of each size, the least and the most that is taken; where another rule comes first, None.
LIMITS: list[tuple[Wish | Plants | Bed, str, float | None, float | None]] = [
    (Plants(300.0, 300.0), "height_mm", 10.0, 5_000.0),
    (Plants(300.0, 300.0), "spread_mm", 10.0, 5_000.0),
    (Plants(300.0, 300.0), "count", 1, 10_000),
    (Bed(2_000.0, 1_000.0), "length_mm", 100.0, 100_000.0),
    (Bed(2_000.0, 1_000.0), "width_mm", 100.0, 100_000.0),
    (replace(FRAME, bar_mm=10.0), "length_mm", 200.0, 6_000.0),
    (replace(FRAME, bar_mm=10.0), "width_mm", 200.0, 6_000.0),
    (replace(FRAME, bar_mm=10.0), "height_mm", 150.0, 2_500.0),
    (replace(FRAME, height_mm=600.0), "bar_mm", 10.0, 100.0),
    (FRAME, "film_um", 10.0, 1_000.0),
    (TUNNEL, "length_mm", 300.0, 20_000.0),
    (replace(TUNNEL, height_mm=300.0), "width_mm", 200.0, 3_000.0),
    (replace(TUNNEL, width_mm=3_000.0), "height_mm", 100.0, 2_000.0),
    (TUNNEL, "spacing_mm", 200.0, 2_000.0),
    (replace(TUNNEL, pipe_wall_mm=2.0), "pipe_mm", 4.0, 60.0),
    (TUNNEL, "pipe_wall_mm", 0.5, 10.0),
    (TUNNEL, "buried_mm", 100.0, 1_000.0),
    (TUNNEL, "film_um", 10.0, 1_000.0),
    (COLD, "window_across_mm", 200.0, 3_000.0),
    (replace(COLD, back_height_mm=250.0), "window_down_mm", 200.0, 2_500.0),
    (replace(COLD, window_down_mm=2_500.0), "front_height_mm", 50.0, 500.0),
    (replace(COLD, window_down_mm=2_500.0), "back_height_mm", 200.0, 1_500.0),
    (COLD, "glass_mm", 2.0, 12.0),
    (COLD, "window_mass_kg", 0.1, 100.0),
    (LEAN_TO, "slope_mm", 300.0, 3_000.0),
    (LEAN_TO, "run_mm", 300.0, 3_000.0),
    (LEAN_TO, "thickness_mm", 50.0, 300.0),
    (LEAN_TO, "angle_deg", 30.0, 75.0),
    (LEAN_TO, "pallet_mass_kg", 1.0, 80.0),
    (LEAN_TO, "sheet_gm2", 5.0, 2_000.0),
    (BAG, "pot_diameter_mm", 50.0, 2_000.0),
    (BAG, "bag_width_mm", 50.0, 5_000.0),
    (BAG, "bag_length_mm", 50.0, 5_000.0),
    (BAG, "plant_height_mm", 10.0, 5_000.0),
    (BAG, "plant_spread_mm", 10.0, 5_000.0),
    (TOTE, "length_mm", 40.0, 3_000.0),
    (TOTE, "width_mm", 40.0, 3_000.0),
    (TOTE, "height_mm", 40.0, 2_000.0),
    (TOTE, "wall_mm", 0.1, 20.0),
    (TOTE, "mass_kg", 0.0, 100.0),
]


@pytest.mark.parametrize(
    ("wish", "name", "least", "most"),
    LIMITS,
    ids=[f"{type(w).__name__} {n}" for w, n, *_ in LIMITS],
)
def test_a_size_is_taken_to_its_limit_and_no_further(
    wish: Any, name: str, least: float, most: float
) -> None:
    def make(value: float) -> object:
        made = replace(wish, **{name: value})
        return made if isinstance(made, Plants | Bed) else design(made)

    past = 1 if name == "count" else 1e-6
    make(least)
    make(most)
    for value in (least - past, most + past, math.nan, math.inf):
        with pytest.raises(OutOfRange):
            make(value)


@pytest.mark.parametrize("board", [(8.0, 50.0), (80.0, 400.0)])
def test_boards_are_taken_to_their_limits(board: tuple[float, float]) -> None:
    design(replace(COLD, board_mm=board))
    for past in (-1e-6, 1e-6):
        is_out = (past < 0) == (board[0] == 8.0)
        for wrong in ((board[0] + past, board[1]), (board[0], board[1] + past)):
            if is_out:
                with pytest.raises(OutOfRange, match="board"):
                    design(replace(COLD, board_mm=wrong))
            else:
                design(replace(COLD, board_mm=wrong))


@pytest.mark.parametrize(
    ("fine", "wrong", "words"),
    [
        (replace(FRAME, bar_mm=200.0 / 3), replace(FRAME, bar_mm=66.7), "too thick"),
        (
            replace(TUNNEL, height_mm=2_000.0),
            replace(TUNNEL, height_mm=1_990.0, width_mm=994.9),
            "at most twice the width",
        ),
        (
            replace(COLD, front_height_mm=500.0),
            replace(COLD, front_height_mm=500.1),
            "at least as high as the front",
        ),
        (
            replace(COLD, front_height_mm=150.0),
            replace(COLD, front_height_mm=149.9),
            "too steep",
        ),
        (BOTTLE, replace(BOTTLE, width_mm=91.0), "as long as it is wide"),
        (TOTE, replace(TOTE, material="wood"), "there is no"),
        (TOTE, replace(TOTE, kind="urn"), "there is no"),
    ],
)
def test_shapes_that_do_not_stand_are_refused_at_the_edge(
    fine: Wish, wrong: Wish, words: str
) -> None:
    design(fine)
    with pytest.raises(OutOfRange, match=words):
        design(wrong)
