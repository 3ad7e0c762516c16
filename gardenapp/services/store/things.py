"""The store: what the garden has, where it is, and what happened to it.

Things are covers, each with its label; materials are lots, counted or measured. Both have a
code on their printed label, a home and a history. What may change a state goes through the
ledger; the rest (words, costs, sizes) is plain columns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, cast

from sqlalchemy import ColumnElement, Select, Table, and_, case, func, select
from sqlalchemy.orm import joinedload

from gardenapp.errors import FieldRefused, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.people import Member
from gardenapp.models.plots import StorePlace
from gardenapp.models.store import CoverPart, LedgerEntry, Lot
from gardenapp.reference import Caution, load_cautions
from gardenapp.services import change_log
from gardenapp.services.store import covers, ledger
from gardenapp.services.store.covers import ThingFacts
from gardenapp.services.store.subjects import (
    MATERIAL,
    ONE,
    THING,
    Subject,
    SubjectKind,
    check_own,
    in_the_log,
    material,
    may_borrow,
    may_handle,
    may_own,
    may_return,
    thing,
)
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later

PER_PAGE = 50
UNIT_WORDS = {"piece": "", "m": "m", "m2": "m²", "kg": "kg", "l": "l"}
SORT_WORDS = {
    "film": later("film"),
    "timber": later("timber"),
    "pallet": later("pallets"),
    "box": later("boxes"),
    "bag": later("bags"),
    "fleece": later("fleece"),
    "glass": later("glass and glazing"),
    "string": later("string, tape and ties"),
    "hoop": later("hoops and wire"),
    "ballast": later("ballast"),
    "leaves": later("leaves and straw"),
    "tool": later("tools"),
    "other": later("other"),
}
ORIGIN_WORDS = {
    "": later("not known"),
    "rescued": later("rescued"),
    "given": later("given"),
    "bought": later("bought"),
    "made": later("made here"),
}
STATUS_WORDS = {
    "here": later("in the shed"),
    "out": later("on a bed"),
    "lent": later("lent out"),
    "missing": later("not found"),
    "retired": later("gone"),
}
# Where something went that left. `parts` and `mistake` have their own meaning in the report.
WENT_WORDS = {
    "parts": later("taken apart for its parts"),
    "given": later("given away"),
    "recycled": later("recycled"),
    "landfill": later("thrown away"),
    "composted": later("composted"),
    "lost": later("lost"),
    "used up": later("used up"),
    "mistake": later("saved by mistake"),
}
WOOD_WORDS = {
    "": later("no wood in it"),
    "untreated": later("untreated"),
    "treated": later("pressure-treated or stained"),
    "painted": later("painted"),
    "unknown": later("not known"),
}
RESIN_WORDS = {
    "": later("no plastic, or not known"),
    "1": later("1 PET"),
    "2": later("2 PE-HD"),
    "3": later("3 PVC"),
    "4": later("4 PE-LD"),
    "5": later("5 PP"),
    "6": later("6 PS"),
    "7": later("7 other"),
    "PC": later("polycarbonate (marked 7)"),
    "PMMA": later("acrylic (marked 7)"),
}
# What a pallet's stamp says; `none` where there is none that can be read.
MARK_WORDS = {
    "": later("not a pallet"),
    "HT": later("HT, heat treated"),
    "DH": later("DH, heated by microwaves"),
    "MB": later("MB, methyl bromide gas"),
    "SF": later("SF, sulphuryl fluoride gas"),
    "none": later("no mark to be read"),
}
MARKS_FOR_BEDS = frozenset({"HT", "DH"})
MARK_REASONS = {
    "MB": later("MB means it was gassed with methyl bromide. It does not go near food beds."),
    "SF": later("SF means it was gassed with sulphuryl fluoride. It does not go near food beds."),
    "none": (
        later(
            "Without a mark nobody can say what was done to the wood or spilled on it. "
            "It does not go near food beds."
        )
    ),
    "": later(
        "Look for the stamp on the blocks: a pallet needs its mark before it goes near food beds."
    ),
}
WOOD_REASONS = {
    "treated": later(
        "Treated or stained wood does not go near food beds: what keeps it from rotting is "
        "poison, and old green boards hold arsenic."
    ),
    "painted": later("Painted wood does not go near food beds: old paint may hold lead."),
    "unknown": later("Wood nobody knows the history of does not go near food beds."),
}
# Which dangers a material brings; the texts are in the published table of cautions.
CAUTIONS_OF = {
    "pallet": ("treated_wood", "tools"),
    "timber": ("treated_wood", "tools"),
    "bag": ("bags_children",),
    "film": ("bags_children", "wind_borne"),
    "glass": ("glass",),
    "fleece": ("wind_borne",),
    "ballast": ("lifting",),
    "tool": ("tools",),
}
ACTION_WORDS = {
    "acquired": later("came to the garden"),
    "made": later("made here"),
    "lent": later("lent"),
    "returned": later("came back"),
    "deployed": later("put on a bed"),
    "brought back": later("brought back"),
    "moved": later("moved"),
    "damaged": later("damaged"),
    "mended": later("mended"),
    "cut": later("cut or used"),
    "counted": later("counted"),
    "retired": later("left the garden"),
    "reversed": later("taken back"),
}


@dataclass(frozen=True)
class StoreLine:
    """A thing or a material in the list."""

    subject: Subject
    name: str
    kind: str
    code: str
    place: str
    owner: str
    status: str
    condition: str
    is_usable: bool
    holder: str
    due_on: date | None
    on_hand_milli: int
    away_milli: int
    unit: str
    is_for_beds: bool
    section: str = ""
    width_cm: float | None = None
    thickness_um: float | None = None
    length_mm: float | None = None


@dataclass(frozen=True)
class StoreChoice:
    """Which part of the store to show."""

    q: str = ""
    place_id: int | None = None
    what: str = ""  # things, materials, or a sort of material
    owner: str = ""  # mine, garden
    state: str = ""  # here, out, lent, missing, broken, retired
    page: int = 1


@dataclass(frozen=True)
class StorePage:
    """One page of the list and how many lines there are in all."""

    lines: tuple[StoreLine, ...]
    total: int
    page: int
    pages: int


@dataclass(frozen=True)
class HistoryLine:
    """One entry of a history, in names."""

    id: int
    at: datetime
    action: str
    who: str
    quantity_milli: int | None
    place: str
    other: str
    due_on: date | None
    condition: str
    plot: str
    went_to: str
    note: str
    is_undone: bool
    may_undo: bool


@dataclass(frozen=True)
class PartLine:
    """So much of a material in a thing."""

    id: int
    lot_id: int
    name: str
    unit: str
    quantity_milli: int
    is_for_beds: bool


@dataclass(frozen=True)
class ThingPage:
    """A thing with its history and what this member may do to it."""

    id: int
    label: str
    code: str
    kind_id: int
    kind: str
    owner_id: int | None
    owner: str
    lending: str
    place_id: int | None
    place: str
    condition: str
    is_usable: bool
    status: str
    holder_id: int | None
    holder: str
    due_on: date | None
    went_to: str
    note: str
    photo: str | None
    facts: ThingFacts
    parts: tuple[PartLine, ...]
    history: tuple[HistoryLine, ...]
    cautions: tuple[Caution, ...]
    may_handle: bool
    may_own: bool
    may_retire: bool
    may_lend: bool
    may_borrow: bool
    may_return: bool

    @property
    def subject(self) -> Subject:
        return thing(self.id)


# --- near food beds ---------------------------------------------------------------------------


def bed_refusal(*, sort: str, mark: str, wood: str) -> FieldRefused | None:
    """Why a material does not go near food beds; None where nothing speaks against it.

    ISPM 15 marks say what was done against pests. HT and DH are heat; MB and SF are gases.
    """
    if sort == "pallet" and mark not in MARKS_FOR_BEDS:
        return FieldRefused("mark", MARK_REASONS.get(mark, MARK_REASONS["none"]))
    if mark in MARK_REASONS and mark:
        return FieldRefused("mark", MARK_REASONS[mark])
    if wood in WOOD_REASONS:
        return FieldRefused("wood", WOOD_REASONS[wood])
    return None


GASSED = frozenset({"MB", "SF"})
# Best first: of what a thing is made of, the worst speaks for it.
_MARK_RANK = {mark: rank for rank, mark in enumerate(("", "HT", "DH", "none", "SF", "MB"))}
_WOOD_RANK = {
    wood: rank for rank, wood in enumerate(("", "untreated", "unknown", "painted", "treated"))
}


def worst_mark(marks: Iterable[str]) -> str:
    """The mark that speaks for something made of several."""
    return max(marks, key=lambda mark: _MARK_RANK.get(mark, len(_MARK_RANK)), default="")


def worst_wood(woods: Iterable[str]) -> str:
    """The state of the wood that speaks for something made of several."""
    return max(woods, key=lambda wood: _WOOD_RANK.get(wood, len(_WOOD_RANK)), default="")


def check_safety(before: Cover | Lot, values: Mapping[str, Any], *, member: Member) -> str:
    """Whether `member` may change what safety near food beds rests on; what changed, for the log.

    A coordinator may, and anybody may say that it is worse than was thought. What was gassed once
    stays so, whoever asks: a stamp does not change, and the wood does not lose what it took up.

    Raises FieldRefused.
    """
    changed = {
        name: (getattr(before, name), values[name])
        for name in ("mark", "wood", "is_for_beds")
        if name in values and getattr(before, name, values[name]) != values[name]
    }
    if not changed:
        return ""
    if before.mark in GASSED and "mark" in changed:
        raise FieldRefused(
            "mark",
            _(
                "It is saved as %(mark)s, and gassed wood stays gassed. If that was a mistake, "
                "retire it and add it again.",
                mark=before.mark,
            ),
        )
    is_worse = (
        _MARK_RANK.get(values.get("mark", ""), 0) >= _MARK_RANK.get(before.mark, 0)
        and _WOOD_RANK.get(values.get("wood", ""), 0) >= _WOOD_RANK.get(before.wood, 0)
        and changed.get("is_for_beds", (True, False)) == (True, False)
    )
    if not member.is_coordinator and not is_worse:
        raise FieldRefused(
            next(iter(changed)),
            _("Only a coordinator can change marks and what may go near food beds: ask one."),
        )
    return "; ".join(f"{name} {old or '-'} to {new or '-'}" for name, (old, new) in changed.items())


def cautions_for(keys: tuple[str, ...]) -> tuple[Caution, ...]:
    """The published cautions of these names."""
    return tuple(caution for caution in load_cautions() if caution.key in keys)


def amount(quantity_milli: int, unit: str) -> str:
    """A quantity in words: `14`, `2.5 m`."""
    number = f"{quantity_milli / ONE:.3f}".rstrip("0").rstrip(".")
    return f"{number}\N{NARROW NO-BREAK SPACE}{UNIT_WORDS[unit]}" if UNIT_WORDS[unit] else number


# --- the list ---------------------------------------------------------------------------------


MOST_BY_NUMBER = 500


def list_store(*, choice: StoreChoice, member: Member) -> StorePage:
    """One page of things and materials that the choice lets through, by kind and name.

    Things come first, so that a page nearly always is one short query of one of the two.
    """
    parts: list[tuple[_Listing, list[Any]]] = []
    if choice.what in {"", "things"}:
        parts.append((_THINGS, _things_wanted(choice, member.id)))
    if choice.what != "things":
        parts.append((_LOTS, _lots_wanted(choice, member.id)))
    counts = []
    for at, (listing, wanted) in enumerate(parts):
        joined = listing.counted(choice)
        if not choice.q:
            counted = select(func.count()).select_from(joined).where(*wanted)
            counts.append(db.session.scalar(counted) or 0)
            continue
        # Words are looked for in every row; those found are then fetched by number.
        number = listing.table.c.id
        found_ids = db.session.scalars(select(number).select_from(joined).where(*wanted)).all()
        counts.append(len(found_ids))
        if len(found_ids) <= MOST_BY_NUMBER:
            parts[at] = (listing, [number.in_(found_ids)])
    total = sum(counts)
    pages = max(1, -(-total // PER_PAGE))
    page = min(max(1, choice.page), pages)
    skip, left = (page - 1) * PER_PAGE, PER_PAGE
    lines: list[StoreLine] = []
    for (listing, wanted), count in zip(parts, counts, strict=True):
        if left and skip < count:
            query = listing.rows().where(*wanted).limit(left).offset(skip)
            found = [listing.line(row) for row in db.session.execute(query)]
            lines += found
            left -= len(found)
        skip = max(0, skip - count)
    return StorePage(tuple(lines), total, page, pages)


@dataclass(frozen=True)
class KindLine:
    """A kind of cover and how many of it there are, and where they are."""

    id: int
    name: str
    construction: str
    film: str
    reference_key: str
    here: int
    out: int
    lent: int
    missing: int
    unsound: int

    @property
    def total(self) -> int:
        return self.here + self.out + self.lent + self.missing


def kinds_in_store() -> tuple[KindLine, ...]:
    """What covers there are, kind by kind, without what has left the garden."""
    found: dict[int, KindLine] = {}
    rows = db.session.execute(
        select(
            CoverKind.id,
            CoverKind.name,
            CoverKind.construction,
            CoverKind.film,
            CoverKind.reference_key,
            Cover.status,
            func.count().label("number"),
            func.sum(case((Cover.condition == "sound", 0), else_=1)).label("unsound"),
        )
        .join(Cover, Cover.class_id == CoverKind.id)
        .where(Cover.status != "retired")
        .group_by(CoverKind.id, Cover.status)
        .order_by(CoverKind.name)
    )
    for row in rows:
        line = found.get(row.id) or KindLine(
            row.id, row.name, row.construction, row.film, row.reference_key, 0, 0, 0, 0, 0
        )
        found[row.id] = replace(
            line,
            **{row.status: getattr(line, row.status) + row.number},
            unsound=line.unsound + row.unsound,
        )
    return tuple(found.values())


def _thing_line(row: Any) -> StoreLine:
    return StoreLine(
        subject=thing(row.id),
        name=row.label,
        kind=row.kind,
        code=row.code,
        place=row.place or "",
        owner=row.owner or "",
        status=row.status,
        condition=row.condition,
        is_usable=row.is_usable,
        holder=row.holder or "",
        due_on=row.due_on,
        on_hand_milli=0,
        away_milli=0,
        unit="piece",
        is_for_beds=row.mark not in {"MB", "SF", "none"},
    )


def _lot_line(row: Any) -> StoreLine:
    return StoreLine(
        subject=material(row.id),
        name=row.name,
        kind=SORT_WORDS.get(row.sort, row.sort),
        code=row.code,
        place=row.place or "",
        owner=row.owner or "",
        status="here",
        condition=row.condition,
        is_usable=row.on_hand_milli > 0,
        holder="",
        due_on=None,
        on_hand_milli=row.on_hand_milli,
        away_milli=row.lent_milli + row.out_milli,
        unit=row.unit,
        is_for_beds=row.is_for_beds,
        section=row.section,
        width_cm=row.width_cm,
        thickness_um=row.thickness_um,
        length_mm=row.length_mm,
    )


def list_place_names() -> tuple[tuple[int, str], ...]:
    """The places there are, by name; nothing is counted."""
    rows = db.session.execute(select(_PLACE.c.id, _PLACE.c.label)).all()
    return tuple(sorted(((row.id, row.label) for row in rows), key=lambda p: covers.natural(p[1])))


def _like(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return f"%{escaped}%"


def _wanted(q: str, *columns: Any) -> list[ColumnElement[bool]]:
    """Each word must be somewhere. One look at all columns together: a word holds no space."""
    words = q.split()[:6]
    if not words:
        return []
    whole = columns[0]
    for column in columns[1:]:
        whole = whole + " " + column
    return [whole.ilike(_like(word), escape="\\") for word in words]


def _owner_is(column: Any, owner: str, member_id: int) -> list[ColumnElement[bool]]:
    if owner == "mine":
        return [column == member_id]
    return [column.is_(None)] if owner == "garden" else []


# Plain tables here: the list is read more often than anything else in the store.
_COVER, _KIND = cast(Table, Cover.__table__), cast(Table, CoverKind.__table__)
_LOT, _PLACE = cast(Table, Lot.__table__), cast(Table, StorePlace.__table__)
_OWNER = cast(Table, Member.__table__).alias("owner")
_HOLDER = cast(Table, Member.__table__).alias("holder")


def _things_joined(choice: StoreChoice) -> Any:
    """What counting needs: the kind's name only where it is searched."""
    return _COVER.join(_KIND, _KIND.c.id == _COVER.c.class_id) if choice.q else _COVER


def _lots_joined(_choice: StoreChoice) -> Any:
    return _LOT


def _things() -> Select[*tuple[Any, ...]]:
    joined = (
        _COVER.join(_KIND, _KIND.c.id == _COVER.c.class_id)
        .outerjoin(_PLACE, _PLACE.c.id == _COVER.c.place_id)
        .outerjoin(_OWNER, _OWNER.c.id == _COVER.c.owner_id)
        .outerjoin(_HOLDER, _HOLDER.c.id == _COVER.c.holder_id)
    )
    return (
        select(
            _COVER.c.id,
            _COVER.c.label,
            _COVER.c.code,
            _COVER.c.status,
            _COVER.c.condition,
            _COVER.c.is_usable,
            _COVER.c.due_on,
            _COVER.c.mark,
            _KIND.c.name.label("kind"),
            _PLACE.c.label.label("place"),
            _OWNER.c.name.label("owner"),
            _HOLDER.c.name.label("holder"),
        )
        .select_from(joined)
        # `tote 2` before `tote 10`: the shorter label first.
        .order_by(_KIND.c.name, func.length(_COVER.c.label), _COVER.c.label, _COVER.c.id)
    )


def _lots() -> Select[*tuple[Any, ...]]:
    joined = _LOT.outerjoin(_PLACE, _PLACE.c.id == _LOT.c.place_id).outerjoin(
        _OWNER, _OWNER.c.id == _LOT.c.owner_id
    )
    return (
        select(
            _LOT.c.id,
            _LOT.c.name,
            _LOT.c.sort,
            _LOT.c.code,
            _LOT.c.condition,
            _LOT.c.on_hand_milli,
            _LOT.c.lent_milli,
            _LOT.c.out_milli,
            _LOT.c.unit,
            _LOT.c.is_for_beds,
            _LOT.c.section,
            _LOT.c.width_cm,
            _LOT.c.thickness_um,
            _LOT.c.length_mm,
            _PLACE.c.label.label("place"),
            _OWNER.c.name.label("owner"),
        )
        .select_from(joined)
        .order_by(_LOT.c.sort, func.length(_LOT.c.name), _LOT.c.name, _LOT.c.id)
    )


def _things_wanted(choice: StoreChoice, member_id: int) -> list[ColumnElement[bool]]:
    columns = (_COVER.c.label, _KIND.c.name, _COVER.c.note, _COVER.c.code)
    wanted = _wanted(choice.q, *columns)
    wanted += _owner_is(_COVER.c.owner_id, choice.owner, member_id)
    if choice.place_id is not None:
        wanted.append(_COVER.c.place_id == choice.place_id)
    if choice.state == "broken":
        wanted += [_COVER.c.condition == "broken", _COVER.c.status != "retired"]
    elif choice.state:
        wanted.append(_COVER.c.status == choice.state)
    else:
        wanted.append(_COVER.c.status != "retired")
    return wanted


def _lots_wanted(choice: StoreChoice, member_id: int) -> list[ColumnElement[bool]]:
    there = _LOT.c.on_hand_milli + _LOT.c.lent_milli + _LOT.c.out_milli
    columns = (_LOT.c.name, _LOT.c.sort, _LOT.c.note, _LOT.c.code, _LOT.c.section)
    wanted = _wanted(choice.q, *columns)
    wanted += _owner_is(_LOT.c.owner_id, choice.owner, member_id)
    if choice.what in SORT_WORDS:
        wanted.append(_LOT.c.sort == choice.what)
    if choice.place_id is not None:
        wanted.append(_LOT.c.place_id == choice.place_id)
    by_state: dict[str, ColumnElement[bool]] = {
        "": there > 0,
        "here": _LOT.c.on_hand_milli > 0,
        "out": _LOT.c.out_milli > 0,
        "lent": _LOT.c.lent_milli > 0,
        "broken": and_(_LOT.c.condition == "broken", there > 0),
        "retired": there == 0,
        "missing": _LOT.c.id < 0,
    }
    wanted.append(by_state.get(choice.state, there > 0))
    return wanted


@dataclass(frozen=True)
class _Listing:
    """How the list reads one of its two sorts of line."""

    table: Table
    counted: Callable[[StoreChoice], Any]
    rows: Callable[[], Select[*tuple[Any, ...]]]
    line: Callable[[Any], StoreLine]


_THINGS = _Listing(_COVER, _things_joined, _things, _thing_line)
_LOTS = _Listing(_LOT, _lots_joined, _lots, _lot_line)


def find_by_code(*, code: str) -> Subject:
    """What a printed label's code is of. Raises NotFound."""
    wanted = code.strip().lower()
    for kind in (THING, MATERIAL):
        found = db.session.scalar(select(kind.table.id).where(kind.table.code == wanted))
        if found is not None:
            return Subject(kind, found)
    raise NotFound(_("No item has that code. Look at the label again."))


@dataclass(frozen=True)
class LabelLine:
    """What a printed label says."""

    name: str
    kind: str
    owner: str
    place: str
    code: str


def list_labels(
    *, kind: SubjectKind, place_id: int | None, code: str, most: int
) -> tuple[LabelLine, ...]:
    """The labels of all of a kind, or of one place; or that of one code, whatever it is of."""
    found: list[LabelLine] = []
    if kind == THING or code:
        query = (
            select(Cover)
            .where(Cover.status != "retired")
            .options(joinedload(Cover.cover_kind), joinedload(Cover.owner), joinedload(Cover.place))
        )
        if place_id is not None:
            query = query.where(Cover.place_id == place_id)
        if code:
            query = query.where(Cover.code == code)
        things = sorted(db.session.scalars(query), key=lambda row: covers.natural(row.label))
        found += [
            LabelLine(
                row.label,
                row.cover_kind.name,
                row.owner.name if row.owner else "",
                row.place.label if row.place else "",
                row.code,
            )
            for row in things
        ]
    if kind == MATERIAL or code:
        lots = (
            select(Lot)
            .where(Lot.on_hand_milli + Lot.lent_milli + Lot.out_milli > 0)
            .options(joinedload(Lot.owner), joinedload(Lot.place))
            .order_by(Lot.name, Lot.id)
        )
        if place_id is not None:
            lots = lots.where(Lot.place_id == place_id)
        if code:
            lots = lots.where(Lot.code == code)
        found += [
            LabelLine(
                row.name,
                row.section or SORT_WORDS.get(row.sort, row.sort),
                row.owner.name if row.owner else "",
                row.place.label if row.place else "",
                row.code,
            )
            for row in db.session.scalars(lots)
        ]
    return tuple(found[:most])


def find_by_label(*, label: str) -> int:
    """The thing with this label. Raises NotFound."""
    found = db.session.scalar(select(Cover.id).where(Cover.label == label))
    if found is None:
        raise NotFound(_("We can’t find that item."))
    return found


# --- one thing --------------------------------------------------------------------------------


def get_thing(*, cover_id: int, member: Member) -> ThingPage:
    """A thing, its history and what may be done to it. Raises NotFound."""
    cover = db.session.scalar(
        select(Cover)
        .where(Cover.id == cover_id)
        .options(
            joinedload(Cover.cover_kind),
            joinedload(Cover.owner),
            joinedload(Cover.holder),
            joinedload(Cover.place),
        )
    )
    if cover is None:
        raise NotFound(_("We can’t find that item."))
    kind = cover.cover_kind
    keys = tuple(kind.cautions.split())
    if cover.mark or cover.wood:
        keys = (*keys, "treated_wood")
    is_here = cover.status == "here"
    return ThingPage(
        id=cover.id,
        label=cover.label,
        code=cover.code,
        kind_id=cover.class_id,
        kind=kind.name,
        owner_id=cover.owner_id,
        owner=cover.owner.name if cover.owner else "",
        lending=cover.lending,
        place_id=cover.place_id,
        place=cover.place.label if cover.place else "",
        condition=cover.condition,
        is_usable=cover.is_usable,
        status=cover.status,
        holder_id=cover.holder_id,
        holder=cover.holder.name if cover.holder else "",
        due_on=cover.due_on,
        went_to=cover.went_to or "",
        note=cover.note,
        photo=cover.photo,
        facts=facts_of(cover),
        parts=parts_of(cover.id),
        history=history(thing(cover_id), member),
        cautions=cautions_for(keys),
        may_handle=may_handle(cover, member) and cover.status != "retired",
        may_own=may_own(cover, member),
        may_retire=may_own(cover, member) and cover.status in {"here", "missing"},
        may_lend=may_own(cover, member) and is_here,
        may_borrow=may_borrow(cover, member) and is_here,
        may_return=cover.holder_id is not None and may_return(cover, cover.holder_id, member),
    )


def facts_of(cover: Cover) -> ThingFacts:
    """What the store knows of a cover."""
    return ThingFacts(
        origin=cover.origin,
        cost_hundredths=cover.cost_hundredths,
        acquired_on=cover.acquired_on,
        film_area_m2=cover.film_area_m2,
        film_thickness_um=cover.film_thickness_um,
        resin=cover.resin,
        mark=cover.mark,
        wood=cover.wood,
        off_season_job=cover.off_season_job,
    )


def parts_of(cover_id: int) -> tuple[PartLine, ...]:
    """What a thing is made of."""
    rows = db.session.scalars(
        select(CoverPart)
        .where(CoverPart.cover_id == cover_id)
        .options(joinedload(CoverPart.lot))
        .order_by(CoverPart.id)
    ).all()
    # A part that was put in by mistake was taken back in the ledger: it is not in there.
    taken_back = select(LedgerEntry.reverses_id).where(
        LedgerEntry.reverses_id.in_([row.entry_id for row in rows])
    )
    undone = set(db.session.scalars(taken_back)) if rows else set()
    return tuple(
        PartLine(
            id=row.id,
            lot_id=row.lot_id,
            name=row.lot.name,
            unit=row.lot.unit,
            quantity_milli=row.quantity_milli,
            is_for_beds=row.lot.is_for_beds,
        )
        for row in rows
        if row.entry_id not in undone
    )


def history(subject: Subject, member: Member, *, most: int = 60) -> tuple[HistoryLine, ...]:
    """The newest entries of a thing or a lot first, in names."""
    rows = list(
        db.session.scalars(
            select(LedgerEntry)
            .where(subject.owns(LedgerEntry))
            .options(
                joinedload(LedgerEntry.member),
                joinedload(LedgerEntry.other_member),
                joinedload(LedgerEntry.place),
                joinedload(LedgerEntry.plot),
            )
            .order_by(LedgerEntry.number.desc())
            .limit(most)
        )
    )
    undone = {row.reverses_id for row in rows if row.reverses_id is not None}
    newest = next((r for r in rows if r.action != "reversed" and r.id not in undone), None)
    return tuple(
        HistoryLine(
            id=row.id,
            at=row.at,
            action=row.action,
            who=row.member.name if row.member else "",
            quantity_milli=row.quantity_milli if subject.is_measured else None,
            place=row.place.label if row.place else "",
            other=row.other_member.name if row.other_member else "",
            due_on=row.due_on,
            condition=row.condition or "",
            plot=row.plot.label if row.plot else "",
            went_to=row.went_to or "",
            note=row.note,
            is_undone=row.id in undone,
            may_undo=row is newest and why_not_undo(row, member) is None,
        )
        for row in rows
    )


def why_not_undo(entry: LedgerEntry, member: Member) -> Refused | NotAllowed | None:
    """What speaks against `member` taking an entry back; None where nothing does."""
    if entry.action == "reversed":
        return Refused(_("Somebody has undone that already. Save what is true now instead."))
    if entry.action in {"deployed", "brought back"} and entry.cover_id is not None:
        return Refused(_("That was marked on the board. Change it there."))
    if entry.caused_by_id is not None:
        return Refused(_("That came with something else. Undo that instead."))
    if entry.number == 1:
        return Refused(_("You can’t undo that it came. Say that it left."))
    if entry.member_id != member.id and not member.is_coordinator:
        return NotAllowed(_("Only whoever saved that, or a coordinator, can undo it."))
    return None


def change_facts(
    *, cover_id: int, facts: ThingFacts, note: str, member: Member, now: datetime
) -> None:
    """Change what is known of a thing: origin, cost, plastic, wood, off-season job.

    Raises NotFound, NotAllowed.
    """
    with write_transaction() as session:
        cover = ledger.lock_cover(cover_id)
        check_own(cover, member)
        detail = check_safety(cover, vars(facts), member=member)
        for name, value in vars(facts).items():
            setattr(cover, name, value)
        cover.note = note
        session.flush()
        change_log.record(
            action="thing changed",
            subject=in_the_log(cover),
            detail=detail,
            at=now,
            member_id=member.id,
        )


def named_photos() -> frozenset[str]:
    """Every picture that something in the store shows."""
    return frozenset(
        name
        for kind in (THING, MATERIAL)
        for name in db.session.scalars(
            select(kind.table.photo).where(kind.table.photo.is_not(None))
        )
        if name
    )


def is_photo(*, name: str) -> bool:
    """Whether a picture of this name belongs to something in the store."""
    return any(
        db.session.scalar(select(kind.table.id).where(kind.table.photo == name)) is not None
        for kind in (THING, MATERIAL)
    )


def add_like(
    *, cover_id: int, how_many: int, member: Member, now: datetime, form_key: str = ""
) -> tuple[str, ...]:
    """Add things like one that is there, numbered on from it; gives their labels.

    A member's copies belong to the member, as any cover they add.
    Raises NotFound, NotAllowed, FieldRefused.
    """
    like = db.session.get(Cover, cover_id)
    if like is None:
        raise NotFound(_("We can’t find that item."))
    prefix = like.label.rstrip("0123456789 ") or like.label
    owner_id = like.owner_id if member.is_coordinator else member.id
    facts = replace(facts_of(like), acquired_on=now.date())
    values: dict[str, Any] = {
        "kind_id": like.class_id,
        "prefix": prefix[:60],
        "owner_id": owner_id,
        "lending": like.lending if owner_id is not None else "garden",
        "place_id": like.place_id,
    }
    return covers.add_covers(
        **values,
        first_number=covers.next_numbers(prefix=prefix[:60]),
        how_many=how_many,
        note="",
        member=member,
        now=now,
        facts=facts,
        form_key=form_key or None,
    )
