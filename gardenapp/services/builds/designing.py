"""Covers to be built: which designs fit some plants, a design in full, its cuts, its prices."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp import reference
from gardenapp.errors import FieldRefused, NotAllowed, NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.messages import Sentence
from gardenapp.models.builds import BuildPlan, UnitPrice
from gardenapp.models.covers import CoverKind
from gardenapp.models.people import Member
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.reference import Caution
from gardenapp.science.covers.film import FilmPlan, Roll, Sheet, plan_film
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.designs.design import Bed, Design, Plants, construction_of, design
from gardenapp.science.estimate import Estimate
from gardenapp.science.timber.cutting import CutPlan, Piece, plan_cuts
from gardenapp.services import change_log
from gardenapp.services.builds.materials import (
    Held,
    Materials,
    Price,
    bag_mm,
    find_materials,
    find_prices,
    is_fixing,
    usual_bar_mm,
)
from gardenapp.services.builds.shapes import (
    SHAPES,
    Need,
    suggest_box_frame,
    suggest_cage,
    suggest_cold_frame,
    suggest_hoop_tunnel,
    suggest_pallets,
    usual_sizes,
    wish_of,
)
from gardenapp.services.garden.lift_priors import prior_of
from gardenapp.services.store.covers import natural
from gardenapp.services.transaction import write_transaction
from gardenapp.services.trials.cover_trials import believed_lifts
from gardenapp.words import _

USUAL_GUST_MPS = 13.9  # where Beaufort 7 begins; weighted covers come off from there, our choice
USUAL_KERF_MM = 3.0
CUT_SECONDS = 2.0
MOST_PLANS = 60
MOST_SUGGESTIONS = 14


@dataclass(frozen=True)
class PlantChoice:
    """A planting that can be chosen, with what it asks of a cover. [cm]"""

    id: int
    name: str
    stage: str
    count: int
    height_cm: float
    spread_cm: float


@dataclass(frozen=True)
class Wanted:
    """What a cover is to be built for."""

    need: Need
    plot_id: int | None = None
    plot: str = ""
    planting_ids: tuple[int, ...] = ()
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Candidate:
    """A design that fits, with the sizes it was drawn for.

    `short` is what stops it, `check` the small things the store does not show; `cost` is of both
    where every price is known.
    """

    shape: str
    sizes: Mapping[str, Any]
    design: Design
    is_buildable: bool
    short: tuple[str, ...]
    check: tuple[str, ...]
    cost: float | None
    made_of: str = ""


@dataclass(frozen=True)
class PlanLine:
    """A plan in the list."""

    id: int
    title: str
    made_at: datetime
    made_by: str
    plot: str
    cover_id: int | None
    cover: str


@dataclass(frozen=True)
class PlanEntry:
    """A plan as its form gives it."""

    shape: str
    sizes: Mapping[str, Any]
    need: Need
    gust_mps: float = USUAL_GUST_MPS
    kerf_mm: float = USUAL_KERF_MM
    plot_id: int | None = None
    planting_ids: tuple[int, ...] = ()


@dataclass(frozen=True)
class Fit:
    """A planting that would stand under the cover, and how many covers all of it takes."""

    planting_id: int
    name: str
    plot: str
    count: int
    capacity: int
    covers: int


@dataclass(frozen=True)
class FilmCut:
    """How the sheets of one design come from one roll; no roll: none in the store."""

    roll: str
    place: str
    width_mm: float
    plan: FilmPlan


@dataclass(frozen=True)
class PlanPage:
    """A plan with its design in full."""

    id: int
    entry: PlanEntry
    title: str
    made_at: datetime
    made_by: str
    may_change: bool
    plot: str
    plants: tuple[str, ...]
    design: Design
    candidate: Candidate
    fits: tuple[Fit, ...]
    cautions: Mapping[str, Caution]
    cover_id: int | None
    cover: str


@dataclass(frozen=True)
class CutPage:
    """The cut plan of a plan: timber, and film where there is a roll."""

    id: int
    title: str
    timber: CutPlan | None
    names: Mapping[str, str]  # a board's name in the plan to the lot's
    places: Mapping[str, str]
    film: FilmCut | None
    kerf_mm: float


# --- what is to stand inside ------------------------------------------------------------------


def list_plants(*, plot_id: int) -> tuple[PlantChoice, ...]:
    """The plantings of a plot that a cover can be built for. Raises NotFound."""
    if db.session.get(Plot, plot_id) is None:
        raise NotFound(_("We can’t find that plot."))
    return tuple(
        PlantChoice(
            planting.id,
            planting.name or planting.stage.crop.name,
            planting.stage.name,
            planting.count,
            planting.height_cm,
            planting.spread_cm,
        )
        for planting in _living(plot_id)
    )


def _living(plot_id: int | None = None) -> Sequence[Planting]:
    query = (
        select(Planting)
        .where(Planting.ended_at.is_(None))
        .options(joinedload(Planting.stage).joinedload(CropStage.crop), joinedload(Planting.plot))
        .order_by(Planting.id)
    )
    if plot_id is not None:
        query = query.where(Planting.plot_id == plot_id)
    return db.session.scalars(query).all()


def wanted_for(*, plot_id: int, planting_ids: Sequence[int]) -> Wanted:
    """What these plantings of a plot ask of one cover.

    The tallest, the widest and all of them together. Raises NotFound for the plot, and
    FieldRefused where none is chosen or one does not stand there.
    """
    plot = db.session.get(Plot, plot_id)
    if plot is None:
        raise NotFound(_("We can’t find that plot."))
    there = {planting.id: planting for planting in _living(plot_id)}
    if not planting_ids:
        raise FieldRefused("planting", _("Choose at least one planting."))
    if any(number not in there for number in planting_ids):
        raise FieldRefused("planting", _("One of those plantings is no longer in this plot."))
    chosen = [there[number] for number in dict.fromkeys(planting_ids)]
    bed = plot.bed_width_cm or plot.width_cm
    return Wanted(
        Need(
            height_mm=max(p.height_cm for p in chosen) * 10.0,
            spread_mm=max(p.spread_cm for p in chosen) * 10.0,
            count=sum(p.count for p in chosen),
            bed_length_mm=None if plot.length_cm is None else plot.length_cm * 10.0,
            bed_width_mm=None if bed is None else bed * 10.0,
        ),
        plot_id=plot.id,
        plot=plot.label,
        planting_ids=tuple(p.id for p in chosen),
        names=tuple(p.name or p.stage.crop.name for p in chosen),
    )


# --- designs that fit -------------------------------------------------------------------------


def suggest(*, wanted: Wanted, member: Member, gust_mps: float = USUAL_GUST_MPS) -> list[Candidate]:
    """Designs in which the plants stand, those that the store can build first.

    Each shape is drawn for the plants, the ground and the materials there are. What would not
    do (too low, too narrow, too big for the bed) is left out.

    Raises OutOfRange for plants or ground no cover has.
    """
    need = wanted.need
    plants, bed = _plants_of(need), _bed_of(need)
    materials = find_materials(member=member)
    priors = _priors()
    found: list[Candidate] = []
    for shape, sizes, made_of in _ideas(need, materials):
        try:
            candidate = _candidate(
                shape, sizes, need, plants, bed, gust_mps, materials, priors, made_of
            )
        except OutOfRange:
            continue  # sizes that this shape does not come in
        if not candidate.design.problems and candidate.design.capacity:
            found.append(candidate)
    found.sort(key=lambda one: (not one.is_buildable, len(one.short), one.design.covers_needed))
    return found[:MOST_SUGGESTIONS]


def _ideas(need: Need, materials: Materials) -> list[tuple[str, dict[str, Any], str]]:
    """Shape, sizes, and the lot it is made of where there is one to name."""
    ideas: list[tuple[str, dict[str, Any] | None, str]] = []
    rolls = materials.rolls_for("box_frame")
    film_um = rolls[0].thickness_um if rolls else 150.0
    ideas.append(
        (
            "box_frame",
            suggest_box_frame(need, bar_mm=usual_bar_mm(materials), film_um=film_um),
            "",
        )
    )
    pipes = [h for h in materials.of_sort("hoop") if h.sizes_mm and "wire" not in h.name.casefold()]
    pipe_mm = pipes[0].sizes_mm[0] if pipes else 20.0
    ideas.append(("hoop_tunnel", suggest_hoop_tunnel(need, pipe_mm=pipe_mm, film_um=film_um), ""))
    windows = [held for held in materials.of_sort("glass") if len(held.sizes_mm) >= 2][:2]
    board = _board_mm(materials)
    for window in windows:
        size = (window.sizes_mm[0], window.sizes_mm[1])
        sizes = suggest_cold_frame(need, window_mm=size, board_mm=board)
        ideas.append(("cold_frame", sizes, window.name))
    if not windows:
        sizes = suggest_cold_frame(need, window_mm=(1_000.0, 600.0), board_mm=board)
        ideas.append(("cold_frame", sizes, ""))
    pallets = [held for held in materials.of_sort("pallet") if len(held.sizes_mm) >= 2][:2]
    for pallet in pallets:
        size = (pallet.sizes_mm[0], pallet.sizes_mm[1])
        ideas.append(("pallet_lean_to", suggest_pallets(need, pallet_mm=size), pallet.name))
    if not pallets:
        sizes = suggest_pallets(need, pallet_mm=(1_200.0, 800.0))
        ideas.append(("pallet_lean_to", sizes, ""))
    ideas += _boxes(materials)
    bags = [(held, flat) for held in materials.of_sort("bag") if (flat := bag_mm(held))]
    for held, flat in bags[:2]:
        ideas.append(("cage_bag", suggest_cage(need, bag_mm=flat), held.name))
    if not bags:
        ideas.append(("cage_bag", suggest_cage(need, bag_mm=None), ""))
    return [(shape, sizes, name) for shape, sizes, name in ideas if sizes is not None]


def _boxes(materials: Materials) -> list[tuple[str, dict[str, Any] | None, str]]:
    ideas: list[tuple[str, dict[str, Any] | None, str]] = []
    for held in materials.of_sort("box")[:6]:
        if len(held.sizes_mm) == 3:
            long, wide, high = held.sizes_mm
            shape = "food_box" if long * wide * high < 15e6 else "tote"  # under 15 litres
            sizes = {"length_mm": long, "width_mm": wide, "height_mm": high}
            ideas.append((shape, {**usual_sizes(shape), **sizes}, held.name))
        elif len(held.sizes_mm) == 2 and "bottle" in held.name.casefold():
            sizes = {"length_mm": held.sizes_mm[0], "height_mm": held.sizes_mm[1]}
            ideas.append(("bottle", {**usual_sizes("bottle"), **sizes}, held.name))
    for shape in ("tote", "bottle"):
        if all(shape != idea[0] for idea in ideas):
            ideas.append((shape, usual_sizes(shape), ""))
    return ideas


def _board_mm(materials: Materials) -> tuple[float, float]:
    for held in materials.of_sort("timber"):
        section = sorted(held.sizes_mm[:2])
        if len(section) == 2 and section[1] >= 80.0 and section[0] <= 50.0:
            return section[0], section[1]
    return 19.0, 140.0


def _candidate(
    shape: str,
    sizes: Mapping[str, Any],
    need: Need,
    plants: Plants,
    bed: Bed | None,
    gust_mps: float,
    materials: Materials,
    priors: Mapping[str, LiftPrior],
    made_of: str = "",
    kerf_mm: float = USUAL_KERF_MM,
) -> Candidate:
    wish = wish_of(shape, sizes, need)
    found = design(
        wish,
        gust_mps=gust_mps,
        plants=plants,
        bed=bed,
        prior=priors.get(construction_of(wish)),
        on_hand=materials.on_hand(shape, kerf_mm=kerf_mm),
    )
    missing = found.missing or ()
    costs = [gap.cost for gap in missing]
    return Candidate(
        shape=shape,
        sizes=dict(sizes),
        design=found,
        is_buildable=all(is_fixing(gap.what) for gap in missing),
        short=tuple(gap.what for gap in missing if not is_fixing(gap.what)),
        check=tuple(gap.what for gap in missing if is_fixing(gap.what)),
        cost=None if any(c is None for c in costs) else sum(c for c in costs if c is not None),
        made_of=made_of,
    )


def _plants_of(need: Need) -> Plants:
    return Plants(need.height_mm, need.spread_mm, need.count)


def _bed_of(need: Need) -> Bed | None:
    if need.bed_length_mm is None or need.bed_width_mm is None:
        return None
    return Bed(need.bed_length_mm, need.bed_width_mm)


def _priors() -> dict[str, LiftPrior]:
    """What each construction is believed to add: the garden's own trials, else the published."""
    found = {
        built.key: LiftPrior(
            clear=Estimate(built.clear_mean_k, built.clear_sd_k),
            cloudy=Estimate(built.cloudy_mean_k, built.cloudy_sd_k),
            leaf_shield=built.leaf_shield,
        )
        for built in reference.load_constructions()
    }
    kinds = list(db.session.scalars(select(CoverKind).where(CoverKind.is_published)))
    learnt = believed_lifts(kinds=kinds)
    for kind in kinds:
        found[kind.reference_key] = learnt[kind.id][0] if kind.id in learnt else prior_of(kind)
    return found


# --- plans ------------------------------------------------------------------------------------


def check_entry(entry: PlanEntry) -> Design:
    """The design these sizes make, or why they cannot be.

    Raises FieldRefused beside the size that is at fault.
    """
    if entry.shape not in SHAPES:
        raise FieldRefused("shape", _("Choose one of the list."))
    try:
        return design(
            wish_of(entry.shape, entry.sizes, entry.need),
            gust_mps=entry.gust_mps,
            plants=_plants_of(entry.need),
            bed=_bed_of(entry.need),
        )
    except KeyError as missing:
        raise FieldRefused(str(missing.args[0]), _("Enter this size.")) from None
    except OutOfRange as refusal:
        raise FieldRefused(_field_about(entry, refusal), Sentence(refusal.message)) from None


def _field_about(entry: PlanEntry, refusal: OutOfRange) -> str:
    """The field of the form that a refusal is about; the first one where it has none of its own."""
    fields = [field.name for field in SHAPES[entry.shape].fields]
    return refusal.about if refusal.about in {*fields, *_COMMON_FIELDS} else fields[0]


# What every design is asked beside its own sizes.
_COMMON_FIELDS = frozenset(
    {
        "gust_mps",
        "plant_height_mm",
        "plant_spread_mm",
        "plant_count",
        "bed_length_mm",
        "bed_width_mm",
    }
)


def add_plan(*, entry: PlanEntry, member: Member, now: datetime, form_key: str = "") -> int:
    """Keep a design with its sizes; gives its id. The same form sent twice keeps one.

    Raises FieldRefused for sizes that cannot be.
    """
    check_entry(entry)
    with write_transaction(changes_board=False) as session:
        if form_key:
            before = session.scalar(select(BuildPlan.id).where(BuildPlan.form_key == form_key))
            if before is not None:
                return before
        row = BuildPlan(
            made_at=now,
            made_by_id=member.id,
            form_key=form_key or None,
            built_at=None,
            cover_id=None,
            **_columns(entry),
        )
        session.add(row)
        session.flush()
        change_log.record(
            action="build planned",
            subject=SHAPES[entry.shape].title,
            at=now,
            member_id=member.id,
        )
        return row.id


def change_plan(*, plan_id: int, entry: PlanEntry, member: Member, now: datetime) -> None:
    """Change a plan's sizes. Raises NotFound, NotAllowed, FieldRefused, Refused once built."""
    check_entry(entry)
    with write_transaction(changes_board=False) as session:
        row = _get(plan_id)
        check_own(row, member)
        if row.cover_id is not None or row.built_at is not None:
            raise Refused(_("This cover is built. Make another plan to use other sizes."))
        for name, value in _columns(entry).items():
            setattr(row, name, value)
        session.flush()
        change_log.record(
            action="build plan changed",
            subject=SHAPES[row.shape].title,
            at=now,
            member_id=member.id,
        )


def copy_plan(*, plan_id: int, member: Member, now: datetime, form_key: str = "") -> int:
    """Plan one more like this. Raises NotFound, FieldRefused."""
    return add_plan(entry=entry_of(_get(plan_id)), member=member, now=now, form_key=form_key)


def _columns(entry: PlanEntry) -> dict[str, Any]:
    need = entry.need
    return {
        "shape": entry.shape,
        "sizes": json.loads(json.dumps(dict(entry.sizes))),
        "plot_id": entry.plot_id,
        "plants": list(entry.planting_ids),
        "height_mm": need.height_mm,
        "spread_mm": need.spread_mm,
        "plant_count": need.count,
        "bed_length_mm": need.bed_length_mm,
        "bed_width_mm": need.bed_width_mm,
        "gust_mps": entry.gust_mps,
        "kerf_mm": entry.kerf_mm,
    }


def entry_of(row: BuildPlan) -> PlanEntry:
    """A plan's row as its form has it."""
    return PlanEntry(
        shape=row.shape,
        sizes=dict(row.sizes),
        need=Need(
            row.height_mm, row.spread_mm, row.plant_count, row.bed_length_mm, row.bed_width_mm
        ),
        gust_mps=row.gust_mps,
        kerf_mm=row.kerf_mm,
        plot_id=row.plot_id,
        planting_ids=tuple(row.plants),
    )


def _get(plan_id: int) -> BuildPlan:
    row = db.session.get(BuildPlan, plan_id, populate_existing=True)
    if row is None:
        raise NotFound(_("We can’t find that plan."))
    return row


def may_change(row: BuildPlan, member: Member) -> bool:
    """Whoever made the plan, or a coordinator."""
    return member.is_coordinator or row.made_by_id == member.id


def check_own(row: BuildPlan, member: Member) -> None:
    """Raises NotAllowed unless `may_change`."""
    if not may_change(row, member):
        raise NotAllowed(_("Only whoever made this plan, or a coordinator, can change it."))


def get_entry(*, plan_id: int, member: Member) -> PlanEntry:
    """A plan for its form. Raises NotFound, NotAllowed."""
    row = _get(plan_id)
    check_own(row, member)
    return entry_of(row)


def list_plans() -> tuple[PlanLine, ...]:
    """The newest plans first."""
    rows = db.session.scalars(
        select(BuildPlan)
        .options(
            joinedload(BuildPlan.made_by), joinedload(BuildPlan.plot), joinedload(BuildPlan.cover)
        )
        .order_by(BuildPlan.id.desc())
        .limit(MOST_PLANS)
    )
    return tuple(
        PlanLine(
            row.id,
            SHAPES[row.shape].title,
            row.made_at,
            row.made_by.name if row.made_by else "",
            row.plot.label if row.plot else "",
            row.cover_id,
            row.cover.label if row.cover else "",
        )
        for row in rows
        if row.shape in SHAPES
    )


def get_plan(*, plan_id: int, member: Member) -> PlanPage:
    """A plan with its design worked out from the store as it is now. Raises NotFound."""
    row = _get(plan_id)
    entry = entry_of(row)
    candidate = candidate_of(entry, find_materials(member=member))
    found = candidate.design
    keys = {key for step in found.steps for key in step.cautions}
    names = {planting.id: planting for planting in _living(row.plot_id)} if row.plot_id else {}
    return PlanPage(
        id=row.id,
        entry=entry,
        title=found.title,
        made_at=row.made_at,
        made_by=row.made_by.name if row.made_by else "",
        may_change=may_change(row, member),
        plot=row.plot.label if row.plot else "",
        plants=tuple(
            names[number].name or names[number].stage.crop.name
            for number in row.plants
            if number in names
        ),
        design=found,
        candidate=candidate,
        fits=_fits(entry),
        cautions={c.key: c for c in reference.load_cautions() if c.key in keys},
        cover_id=row.cover_id,
        cover=row.cover.label if row.cover else "",
    )


def candidate_of(entry: PlanEntry, materials: Materials) -> Candidate:
    """A plan's design against the store. Raises FieldRefused, though kept plans have none."""
    check_entry(entry)
    need = entry.need
    return _candidate(
        entry.shape,
        entry.sizes,
        need,
        _plants_of(need),
        _bed_of(need),
        entry.gust_mps,
        materials,
        _priors(),
        kerf_mm=entry.kerf_mm,
    )


def _fits(entry: PlanEntry) -> tuple[Fit, ...]:
    """The garden's plantings that would stand under it, those it serves best first."""
    rooms: dict[tuple[float, float], int] = {}
    found = []
    wish = wish_of(entry.shape, entry.sizes, entry.need)
    for planting in _living():
        size = (planting.height_cm, planting.spread_cm)
        if size not in rooms:
            try:
                plants = Plants(size[0] * 10.0, size[1] * 10.0, 1)
                rooms[size] = design(wish, gust_mps=0.0, plants=plants).capacity or 0
            except OutOfRange:
                rooms[size] = 0
        room = rooms[size]
        if room:
            found.append(
                Fit(
                    planting.id,
                    planting.name or planting.stage.crop.name,
                    planting.plot.label,
                    planting.count,
                    room,
                    -(-planting.count // room),
                )
            )
    found.sort(key=lambda fit: (fit.covers, natural(fit.plot), fit.name, fit.planting_id))
    return tuple(found)


# --- cut plans --------------------------------------------------------------------------------


def timber_plan(found: Design, materials: Materials, *, kerf_mm: float, buys: bool) -> CutPlan:
    """The cuts of a design's bars from the store's lengths, offcuts first; new ones if `buys`."""
    pieces = [Piece(part.name, part.length_mm, part.count, part.section) for part in found.parts]
    stock = [*materials.boards, *(materials.for_sale() if buys else ())]
    return plan_cuts(pieces, stock, kerf_mm=kerf_mm, time_limit_s=CUT_SECONDS)


def film_plan(found: Design, rolls: Sequence[Roll]) -> tuple[Roll, FilmPlan] | None:
    """The sheets of a design from the roll that gives all of them with fewest joins and least film.

    None where the design has no film or there is no roll; `short` names what a roll lacks.
    """
    if not found.film or not rolls:
        return None
    sheets = [Sheet(part.name, part.length_mm, part.width_mm, part.count) for part in found.film]
    plans = [(roll, plan_film(sheets, roll)) for roll in rolls]
    return min(
        plans,
        key=lambda pair: (
            len(pair[1].short),
            pair[1].joins,
            pair[1].used_mm * pair[0].width_mm,
            pair[0].length_mm or 0.0,
        ),
    )


def get_cuts(*, plan_id: int, member: Member) -> CutPage:
    """The cuts of a plan, from the store as it is now. Raises NotFound."""
    row = _get(plan_id)
    entry = entry_of(row)
    found = check_entry(entry)
    materials = find_materials(member=member)
    timber = None
    if found.parts:
        timber = timber_plan(found, materials, kerf_mm=entry.kerf_mm, buys=True)
    film = film_plan(found, materials.rolls_for(entry.shape))
    held = materials.held
    return CutPage(
        id=row.id,
        title=found.title,
        timber=timber,
        names={str(number): one.name for number, one in held.items()},
        places={str(number): one.place for number, one in held.items()},
        film=None if film is None else _film_cut(film, held),
        kerf_mm=entry.kerf_mm,
    )


def _film_cut(film: tuple[Roll, FilmPlan], held: Mapping[int, Held]) -> FilmCut:
    roll, plan = film
    lot = held[int(roll.name)]
    return FilmCut(lot.name, lot.place, roll.width_mm, plan)


# --- prices -----------------------------------------------------------------------------------


def list_prices() -> tuple[Price, ...]:
    """What is known of prices."""
    return tuple(find_prices().values())


def set_price(
    *, what: str, price: float | None, sold_length_mm: float | None, member: Member, now: datetime
) -> None:
    """Keep what a material costs, or forget it with no price.

    Raises FieldRefused for no name, a negative price or a length that is none.
    """
    name = " ".join(what.replace("×", "x").split())
    if not name:
        raise FieldRefused("what", _("Enter what it is."))
    if price is not None and not 0.0 <= price <= 100_000.0:
        raise FieldRefused("price", _("Enter a price between 0 and 100,000."))
    if sold_length_mm is not None and not 100.0 <= sold_length_mm <= 30_000.0:
        raise FieldRefused("sold_length_mm", _("Enter the length that the shop sells."))
    with write_transaction(changes_board=False) as session:
        row = session.scalar(select(UnitPrice).where(UnitPrice.what == name))
        if price is None:
            if row is not None:
                session.delete(row)
        else:
            if row is None:
                row = UnitPrice(what=name)
                session.add(row)
            row.price_hundredths = round(price * 100)
            row.sold_length_mm = sold_length_mm
            row.changed_at, row.changed_by_id = now, member.id
        session.flush()
        change_log.record(
            action="price kept" if price is not None else "price taken away",
            subject=f"price of {name}",
            at=now,
            member_id=member.id,
        )
