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
from gardenapp.science.covers import heat, wind
from gardenapp.science.covers.film import Roll
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.designs import design as designs
from gardenapp.science.designs import shapes as designs_shapes
from gardenapp.science.designs.design import Design
from gardenapp.science.designs.records import (
    Bed,
    BoxFrame,
    CageBag,
    ColdFrame,
    DrawingView,
    FilmPart,
    HoopTunnel,
    Item,
    OnHand,
    PalletLeanTo,
    Part,
    Plants,
    UpturnedBox,
    Wish,
)
from gardenapp.science.estimate import Estimate
from gardenapp.science.night import exposure
from gardenapp.science.timber.cutting import Stock

FRAME = BoxFrame(1_200.0, 600.0, 400.0)
TUNNEL = HoopTunnel(3_000.0, 1_000.0, 500.0)
COLD = ColdFrame(1_000.0, 500.0, 200.0, 500.0)  # 300 up on 500 of window: 400 on the ground
LEAN_TO = PalletLeanTo(1_200.0, 800.0, 60.0)
BAG = CageBag(200.0, 400.0, 100.0, 450.0, 700.0)
TOTE = UpturnedBox("tote", 600.0, 400.0, 300.0, 2.0, "PP")
BOTTLE = UpturnedBox("bottle", 90.0, 90.0, 250.0)
# A wish read from the database may say what the types rule out.
NO_PLASTIC: Any = "wood"
NO_BOX: Any = "urn"


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
    pieces: tuple[Part | FilmPart | Item, ...] = (*made.parts, *made.film, *made.items)
    return {piece.name: piece.mass_kg for piece in pieces}


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

    assert any("neither lid nor vent" in str(note) for note in made.notes) is told


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
    assert any("1000 mm apart" in str(step.text) for step in made.steps)


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
    assert any("slopes at 37°" in str(note) for note in made.notes)
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
    assert "Turn the open ends" in " ".join(str(step.text) for step in open_.steps)
    assert "Close both ends" in " ".join(str(step.text) for step in closed.steps)
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
    problems = " ".join(map(str, design(replace(BAG, **changes)).problems))

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
        (TOTE, replace(TOTE, material=NO_PLASTIC), "there is no"),
        (TOTE, replace(TOTE, kind=NO_BOX), "there is no"),
    ],
)
def test_shapes_that_do_not_stand_are_refused_at_the_edge(
    fine: Wish, wrong: Wish, words: str
) -> None:
    design(fine)
    with pytest.raises(OutOfRange, match=words):
        design(wrong)


# --- wind, hands and ground -------------------------------------------------------------------


def box_of(mass_kg: float) -> UpturnedBox:
    """A closed box 1 m long, 0.5 m wide and 0.4 m high outside."""
    return UpturnedBox("tote", 996.0, 496.0, 398.0, 2.0, "PP", mass_kg=mass_kg)


@pytest.mark.parametrize("is_sealed", [True, False])
def test_wind_on_a_box_by_hand(is_sealed: bool) -> None:
    # About half of 1.25 kg/m³ times 20²: 250 Pa.
    pressure = wind.dynamic_pressure_pa(20.0)
    suction = 1.2 if is_sealed else 2.4
    up_kg = 1.5 * pressure * suction * 0.5 / 9.81
    slide_kg = 1.5 * pressure * 1.3 * 0.4 / (0.3 * 9.81)

    made = designs.design(replace(box_of(5.0), is_sealed=is_sealed), gust_mps=20.0, peg_n=90.0)

    found = made.wind
    assert pressure == pytest.approx(250.0, rel=0.05)
    assert (found.gust_mps, found.peg_n) == (20.0, 90.0)
    assert found.uplift_kg == pytest.approx(up_kg - 5.0)
    assert found.sliding_kg == pytest.approx(slide_kg - 5.0)
    assert found.ballast_kg == pytest.approx(up_kg + slide_kg - 5.0)
    push_and_pull_n = 1.5 * pressure * 1.3 * 0.4 + (up_kg - 5.0) * 9.81
    assert found.pegs == math.ceil(push_and_pull_n / 90.0)
    # At its own limit nothing lifts it.
    limit = designs.design(replace(box_of(5.0), is_sealed=is_sealed), gust_mps=found.bare_limit_mps)
    assert limit.wind.uplift_kg == pytest.approx(0.0, abs=1e-6)
    assert ("close it" in str(found.words)) is not is_sealed
    assert f"put {found.ballast_kg:.0f} kg on its foot" in str(found.words)


def test_a_round_cover_offers_its_circle_to_the_wind() -> None:
    made = designs.design(replace(BOTTLE, mass_kg=0.0), gust_mps=20.0).wind

    circle_m2 = math.pi / 4 * 0.091**2
    assert made.uplift_kg == pytest.approx(
        1.5 * wind.dynamic_pressure_pa(20.0) * 1.2 * circle_m2 / 9.81
    )


def test_a_heavy_box_stands_by_its_own_weight_and_four_pegs_are_the_least() -> None:
    heavy = designs.design(box_of(100.0), gust_mps=5.0).wind

    assert (heavy.ballast_kg, heavy.uplift_kg, heavy.sliding_kg, heavy.pegs) == (0.0, 0.0, 0.0, 4)
    assert str(heavy.words) == "Its own weight holds it in a gust of 5 m/s."


@pytest.mark.parametrize(
    ("mass", "length", "words"),
    [
        (18.0, 996.0, ""),
        (18.01, 996.0, "it weighs 18 kg, more than 18 kg"),
        (1.0, 1_996.0, ""),
        (1.0, 1_996.1, "it is 2.0 m long, more than 2 m"),
        (30.0, 2_496.0, "it weighs 30 kg, more than 18 kg and it is 2.5 m long, more than 2 m"),
    ],
)
def test_two_people_are_for_what_is_over_18_kg_or_2_m(
    mass: float, length: float, words: str
) -> None:
    made = design(replace(box_of(mass), length_mm=length))

    assert made.needs_two_people is bool(words)
    assert words in str(made.why_two)
    assert bool(made.why_two) is bool(words)


@pytest.mark.parametrize("gust", [-0.001, 60.001, math.nan])
def test_a_gust_past_all_gusts_is_refused(gust: float) -> None:
    designs.design(TOTE, gust_mps=0.0)
    designs.design(TOTE, gust_mps=60.0)
    with pytest.raises(OutOfRange, match="gust_mps"):
        designs.design(TOTE, gust_mps=gust)


@pytest.mark.parametrize("peg_n", [0.0, -1.0, math.inf])
def test_a_peg_that_holds_nothing_is_refused(peg_n: float) -> None:
    designs.design(TOTE, gust_mps=5.0, peg_n=0.5)
    with pytest.raises(OutOfRange, match="peg_n"):
        designs.design(TOTE, gust_mps=5.0, peg_n=peg_n)


@pytest.mark.parametrize(
    ("wish", "plants", "capacity", "covers"),
    [
        (TOTE, Plants(250.0, 200.0, 13), 3 * 2, 3),
        (TOTE, Plants(250.0, 200.0, 12), 3 * 2, 2),
        (TOTE, Plants(250.1, 200.0), 0, None),  # 5 cm of air above
        (TOTE, Plants(250.0, 400.0), 1, 1),
        (TOTE, Plants(250.0, 400.1), 0, None),
        (FRAME, Plants(312.0, 500.0), 2, 1),
        (FRAME, Plants(312.1, 500.0), 0, None),
        # A circle of 600 has a square of 424 in it.
        (UpturnedBox("bottle", 600.0, 600.0, 300.0), Plants(200.0, 212.0, 5), 4, 2),
        (UpturnedBox("bottle", 600.0, 600.0, 300.0), Plants(200.0, 213.0, 5), 1, 5),
        (UpturnedBox("bottle", 600.0, 600.0, 300.0), Plants(200.0, 600.0), 1, 1),
        (UpturnedBox("bottle", 600.0, 600.0, 300.0), Plants(200.0, 601.0), 0, None),
    ],
)
def test_how_many_plants_stand_inside(
    wish: Wish, plants: Plants, capacity: int, covers: int | None
) -> None:
    made = design(wish, plants=plants)

    assert (made.capacity, made.covers_needed) == (capacity, covers)
    assert bool(made.problems) is (capacity == 0)


def test_why_none_stands_inside() -> None:
    too_tall = design(TOTE, plants=Plants(260.0, 100.0)).problems
    too_wide = design(TOTE, plants=Plants(250.0, 450.0)).problems

    assert tuple(map(str, too_tall)) == (
        "The plants are too tall: 260 mm and 50 mm of air above need 310 mm, and inside there "
        "are 300 mm.",
    )
    assert tuple(map(str, too_wide)) == (
        "The plants are too wide: they are 450 mm wide, and at their tops the cover is 400 mm by "
        "600 mm inside.",
    )


@pytest.mark.parametrize(
    ("length", "width", "bed", "fit"),
    [
        (1_000.0, 400.0, Bed(2_000.0, 500.0), (True, False, 50.0, 500.0)),
        (400.0, 1_000.0, Bed(2_000.0, 500.0), (True, True, 50.0, 500.0)),
        (500.0, 500.0, Bed(900.0, 500.0), (True, False, 0.0, 200.0)),
        (501.0, 501.0, Bed(900.0, 500.0), (False, False, -0.5, 199.5)),
        (1_000.0, 600.0, Bed(1_100.0, 1_400.0), (True, True, 200.0, 250.0)),
    ],
)
def test_a_cover_stands_on_a_bed_the_way_that_leaves_most(
    length: float, width: float, bed: Bed, fit: tuple[bool, bool, float, float]
) -> None:
    found = designs.bed_fit(length, width, bed)

    assert (found.fits, found.is_turned, found.side_mm, found.end_mm) == fit
    assert str(found.words).startswith("It fits by its" if fit[0] else "It does not fit")
    # A whole design says so among its problems.
    made = designs.design(box_of(5.0), gust_mps=5.0, bed=Bed(900.0, 400.0))
    assert made.bed_fit is not None
    assert made.problems == (made.bed_fit.words,)


# --- lift and materials -----------------------------------------------------------------------


def test_a_design_is_less_sure_by_a_quarter_and_half_a_kelvin() -> None:
    prior = LiftPrior(Estimate(2.0, 0.8), Estimate(1.5, 0.4), 0.3)

    lift = designs.predict_lift(TOTE, prior)

    assert lift.construction == "tote"
    assert lift.prior.clear == Estimate(2.0, math.hypot(1.0, 0.5))
    assert lift.prior.cloudy == Estimate(1.5, math.hypot(0.5, 0.5))
    assert lift.prior.leaf_shield == 0.3
    low, high = lift.prior.clear.interval(0.8)
    assert f"about 2.0 K, likely {low:.1f} to {high:.1f} K" in str(lift.words)


@pytest.mark.parametrize("is_sealed", [True, False])
def test_the_second_opinion_is_the_heat_balance_of_a_clear_calm_night(is_sealed: bool) -> None:
    prior = LiftPrior(Estimate(2.0, 0.8), Estimate(1.5, 0.4), 0.3)

    found = designs.predict_lift(replace(TOTE, is_sealed=is_sealed), prior).second_opinion

    assert found == heat.lift_range(
        outside_c=0.0,
        humidity_percent=80.0,
        wind_mps=1.0,
        transmittance=0.6,
        air_height_m=0.3,
        changes_per_h=2.0 if is_sealed else 10.0,
        plant_air_k=exposure.plant_air_k(Estimate(1.0, 0.0), 0.15).mean,
    )


def gaps(wish: Wish, on_hand: OnHand) -> dict[str, tuple[float, float, float, str, float | None]]:
    missing = designs.design(wish, gust_mps=12.0, on_hand=on_hand).missing
    assert missing is not None
    return {gap.what: (gap.need, gap.have, gap.short, gap.unit, gap.cost) for gap in missing}


def test_with_nothing_on_hand_everything_is_missing() -> None:
    found = gaps(FRAME, OnHand(prices={"38 x 38": 2.0, "film": 3.0, "screw": 0.5}))

    hem = 2 * designs_shapes.HEM_MM
    film_m2 = ((3_700.0 + hem) * (400.0 + hem) + (1_200.0 + hem) * (600.0 + hem)) / 1e6
    assert found == {
        "38 x 38": (pytest.approx(8.8), pytest.approx(0.0), pytest.approx(8.8), "m",
                    pytest.approx(17.6)),
        "film": (pytest.approx(film_m2), pytest.approx(0.0), pytest.approx(film_m2), "m²",
                 pytest.approx(3.0 * film_m2)),
        "screw": (24, 0, 24, "pieces", 12.0),
        "staple": (104, 0, 104, "pieces", None),
    }  # fmt: skip
    assert gaps(FRAME, OnHand())["film"][-1] is None
    assert gaps(FRAME, OnHand())["38 x 38"][-1] is None


def test_the_roll_that_leaves_least_is_taken_and_its_sheets_counted() -> None:
    made = designs.design(
        LEAN_TO,
        gust_mps=12.0,
        on_hand=OnHand(rolls=(Roll("short", 1_500.0, 1_300.0), Roll("long", 1_500.0, 4_000.0))),
    )

    assert made.missing is not None
    (film,) = [gap for gap in made.missing if gap.what == "film"]
    # The long roll gives the sheet of 3.1 m; both ends of 1.2 m by 1.04 m are left over.
    ends_m2 = sum(part.length_mm * part.width_mm * 2 for part in made.film if part.name == "end")
    assert film.short == pytest.approx(ends_m2 / 1e6)
    assert film.have == pytest.approx(film.need - film.short)
    assert str(film.words) == f"{film.short:.1f} m² of film missing after long."


def test_boards_that_are_still_to_be_bought_do_not_count_as_there() -> None:
    there = Stock("bars", 2_400.0, count=9, section="38 x 38")

    assert "38 x 38" not in gaps(FRAME, OnHand(stock=(there,)))
    bought = gaps(FRAME, OnHand(stock=(replace(there, price=4.0),)))["38 x 38"]
    assert bought[2] == pytest.approx(8.8)
    missing = designs.design(
        FRAME, gust_mps=12.0, on_hand=OnHand(stock=(replace(there, count=3),))
    ).missing
    assert missing is not None
    assert missing[0].what == "38 x 38"
    assert missing[0].short == pytest.approx(8.8 - missing[0].have)
    assert "m of 38 x 38 missing, without the saw's waste: " in str(missing[0].words)


def test_what_is_there_in_part_is_missing_in_part() -> None:
    found = gaps(FRAME, OnHand(items={"screw": 23, "staple": 104}, prices={"screw": 0.5}))

    assert found["screw"] == (24, 23, 1, "pieces", 0.5)
    assert "staple" not in found


def test_tools_are_missed_once_they_are_known() -> None:
    found = gaps(FRAME, OnHand(tools=frozenset({"saw", "drill", "screwdriver", "stapler"})))

    assert [what for what, gap in found.items() if gap[3] == "tool"] == ["scissors", "gloves"]
    assert found["gloves"] == (1, 0, 1, "tool", None)


# --- what is drawn ----------------------------------------------------------------------------


def test_every_view_carries_its_two_overall_measures_and_the_ground() -> None:
    seen = views(design(FRAME))

    # The first from right to left below, the second upwards on the left: so both lie outside.
    assert measured(seen["front"]) == [
        (600.0, 0.0, 0.0, 0.0, 600.0),
        (0.0, 0.0, 0.0, 400.0, 400.0),
    ]
    assert [d.offset_mm for d in seen["front"].dimensions] == [60.0, 60.0]
    assert [d.offset_mm for d in seen["side"].dimensions] == [96.0, 96.0]  # 8 % of 1.2 m
    (ground,) = seen["front"].lines
    assert (ground.x1, ground.y1, ground.x2, ground.y2, ground.kind) == (
        pytest.approx(-60.0),
        0.0,
        pytest.approx(660.0),
        0.0,
        "ground",
    )
    assert seen["plan"].lines == ()
    assert drawn(seen["front"]) == [
        ("film", box(0.0, 0.0, 600.0, 400.0)),
        ("timber", box(0.0, 0.0, 600.0, 38.0)),
        ("timber", box(0.0, 362.0, 600.0, 38.0)),
        ("timber", box(0.0, 0.0, 38.0, 400.0)),
        ("timber", box(562.0, 0.0, 38.0, 400.0)),
    ]
    assert seen["front"].bounds() == (pytest.approx(-60.0), 0.0, pytest.approx(660.0), 400.0)
    assert seen["plan"].bounds() == (0.0, 0.0, 1_200.0, 600.0)
    with pytest.raises(OutOfRange, match="no view"):
        designs_shapes.view("back", 1.0, 1.0, [])


@pytest.mark.parametrize(
    ("width", "height", "length", "area"),
    [
        (1_000.0, 500.0, math.pi * 500.0, math.pi * 500.0**2 / 2),
        # A third of a circle of radius 1 m: √3 wide, half a metre high.
        (
            1_000.0 * math.sqrt(3),
            500.0,
            2_000.0 * math.pi / 3,
            1e6 * (math.pi / 3 - math.sqrt(3) / 4),
        ),
        # Legs of 200 under a half circle.
        (1_000.0, 700.0, math.pi * 500.0 + 400.0, math.pi * 500.0**2 / 2 + 200_000.0),
    ],
)
def test_hoops_by_hand(width: float, height: float, length: float, area: float) -> None:
    found, line = designs_shapes.hoop(width, height)

    assert found == pytest.approx(length)
    assert designs_shapes.area_under_hoop(width, height) == pytest.approx(area)
    assert line[0] == pytest.approx((0.0, 0.0), abs=1e-9)
    assert line[-1] == pytest.approx((width, 0.0), abs=1e-9)
    assert max(y for _, y in line) == pytest.approx(height)
    for x, y in line[1:-1]:
        # The line lies where the width says it does.
        assert abs(width / 2 - x) * 2 == pytest.approx(
            designs_shapes.hoop_width_at(width, height, y), abs=1e-3 * width
        )
    assert designs_shapes.hoop_width_at(width, height, height) == 0.0
    assert designs_shapes.hoop_width_at(width, height, 0.0) == pytest.approx(width)


def test_a_sheet_is_cut_with_its_hems_and_weighs_its_whole_area() -> None:
    sheet = designs_shapes.film_part("top", 1_000.0, 500.0, 100.0, 2, hem_mm=40.0)
    cloth = designs_shapes.film_part("top", 1_000.0, 500.0, 0.0, hem_mm=0.0, gm2=60.0)

    assert (sheet.length_mm, sheet.width_mm, sheet.count) == (1_080.0, 580.0, 2)
    assert (sheet.finished_length_mm, sheet.finished_width_mm) == (1_000.0, 500.0)
    assert (sheet.hem_mm, sheet.overlap_mm) == (40.0, 100.0)
    assert sheet.mass_kg == pytest.approx(1.08 * 0.58 * 100e-6 * 920.0)
    assert cloth.mass_kg == pytest.approx(0.5 * 0.060)


def test_steps_that_belong_to_one_kind_only() -> None:
    def said(wish: Wish) -> str:
        return " ".join(str(step.text) for step in design(wish).steps)

    assert "Cut the bottom off" in said(BOTTLE) and "Cut the bottom off" not in said(TOTE)
    assert "draw soil up round the rim" in said(TOTE)
    assert "draw soil up" not in said(replace(TOTE, is_sealed=False))
    assert "Put the top film on the lid" in said(replace(FRAME, has_lid=True))
    assert "roll up as a vent" in said(replace(FRAME, has_vent=True))
    assert "lid" not in said(FRAME) and "vent" not in said(FRAME)


def test_small_things_weigh_what_they_weigh() -> None:
    lidded, tunnel = design(replace(FRAME, has_lid=True)), design(TUNNEL)
    found = masses(lidded) | masses(tunnel) | masses(design(COLD))

    assert {name: found[name] for name in ("screw", "hinge", "hook and eye", "film clip")} == {
        "screw": 0.004,
        "hinge": 0.05,
        "hook and eye": 0.02,
        "film clip": 0.01,
    }
    assert (found["end peg"], found["prop"], found["staple"]) == (0.1, 0.0, 0.0)
    assert masses(lidded)["lid bar along"] == pytest.approx(0.038 * 0.038 * 1.2 * 510.0)


def test_the_figures_shown_are_the_figures_used() -> None:
    shown = {str(figure.what): str(figure.value) for figure in designs_shapes.FIGURES}

    assert shown["timber, air-dry"] == f"{designs_shapes.TIMBER_KGM3:.0f} kg/m³"
    assert shown["window glass"] == f"{designs_shapes.GLASS_KGM3:,.0f} kg/m³"
    assert shown["steel wire"] == f"{designs_shapes.STEEL_KGM3:,.0f} kg/m³"
    plastics = designs_shapes.PLASTIC_KGM3.values()
    assert shown["plastics"] == f"{min(plastics):.0f} to {max(plastics):,.0f} kg/m³"
    through = designs_shapes.TRANSMITTANCE.values()
    assert shown["night radiation through film and sheet"] == f"{min(through)} to {max(through)}"
    assert shown["weight and length for two people"] == (
        f"{designs.TWO_PEOPLE_KG:.0f} kg, {designs.TWO_PEOPLE_MM / 1000:.0f} m"
    )
    assert shown["pull that a peg holds"] == f"{designs.PEG_N:.0f} N"
