"""Building a planned cover: lots become pieces and offcuts, the pieces become the cover.

The cuts are worked out first, which may take a second or two. Then one short write does all of
it or none: if somebody took a board meanwhile, nothing has happened. Pieces get lots of their
own before they go into the cover, so that a cover taken apart gives back what really is in it.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select

from gardenapp.errors import FieldRefused, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.messages import Words, listed, say
from gardenapp.models.builds import BuildPlan
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.people import Member
from gardenapp.models.store import CoverPart, LedgerEntry, Lot
from gardenapp.science.designs.design import Design, predict_lift
from gardenapp.science.timber.cutting import CutPlan
from gardenapp.services import change_log
from gardenapp.services.builds.designing import (
    Candidate,
    PlanEntry,
    candidate_of,
    entry_of,
    film_plan,
    timber_plan,
)
from gardenapp.services.builds.materials import ONE, Held, Materials, find_materials, held_as
from gardenapp.services.builds.shapes import SHAPES, wish_of
from gardenapp.services.clockwork import garden_zone, tonight
from gardenapp.services.garden.lift_priors import prior_of
from gardenapp.services.night.forecasts import find_forecast
from gardenapp.services.notices.planned import replan_if_needed
from gardenapp.services.store import covers, ledger, lots
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.subjects import check_handle, check_place
from gardenapp.services.store.things import worst_mark, worst_wood
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, decimal_sign

_GRAIN_CM = 0.1
# Columns of a kind that a copy with other sizes does not take over.
_OWN_COLUMNS = frozenset({"id", "name", "is_published", "is_edited"})


@dataclass(frozen=True)
class Built:
    """What came of building: the cover, and what became of tonight's plan."""

    cover_id: int
    label: str
    is_planned_again: bool
    trouble: Words = ""


@dataclass(frozen=True)
class _Piece:
    """Pieces to be made of one lot: a bar, or a sheet with a width. [mm]"""

    lot_id: int
    length_mm: float
    width_mm: float | None
    count: int
    is_kept: bool  # goes back to the store and not into the cover


@dataclass(frozen=True)
class _Plan:
    """All that is to be taken: milli of each lot to be cut, the pieces of it, and whole items."""

    cut_milli: Mapping[int, int]
    cut_words: Mapping[int, str]
    pieces: tuple[_Piece, ...]
    whole_milli: Mapping[int, int]

    @property
    def taken_milli(self) -> dict[int, int]:
        """All that leaves each lot, cut and whole."""
        return dict(Counter(self.cut_milli) + Counter(self.whole_milli))


def suggest_label(*, plan_id: int) -> str:
    """The next free label for the cover of a plan. Raises NotFound."""
    row = db.session.get(BuildPlan, plan_id)
    if row is None:
        raise NotFound(_("We can’t find that plan."))
    prefix = SHAPES[row.shape].label
    return f"{prefix} {covers.next_numbers(prefix=prefix)}"


def build_cover(
    *, plan_id: int, label: str, place_id: int | None, member: Member, now: datetime
) -> Built:
    """Take the materials, write the cover into the store and plan tonight again with it.

    The cover is the garden's, or the member's where any of the materials was theirs. A plan
    becomes one cover: asked again, it gives the cover that is there.

    Raises NotFound, FieldRefused for the label or the place, Refused where materials are short or
    no kind of cover is known to copy, and what the ledger raises where somebody was first.
    """
    row = db.session.get(BuildPlan, plan_id, populate_existing=True)
    if row is None:
        raise NotFound(_("We can’t find that plan."))
    done = _done(row)
    if done is not None:
        return done
    entry = entry_of(row)
    materials = find_materials(member=member)
    candidate = candidate_of(entry, materials)
    if candidate.design.problems:
        problems = listed(candidate.design.problems, " ")
        raise Refused(say("This design won’t work: %(problems)s", problems=problems))
    if not candidate.is_buildable:
        raise Refused(
            say(
                "The shed has too little for it: %(short)s. Add what has come, or choose other "
                "sizes.",
                short=listed(
                    gap.shown
                    for gap in candidate.design.missing or ()
                    if gap.what in candidate.short
                ),
            )
        )
    plan = _plan(entry, candidate.design, materials)
    with write_transaction() as session:
        row = session.get(BuildPlan, plan_id, populate_existing=True, with_for_update=True)
        assert row is not None
        done = _done(row)
        if done is not None:
            return done
        cover_id = _write(row, entry, candidate, plan, materials, label, place_id, member, now)
        row.cover_id, row.built_at = cover_id, now
        session.flush()
    again, trouble = _plan_again(member, now)
    return Built(cover_id, label, again, trouble)


def _done(row: BuildPlan) -> Built | None:
    if row.cover_id is None:
        if row.built_at is not None:
            raise Refused(_("This cover was built, and is gone."))
        return None
    cover = db.session.get(Cover, row.cover_id)
    return Built(row.cover_id, cover.label if cover else "", False)


def _plan_again(member: Member, now: datetime) -> tuple[bool, Words]:
    """Let tonight's plan use it; a night that has no forecast is left alone."""
    evening = tonight(now)
    if find_forecast(evening) is None:
        return False, ""
    try:
        return bool(replan_if_needed(nights=[evening], member_id=member.id, now=now)), ""
    except (Refused, NotFound) as refusal:
        return False, refusal.message


# --- what is to be taken ----------------------------------------------------------------------


def _plan(entry: PlanEntry, found: Design, materials: Materials) -> _Plan:
    cut: dict[int, int] = defaultdict(int)
    words: dict[int, list[str]] = defaultdict(list)
    pieces: list[_Piece] = []
    if found.parts:
        timber = timber_plan(found, materials, kerf_mm=entry.kerf_mm, buys=False)
        if timber.missing:
            raise Refused(_("There is no way to cut all its bars from the lengths in the shed."))
        pieces += _timber(timber, materials.held, cut, words)
    sheets = film_plan(found, materials.rolls_for(entry.shape))
    if sheets is not None:
        roll, plan = sheets
        lot_id = int(roll.name)
        held = materials.held[lot_id]
        if plan.short:
            raise Refused(_("No roll in the shed is long enough for all its pieces."))
        strips = Counter((strip.length_mm, strip.width_mm) for strip in plan.strips)
        used_mm = math.ceil(plan.used_mm)
        if held.unit == "m":
            cut[lot_id] += used_mm
        elif held.unit == "m2":
            cut[lot_id] += math.ceil(used_mm * roll.width_mm / 1_000.0)
        else:
            cut[lot_id] += ONE
            rest = (roll.length_mm or 0.0) - plan.used_mm
            if rest >= 300.0:
                pieces.append(_Piece(lot_id, round(rest, 1), roll.width_mm, 1, True))
        for (length, width), count in sorted(strips.items(), reverse=True):
            pieces.append(_Piece(lot_id, round(length, 1), round(width, 1), count, False))
            words[lot_id].append(f"{count} × {length:.0f} by {width:.0f} mm")
    whole = _whole_items(found, materials)
    return _Plan(
        dict(cut), {number: ", ".join(said) for number, said in words.items()}, tuple(pieces), whole
    )


def _timber(
    timber: CutPlan,
    held: Mapping[int, Held],
    cut: dict[int, int],
    words: dict[int, list[str]],
) -> list[_Piece]:
    made: Counter[tuple[int, float, bool]] = Counter()
    for board in timber.boards:
        lot_id = int(board.stock_name)
        is_coil = held[lot_id].unit == "m"
        if is_coil:
            cut[lot_id] += math.ceil(math.fsum(c.length_mm for c in board.cuts) + board.sawdust_mm)
        else:
            cut[lot_id] += ONE
            for _, rest in board.kept:
                made[lot_id, round(rest, 1), True] += 1
        for piece in board.cuts:
            made[lot_id, round(piece.length_mm, 1), False] += 1
    pieces = []
    for (lot_id, length, is_kept), count in sorted(made.items()):
        pieces.append(_Piece(lot_id, length, None, count, is_kept))
        if not is_kept:
            words[lot_id].append(f"{count} × {length:.0f} mm")
    return pieces


def _whole_items(found: Design, materials: Materials) -> dict[int, int]:
    """Boxes, windows, screws: from the lots that have most, as far as they go."""
    taken: dict[int, int] = defaultdict(int)
    for item in found.items:
        left = item.count
        for take in sorted(materials.items.get(item.name, ()), key=lambda t: -t.free_milli):
            free = (take.free_milli - taken[take.lot_id]) // take.milli_each
            each = min(left, free)
            if each > 0:
                taken[take.lot_id] += each * take.milli_each
                left -= each
    return {lot_id: milli for lot_id, milli in taken.items() if milli}


# --- writing it down --------------------------------------------------------------------------


def _write(
    row: BuildPlan,
    entry: PlanEntry,
    candidate: Candidate,
    plan: _Plan,
    materials: Materials,
    label: str,
    place_id: int | None,
    member: Member,
    now: datetime,
) -> int:
    session = db.session
    check_place(place_id)
    if session.scalar(select(Cover.id).where(Cover.label == label)) is not None:
        raise FieldRefused(
            "label", _("There is already one called %(label)s. Choose another label.", label=label)
        )
    used = {
        lot_id: _unchanged(materials.held[lot_id], milli, member)
        for lot_id, milli in sorted(plan.taken_milli.items())
    }
    kind = _kind_for(entry, candidate.design)
    owners = {lot.owner_id for lot in used.values() if lot.owner_id is not None}
    cover = Cover(
        class_id=kind.id,
        label=label,
        owner_id=min(owners) if owners else None,
        lending="garden",
        form_key=f"build-{row.id}",
        **_facts(entry, candidate.design, used.values(), now),
    )
    session.add(cover)
    session.flush()
    ledger.write(
        cover,
        Happening("made", place_id=place_id, note=f"{SHAPES[entry.shape].title}, plan {row.id}"),
        at=now,
        member_id=member.id,
    )
    for lot_id, milli in sorted(plan.cut_milli.items()):
        lot = used[lot_id]
        said = plan.cut_words.get(lot_id, "")
        cut = ledger.write(
            lot,
            Happening("cut", quantity_milli=milli, note=f"for {label}: {said}"),
            at=now,
            member_id=member.id,
        )
        for piece in plan.pieces:
            if piece.lot_id == lot_id:
                _make_piece(cover, lot, cut, piece, member, now)
    for lot_id, milli in sorted(plan.whole_milli.items()):
        _put_in(cover, used[lot_id], milli, member, now)
    change_log.record(
        action="cover built",
        subject=f"thing {label}",
        detail=f"{kind.name}, from plan {row.id}",
        at=now,
        member_id=member.id,
    )
    return cover.id


def _unchanged(held: Held, milli: int, member: Member) -> Lot:
    """The lot, held for this write, if it still is what the cuts were planned for.

    Raises Refused with its name where it is not, or where less than `milli` of it is left.
    """
    lot = ledger.lock_lot(held.lot_id)
    check_handle(lot, member)
    if not lot.is_for_beds or lot.condition == "broken":
        raise Refused(
            _("%(name)s is no longer fit for beds. Look at the plan again.", name=lot.name)
        )
    # Where it lies makes no difference, and how much there is of it is asked below.
    as_it_is = replace(
        held_as(lot, is_offcut=held.is_offcut),
        place=held.place,
        on_hand_milli=held.on_hand_milli,
    )
    if as_it_is != held:
        raise Refused(_("Somebody has changed %(name)s. Look at the plan again.", name=lot.name))
    if lot.on_hand_milli < milli:
        raise Refused(
            _(
                "%(name)s: there are only %(left)s now, and this needs %(wanted)s. Look at the "
                "plan again.",
                name=lot.name,
                left=_number(lot.on_hand_milli),
                wanted=_number(milli),
            )
        )
    return lot


def _number(milli: int) -> str:
    return f"{milli / ONE:g}".replace(".", decimal_sign())


def _make_piece(
    cover: Cover, lot: Lot, cut: LedgerEntry, piece: _Piece, member: Member, now: datetime
) -> None:
    """Pieces of a lot become a lot of their own, and go into the cover unless they are kept."""
    entry = replace(lots.entry_of(lot), length_mm=piece.length_mm)
    if lot.unit != "piece":
        entry = replace(entry, name=f"{lot.name[:60]}, pieces", unit="piece")
    if piece.width_mm is not None:
        entry = replace(entry, width_cm=piece.width_mm / 10.0)
    made = _lot_of_pieces(lot, entry)
    ledger.write(
        made,
        Happening(
            "made",
            quantity_milli=piece.count * ONE,
            place_id=lot.place_id,
            note=f"from {lot.name}",
        ),
        at=now,
        member_id=member.id,
        caused_by_id=cut.id,
    )
    if not piece.is_kept:
        _put_in(cover, made, piece.count * ONE, member, now)


def _lot_of_pieces(lot: Lot, entry: lots.LotEntry) -> Lot:
    """The lot such pieces go to: one with the same columns that is there, or a new one."""
    values: dict[str, Any] = dict(vars(entry), cost_hundredths=None, origin="made")
    same = (
        "name",
        "sort",
        "unit",
        "width_cm",
        "thickness_um",
        "length_mm",
        "section",
        "resin",
        "mark",
        "wood",
        "is_for_beds",
        "owner_id",
        "lending",
    )
    query = select(Lot.id).where(
        Lot.id != lot.id,
        Lot.condition == lot.condition,
        *(getattr(Lot, name).is_not_distinct_from(values[name]) for name in same),
    )
    found = db.session.scalar(query.order_by(Lot.id).limit(1))
    if found is not None:
        return ledger.lock_lot(found)
    made = Lot(**values)
    db.session.add(made)
    db.session.flush()
    return made


def _put_in(cover: Cover, lot: Lot, milli: int, member: Member, now: datetime) -> None:
    happening = Happening("cut", quantity_milli=milli, note=f"for {cover.label}")
    entry = ledger.write(lot, happening, at=now, member_id=member.id)
    db.session.add(
        CoverPart(cover_id=cover.id, lot_id=lot.id, entry_id=entry.id, quantity_milli=milli)
    )
    db.session.flush()


def _facts(entry: PlanEntry, found: Design, used: Iterable[Lot], now: datetime) -> dict[str, Any]:
    """What the store knows of the new thing from what it is made of."""
    taken = list(used)
    film_m2 = sum(
        sheet.finished_length_mm * sheet.finished_width_mm * sheet.count for sheet in found.film
    )
    film_um = entry.sizes.get("film_um")
    return {
        "origin": "made",
        "acquired_on": now.astimezone(garden_zone()).date(),
        "film_area_m2": round(film_m2 / 1e6, 3) if film_m2 else None,
        "film_thickness_um": float(film_um) if film_um and film_m2 else None,
        "resin": next((lot.resin for lot in taken if lot.resin), ""),
        "mark": worst_mark(lot.mark for lot in taken),
        "wood": worst_wood(lot.wood for lot in taken),
    }


def _kind_for(entry: PlanEntry, found: Design) -> CoverKind:
    """The kind of cover with these sizes: one that is there, or a copy of its construction's.

    The copy believes what the design predicts: the same lift, less sure.
    """
    session = db.session
    like = session.scalar(
        select(CoverKind)
        .where(CoverKind.reference_key == found.construction)
        .order_by(CoverKind.is_published.desc(), CoverKind.id)
        .limit(1)
    )
    if like is None:
        raise Refused(
            _("The garden does not have this kind of cover yet. Load the published kinds of cover.")
        )
    inner = [size / 10.0 for size in found.inner_mm]
    outer = [size / 10.0 for size in found.outer_mm]
    for kind in session.scalars(
        select(CoverKind)
        .where(CoverKind.reference_key == found.construction)
        .order_by(CoverKind.id)
    ):
        sizes = (
            (kind.inner_length_cm, inner[0]),
            (kind.inner_width_cm, inner[1]),
            (kind.inner_height_cm, inner[2]),
            (kind.outer_length_cm, outer[0]),
            (kind.outer_width_cm, outer[1]),
        )
        if all(have is not None and abs(have - want) <= _GRAIN_CM for have, want in sizes):
            return kind
    lift = predict_lift(wish_of(entry.shape, entry.sizes, entry.need), prior_of(like)).prior
    values = {
        column.key: getattr(like, column.key)
        for column in CoverKind.__mapper__.column_attrs
        if column.key not in _OWN_COLUMNS
    }
    values |= {
        "name": _free_name(like.name, outer),
        "inner_length_cm": round(inner[0], 1),
        "inner_width_cm": round(inner[1], 1),
        "inner_height_cm": round(inner[2], 1),
        "outer_length_cm": round(max(outer[0], inner[0]), 1),
        "outer_width_cm": round(max(outer[1], inner[1]), 1),
        "clear_mean_k": lift.clear.mean,
        "clear_sd_k": lift.clear.sd,
        "cloudy_mean_k": lift.cloudy.mean,
        "cloudy_sd_k": lift.cloudy.sd,
        "status": "derived",
        "why": (
            f"Built here like “{like.name}” with other sizes: its lift is taken over with a wider "
            f"spread until a trial of its own. {like.why}"
        ),
    }
    kind = CoverKind(**values)
    session.add(kind)
    session.flush()
    return kind


def _free_name(like: str, outer_cm: list[float]) -> str:
    size = " × ".join(f"{side:.0f}" for side in outer_cm)
    base = f"{like[:50]}, {size} cm"
    name, number = base, 2
    while db.session.scalar(select(CoverKind.id).where(CoverKind.name == name)) is not None:
        name, number = f"{base} ({number})", number + 1
    return name
