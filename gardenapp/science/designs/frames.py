"""Shapes with a frame: box frame with film, hooped tunnel, cold frame under an old window."""

from __future__ import annotations

import math

from gardenapp.errors import OutOfRange
from gardenapp.messages import Length, Number, marked, say
from gardenapp.science.designs.records import (
    BoxFrame,
    ColdFrame,
    Dimension,
    HoopTunnel,
    Item,
    Part,
    Polygon,
    Step,
    checked_mm,
)
from gardenapp.science.designs.shapes import (
    GLASS_KGM3,
    OVERLAP_MM,
    PLASTIC_KGM3,
    Draft,
    area_under_hoop,
    bar,
    bars_of_face,
    film_part,
    hoop,
    hoop_width_at,
    rectangle,
    view,
)

_STAPLE_EVERY_MM = 100.0
_SIDE_TUCK_MM = 200.0
_END_TUCK_MM = 300.0


def _film_um(value: float) -> float:
    if not 10.0 <= value <= 1_000.0:
        raise OutOfRange(
            say("%(name)s must be 10 to 1,000, not %(value)s", name="film_um", value=Number(value)),
            about="film_um",
        )
    return value


def box_frame(wish: BoxFrame) -> Draft:
    """Twelve bars, four of each length, and film round the sides and over the top.

    At each corner the three bars lie side by side, each against the next: so every bar has the
    full length of its side, every cut is square, and the frame measures what its bars measure.
    """
    length = checked_mm(say("length"), wish.length_mm, 200.0, 6_000.0, about="length_mm")
    width = checked_mm(say("width"), wish.width_mm, 200.0, 6_000.0, about="width_mm")
    height = checked_mm(say("height"), wish.height_mm, 150.0, 2_500.0, about="height_mm")
    thick = checked_mm(say("bar"), wish.bar_mm, 10.0, 100.0, about="bar_mm")
    film_um = _film_um(wish.film_um)
    if 6.0 * thick > min(length, width, height):
        raise OutOfRange(
            say("bars of %(thick)s are too thick for so small a frame", thick=Length(thick, "g")),
            about="bar_mm",
        )
    girth = 2.0 * (length + width)
    draft = Draft(
        title=marked("Timber frame with clear film"),
        construction="box_frame",
        outer_mm=(length, width, height),
        inner_mm=(length - 2.0 * thick, width - 2.0 * thick, height - thick),
        inner_volume_m3=(length - 2.0 * thick) * (width - 2.0 * thick) * (height - thick) / 1e9,
        material="PE",
        width_at=lambda at: width - 2.0 * thick if at < height - thick else 0.0,
        parts=[
            bar(marked("bar along"), thick, thick, length, 4),
            bar(marked("bar across"), thick, thick, width, 4),
            bar(marked("upright"), thick, thick, height, 4),
        ],
        film=[
            film_part(marked("film round the sides"), girth + OVERLAP_MM, height, film_um),
            film_part(marked("film over the top"), length, width, film_um),
        ],
        items=[
            Item(marked("screw"), 24, 0.004),
            Item(marked("staple"), math.ceil(2.0 * (girth + 4.0 * height) / _STAPLE_EVERY_MM)),
        ],
        tools=[
            marked("saw"),
            marked("drill"),
            marked("screwdriver"),
            marked("stapler"),
            marked("scissors"),
            marked("gloves"),
        ],
        notes=[say("The uprights stand one bar further in at the corners.")],
    )
    draft.steps = [
        Step(say("Cut four bars of each length, square."), ("tools", "treated_wood")),
        Step(say("Drill, and screw each corner with the three bars side by side."), ("tools",)),
        Step(
            say("Staple the film round the sides over a folded hem, then over the top."),
            ("bags_children", "tools"),
        ),
    ]
    if wish.has_lid:
        inner = width - 2.0 * thick
        draft.parts += [
            bar(marked("lid bar along"), thick, thick, length, 2),
            bar(marked("lid bar across"), thick, thick, inner, 2),
        ]
        draft.items += [
            Item(marked("hinge"), 2, 0.05),
            Item(marked("hook and eye"), 2, 0.02),
            Item(marked("prop"), 1),
        ]
        draft.steps.append(
            Step(
                say("Put the top film on the lid instead, hinge it, and hook it shut."), ("tools",)
            )
        )
        draft.outer_mm = (length, width, height + thick)
    if wish.has_vent:
        draft.parts.append(bar(marked("vent batten"), thick, thick, width - 2.0 * thick, 1))
        draft.steps.append(
            Step(say("Leave the film of one end loose on a batten, to roll up as a vent."))
        )
    if not (wish.has_lid or wish.has_vent):
        draft.notes.append(say("With neither lid nor vent you have to take it off every morning."))
    draft.steps += [
        Step(say("Set it down with its edge on the soil and close every gap."), ("wind_borne",)),
        Step(say("Open it on every bright morning; brush snow off."), ("overheating", "snow_load")),
    ]
    top = draft.outer_mm[2]

    def face(across: float) -> list[Polygon]:
        shapes = [
            Polygon(rectangle(0.0, 0.0, across, height), "film"),
            *bars_of_face(across, height, thick),
        ]
        if wish.has_lid:
            shapes.append(Polygon(rectangle(0.0, height, across, thick)))
        return shapes

    draft.views = [
        view("front", width, top, face(width)),
        view("side", length, top, face(length)),
        view(
            "plan",
            length,
            width,
            [
                Polygon(rectangle(0.0, 0.0, length, width), "film"),
                *bars_of_face(length, width, thick),
            ],
        ),
    ]
    return draft


def hoop_tunnel(wish: HoopTunnel) -> Draft:
    """Hoops at even distances along a bed, film over them dug in at the sides."""
    length = checked_mm(say("length"), wish.length_mm, 300.0, 20_000.0, about="length_mm")
    width = checked_mm(say("width"), wish.width_mm, 200.0, 3_000.0, about="width_mm")
    height = checked_mm(say("height"), wish.height_mm, 100.0, 2_000.0, about="height_mm")
    spacing = checked_mm(say("hoop spacing"), wish.spacing_mm, 200.0, 2_000.0, about="spacing_mm")
    pipe = checked_mm(say("pipe"), wish.pipe_mm, 4.0, 60.0, about="pipe_mm")
    wall = checked_mm(say("pipe wall"), wish.pipe_wall_mm, 0.5, pipe / 2.0, about="pipe_wall_mm")
    buried = checked_mm(say("buried length"), wish.buried_mm, 100.0, 1_000.0, about="buried_mm")
    film_um = _film_um(wish.film_um)
    if height > 2.0 * width:
        raise OutOfRange(
            say("height must be at most twice the width: a taller hoop does not stand"),
            about="height_mm",
        )
    arc, line = hoop(width, height)
    hoops = math.ceil(length / spacing - 1e-9) + 1
    pipe_length = arc + 2.0 * buried
    pipe_kg = math.pi * wall * (pipe - wall) * pipe_length * PLASTIC_KGM3["HDPE"] / 1e9
    draft = Draft(
        title=marked("Hooped tunnel with clear film"),
        construction="hooped_tunnel",
        outer_mm=(length, width, height),
        inner_mm=(length, width, height),
        inner_volume_m3=area_under_hoop(width, height) * length / 1e9,
        material="PE",
        width_at=lambda at: hoop_width_at(width, height, at),
        parts=[Part(marked("hoop"), f"pipe {pipe:g}", pipe_length, hoops, pipe_kg)],
        film=[
            film_part(
                marked("film over the hoops"),
                length + 2.0 * (height + _END_TUCK_MM),
                arc + 2.0 * _SIDE_TUCK_MM,
                film_um,
                hem_mm=0.0,
            )
        ],
        items=[
            Item(marked("ridge string, m"), math.ceil((length + 2.0 * height) / 1000.0) + 1),
            Item(marked("end peg"), 2, 0.1),
            Item(marked("film clip"), 3 * hoops, 0.01),
        ],
        steps=[
            Step(
                say(
                    "Cut %(hoops)s hoops and push each foot %(buried)s into the soil.",
                    hoops=hoops,
                    buried=Length(buried, "g"),
                ),
                ("tools",),
            ),
            Step(
                say(
                    "Set them %(length)s apart and run the ridge string.",
                    length=Length(length / max(1, hoops - 1)),
                )
            ),
            Step(say("Draw the film over, gather each end to a peg, clip it to the hoops.")),
            Step(
                say("Dig the sides in or weigh every edge; close both ends before a frost."),
                ("wind_borne", "bags_children"),
            ),
            Step(say("Open the ends each bright morning."), ("overheating",)),
            Step(say("Brush wet snow off from the side."), ("snow_load",)),
        ],
        tools=[marked("saw"), marked("scissors"), marked("spade"), marked("gloves")],
        notes=[
            say("The hoops' hold in the soil is not counted against wind."),
            say("Wind on a curved tunnel is reckoned as on a box, which is on the safe side."),
        ],
    )
    places = [length * k / (hoops - 1) for k in range(hoops)]
    draft.views = [
        view("front", width, height, [Polygon(tuple(line), "film")]),
        view(
            "side",
            length,
            height,
            [
                Polygon(rectangle(0.0, 0.0, length, height), "film"),
                *(
                    Polygon(
                        rectangle(min(max(0.0, x - pipe / 2.0), length - pipe), 0.0, pipe, height),
                        "body",
                    )
                    for x in places
                ),
            ],
        ),
        view("plan", length, width, [Polygon(rectangle(0.0, 0.0, length, width), "film")]),
    ]
    return draft


def cold_frame(wish: ColdFrame) -> Draft:
    """Boards under a window: as deep on the ground as Pythagoras leaves of the window's length."""
    across = checked_mm(
        say("window across"), wish.window_across_mm, 200.0, 3_000.0, about="window_across_mm"
    )
    down = checked_mm(
        say("window from back to front"),
        wish.window_down_mm,
        200.0,
        2_500.0,
        about="window_down_mm",
    )
    front = checked_mm(
        say("front height"), wish.front_height_mm, 50.0, 1_500.0, about="front_height_mm"
    )
    back = checked_mm(
        say("back height"), wish.back_height_mm, 50.0, 1_500.0, about="back_height_mm"
    )
    thick = checked_mm(say("board thickness"), wish.board_mm[0], 8.0, 80.0, about="board_thick_mm")
    board = checked_mm(say("board width"), wish.board_mm[1], 50.0, 400.0, about="board_wide_mm")
    glass = checked_mm(say("glass"), wish.glass_mm, 2.0, 12.0, about="glass_mm")
    if back < front:
        raise OutOfRange(
            say("the back must be at least as high as the front: it faces the sun"),
            about="back_height_mm",
        )
    if back - front > 0.7 * down:
        raise OutOfRange(
            say("the window would stand too steep: lower the back or raise the front"),
            about="back_height_mm",
        )
    depth = math.sqrt(down**2 - (back - front) ** 2)
    mass = wish.window_mass_kg
    if mass is None:
        mass = across * down * glass / 1e9 * GLASS_KGM3
    elif not 0.1 <= mass <= 100.0:
        raise OutOfRange(
            say(
                "%(name)s must be 0.1 to 100, not %(value)s",
                name="window_mass_kg",
                value=Number(mass),
            )
        )
    inner_depth = depth - 2.0 * thick

    def depth_at(at: float) -> float:
        if at >= back:
            return 0.0
        if at <= front or back == front:
            return inner_depth
        return inner_depth * (back - at) / (back - front)

    rows = list(range(math.ceil(back / board - 1e-9)))
    sides: dict[float, int] = {}
    for row in rows:
        # A side board reaches as far as the slope is above its lower edge.
        bottom = row * board
        reach = inner_depth if bottom <= front else inner_depth * (back - bottom) / (back - front)
        sides[round(reach, 1)] = sides.get(round(reach, 1), 0) + 2
    parts = [
        bar(marked("front board"), thick, board, across, math.ceil(front / board - 1e-9)),
        bar(marked("back board"), thick, board, across, len(rows)),
        *(
            bar(marked("side board"), thick, board, reach, count)
            for reach, count in sorted(sides.items(), reverse=True)
            if reach > 0
        ),
        bar(marked("front post"), 38.0, 38.0, front, 2),
        bar(marked("back post"), 38.0, 38.0, back, 2),
    ]
    slope = math.degrees(math.asin((back - front) / down))
    return Draft(
        title=marked("Cold frame under a reclaimed window"),
        construction="cold_frame",
        outer_mm=(across, depth, back),
        inner_mm=(across - 2.0 * thick, inner_depth, back),
        inner_volume_m3=(across - 2.0 * thick) * inner_depth * (front + back) / 2.0 / 1e9,
        material="glass",
        width_at=depth_at,
        parts=parts,
        tools=[marked("saw"), marked("drill"), marked("screwdriver"), marked("gloves")],
        items=[
            Item(
                f"window {across:g} x {down:g} mm",
                1,
                mass,
                say(
                    "window %(across)s x %(down)s",
                    across=Length(across, "g", is_bare=True),
                    down=Length(down, "g"),
                ),
            ),
            Item(marked("hinge"), 2, 0.05),
            Item(marked("screw"), 8 * (len(rows) + 1), 0.004),
            Item(marked("prop"), 1),
        ],
        steps=[
            Step(
                say("Check the window: sound putty, no cracks, no flaking old paint."),
                ("glass", "treated_wood"),
            ),
            Step(say("Cut the boards; cut the upper side boards to the slope."), ("tools",)),
            Step(say("Screw the boards to the posts, back and front first."), ("tools",)),
            Step(
                say("Lift the window on with two people and hinge it at the back."),
                ("lifting", "glass"),
            ),
            Step(
                say("Fix a prop and a hook, so that wind can neither slam nor lift it."),
                ("wind_borne",),
            ),
            Step(say("Prop it open on every bright morning."), ("overheating",)),
        ],
        views=[
            view(
                "front",
                across,
                back,
                [
                    Polygon(rectangle(0.0, 0.0, across, front)),
                    Polygon(rectangle(0.0, front, across, back - front), "glass"),
                ]
                if back > front
                else [Polygon(rectangle(0.0, 0.0, across, front))],
            ),
            view(
                "side",
                depth,
                back,
                [
                    Polygon(((0.0, 0.0), (depth, 0.0), (depth, back), (0.0, front))),
                    Polygon(
                        ((0.0, front), (depth, back), (depth, back - 10.0), (0.0, front - 10.0)),
                        "glass",
                    ),
                ],
                dimensions=[
                    Dimension(0.0, 0.0, 0.0, front, 30.0),
                    Dimension(0.0, front, depth, back, 60.0),
                ],
            ),
            view(
                "plan",
                across,
                depth,
                [
                    Polygon(rectangle(0.0, 0.0, across, depth)),
                    Polygon(rectangle(thick, thick, across - 2.0 * thick, inner_depth), "glass"),
                ],
            ),
        ],
        notes=[say("The window slopes at %(slope)s°.", slope=Number(slope, ".0f"))],
    )
