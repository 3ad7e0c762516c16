"""Stocktake: walk the store with the list, and keep what differs.

What is expected at a place is compared with what was found. A thing that is not there is
written as counted and missing; one that is there though it should be elsewhere as counted,
here; a lot with another quantity as counted. What agrees is not written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import joinedload

from gardenapp.errors import FieldRefused, NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.plots import StorePlace
from gardenapp.models.store import Lot
from gardenapp.services import change_log
from gardenapp.services.store import ledger
from gardenapp.services.store.covers import natural
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.subjects import MOST_MILLI, ONE, may_handle
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _


@dataclass(frozen=True)
class ExpectedThing:
    """A thing that should be at the place; on a bed or lent it is not looked for."""

    id: int
    label: str
    kind: str
    status: str
    may_count: bool


@dataclass(frozen=True)
class ExpectedLot:
    """A lot that should be at the place, and how much of it."""

    id: int
    name: str
    unit: str
    on_hand_milli: int
    may_count: bool
    length_mm: float | None = None


@dataclass(frozen=True)
class Expected:
    """All that is expected at one place, or that has no place."""

    place_id: int | None
    place: str
    things: tuple[ExpectedThing, ...]
    lots: tuple[ExpectedLot, ...]


@dataclass(frozen=True)
class Outcome:
    """What a stocktake wrote."""

    agreed: int
    missing: tuple[str, ...]
    turned_up: tuple[str, ...]
    recounted: tuple[str, ...]
    not_counted: tuple[str, ...]


def expected_at(*, place_id: int | None, member: Member) -> Expected:
    """What should be at a place. Raises NotFound."""
    place = db.session.get(StorePlace, place_id) if place_id is not None else None
    if place_id is not None and place is None:
        raise NotFound(_("We can’t find that place."))
    things = db.session.scalars(
        select(Cover)
        .where(
            Cover.place_id.is_(None) if place_id is None else Cover.place_id == place_id,
            Cover.status != "retired",
        )
        .options(joinedload(Cover.cover_kind))
    )
    lots = db.session.scalars(
        select(Lot)
        .where(
            Lot.place_id.is_(None) if place_id is None else Lot.place_id == place_id,
            Lot.on_hand_milli > 0,
        )
        .order_by(Lot.name, Lot.id)
    )
    return Expected(
        place_id=place_id,
        place=place.label if place else "",
        things=tuple(
            ExpectedThing(
                cover.id,
                cover.label,
                cover.cover_kind.name,
                cover.status,
                may_handle(cover, member),
            )
            for cover in sorted(things, key=lambda cover: natural(cover.label))
        ),
        lots=tuple(
            ExpectedLot(
                lot.id,
                lot.name,
                lot.unit,
                lot.on_hand_milli,
                may_handle(lot, member),
                lot.length_mm,
            )
            for lot in lots
        ),
    )


def find_things(text: str) -> list[int]:
    """Things by label or code, one a line or behind commas.

    Raises FieldRefused naming the first that is not known.
    """
    found = []
    for word in (part.strip() for part in text.replace("\n", ",").split(",")):
        if not word:
            continue
        thing = db.session.scalar(
            select(Cover.id).where(
                or_(Cover.label == word, Cover.code == word.lower()), Cover.status != "retired"
            )
        )
        if thing is None:
            raise FieldRefused("also", _("Nothing in the shed is called %(word)s.", word=word[:60]))
        found.append(thing)
    return list(dict.fromkeys(found))


def keep_count(
    *,
    place_id: int | None,
    listed_ids: frozenset[int],
    found_ids: frozenset[int],
    also_ids: tuple[int, ...],
    counts_milli: Mapping[int, int],
    member: Member,
    now: datetime,
    form_key: str = "",
) -> Outcome:
    """Keep what a walk through one place found; gives what was written.

    `listed_ids` are the things that were on the page: one that came since is not called
    missing. What this member may not change, or what left for a bed or a borrower meanwhile,
    is left alone and named.

    Raises NotFound, FieldRefused.
    """
    if any(not 0 <= quantity <= MOST_MILLI for quantity in counts_milli.values()):
        raise FieldRefused("counts", _("A count is 0 or more."))
    missing, turned_up, recounted, left = [], [], [], []
    agreed = 0
    with write_transaction() as session:
        if place_id is not None and session.get(StorePlace, place_id) is None:
            raise NotFound(_("We can’t find that place."))
        if ledger.is_done(form_key):
            return Outcome(0, (), (), (), ())
        key: str | None = form_key or None

        def write(subject: Cover | Lot, happening: Happening) -> None:
            nonlocal key
            ledger.write(subject, happening, at=now, member_id=member.id, form_key=key)
            key = None

        for cover_id in sorted(listed_ids | set(also_ids)):
            cover = ledger.lock_cover(cover_id)
            is_found = cover_id in found_ids or cover_id in also_ids
            if cover.status not in {"here", "missing"} or not may_handle(cover, member):
                if is_found:
                    left.append(cover.label)
                continue
            if not is_found:
                if cover.status == "here" and cover.place_id == place_id:
                    write(cover, Happening("counted", quantity_milli=0))
                    missing.append(cover.label)
                continue
            if cover.status == "here" and cover.place_id == place_id:
                agreed += 1
                continue
            write(cover, Happening("counted", quantity_milli=ONE, place_id=place_id))
            turned_up.append(cover.label)
        for lot_id, quantity in sorted(counts_milli.items()):
            lot = ledger.lock_lot(lot_id)
            if not may_handle(lot, member):
                left.append(lot.name)
            elif lot.unit == "piece" and quantity % ONE:
                raise FieldRefused(
                    "counts", _("%(name)s: pieces are counted whole.", name=lot.name)
                )
            elif lot.on_hand_milli == quantity:
                agreed += 1
            else:
                write(lot, Happening("counted", quantity_milli=quantity))
                recounted.append(lot.name)
        change_log.record(
            action="stocktake",
            subject=f"{agreed} as expected, {len(missing)} not found, {len(turned_up)} turned up",
            detail=", ".join(missing)[:2_000],
            at=now,
            member_id=member.id,
        )
    return Outcome(agreed, tuple(missing), tuple(turned_up), tuple(recounted), tuple(left))
