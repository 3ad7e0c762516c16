"""Shapes without a frame: bag over a cage, upturned box or bottle, lean-to of two pallets."""

from __future__ import annotations

import math

from gardenapp.errors import OutOfRange
from gardenapp.messages import Length, Message, Number, marked, say
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
    pot = checked_mm(
        say("pot diameter"), wish.pot_diameter_mm, 50.0, 2_000.0, about="pot_diameter_mm"
    )
    checked_mm(say("bag width"), wish.bag_width_mm, 50.0, 5_000.0, about="bag_width_mm")
    checked_mm(say("bag length"), wish.bag_length_mm, 50.0, 5_000.0, about="bag_length_mm")
    Plants(wish.plant_height_mm, wish.plant_spread_mm)
    diameter = max(pot, wish.plant_spread_mm + 2.0 * CLEARANCE_MM)
    height = wish.plant_height_mm + CLEARANCE_MM
    wire_kg_mm = math.pi * (_WIRE_MM / 2.0) ** 2 * STEEL_KGM3 / 1e9
    ring, leg = math.pi * diameter + 50.0, height + 100.0
    bag_kg = 2.0 * wish.bag_width_mm * wish.bag_length_mm / 1e6 * areal_mass_gm2(wish.film_um) / 1e3
    draft = Draft(
        title=marked("Clear bag over a wire cage on a pot"),
        construction="cage_bag",
        outer_mm=(diameter, diameter, height),
        inner_mm=(diameter, diameter, height),
        inner_volume_m3=math.pi * diameter**2 / 4.0 * height / 1e9,
        material="PE",
        width_at=lambda at: diameter if at < height else 0.0,
        is_round=True,
        tools=[marked("gloves"), marked("pliers")],
        parts=[
            Part(marked("ring"), "wire 2.5", ring, 3, ring * wire_kg_mm),
            Part(marked("leg"), "wire 2.5", leg, 4, leg * wire_kg_mm),
        ],
        items=[
            Item(
                f"clear bag {wish.bag_width_mm:g} x {wish.bag_length_mm:g} mm",
                1,
                bag_kg,
                say(
                    "clear bag %(width)s x %(length)s",
                    width=Length(wish.bag_width_mm, "g", is_bare=True),
                    length=Length(wish.bag_length_mm, "g"),
                ),
            ),
            Item(marked("tie"), 1),
        ],
        steps=[
            Step(
                say("Bend three rings and tie four legs to them; turn every wire end in."),
                ("tools",),
            ),
            Step(say("Push the legs 10 cm into the pot so that no leaf is nearer than 5 cm.")),
            Step(
                say(
                    "Pull the bag over, tie it below the pot's rim, and keep spare bags out of "
                    "reach."
                ),
                ("bags_children", "wind_borne"),
            ),
            Step(say("Take it off or open it in the morning sun."), ("overheating",)),
        ],
        notes=[
            say("The mass of the pot is not counted; a heavy pot holds the cover down as well.")
        ],
    )
    girth, needed = 2.0 * wish.bag_width_mm, math.pi * diameter * _EASE
    if girth < needed:
        draft.problems.append(
            say(
                "The bag is too narrow: it goes round %(girth)s and the cage needs "
                "%(needed)s. A bag %(half)s wide would do.",
                girth=Length(girth),
                needed=Length(needed),
                half=Length(needed / 2.0),
            )
        )
    reach = height + diameter / 2.0 + _RIM_TUCK_MM
    if wish.bag_length_mm < reach:
        draft.problems.append(
            say(
                "The bag is too short: it is %(length)s long and %(reach)s are "
                "needed to go over and be tied below the rim.",
                length=Length(wish.bag_length_mm),
                reach=Length(reach),
            )
        )
    face = [Polygon(rectangle(0.0, 0.0, diameter, height), "film")]
    draft.views = [
        view("front", diameter, height, face),
        view("side", diameter, height, face),
        view("plan", diameter, diameter, [Polygon(_circle(diameter), "film")]),
    ]
    return draft


_BOX_TITLES = {
    marked("food box"): marked("Clear food box upside down over a plant"),
    marked("bottle"): marked("Bottle with its bottom cut off over a plant"),
    marked("tote"): marked("Clear tote upside down, rim sealed with soil"),
}
_RINSE = {
    "food box": say("Rinse the food box; leave out any that held oil, solvent or poison."),
    "bottle": say("Rinse the bottle; leave out any that held oil, solvent or poison."),
    "tote": say("Rinse the tote; leave out any that held oil, solvent or poison."),
}


def upturned_box(wish: UpturnedBox) -> Draft:
    """A clear vessel upside down on the ground; its rim sealed with soil or open."""
    length = checked_mm(say("length"), wish.length_mm, 40.0, 3_000.0, about="length_mm")
    width = checked_mm(say("width"), wish.width_mm, 40.0, 3_000.0, about="width_mm")
    height = checked_mm(say("height"), wish.height_mm, 40.0, 2_000.0, about="height_mm")
    wall = checked_mm(say("wall"), wish.wall_mm, 0.1, 20.0, about="wall_mm")
    if wish.kind not in _BOX_TITLES or wish.material not in PLASTIC_KGM3:
        raise OutOfRange(
            say(
                "there is no %(kind)s of %(material)s",
                kind=repr(wish.kind),
                material=repr(wish.material),
            )
        )
    is_round = wish.kind == "bottle"
    if is_round and length != width:
        raise OutOfRange(say("a bottle is as long as it is wide: its diameter"))
    floor_mm2 = math.pi * length**2 / 4.0 if is_round else length * width
    rim_mm = math.pi * length if is_round else 2.0 * (length + width)
    shell_m3 = (floor_mm2 + rim_mm * height) * wall / 1e9
    mass = wish.mass_kg
    if mass is None:
        mass = shell_m3 * PLASTIC_KGM3[wish.material]
    elif not (math.isfinite(mass) and 0.0 <= mass <= 100.0):
        raise OutOfRange(
            say("%(name)s must be 0 to 100, not %(value)s", name="mass_kg", value=mass)
        )
    key = {"food box": "food_box", "bottle": "bottle", "tote": "tote"}[wish.kind]
    if wish.kind == "tote" and not wish.is_sealed:
        key = "tote_unsealed"
    outer = (length + 2.0 * wall, width + 2.0 * wall, height + wall)
    steps = [Step(_RINSE[wish.kind])]
    if wish.kind == "bottle":
        steps.append(
            Step(say("Cut the bottom off squarely and leave the cap at hand."), ("tools",))
        )
    steps.append(
        Step(say("Set it over the plant, no leaf against it, and draw soil up round the rim."))
        if wish.is_sealed
        else Step(say("Set it over the plant, no leaf against it."))
    )
    steps.append(Step(say("Weigh it down on the ground beside it or peg it."), ("wind_borne",)))
    steps.append(Step(say("Take it off in the morning sun."), ("overheating",)))
    title = _BOX_TITLES[wish.kind]
    if wish.kind == "tote" and not wish.is_sealed:
        title = marked("Clear tote upside down, rim open")
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
        tools=[marked("gloves"), marked("knife")] if wish.kind == "bottle" else [],
        items=[
            Item(
                f"{wish.kind} {length:g} x {width:g} x {height:g} mm",
                1,
                mass,
                say(
                    "%(kind)s %(length)s x %(width)s x %(height)s",
                    kind=Message(wish.kind),
                    length=Length(length, "g", is_bare=True),
                    width=Length(width, "g", is_bare=True),
                    height=Length(height, "g"),
                ),
            )
        ],
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
    slope = checked_mm(say("pallet side going up"), wish.slope_mm, 300.0, 3_000.0, about="slope_mm")
    run = checked_mm(
        say("pallet side along the ridge"), wish.run_mm, 300.0, 3_000.0, about="run_mm"
    )
    thick = checked_mm(
        say("pallet thickness"), wish.thickness_mm, 50.0, 300.0, about="thickness_mm"
    )
    if not 30.0 <= wish.angle_deg <= 75.0:
        raise OutOfRange(
            say(
                "angle_deg must be 30 to 75, not %(angle_deg)s: flatter slides apart, "
                "steeper falls over",
                angle_deg=Number(wish.angle_deg),
            ),
            about="angle_deg",
        )
    if not 1.0 <= wish.pallet_mass_kg <= 80.0:
        raise OutOfRange(
            say(
                "%(name)s must be 1 to 80, not %(value)s",
                name="pallet_mass_kg",
                value=Number(wish.pallet_mass_kg),
            )
        )
    if not 5.0 <= wish.sheet_gm2 <= 2_000.0:
        raise OutOfRange(
            say(
                "%(name)s must be 5 to 2,000, not %(value)s",
                name="sheet_gm2",
                value=Number(wish.sheet_gm2),
            ),
            about="sheet_gm2",
        )
    angle = math.radians(wish.angle_deg)
    base, height = 2.0 * slope * math.cos(angle), slope * math.sin(angle)
    out, up = thick * math.sin(angle), thick * math.cos(angle)
    outer = (run, base + 2.0 * out, height + up)
    sheets = [
        film_part(
            marked("sheet over the ridge"),
            2.0 * (slope + thick + _TUCK_MM),
            run + 2.0 * _TUCK_MM,
            0.0,
            hem_mm=HEM_MM,
            gm2=wish.sheet_gm2,
        )
    ]
    if wish.has_closed_ends:
        sheets.append(film_part(marked("end"), base, height, 0.0, 2, gm2=wish.sheet_gm2))

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
        title=marked("Two pallets leaned together under a sheet"),
        construction="pallet_lean_to",
        outer_mm=outer,
        inner_mm=(run, base, height),
        inner_volume_m3=slope**2 * math.sin(angle) * math.cos(angle) * run / 1e9,
        material="cloth",
        width_at=lambda at: max(0.0, base * (1.0 - at / height)),
        is_open=not wish.has_closed_ends,
        film=sheets,
        items=[
            Item(
                f"pallet {run:g} x {slope:g} mm",
                2,
                wish.pallet_mass_kg,
                say(
                    "pallet %(run)s x %(slope)s",
                    run=Length(run, "g", is_bare=True),
                    slope=Length(slope, "g"),
                ),
            ),
            Item(marked("strap or rope, 3 m"), 1),
        ],
        tools=[marked("gloves"), marked("pliers"), marked("scissors")],
        steps=[
            Step(
                say("Take clean pallets marked HT only; pull or bend every nail."),
                ("treated_wood",),
            ),
            Step(
                say(
                    "Lean them together at %(angle)s° over the plants, one person to each.",
                    angle=Number(wish.angle_deg),
                ),
                ("lifting", "tools"),
            ),
            Step(say("Lash them at the ridge and peg their feet so that they cannot slide.")),
            Step(
                say("Lay the sheet over and hold every edge down on the ground."), ("wind_borne",)
            ),
            Step(
                say("Close both ends.")
                if wish.has_closed_ends
                else say("Turn the open ends from the wind.")
            ),
            Step(say("Open it in the morning, and brush snow off from the side."), ("snow_load",)),
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
