"""Shapes of covers and the little geometry they need, in closed form."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from gardenapp.errors import OutOfRange
from gardenapp.messages import Length, Message, Number, Value, Words, say
from gardenapp.science.covers.film import areal_mass_gm2
from gardenapp.science.designs.records import (
    Dimension,
    DrawingView,
    FilmPart,
    Item,
    Line,
    Part,
    Polygon,
    Step,
)

# Densities in kg/m³. Plastics are the middles of published tables; wood, glass and steel are
# from memory, as the materials table marks them.
TIMBER_KGM3 = 510.0  # Scots pine, air-dry: "about 510", from memory
GLASS_KGM3 = 2500.0  # window glass, from memory
STEEL_KGM3 = 7850.0  # from memory
PLASTIC_KGM3 = {"PET": 1345.0, "PP": 905.0, "PC": 1200.0, "HDPE": 958.0}

# Share of the night's radiation that passes: polyethylene and polypropylene from memory (0.6 to
# 0.8 and 0.4 to 0.8), glass and the like 0.0 to 0.05, from memory too.
TRANSMITTANCE = {"PE": 0.7, "PP": 0.6, "PET": 0.05, "PC": 0.03, "glass": 0.02, "cloth": 0.0}


@dataclass(frozen=True)
class Figure:
    """A number the designs rest on, and how well it is known, to be shown where they are."""

    what: Message
    value: Value
    status: str  # as in the reference tables: seen, derived, practice, memory
    source: str


FIGURES = (
    Figure(say("timber, air-dry"), "510 kg/m³", "memory", ""),
    Figure(say("window glass"), say("%(value)s kg/m³", value=Number(2500.0, ",.0f")), "memory", ""),
    Figure(say("steel wire"), say("%(value)s kg/m³", value=Number(7850.0, ",.0f")), "memory", ""),
    Figure(
        say("plastics"),
        say("%(least)s to %(most)s kg/m³", least=Number(905.0), most=Number(1345.0, ",.0f")),
        "seen",
        "tables of plastics' densities",
    ),
    Figure(say("film"), "920 kg/m³", "seen", "film yield chart and tables of plastics' densities"),
    Figure(
        say("night radiation through film and sheet"),
        say("%(least)s to %(most)s", least=Number(0.0, ".1f"), most=Number(0.7, ".1f")),
        "memory",
        "",
    ),
    Figure(say("weight and length for two people"), "18 kg, 2 m", "practice", ""),
    Figure(say("pull that a peg holds"), "100 N", "practice", ""),
    Figure(
        say("friction of wood on ground"),
        say(
            "%(value)s of %(least)s to %(most)s",
            value=Number(0.3),
            least=Number(0.25),
            most=Number(0.5),
        ),
        "seen",
        "retaining wall practice",
    ),
    Figure(say("lap of film joins"), Length(100.0), "practice", ""),
)

HEM_MM = 50.0  # folded once round a batten; ours
OVERLAP_MM = 100.0  # common practice, no source


@dataclass
class Draft:
    """A shape before it is weighed, held down and judged."""

    title: str
    construction: str
    outer_mm: tuple[float, float, float]
    inner_mm: tuple[float, float, float]
    inner_volume_m3: float
    material: str  # key of TRANSMITTANCE
    width_at: Callable[[float], float]  # inner width at a height, 0 above the top
    is_open: bool = False
    is_round: bool = False
    parts: list[Part] = field(default_factory=list)
    film: list[FilmPart] = field(default_factory=list)
    items: list[Item] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    views: list[DrawingView] = field(default_factory=list)
    problems: list[Words] = field(default_factory=list)
    notes: list[Words] = field(default_factory=list)
    tools: list[str] = field(default_factory=list)


def bar(name: str, thick_mm: float, wide_mm: float, length_mm: float, count: int) -> Part:
    """A timber part with its mass."""
    volume_m3 = thick_mm * wide_mm * length_mm / 1e9
    return Part(name, f"{thick_mm:g} x {wide_mm:g}", length_mm, count, volume_m3 * TIMBER_KGM3)


def film_part(
    name: str,
    length_mm: float,
    width_mm: float,
    film_um: float,
    count: int = 1,
    hem_mm: float = HEM_MM,
    gm2: float | None = None,
) -> FilmPart:
    """A sheet with a hem on every side, with its mass. Takes the finished size."""
    length, width = length_mm + 2.0 * hem_mm, width_mm + 2.0 * hem_mm
    areal = areal_mass_gm2(film_um) if gm2 is None else gm2
    return FilmPart(
        name, length, width, count, hem_mm, OVERLAP_MM, length * width / 1e6 * areal / 1000.0
    )


def hoop(width_mm: float, height_mm: float) -> tuple[float, list[tuple[float, float]]]:
    """Length of a hoop over the ground and its line from left foot to right. [mm]

    Up to half as high as wide it is an arc of a circle, R = (w²/4 + h²)/(2h) and length
    2R·asin(w/2R); higher, half a circle on straight legs, πw/2 + 2(h − w/2).
    """
    half = width_mm / 2.0
    if height_mm <= half:
        radius = (half**2 + height_mm**2) / (2.0 * height_mm)
        turn = math.asin(min(1.0, half / radius))
        centre = height_mm - radius
        angles = [turn - 2.0 * turn * k / 24 for k in range(25)]
        line = [(half - radius * math.sin(a), centre + radius * math.cos(a)) for a in angles]
        return 2.0 * radius * turn, line
    leg = height_mm - half
    angles = [math.pi - math.pi * k / 24 for k in range(25)]
    arch = [(half + half * math.cos(a), leg + half * math.sin(a)) for a in angles]
    return math.pi * half + 2.0 * leg, [(0.0, 0.0), *arch, (width_mm, 0.0)]


def hoop_width_at(width_mm: float, height_mm: float, at_mm: float) -> float:
    """Width inside a hoop at a height. [mm]"""
    if at_mm >= height_mm:
        return 0.0
    half = width_mm / 2.0
    if height_mm <= half:
        radius = (half**2 + height_mm**2) / (2.0 * height_mm)
        centre = height_mm - radius
    else:
        radius, centre = half, height_mm - half
        if at_mm <= centre:
            return width_mm
    return 2.0 * math.sqrt(max(0.0, radius**2 - (at_mm - centre) ** 2))


def area_under_hoop(width_mm: float, height_mm: float) -> float:
    """Area between a hoop and the ground. [mm²]"""
    half = width_mm / 2.0
    if height_mm > half:
        return math.pi * half**2 / 2.0 + width_mm * (height_mm - half)
    radius = (half**2 + height_mm**2) / (2.0 * height_mm)
    turn = 2.0 * math.asin(min(1.0, half / radius))
    return radius**2 * (turn - math.sin(turn)) / 2.0


def rectangle(x: float, y: float, width: float, height: float) -> tuple[tuple[float, float], ...]:
    """Corners of a rectangle from its lower left one."""
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def _measured(width: float, height: float) -> tuple[Dimension, ...]:
    gap = max(60.0, 0.08 * max(width, height))
    return (
        Dimension(width, 0.0, 0.0, 0.0, gap),
        Dimension(0.0, 0.0, 0.0, height, gap),
    )


def view(
    name: str,
    width: float,
    height: float,
    polygons: Sequence[Polygon],
    *,
    lines: Sequence[Line] = (),
    dimensions: Sequence[Dimension] = (),
) -> DrawingView:
    """A view with its two overall measures; views from the side stand on the ground."""
    if name not in ("front", "side", "plan"):
        raise OutOfRange(say("there is no view %(name)s", name=repr(name)))
    ground = [Line(-0.1 * width, 0.0, 1.1 * width, 0.0, "ground")] if name != "plan" else []
    return DrawingView(
        name,  # type: ignore[arg-type]  # checked just above
        (*ground, *lines),
        tuple(polygons),
        (*_measured(width, height), *dimensions),
    )


def bars_of_face(width: float, height: float, bar_mm: float) -> list[Polygon]:
    """The four bars of one face of a frame."""
    return [
        Polygon(rectangle(0.0, 0.0, width, bar_mm)),
        Polygon(rectangle(0.0, height - bar_mm, width, bar_mm)),
        Polygon(rectangle(0.0, 0.0, bar_mm, height)),
        Polygon(rectangle(width - bar_mm, 0.0, bar_mm, height)),
    ]
