"""What a design is made of: the wishes it starts from, and what it says in the end.

Lengths are millimetres throughout, as on a saw bench, and pictures are true to scale.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from gardenapp.errors import OutOfRange
from gardenapp.messages import Length, Message, Words, say
from gardenapp.science.covers.film import Roll
from gardenapp.science.covers.heat import LiftRange
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.timber.cutting import Stock

LEAST_MM = 20.0
MOST_MM = 20_000.0


def checked_mm(
    name: Message,
    value: float,
    least: float = LEAST_MM,
    most: float = MOST_MM,
    *,
    about: str,
) -> float:
    """A size within reason. Raises OutOfRange with its name in words; `about` is its argument."""
    if not (math.isfinite(value) and least <= value <= most):
        raise OutOfRange(
            say(
                "%(name)s must be %(least)s to %(most)s, not %(value)s",
                name=name,
                least=Length(least, "g", is_bare=True),
                most=Length(most, "g"),
                value=Length(value, "g", is_bare=True),
            ),
            about=about,
        )
    return value


# --- wishes -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Plants:
    """What is to stand inside: tallest height, spread across, how many. [mm]"""

    height_mm: float
    spread_mm: float
    count: int = 1

    def __post_init__(self) -> None:
        checked_mm(say("plant height"), self.height_mm, 10.0, 5_000.0, about="plant_height_mm")
        checked_mm(say("plant width"), self.spread_mm, 10.0, 5_000.0, about="plant_spread_mm")
        if not 1 <= self.count <= 10_000:
            raise OutOfRange(
                say("plant count must be 1 to 10,000, not %(count)s", count=self.count),
                about="plant_count",
            )


@dataclass(frozen=True)
class Bed:
    """The ground there is. [mm]"""

    length_mm: float
    width_mm: float

    def __post_init__(self) -> None:
        checked_mm(say("bed length"), self.length_mm, 100.0, 100_000.0, about="bed_length_mm")
        checked_mm(say("bed width"), self.width_mm, 100.0, 100_000.0, about="bed_width_mm")


@dataclass(frozen=True)
class CageBag:
    """A clear bag over a wire cage on a pot. Bag sizes lie flat: width, and length to the seam."""

    pot_diameter_mm: float
    plant_height_mm: float
    plant_spread_mm: float
    bag_width_mm: float
    bag_length_mm: float
    film_um: float = 40.0


@dataclass(frozen=True)
class UpturnedBox:
    """A food box, bottle or tote upside down. Inner sizes; a round one has length = width.

    kind : "food box", "bottle" or "tote". mass_kg None: worked out from the wall.
    """

    kind: Literal["food box", "bottle", "tote"]
    length_mm: float
    width_mm: float
    height_mm: float
    wall_mm: float = 0.5
    material: Literal["PET", "PP", "PC"] = "PET"
    mass_kg: float | None = None
    is_sealed: bool = True


@dataclass(frozen=True)
class PalletLeanTo:
    """Two pallets leaned together under a sheet.

    slope_mm : the pallet's side that goes up; run_mm : the other, along the ridge.
    angle_deg : between pallet and ground, 30 to 75.
    """

    slope_mm: float
    run_mm: float
    angle_deg: float = 55.0
    thickness_mm: float = 144.0
    pallet_mass_kg: float = 22.0
    has_closed_ends: bool = True
    sheet_gm2: float = 150.0


@dataclass(frozen=True)
class BoxFrame:
    """A frame of twelve bars covered with film, with or without a lid on top."""

    length_mm: float
    width_mm: float
    height_mm: float
    bar_mm: float = 38.0
    film_um: float = 150.0
    has_lid: bool = False
    has_vent: bool = False


@dataclass(frozen=True)
class HoopTunnel:
    """Hoops of pipe pushed into the ground, with film over them."""

    length_mm: float
    width_mm: float
    height_mm: float
    spacing_mm: float = 1_000.0
    pipe_mm: float = 20.0
    pipe_wall_mm: float = 2.0
    buried_mm: float = 300.0
    film_um: float = 150.0


@dataclass(frozen=True)
class ColdFrame:
    """A box of boards under an old window that slopes towards the sun.

    window_across_mm : along the back; window_down_mm : from back to front.
    """

    window_across_mm: float
    window_down_mm: float
    front_height_mm: float
    back_height_mm: float
    board_mm: tuple[float, float] = (19.0, 140.0)
    glass_mm: float = 4.0
    window_mass_kg: float | None = None


Wish = CageBag | UpturnedBox | PalletLeanTo | BoxFrame | HoopTunnel | ColdFrame


# --- what comes out ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Part:
    """A bar, board, wire or pipe to be cut: `section` as on the stock list."""

    name: str
    section: str
    length_mm: float
    count: int
    mass_kg: float  # of one


@dataclass(frozen=True)
class FilmPart:
    """A sheet to be cut, hems included. `finished_…` is without them."""

    name: str
    length_mm: float
    width_mm: float
    count: int
    hem_mm: float
    overlap_mm: float
    mass_kg: float  # of one

    @property
    def finished_length_mm(self) -> float:
        """Length once the hems are folded."""
        return self.length_mm - 2.0 * self.hem_mm

    @property
    def finished_width_mm(self) -> float:
        """Width once the hems are folded."""
        return self.width_mm - 2.0 * self.hem_mm


@dataclass(frozen=True)
class Item:
    """Something counted and not cut: a box, a window, screws, pegs."""

    name: str
    count: int
    mass_kg: float = 0.0  # of one
    words: Message | None = None  # for people, where the name has sizes in it

    @property
    def shown(self) -> Message:
        """The name as people read it; `name` is what the store and the prices know it by."""
        return self.words or Message(self.name)


@dataclass(frozen=True)
class Step:
    """One thing to do, with the keys of the cautions to be shown beside it."""

    text: Message
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Line:
    """A straight line of a picture. [mm], y upwards in views from the side."""

    x1: float
    y1: float
    x2: float
    y2: float
    kind: Literal["edge", "hidden", "ground"] = "edge"


@dataclass(frozen=True)
class Polygon:
    """A closed shape of a picture. [mm]"""

    points: tuple[tuple[float, float], ...]
    kind: Literal["timber", "film", "glass", "body", "plant", "bed"] = "timber"


@dataclass(frozen=True)
class Dimension:
    """A measured distance between two points, drawn `offset_mm` to its left-hand side."""

    x1: float
    y1: float
    x2: float
    y2: float
    offset_mm: float

    @property
    def length_mm(self) -> float:
        """What the figure says: the distance itself, so it cannot disagree with the picture."""
        return math.hypot(self.x2 - self.x1, self.y2 - self.y1)


@dataclass(frozen=True)
class DrawingView:
    """One view, true to scale, in mm: "front", "side" or "plan" (from above).

    The front shows the width and the side the length, but for a cold frame, whose front is its
    long low side.
    """

    name: Literal["front", "side", "plan"]
    lines: tuple[Line, ...]
    polygons: tuple[Polygon, ...]
    dimensions: tuple[Dimension, ...]

    def bounds(self) -> tuple[float, float, float, float]:
        """Least x, least y, most x, most y of everything but the dimensions."""
        xs = [x for line in self.lines for x in (line.x1, line.x2)]
        ys = [y for line in self.lines for y in (line.y1, line.y2)]
        xs += [x for shape in self.polygons for x, _ in shape.points]
        ys += [y for shape in self.polygons for _, y in shape.points]
        return min(xs), min(ys), max(xs), max(ys)


@dataclass(frozen=True)
class BedFit:
    """Whether it stands on the bed, the better way round, with what is left on each side. [mm]"""

    fits: bool
    is_turned: bool
    side_mm: float
    end_mm: float
    words: Message


@dataclass(frozen=True)
class WindNeeds:
    """What holds it down in one gust, with safety factor 1.5.

    uplift_kg, sliding_kg : mass to add against one or the other alone.
    ballast_kg : mass to add against both at once, with nothing else to hold it.
    pegs : pegs or ties instead, each good for `peg_n`; at least four.
    bare_limit_mps : the gust that lifts it with no ballast at all.
    """

    gust_mps: float
    uplift_kg: float
    sliding_kg: float
    ballast_kg: float
    pegs: int
    peg_n: float
    bare_limit_mps: float
    words: Words


@dataclass(frozen=True)
class PredictedLift:
    """What it may add, before any trial of it.

    prior : of the nearest construction with published or recorded values, its spread widened.
    second_opinion : of the heat balance, for a clear calm night at 0 °C; it ranks, no more, and
        is shown nowhere.
    """

    construction: str
    prior: LiftPrior
    second_opinion: LiftRange
    words: Message


@dataclass(frozen=True)
class MissingMaterial:
    """What is short: need, have and short in `unit`; cost None where no price was given.

    `what` is the name that stores and prices know it by; `shown` is the one for people.
    """

    what: str
    need: float
    have: float
    short: float
    unit: str
    cost: float | None
    words: Message
    label: Message | None = None

    @property
    def shown(self) -> Message:
        """The name as people read it."""
        return self.label or Message(self.what)


@dataclass(frozen=True)
class OnHand:
    """What there is to build with.

    items : name → how many, by the names of `Item`. prices : by section (a metre), "film"
    (a square metre) or item name (each). tools : by the names of `Design.tools`; None where
    nobody has said, and then no tool is called missing.
    """

    stock: tuple[Stock, ...] = ()
    rolls: tuple[Roll, ...] = ()
    items: Mapping[str, int] = field(default_factory=dict)
    prices: Mapping[str, float] = field(default_factory=dict)
    kerf_mm: float = 3.0
    tools: frozenset[str] | None = None


@dataclass(frozen=True)
class Design:
    """A cover that could be built.

    outer, inner : length, width, height. [mm]
    problems : why it would not do as asked, in words; empty when it would.
    capacity : plants of the asked size that stand inside without touching, None without plants.
    """

    title: str
    construction: str
    outer_mm: tuple[float, float, float]
    inner_mm: tuple[float, float, float]
    inner_volume_m3: float
    parts: tuple[Part, ...]
    film: tuple[FilmPart, ...]
    items: tuple[Item, ...]
    tools: tuple[str, ...]
    mass_kg: float
    needs_two_people: bool
    why_two: Words
    capacity: int | None
    covers_needed: int | None
    bed_fit: BedFit | None
    wind: WindNeeds
    lift: PredictedLift | None
    steps: tuple[Step, ...]
    views: tuple[DrawingView, ...]
    problems: tuple[Words, ...]
    missing: tuple[MissingMaterial, ...] | None
    notes: tuple[Words, ...]
