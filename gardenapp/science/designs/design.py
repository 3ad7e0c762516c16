"""From a wish to a cover that could be built: pieces, weight, fit, ballast, lift, drawings.

`design` does all of it. What it says of wind and weight are comfort checks for knee-high
covers; anything people walk under needs an engineer and the local rules.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from gardenapp.errors import OutOfRange
from gardenapp.messages import Joined, Length, Message, Number, Words, listed, say
from gardenapp.science.covers import heat, wind
from gardenapp.science.covers.film import Roll, Sheet, plan_film
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.designs.frames import box_frame, cold_frame, hoop_tunnel
from gardenapp.science.designs.records import (
    Bed,
    BedFit,
    BoxFrame,
    CageBag,
    ColdFrame,
    Design,
    FilmPart,
    HoopTunnel,
    MissingMaterial,
    OnHand,
    PalletLeanTo,
    Part,
    Plants,
    PredictedLift,
    UpturnedBox,
    WindNeeds,
    Wish,
)
from gardenapp.science.designs.shapes import FIGURES, TRANSMITTANCE, Draft, Figure
from gardenapp.science.designs.small import CLEARANCE_MM, cage_bag, pallet_lean_to, upturned_box
from gardenapp.science.estimate import Estimate
from gardenapp.science.handling import TWO_PEOPLE_KG as TWO_PEOPLE_KG
from gardenapp.science.handling import takes_two
from gardenapp.science.night import exposure
from gardenapp.science.timber.cutting import Piece, plan_cuts

TWO_PEOPLE_MM = 2_000.0
"""Longer than this, two people. Common practice, no source."""
SAFETY = 1.5
UPLIFT = 1.2
"""Net suction on a closed cover; doubled where wind gets in (it doubles the lifting effect)."""
DRAG = 1.3
FRICTION = 0.3  # low end of what is published for wood on ground (0.25 to 0.5)
PEG_N = 100.0
"""What one peg holds in garden soil. Common practice, no source: pull one by hand to see."""
WIDER = 1.25
WIDER_K = 0.5
"""A new cover of one's own making differs from those measured: the spread of the nearest
construction's lift is a quarter wider and 0.5 K more. Ours, from memory."""
_MOST_GUST_MPS = 60.0


def design(
    wish: Wish,
    *,
    gust_mps: float,
    plants: Plants | None = None,
    bed: Bed | None = None,
    prior: LiftPrior | None = None,
    on_hand: OnHand | None = None,
    peg_n: float = PEG_N,
) -> Design:
    """Everything about one cover.

    Parameters
    ----------
    wish : one of the shapes, with its sizes. [mm]
    gust_mps : the gust it has to stand, from the forecast or the garden's own limit. [m/s]
    plants : what is to stand inside.
    bed : the ground it is to stand on.
    prior : lift of the construction named by `construction_of(wish)`; without it no lift.
    on_hand : materials there are; with it the answer says what is missing.
    peg_n : what one peg holds. [N]

    Returns
    -------
    Design. What does not work as asked (bag too narrow, plant too tall, bed too small) is in
    `problems`, and the rest is still worked out.

    Raises
    ------
    OutOfRange : a size, gust or angle no cover has.
    """
    if not (math.isfinite(gust_mps) and 0.0 <= gust_mps <= _MOST_GUST_MPS):
        raise OutOfRange(
            say(
                "%(name)s must be 0 to %(most)s, not %(value)s",
                name="gust_mps",
                most=Number(_MOST_GUST_MPS),
                value=Number(gust_mps),
            ),
            about="gust_mps",
        )
    if not (math.isfinite(peg_n) and peg_n > 0.0):
        raise OutOfRange(
            say("%(name)s must be above 0, not %(value)s", name="peg_n", value=Number(peg_n))
        )
    draft = _draft(wish)
    problems = list(draft.problems)
    mass = _mass_kg(draft)
    capacity = covers = None
    if plants is not None:
        capacity = _capacity(draft, plants)
        if capacity == 0:
            problems.append(_why_none(draft, plants))
        else:
            covers = math.ceil(plants.count / capacity)
    fit = None
    if bed is not None:
        fit = bed_fit(draft.outer_mm[0], draft.outer_mm[1], bed)
        if not fit.fits:
            problems.append(fit.words)
    needs_two, why_two = _two_people(mass, draft)
    return Design(
        title=draft.title,
        construction=draft.construction,
        outer_mm=draft.outer_mm,
        inner_mm=draft.inner_mm,
        inner_volume_m3=draft.inner_volume_m3,
        parts=tuple(draft.parts),
        film=tuple(draft.film),
        items=tuple(draft.items),
        tools=tuple(draft.tools),
        mass_kg=mass,
        needs_two_people=needs_two,
        why_two=why_two,
        capacity=capacity,
        covers_needed=covers,
        bed_fit=fit,
        wind=_wind(draft, mass, gust_mps, peg_n),
        lift=None if prior is None else predict_lift(wish, prior),
        steps=tuple(draft.steps),
        views=tuple(draft.views),
        problems=tuple(problems),
        missing=None
        if on_hand is None
        else _missing(tuple(draft.parts), tuple(draft.film), draft, on_hand),
        notes=tuple(draft.notes),
    )


def construction_of(wish: Wish) -> str:
    """Key of the nearest construction with a lift on record, for `prior`."""
    return _draft(wish).construction


def _draft(wish: Wish) -> Draft:
    makers: dict[type, Callable[..., Draft]] = {
        CageBag: cage_bag,
        UpturnedBox: upturned_box,
        PalletLeanTo: pallet_lean_to,
        BoxFrame: box_frame,
        HoopTunnel: hoop_tunnel,
        ColdFrame: cold_frame,
    }
    return makers[type(wish)](wish)


def _mass_kg(draft: Draft) -> float:
    return (
        math.fsum(part.mass_kg * part.count for part in draft.parts)
        + math.fsum(sheet.mass_kg * sheet.count for sheet in draft.film)
        + math.fsum(item.mass_kg * item.count for item in draft.items)
    )


def _two_people(mass_kg: float, draft: Draft) -> tuple[bool, Words]:
    longest_mm = max(draft.outer_mm)
    is_heavy, is_long = takes_two(mass_kg), longest_mm > TWO_PEOPLE_MM
    mass, most = Number(mass_kg, ".0f"), Number(TWO_PEOPLE_KG)
    longest = Number(longest_mm / 1000.0, ".1f")
    if is_heavy and is_long:
        return True, say(
            "Two people: it weighs %(mass)s kg, more than %(most)s kg and it is %(longest)s m "
            "long, more than 2 m (common practice, no source).",
            mass=mass,
            most=most,
            longest=longest,
        )
    if is_heavy:
        return True, say(
            "Two people: it weighs %(mass)s kg, more than %(most)s kg (common practice, no "
            "source).",
            mass=mass,
            most=most,
        )
    if is_long:
        return True, say(
            "Two people: it is %(longest)s m long, more than 2 m (common practice, no source).",
            longest=longest,
        )
    return False, ""


# --- plants and bed ---------------------------------------------------------------------------


def _capacity(draft: Draft, plants: Plants) -> int:
    """Plants in straight rows with no leaf nearer the cover than 5 cm at the top.

    Each takes a square of its spread; in a round cover more than one stand in the square that
    fits the circle.
    """
    top = plants.height_mm + CLEARANCE_MM
    width = draft.width_at(top - 1e-6)
    length = draft.inner_mm[0]
    if top > draft.inner_mm[2] + 1e-6 or width < plants.spread_mm or length < plants.spread_mm:
        return 0
    if draft.is_round:
        row = math.floor(width / math.sqrt(2.0) / plants.spread_mm + 1e-9)
        return max(1, row * row)
    return math.floor(length / plants.spread_mm + 1e-9) * math.floor(
        width / plants.spread_mm + 1e-9
    )


def _why_none(draft: Draft, plants: Plants) -> Message:
    top = plants.height_mm + CLEARANCE_MM
    if top > draft.inner_mm[2]:
        return say(
            "The plants are too tall: %(height)s and %(air)s of air above need %(needed)s, and "
            "inside there are %(inside)s.",
            height=Length(plants.height_mm),
            air=Length(CLEARANCE_MM),
            needed=Length(top),
            inside=Length(draft.inner_mm[2]),
        )
    return say(
        "The plants are too wide: they are %(spread)s wide, and at their tops the cover is "
        "%(width)s by %(length)s inside.",
        spread=Length(plants.spread_mm),
        width=Length(draft.width_at(top - 1e-6)),
        length=Length(draft.inner_mm[0]),
    )


def bed_fit(length_mm: float, width_mm: float, bed: Bed) -> BedFit:
    """Whether a cover of this outline stands on a bed, the way round that leaves most room.

    Examples
    --------
    >>> bed_fit(1200.0, 800.0, Bed(2400.0, 1000.0)).side_mm
    100.0
    """
    choices = []
    for is_turned, (along, across) in enumerate(((length_mm, width_mm), (width_mm, length_mm))):
        end = (bed.length_mm - along) / 2.0
        side = (bed.width_mm - across) / 2.0
        choices.append((min(end, side) >= -1e-9, side, end, bool(is_turned), across))
    # Fitting first, then the narrower margin as wide as can be; as asked where it is the same.
    fits, side, end, is_turned, across = max(
        choices, key=lambda choice: (choice[0], round(min(choice[1], choice[2]), 6), not choice[3])
    )
    if fits:
        words = say(
            "It fits by its %(across)s side, with %(side)s to spare on each side "
            "and %(end)s at each end.",
            across=Length(across),
            side=Length(side),
            end=Length(end),
        )
    else:
        words = say(
            "It does not fit: %(length)s by %(width)s on a bed of %(bed_length)s by "
            "%(bed_width)s, whichever way round.",
            length=Length(length_mm, is_bare=True),
            width=Length(width_mm),
            bed_length=Length(bed.length_mm, is_bare=True),
            bed_width=Length(bed.width_mm),
        )
    return BedFit(fits, is_turned, round(side, 3), round(end, 3), words)


# --- wind -------------------------------------------------------------------------------------


def _wind(draft: Draft, mass_kg: float, gust_mps: float, peg_n: float) -> WindNeeds:
    """Ballast against both at once, for what is nearly lifted slides: each without own weight,
    added, less the weight once.
    """
    length, width, height = (size / 1000.0 for size in draft.outer_mm)
    plan_m2 = math.pi * length * width / 4.0 if draft.is_round else length * width
    side_m2 = max(length, width) * height
    suction = UPLIFT * (2.0 if draft.is_open else 1.0)
    up_kg = wind.uplift_ballast_kg(
        gust_mps=gust_mps, area_m2=plan_m2, own_mass_kg=0.0, coefficient=suction, safety=SAFETY
    )
    slide_kg = wind.sliding_ballast_kg(
        gust_mps=gust_mps, area_m2=side_m2, drag=DRAG, friction=FRICTION, safety=SAFETY
    )
    ballast = max(0.0, up_kg + slide_kg - mass_kg)
    push_n = SAFETY * wind.dynamic_pressure_pa(gust_mps) * DRAG * side_m2
    pull_n = max(0.0, up_kg - mass_kg) * wind.GRAVITY_MPS2
    pegs = max(4, math.ceil((push_n + pull_n) / peg_n))
    words: Words
    if ballast == 0.0:
        words = say(
            "Its own weight holds it in a gust of %(gust)s m/s.",
            gust=Number(gust_mps, ".0f"),
        )
    else:
        words = say(
            "For a gust of %(gust)s m/s put %(ballast)s kg on its foot, low down, or hold it "
            "with %(pegs)s pegs or ties that each take a pull of %(pull)s N.",
            gust=Number(gust_mps, ".0f"),
            ballast=Number(ballast, ".0f"),
            pegs=pegs,
            pull=Number(peg_n, ".0f"),
        )
    if draft.is_open:
        words = Joined(
            (words, say("Wind can get in, which doubles the force that lifts it: close it."))
        )
    return WindNeeds(
        gust_mps=gust_mps,
        uplift_kg=max(0.0, up_kg - mass_kg),
        sliding_kg=max(0.0, slide_kg - mass_kg),
        ballast_kg=ballast,
        pegs=pegs,
        peg_n=peg_n,
        bare_limit_mps=wind.gust_limit_mps(
            mass_kg=mass_kg, area_m2=plan_m2, coefficient=suction, safety=SAFETY
        ),
        words=words,
    )


# --- lift -------------------------------------------------------------------------------------


def wider(lift: Estimate) -> Estimate:
    """A lift taken over by a cover of one's own making: the same, and less sure. [K]"""
    return Estimate(lift.mean, math.hypot(WIDER * lift.sd, WIDER_K))


def predict_lift(wish: Wish, prior: LiftPrior) -> PredictedLift:
    """The nearest construction's lift with a wider spread, and the heat balance beside it.

    The heat balance is for a clear night at 0 °C, 80 % humidity and 1 m/s, with the air at the
    height of the cover's middle. It ranks ways of building and contradicts measured nights, so
    no page shows it until it reproduces them (see `heat`).
    """
    draft = _draft(wish)
    height_m = draft.inner_mm[2] / 1000.0

    widened = LiftPrior(
        clear=wider(prior.clear), cloudy=wider(prior.cloudy), leaf_shield=prior.leaf_shield
    )
    second = heat.lift_range(
        outside_c=0.0,
        humidity_percent=80.0,
        wind_mps=1.0,
        transmittance=TRANSMITTANCE[draft.material],
        air_height_m=height_m,
        changes_per_h=10.0 if draft.is_open else 2.0,
        plant_air_k=exposure.plant_air_k(Estimate(1.0, 0.0), height_m / 2.0).mean,
    )
    low, high = widened.clear.interval(0.8)
    words = say(
        "On a clear night warmer by about %(mean)s K, likely %(low)s to %(high)s K, going by "
        "the nearest construction; a trial of its own will tell.",
        mean=Number(widened.clear.mean, ".1f"),
        low=Number(low, ".1f"),
        high=Number(high, ".1f"),
    )
    return PredictedLift(draft.construction, widened, second, words)


# --- materials --------------------------------------------------------------------------------


def _missing(
    parts: tuple[Part, ...], film: tuple[FilmPart, ...], draft: Draft, on_hand: OnHand
) -> tuple[MissingMaterial, ...]:
    missing = [*_missing_timber(parts, on_hand), *_missing_film(film, on_hand)]
    for item in draft.items:
        have = on_hand.items.get(item.name, 0)
        short = max(0, item.count - have)
        if short:
            price = on_hand.prices.get(item.name)
            missing.append(
                MissingMaterial(
                    item.name,
                    item.count,
                    have,
                    short,
                    "pieces",
                    None if price is None else price * short,
                    say("%(count)s more of: %(name)s.", count=short, name=item.shown),
                    item.shown,
                )
            )
    if on_hand.tools is not None:
        missing += [
            MissingMaterial(
                tool, 1, 0, 1, "tool", None, say("No %(tool)s: borrow one.", tool=Message(tool))
            )
            for tool in draft.tools
            if tool not in on_hand.tools
        ]
    return tuple(missing)


def _missing_timber(parts: tuple[Part, ...], on_hand: OnHand) -> list[MissingMaterial]:
    """What the boards on hand do not give, after the best cut of them. Nothing is bought here."""
    if not parts:
        return []
    pieces = [Piece(part.name, part.length_mm, part.count, part.section) for part in parts]
    own = [board for board in on_hand.stock if not board.is_bought]
    plan = plan_cuts(pieces, own, kerf_mm=on_hand.kerf_mm, time_limit_s=1.0)
    missing = []
    for section in dict.fromkeys(part.section for part in parts):
        need = math.fsum(p.length_mm * p.count for p in parts if p.section == section) / 1000.0
        gaps = [gap for gap in plan.missing if gap.section == section]
        short = math.fsum(gap.length_mm * gap.count for gap in gaps) / 1000.0
        if not short:
            continue
        price = on_hand.prices.get(section)
        names = listed(
            say(
                "%(count)s x %(name)s %(length)s",
                count=gap.count,
                name=Message(gap.name),
                length=Length(gap.length_mm),
            )
            for gap in gaps
        )
        missing.append(
            MissingMaterial(
                section,
                need,
                need - short,
                short,
                "m",
                None if price is None else price * short,
                say(
                    "%(short)s m of %(section)s missing, without the saw's waste: %(names)s.",
                    short=Number(short, ".2f"),
                    section=section,
                    names=names,
                ),
            )
        )
    return missing


def _missing_film(film: tuple[FilmPart, ...], on_hand: OnHand) -> list[MissingMaterial]:
    """What the fullest roll does not give; sheets of one cover are cut from one roll."""
    if not film:
        return []
    sheets = [Sheet(part.name, part.length_mm, part.width_mm, part.count) for part in film]
    areas = {part.name: part.length_mm * part.width_mm * part.count / 1e6 for part in film}
    need = math.fsum(areas.values())
    best, best_roll = need, ""
    for roll in on_hand.rolls:
        short = _short_of(roll, sheets, areas)
        if short < best:
            best, best_roll = short, roll.name
    if best <= 0.0:
        return []
    price = on_hand.prices.get("film")
    words = say("%(short)s m² of film missing.", short=Number(best, ".1f"))
    if best_roll:
        words = say(
            "%(short)s m² of film missing after %(roll)s.",
            short=Number(best, ".1f"),
            roll=best_roll,
        )
    return [
        MissingMaterial(
            "film",
            need,
            need - best,
            best,
            "m²",
            None if price is None else price * best,
            words,
        )
    ]


def _short_of(roll: Roll, sheets: list[Sheet], areas: dict[str, float]) -> float:
    plan = plan_film(sheets, roll)
    return math.fsum(areas[name] for name in plan.short)


__all__ = [
    "FIGURES",
    "Bed",
    "BedFit",
    "BoxFrame",
    "CageBag",
    "ColdFrame",
    "Design",
    "Figure",
    "HoopTunnel",
    "MissingMaterial",
    "OnHand",
    "PalletLeanTo",
    "Plants",
    "PredictedLift",
    "UpturnedBox",
    "WindNeeds",
    "Wish",
    "bed_fit",
    "construction_of",
    "design",
    "predict_lift",
]
