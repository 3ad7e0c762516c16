"""The shapes a cover can be built in: their sizes, which sizes suit some plants, and their wish.

Sizes are in mm, µm, degrees and g/m², as the designs take them; pages turn them to the reader's
units. Suggestions are plain sums over rows of plants: squares of the widest spread, with air
above the tallest, on the ground there is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gardenapp.science.designs.records import (
    BoxFrame,
    CageBag,
    ColdFrame,
    HoopTunnel,
    PalletLeanTo,
    UpturnedBox,
    Wish,
)
from gardenapp.science.designs.shapes import hoop_width_at
from gardenapp.science.designs.small import CLEARANCE_MM
from gardenapp.words import later

Sizes = Mapping[str, Any]
LONGEST_ALONE_MM = 2_000.0  # what one person still carries; see the designs
USUAL_BED_MM = (2_400.0, 1_200.0)
_STEP_MM = 10.0


@dataclass(frozen=True)
class SizeField:
    """One size of a shape: `kind` is length, film, degrees, gsm or tick; limits as `kind` has."""

    name: str
    label: str
    kind: str
    least: float = 0.0
    most: float = 0.0
    usual: float = 0.0
    hint: str = ""


@dataclass(frozen=True)
class Shape:
    """A way of building, with what it is called on a label and the sizes it needs."""

    key: str
    title: str
    label: str
    fields: tuple[SizeField, ...]


@dataclass(frozen=True)
class Need:
    """Plants to stand inside, and the ground for it; None where that is not known. [mm]"""

    height_mm: float
    spread_mm: float
    count: int
    bed_length_mm: float | None = None
    bed_width_mm: float | None = None

    @property
    def ground_mm(self) -> tuple[float, float]:
        """Length and width to build for."""
        return (
            self.bed_length_mm or USUAL_BED_MM[0],
            self.bed_width_mm or USUAL_BED_MM[1],
        )


def _length(name: str, label: str, least: float, most: float, usual: float, hint: str = "") -> Any:
    return SizeField(name, label, "length", least, most, usual, hint)


_FILM = SizeField(
    "film_um", later("Film thickness"), "film", 10, 1_000, 150, later("0.15 mm is 150 µm.")
)
_BOX = (
    _length("length_mm", later("Length inside"), 40, 3_000, 550),
    _length("width_mm", later("Width inside"), 40, 3_000, 380),
    _length("height_mm", later("Height inside"), 40, 2_000, 350),
)

SHAPES: dict[str, Shape] = {
    shape.key: shape
    for shape in (
        Shape(
            "box_frame",
            later("Timber frame with clear film"),
            later("film frame"),
            (
                _length("length_mm", later("Length outside"), 200, 6_000, 1_200),
                _length("width_mm", later("Width outside"), 200, 6_000, 800),
                _length("height_mm", later("Height outside"), 150, 2_500, 500),
                _length("bar_mm", later("Bars, square, thick"), 10, 100, 38),
                _FILM,
                SizeField("has_lid", later("With a lid that opens"), "tick"),
                SizeField("has_vent", later("With a vent at one end"), "tick"),
            ),
        ),
        Shape(
            "hoop_tunnel",
            later("Hooped tunnel with clear film"),
            "tunnel",
            (
                _length("length_mm", later("Length"), 300, 20_000, 2_000),
                _length("width_mm", later("Width"), 200, 3_000, 900),
                _length("height_mm", later("Height"), 100, 2_000, 600),
                _length("spacing_mm", later("Hoops apart, at most"), 200, 2_000, 1_000),
                _length("pipe_mm", later("Pipe, across"), 4, 60, 20),
                _length("pipe_wall_mm", later("Pipe wall"), 0.5, 10, 2),
                _length("buried_mm", later("Foot in the soil"), 100, 1_000, 300),
                _FILM,
            ),
        ),
        Shape(
            "cold_frame",
            later("Cold frame under a reclaimed window"),
            later("cold frame"),
            (
                _length("window_across_mm", later("Window, along the back"), 200, 3_000, 1_000),
                _length("window_down_mm", later("Window, back to front"), 200, 2_500, 600),
                _length("front_height_mm", later("Height in front"), 50, 1_500, 250),
                _length("back_height_mm", later("Height at the back"), 50, 1_500, 400),
                _length("board_thick_mm", later("Boards, thick"), 8, 80, 19),
                _length("board_wide_mm", later("Boards, wide"), 50, 400, 140),
                _length("glass_mm", later("Glass, thick"), 2, 12, 4),
            ),
        ),
        Shape(
            "pallet_lean_to",
            later("Two pallets leaned together under a sheet"),
            later("pallet tent"),
            (
                _length("slope_mm", later("Pallet side going up"), 300, 3_000, 800),
                _length("run_mm", later("Pallet side along the ridge"), 300, 3_000, 1_200),
                _length("thickness_mm", later("Pallet, thick"), 50, 300, 144),
                SizeField("angle_deg", later("Angle to the ground"), "degrees", 30, 75, 55),
                SizeField("sheet_gm2", later("Weight of the sheet"), "gsm", 5, 2_000, 150),
                SizeField("has_closed_ends", later("With both ends closed"), "tick", usual=1.0),
            ),
        ),
        Shape(
            "tote",
            later("Clear tote upside down"),
            "tote",
            (
                *_BOX,
                _length("wall_mm", later("Wall, thick"), 0.1, 20, 2),
                SizeField(
                    "is_sealed", later("With soil drawn up round the rim"), "tick", usual=1.0
                ),
            ),
        ),
        Shape(
            "food_box",
            later("Clear food box upside down over a plant"),
            later("food box"),
            (*_BOX, _length("wall_mm", later("Wall, thick"), 0.1, 20, 0.5)),
        ),
        Shape(
            "bottle",
            later("Bottle with its bottom cut off over a plant"),
            "bottle",
            (
                _length("length_mm", later("Across"), 40, 500, 110),
                _length("height_mm", later("Height"), 40, 1_000, 280),
                _length("wall_mm", later("Wall, thick"), 0.1, 20, 0.3),
            ),
        ),
        Shape(
            "cage_bag",
            later("Clear bag over a wire cage on a pot"),
            later("bag on a cage"),
            (
                _length("pot_diameter_mm", later("Pot, across"), 50, 2_000, 300),
                _length("bag_width_mm", later("Bag lying flat, width"), 50, 5_000, 600),
                _length("bag_length_mm", later("Bag lying flat, length"), 50, 5_000, 900),
                _FILM,
            ),
        ),
    )
}


def usual_sizes(shape: str) -> dict[str, Any]:
    """The sizes a form starts from."""
    return {
        field.name: bool(field.usual) if field.kind == "tick" else field.usual
        for field in SHAPES[shape].fields
    }


def wish_of(shape: str, sizes: Sizes, need: Need) -> Wish:
    """The wish that these sizes make. Raises KeyError naming a size that is missing."""
    # Each one, also where the design would have taken a usual one: it is built as it was entered.
    for field in SHAPES[shape].fields:
        if field.name not in sizes:
            raise KeyError(field.name)
    match shape:
        case "box_frame":
            return BoxFrame(**sizes)
        case "hoop_tunnel":
            return HoopTunnel(**sizes)
        case "cold_frame":
            rest = dict(sizes)
            board = (rest.pop("board_thick_mm"), rest.pop("board_wide_mm"))
            return ColdFrame(**rest, board_mm=board)
        case "pallet_lean_to":
            return PalletLeanTo(**sizes)
        case "cage_bag":
            return CageBag(**sizes, plant_height_mm=need.height_mm, plant_spread_mm=need.spread_mm)
        case "bottle":
            across = sizes["length_mm"]
            return UpturnedBox("bottle", across, across, sizes["height_mm"], sizes["wall_mm"])
        case "food_box":
            return UpturnedBox("food box", **sizes)
        case _:
            return UpturnedBox("tote", **sizes, material="PP")


# --- sizes that suit the plants ---------------------------------------------------------------


def _up(value: float) -> float:
    return math.ceil(value / _STEP_MM - 1e-9) * _STEP_MM


def rows_and_columns(need: Need, most_along_mm: float, most_across_mm: float) -> tuple[int, int]:
    """How many plants along and across, near a square and rather long; 0 where none stands."""
    most_across = math.floor(most_across_mm / need.spread_mm + 1e-9)
    most_along = math.floor(most_along_mm / need.spread_mm + 1e-9)
    if most_across < 1 or most_along < 1:
        return 0, 0
    across = min(most_across, max(1, math.isqrt(need.count)))
    if math.ceil(need.count / across) > most_along:
        across = min(most_across, math.ceil(need.count / most_along))
    return min(most_along, math.ceil(need.count / across)), across


def suggest_box_frame(need: Need, *, bar_mm: float, film_um: float) -> dict[str, Any] | None:
    """A frame that takes as many of the plants as the ground and one person's arms allow."""
    length, width = need.ground_mm
    walls = 2.0 * bar_mm
    along, across = rows_and_columns(
        need, min(length, LONGEST_ALONE_MM) - walls, min(width, LONGEST_ALONE_MM) - walls
    )
    height = max(_up(need.height_mm + CLEARANCE_MM + bar_mm), 150.0, 6.0 * bar_mm)
    if not along or height > 2_500.0:
        return None
    least = max(200.0, _up(6.0 * bar_mm))
    return {
        **usual_sizes("box_frame"),
        "length_mm": max(least, _up(along * need.spread_mm + walls)),
        "width_mm": max(least, _up(across * need.spread_mm + walls)),
        "height_mm": height,
        "bar_mm": bar_mm,
        "film_um": film_um,
    }


def suggest_hoop_tunnel(need: Need, *, pipe_mm: float, film_um: float) -> dict[str, Any] | None:
    """A tunnel as wide at the plants' tops as their rows."""
    length, width = need.ground_mm
    top = need.height_mm + CLEARANCE_MM
    along, across = rows_and_columns(need, length, min(width, 3_000.0))
    while along and across:
        height = _up(top + 150.0)
        wide = max(200.0, _up(across * need.spread_mm), _up(height / 2.0))
        while wide <= min(width, 3_000.0):
            if hoop_width_at(wide, height, top - 1e-6) >= across * need.spread_mm:
                if height > 2_000.0:
                    return None
                return {
                    **usual_sizes("hoop_tunnel"),
                    "length_mm": max(300.0, _up(along * need.spread_mm)),
                    "width_mm": wide,
                    "height_mm": height,
                    "pipe_mm": pipe_mm,
                    "film_um": film_um,
                }
            wide += _STEP_MM
        across -= 1
        if across:
            most_along = math.floor(length / need.spread_mm + 1e-9)
            along = min(most_along, math.ceil(need.count / across))
    return None


def suggest_cold_frame(
    need: Need, *, window_mm: tuple[float, float], board_mm: tuple[float, float]
) -> dict[str, Any] | None:
    """Boards as high in front as the plants ask for, the window sloping by a fifth."""
    across, down = max(window_mm), min(window_mm)
    front = max(150.0, _up(need.height_mm + CLEARANCE_MM))
    back = front + _up(0.2 * down)
    if back > 1_500.0:
        return None
    return {
        **usual_sizes("cold_frame"),
        "window_across_mm": across,
        "window_down_mm": down,
        "front_height_mm": front,
        "back_height_mm": back,
        "board_thick_mm": board_mm[0],
        "board_wide_mm": board_mm[1],
    }


def suggest_pallets(need: Need, *, pallet_mm: tuple[float, float]) -> dict[str, Any] | None:
    """The lower way of leaning the pallets that still leaves room for the widest plant."""
    top = need.height_mm + CLEARANCE_MM
    for slope, run in (sorted(pallet_mm), sorted(pallet_mm, reverse=True)):
        for angle in (45.0, 55.0, 65.0):
            height = slope * math.sin(math.radians(angle))
            base = 2.0 * slope * math.cos(math.radians(angle))
            wide = base * (1.0 - top / height)
            if top < height and wide >= need.spread_mm and run >= need.spread_mm:
                return {
                    **usual_sizes("pallet_lean_to"),
                    "slope_mm": slope,
                    "run_mm": run,
                    "angle_deg": angle,
                }
    return None


def suggest_cage(need: Need, *, bag_mm: tuple[float, float] | None) -> dict[str, Any]:
    """A cage just wider than the plant, and a bag there is or one that would do."""
    across = _up(need.spread_mm + 2.0 * CLEARANCE_MM)
    width = _up(math.pi * across * 1.03 / 2.0)
    length = _up(need.height_mm + CLEARANCE_MM + across / 2.0 + 110.0)
    if bag_mm is not None:
        width, length = bag_mm
    return {
        **usual_sizes("cage_bag"),
        "pot_diameter_mm": min(300.0, across),
        "bag_width_mm": width,
        "bag_length_mm": length,
        "film_um": 40.0,
    }
