"""Shapes without a frame: bag over a cage, upturned box or bottle, lean-to of two pallets."""

from __future__ import annotations

import math

from gardenapp.errors import OutOfRange
from gardenapp.science.covers.film import areal_mass_gm2
from gardenapp.science.designs.records import (
    CageBag,
    Dimension,
    Item,
    PalletLeanTo,
    Part,
    Plants,
    Polygon,
    Step,
    UpturnedBox,
    checked_mm,
)
from gardenapp.science.designs.shapes import (
    HEM_MM,
    PLASTIC_KGM3,
    STEEL_KGM3,
    Draft,
    film_part,
    rectangle,
    view,
)

CLEARANCE_MM = 50.0
"""Between leaf and film: a leaf against it is as cold as the film. Ours."""
_WIRE_MM = 2.5
_RIM_TUCK_MM = 100.0
_EASE = 1.02


def _circle(diameter: float) -> tuple[tuple[float, float], ...]:
    radius = diameter / 2.0
    return tuple(
        (
            radius + radius * math.cos(2.0 * math.pi * k / 48),
            radius + radius * math.sin(2.0 * math.pi * k / 48),
        )
        for k in range(48)
    )


def cage_bag(wish: CageBag) -> Draft:
    """A cylinder of wire as wide as the plant with room to spare, and the bag over it.

    The bag goes round when twice its flat width is the cage's girth, π·d, with 2 % ease; it
    reaches when its length is height, half the diameter and a tuck below the rim.
    """
    pot = checked_mm("pot diameter", wish.pot_diameter_mm, 50.0, 2_000.0)
    checked_mm("bag width", wish.bag_width_mm, 50.0, 5_000.0)
    checked_mm("bag length", wish.bag_length_mm, 50.0, 5_000.0)
    Plants(wish.plant_height_mm, wish.plant_spread_mm)
    diameter = max(pot, wish.plant_spread_mm + 2.0 * CLEARANCE_MM)
    height = wish.plant_height_mm + CLEARANCE_MM
    wire_kg_mm = math.pi * (_WIRE_MM / 2.0) ** 2 * STEEL_KGM3 / 1e9
    ring, leg = math.pi * diameter + 50.0, height + 100.0
    bag_kg = 2.0 * wish.bag_width_mm * wish.bag_length_mm / 1e6 * areal_mass_gm2(wish.film_um) / 1e3
    draft = Draft(
        title="Clear bag over a wire cage on a pot",
        construction="cage_bag",
        outer_mm=(diameter, diameter, height),
        inner_mm=(diameter, diameter, height),
        inner_volume_m3=math.pi * diameter**2 / 4.0 * height / 1e9,
        material="PE",
        width_at=lambda at: diameter if at < height else 0.0,
        is_round=True,
        tools=["gloves", "pliers"],
        parts=[
            Part("ring", "wire 2.5", ring, 3, ring * wire_kg_mm),
            Part("leg", "wire 2.5", leg, 4, leg * wire_kg_mm),
        ],
        items=[
            Item(f"clear bag {wish.bag_width_mm:g} x {wish.bag_length_mm:g} mm", 1, bag_kg),
            Item("tie", 1),
        ],
        steps=[
            Step("Bend three rings and tie four legs to them; turn every wire end in.", ("tools",)),
            Step("Push the legs 10 cm into the pot so that no leaf is nearer than 5 cm."),
            Step(
                "Pull the bag over, tie it below the pot's rim, and keep spare bags out of reach.",
                ("bags_children", "wind_borne"),
            ),
            Step("Take it off or open it in the morning sun.", ("overheating",)),
        ],
        notes=["The mass of the pot is not counted; a heavy pot holds the cover down as well."],
    )
    girth, needed = 2.0 * wish.bag_width_mm, math.pi * diameter * _EASE
    if girth < needed:
        draft.problems.append(
            f"The bag is too narrow: it goes round {girth:.0f} mm and the cage needs "
            f"{needed:.0f} mm. A bag {needed / 2.0:.0f} mm wide would do."
        )
    reach = height + diameter / 2.0 + _RIM_TUCK_MM
    if wish.bag_length_mm < reach:
        draft.problems.append(
            f"The bag is too short: it is {wish.bag_length_mm:.0f} mm long and {reach:.0f} mm "
            "are needed to go over and be tied below the rim."
        )
    face = [Polygon(rectangle(0.0, 0.0, diameter, height), "film")]
    draft.views = [
        view("front", diameter, height, face),
        view("side", diameter, height, face),
        view("plan", diameter, diameter, [Polygon(_circle(diameter), "film")]),
    ]
    return draft


_BOX_TITLES = {
    "food box": "Clear food box upside down over a plant",
    "bottle": "Bottle with its bottom cut off over a plant",
    "tote": "Clear tote upside down, rim sealed with soil",
}


def upturned_box(wish: UpturnedBox) -> Draft:
    """A clear vessel upside down on the ground; its rim sealed with soil or open."""
    length = checked_mm("length", wish.length_mm, 40.0, 3_000.0)
    width = checked_mm("width", wish.width_mm, 40.0, 3_000.0)
    height = checked_mm("height", wish.height_mm, 40.0, 2_000.0)
    wall = checked_mm("wall", wish.wall_mm, 0.1, 20.0)
    if wish.kind not in _BOX_TITLES or wish.material not in PLASTIC_KGM3:
        raise OutOfRange(f"there is no {wish.kind!r} of {wish.material!r}")
    is_round = wish.kind == "bottle"
    if is_round and length != width:
        raise OutOfRange("a bottle is as long as it is wide: its diameter")
    floor_mm2 = math.pi * length**2 / 4.0 if is_round else length * width
    rim_mm = math.pi * length if is_round else 2.0 * (length + width)
    shell_m3 = (floor_mm2 + rim_mm * height) * wall / 1e9
    mass = wish.mass_kg
    if mass is None:
        mass = shell_m3 * PLASTIC_KGM3[wish.material]
    elif not (math.isfinite(mass) and 0.0 <= mass <= 100.0):
        raise OutOfRange(f"mass_kg must be 0 to 100, not {mass}")
    key = {"food box": "food_box", "bottle": "bottle", "tote": "tote"}[wish.kind]
    if wish.kind == "tote" and not wish.is_sealed:
        key = "tote_unsealed"
    outer = (length + 2.0 * wall, width + 2.0 * wall, height + wall)
    steps = [Step(f"Rinse the {wish.kind}; leave out any that held oil, solvent or poison.")]
    if wish.kind == "bottle":
        steps.append(Step("Cut the bottom off squarely and leave the cap at hand.", ("tools",)))
    steps.append(
        Step("Set it over the plant, no leaf against it, and draw soil up round the rim.")
        if wish.is_sealed
        else Step("Set it over the plant, no leaf against it.")
    )
    steps.append(Step("Weigh it down on the ground beside it or peg it.", ("wind_borne",)))
    steps.append(Step("Lift it off in the morning sun.", ("overheating",)))
    title = _BOX_TITLES[wish.kind]
    if wish.kind == "tote" and not wish.is_sealed:
        title = "Clear tote upside down, rim open"
    body = [Polygon(rectangle(0.0, 0.0, outer[1], outer[2]), "body")]
    along = [Polygon(rectangle(0.0, 0.0, outer[0], outer[2]), "body")]
    above = _circle(outer[0]) if is_round else rectangle(0.0, 0.0, outer[0], outer[1])
    return Draft(
        title=title,
        construction=key,
        outer_mm=outer,
        inner_mm=(length, width, height),
        inner_volume_m3=floor_mm2 * height / 1e9,
        material=wish.material,
        width_at=lambda at: width if at < height else 0.0,
        is_round=is_round,
        is_open=not wish.is_sealed,
        tools=["gloves", "knife"] if wish.kind == "bottle" else [],
        items=[Item(f"{wish.kind} {length:g} x {width:g} x {height:g} mm", 1, mass)],
        steps=steps,
        views=[
            view("front", outer[1], outer[2], body),
            view("side", outer[0], outer[2], along),
            view("plan", outer[0], outer[1], [Polygon(above, "body")]),
        ],
    )


_TUCK_MM = 150.0


def pallet_lean_to(wish: PalletLeanTo) -> Draft:
    """Two pallets leaning on one another: a triangle of slope s and angle a.

    Inside it is 2s·cos a wide and s·sin a high, with a section of s²·sin a·cos a; outside the
    pallets' thickness t adds t·sin a on either side and t·cos a on top.
    """
    slope = checked_mm("pallet side going up", wish.slope_mm, 300.0, 3_000.0)
    run = checked_mm("pallet side along the ridge", wish.run_mm, 300.0, 3_000.0)
    thick = checked_mm("pallet thickness", wish.thickness_mm, 50.0, 300.0)
    if not 30.0 <= wish.angle_deg <= 75.0:
        raise OutOfRange(
            f"angle_deg must be 30 to 75, not {wish.angle_deg:g}: flatter slides apart, steeper "
            "falls over"
        )
    if not 1.0 <= wish.pallet_mass_kg <= 80.0:
        raise OutOfRange(f"pallet_mass_kg must be 1 to 80, not {wish.pallet_mass_kg:g}")
    if not 5.0 <= wish.sheet_gm2 <= 2_000.0:
        raise OutOfRange(f"sheet_gm2 must be 5 to 2,000, not {wish.sheet_gm2:g}")
    angle = math.radians(wish.angle_deg)
    base, height = 2.0 * slope * math.cos(angle), slope * math.sin(angle)
    out, up = thick * math.sin(angle), thick * math.cos(angle)
    outer = (run, base + 2.0 * out, height + up)
    sheets = [
        film_part(
            "sheet over the ridge",
            2.0 * (slope + thick + _TUCK_MM),
            run + 2.0 * _TUCK_MM,
            0.0,
            hem_mm=HEM_MM,
            gm2=wish.sheet_gm2,
        )
    ]
    if wish.has_closed_ends:
        sheets.append(film_part("end", base, height, 0.0, 2, gm2=wish.sheet_gm2))

    def leaning(x_foot: float, is_left: bool) -> Polygon:
        sign = 1.0 if is_left else -1.0
        foot, ridge = (x_foot, 0.0), (x_foot + sign * slope * math.cos(angle), height)
        aside = (-sign * out, up)
        return Polygon(
            (
                foot,
                ridge,
                (ridge[0] + aside[0], ridge[1] + aside[1]),
                (foot[0] + aside[0], foot[1] + aside[1]),
            )
        )

    left, right = out, out + base
    return Draft(
        title="Two pallets leaned together under a sheet",
        construction="pallet_lean_to",
        outer_mm=outer,
        inner_mm=(run, base, height),
        inner_volume_m3=slope**2 * math.sin(angle) * math.cos(angle) * run / 1e9,
        material="cloth",
        width_at=lambda at: max(0.0, base * (1.0 - at / height)),
        is_open=not wish.has_closed_ends,
        film=sheets,
        items=[
            Item(f"pallet {run:g} x {slope:g} mm", 2, wish.pallet_mass_kg),
            Item("strap or rope, 3 m", 1),
        ],
        tools=["gloves", "pliers", "scissors"],
        steps=[
            Step("Take clean pallets marked HT only; pull or bend every nail.", ("treated_wood",)),
            Step(
                f"Lean them together at {wish.angle_deg:g}° over the plants, one person to each.",
                ("lifting", "tools"),
            ),
            Step("Lash them at the ridge and peg their feet so that they cannot slide."),
            Step("Lay the sheet over and hold every edge down on the ground.", ("wind_borne",)),
            Step(
                "Close both ends." if wish.has_closed_ends else "Turn the open ends from the wind."
            ),
            Step("Open it in the morning, and brush snow off from the side.", ("snow_load",)),
        ],
        views=[
            view(
                "front",
                outer[1],
                outer[2],
                [leaning(left, True), leaning(right, False)],
                dimensions=[
                    Dimension(0.0, up, base / 2.0, height + up, 60.0),
                    Dimension(left, 0.0, right, 0.0, 40.0),
                ],
            ),
            view("side", run, outer[2], [Polygon(rectangle(0.0, 0.0, run, outer[2]))]),
            view("plan", run, outer[1], [Polygon(rectangle(0.0, 0.0, run, outer[1]))]),
        ],
    )
