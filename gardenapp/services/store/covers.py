"""Kinds of cover, the covers there are, and the places they are kept."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from flask_sqlalchemy.session import Session
from sqlalchemy import select
from sqlalchemy.orm import joinedload, scoped_session

from gardenapp import reference
from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import CONDITIONS, LENDING, Cover, CoverKind
from gardenapp.models.nights import CoverUse
from gardenapp.models.people import Member
from gardenapp.models.plots import StorePlace
from gardenapp.reference import Caution
from gardenapp.science.handling import takes_two
from gardenapp.services import change_log
from gardenapp.services.garden.map import PLACE, rename_on_map
from gardenapp.services.garden.plants import OURS, STATUS_LABELS
from gardenapp.services.permission import coordinator_only
from gardenapp.services.store import ledger
from gardenapp.services.store.ledger import Happening
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later

MASS_MAX_KG = 300.0
GUST_LIMIT_MAX_MPS = 40.0
MOST_AT_ONCE = 60
SHELTER = "shelter"
CONDITION_LABELS = {
    "sound": later("sound"),
    "worn": later("worn, still does its work"),
    "broken": later("broken, not to be used"),
}
LENDING_LABELS = {
    "garden": later("the whole garden may use it"),
    "own plots": later("only on the owner’s plots"),
}


# How far a lift that was never tried here is known, the least sure first.
UNTRIED_LIFTS = {
    "memory": later("The “warmer by” is from memory; no trial here has tested it yet."),
    "practice": later(
        "The “warmer by” is common practice, without a source; no trial here has tested it yet."
    ),
    OURS: later("The “warmer by” is what this garden saved; no trial here has tested it yet."),
    "derived": later(
        "The “warmer by” is worked out from published figures, often of another way of "
        "building; no trial here has tested it yet."
    ),
    "seen": later("The “warmer by” is a published figure; no trial here has tested it yet."),
}


def untried_lift_words(statuses: Iterable[str]) -> str:
    """Where the lift of covers never tried here comes from: the least sure of several speaks."""
    held = set(statuses)
    for status, words in UNTRIED_LIFTS.items():
        if status in held:
            return words
    return _("No trial here has tested how much warmer it is yet.")


@dataclass(frozen=True)
class CoverLine:
    """One cover of the list."""

    id: int
    label: str
    kind_id: int
    owner: str
    lending: str
    place: str
    condition: str
    is_usable: bool
    is_out: bool
    is_mine: bool
    may_change: bool
    status: str = "here"
    holder: str = ""

    @property
    def lending_label(self) -> str:
        return LENDING_LABELS[self.lending]


@dataclass(frozen=True)
class KindGroup:
    """A kind with the covers of it that a filter let through, and how many are what."""

    id: int
    name: str
    construction: str
    clear_mean_k: float
    clear_sd_k: float
    covers: tuple[CoverLine, ...]

    @property
    def usable(self) -> int:
        return sum(cover.is_usable and cover.status in {"here", "out"} for cover in self.covers)

    @property
    def out(self) -> int:
        return sum(cover.is_out for cover in self.covers)

    @property
    def worn(self) -> int:
        return sum(cover.condition == "worn" for cover in self.covers)


@dataclass(frozen=True)
class KindLine:
    """A kind in a list to choose from."""

    id: int
    name: str
    construction: str
    covers: int


@dataclass(frozen=True)
class LiftLine:
    """One published statement on what such a cover gained. [K]"""

    cover: str
    conditions: str
    low_k: float | None
    high_k: float | None
    source_name: str
    location: str
    status_label: str
    note: str
    is_open_air: bool


@dataclass(frozen=True)
class KindDetail:
    """A kind of cover with everything the app believes of it. [cm, K, m/s, min]"""

    id: int
    name: str
    construction: str
    material: str
    film: str
    layers: int
    inner_length_cm: float
    inner_width_cm: float
    inner_height_cm: float | None
    outer_length_cm: float
    outer_width_cm: float
    is_rigid: bool
    is_sealed: bool
    may_touch: bool
    goes_under: bool
    minutes: float
    mass_kg: float | None
    gust_limit_mps: float | None
    gust_source: str
    clear_mean_k: float
    clear_sd_k: float
    cloudy_mean_k: float
    cloudy_sd_k: float
    leaf_shield: float
    leaf_shield_status_label: str
    status: str
    why: str
    is_published: bool
    is_edited: bool
    is_shelter: bool
    sources: tuple[tuple[str, str], ...]
    cautions: tuple[Caution, ...]
    evidence: tuple[LiftLine, ...]
    covers: tuple[CoverLine, ...]

    @property
    def status_label(self) -> str:
        return STATUS_LABELS.get(self.status, self.status)

    @property
    def untried_words(self) -> str:
        return untried_lift_words({self.status})

    @property
    def needs_two(self) -> bool:
        return takes_two(self.mass_kg)


@dataclass(frozen=True)
class KindSizes:
    """The name and sizes that make a copy of a kind. No inner height: a sheet that drapes. [cm]"""

    name: str
    inner_length_cm: float
    inner_width_cm: float
    inner_height_cm: float | None
    outer_length_cm: float
    outer_width_cm: float
    minutes: float


@dataclass(frozen=True)
class KindEntry:
    """A kind of cover as its form gives it. [cm, K, m/s, min; shares 0 to 1]"""

    sizes: KindSizes
    construction: str
    material: str
    layers: int
    is_rigid: bool
    is_sealed: bool
    may_touch: bool
    goes_under: bool
    gust_limit_mps: float | None
    clear_mean_k: float
    clear_sd_k: float
    cloudy_mean_k: float
    cloudy_sd_k: float
    leaf_shield: float
    why: str
    mass_kg: float | None = None


@dataclass(frozen=True)
class CoverEntry:
    """A cover as its form gives it."""

    label: str
    kind_id: int
    owner_id: int | None
    lending: str
    place_id: int | None
    condition: str
    is_usable: bool
    note: str


@dataclass(frozen=True)
class ThingFacts:
    """What the store knows of a cover beside its kind and place; money in hundredths."""

    origin: str = ""
    cost_hundredths: int | None = None
    acquired_on: date | None = None
    film_area_m2: float | None = None
    film_thickness_um: float | None = None
    resin: str = ""
    mark: str = ""
    wood: str = ""
    off_season_job: str = ""


@dataclass(frozen=True)
class CoverDetail:
    """A cover as its form shows it."""

    id: int
    label: str
    kind_id: int
    kind: str
    owner_id: int | None
    lending: str
    place_id: int | None
    condition: str
    is_usable: bool
    note: str
    is_out: bool


@dataclass(frozen=True)
class PlaceLine:
    """Where things are kept, and how many covers are at home there."""

    id: int
    label: str
    note: str
    covers: int


def list_covers(
    *, member: Member, only_mine: bool = False, place_id: int | None = None
) -> tuple[KindGroup, ...]:
    """The covers by kind, those a filter lets through; kinds with none are left out."""
    query = (
        select(Cover)
        .where(Cover.status != "retired")
        .options(
            joinedload(Cover.cover_kind),
            joinedload(Cover.owner),
            joinedload(Cover.place),
            joinedload(Cover.holder),
        )
    )
    if only_mine:
        query = query.where(Cover.owner_id == member.id)
    if place_id is not None:
        query = query.where(Cover.place_id == place_id)
    out = _out_tonight(db.session)
    kinds: dict[int, CoverKind] = {}
    lines: dict[int, list[CoverLine]] = {}
    for cover in db.session.scalars(query):
        kinds[cover.class_id] = cover.cover_kind
        lines.setdefault(cover.class_id, []).append(_line(cover, member, out))
    return tuple(
        KindGroup(
            id=kind.id,
            name=kind.name,
            construction=kind.construction,
            clear_mean_k=kind.clear_mean_k,
            clear_sd_k=kind.clear_sd_k,
            covers=tuple(sorted(lines[kind.id], key=lambda line: natural(line.label))),
        )
        for kind in sorted(kinds.values(), key=lambda kind: kind.name.casefold())
    )


def list_kinds() -> tuple[KindLine, ...]:
    """Every kind, by name, with how many covers there are of it."""
    counts: dict[int, int] = {}
    for class_id in db.session.scalars(select(Cover.class_id).where(Cover.status != "retired")):
        counts[class_id] = counts.get(class_id, 0) + 1
    kinds = sorted(db.session.scalars(select(CoverKind)), key=lambda kind: kind.name.casefold())
    return tuple(
        KindLine(kind.id, kind.name, kind.construction, counts.get(kind.id, 0)) for kind in kinds
    )


def get_kind(*, kind_id: int, member: Member) -> KindDetail:
    """A kind with its lift, where that comes from, its dangers and its covers. Raises NotFound."""
    kind = _get_kind(db.session, kind_id)
    sources = reference.load_sources()
    keys = set(kind.cautions.split())
    named = []
    for source_id in kind.source_ids.split():
        source = sources.get(source_id)
        parts = (source.author, source.year, source.title) if source else (source_id,)
        named.append((source_id, ", ".join(part for part in parts if part)))
    out = _out_tonight(db.session)
    rows = db.session.scalars(
        select(Cover)
        .where(Cover.class_id == kind_id, Cover.status != "retired")
        .options(joinedload(Cover.owner), joinedload(Cover.place), joinedload(Cover.holder))
    )
    covers = [_line(cover, member, out) for cover in rows]
    return KindDetail(
        id=kind.id,
        name=kind.name,
        construction=kind.construction,
        material=kind.material,
        film=kind.film,
        layers=kind.layers,
        inner_length_cm=kind.inner_length_cm,
        inner_width_cm=kind.inner_width_cm,
        inner_height_cm=kind.inner_height_cm,
        outer_length_cm=kind.outer_length_cm,
        outer_width_cm=kind.outer_width_cm,
        is_rigid=kind.is_rigid,
        is_sealed=kind.is_sealed,
        may_touch=kind.may_touch,
        goes_under=kind.goes_under,
        minutes=kind.minutes,
        mass_kg=kind.mass_kg,
        gust_limit_mps=kind.gust_limit_mps,
        gust_source=_gust_source(kind.gust_source),
        clear_mean_k=kind.clear_mean_k,
        clear_sd_k=kind.clear_sd_k,
        cloudy_mean_k=kind.cloudy_mean_k,
        cloudy_sd_k=kind.cloudy_sd_k,
        leaf_shield=kind.leaf_shield,
        leaf_shield_status_label=STATUS_LABELS.get(kind.leaf_shield_status, ""),
        status=kind.status,
        why=kind.why,
        is_published=kind.is_published,
        is_edited=kind.is_edited,
        is_shelter=kind.construction == SHELTER,
        sources=tuple(named),
        cautions=tuple(c for c in reference.load_cautions() if c.key in keys),
        evidence=_lift_lines(kind.reference_key),
        covers=tuple(sorted(covers, key=lambda line: natural(line.label))),
    )


def copy_kind(*, kind_id: int, sizes: KindSizes, member: Member, now: datetime) -> int:
    """Add a kind like another with other sizes: any member may. Gives the new kind's id.

    Lift, wind limit and cautions stay those of the kind it is copied from, and `why` says so.
    Raises NotFound, FieldRefused.
    """
    _check_sizes(sizes)
    with write_transaction() as session:
        like = _get_kind(session, kind_id)
        _check_kind_name(session, sizes.name, None)
        if like.construction == SHELTER:
            raise NotAllowed(_("The shelter is set on the garden's own page, not as a cover."))
        if (like.inner_height_cm is None) != (sizes.inner_height_cm is None):
            raise FieldRefused(
                "inner_height_cm",
                _("A sheet has no height of its own: leave this empty.")
                if like.inner_height_cm is None
                else _("Enter the height inside."),
            )
        kind = CoverKind(
            construction=like.construction,
            reference_key=like.reference_key,
            material=like.material,
            film=like.film,
            layers=like.layers,
            is_rigid=like.is_rigid,
            is_sealed=like.is_sealed,
            may_touch=like.may_touch,
            goes_under=like.goes_under,
            mass_kg=like.mass_kg,
            gust_limit_mps=like.gust_limit_mps,
            gust_source=like.gust_source,
            clear_mean_k=like.clear_mean_k,
            clear_sd_k=like.clear_sd_k,
            cloudy_mean_k=like.cloudy_mean_k,
            cloudy_sd_k=like.cloudy_sd_k,
            leaf_shield=like.leaf_shield,
            leaf_shield_source_id=like.leaf_shield_source_id,
            leaf_shield_status=like.leaf_shield_status,
            day_gain_k=like.day_gain_k,
            day_gain_source_id=like.day_gain_source_id,
            source_ids=like.source_ids,
            status=like.status,
            why=f"Copied from “{like.name}” with other sizes; its lift is taken over. {like.why}",
            cautions=like.cautions,
        )
        _write_sizes(kind, sizes)
        session.add(kind)
        session.flush()
        change_log.record(
            action="kind of cover added",
            subject=f"kind {sizes.name}",
            detail=f"copied from {like.name}",
            at=now,
            member_id=member.id,
        )
        return kind.id


def create_kind(*, entry: KindEntry, member: Member, now: datetime) -> int:
    """Add a kind from nothing, its lift the garden's own. Raises NotAllowed, FieldRefused."""
    coordinator_only(member)
    _check_entry(entry)
    with write_transaction() as session:
        _check_kind_name(session, entry.sizes.name, None)
        kind = CoverKind(status=OURS, leaf_shield_status=OURS)
        _write_entry(kind, entry)
        # The one danger that every cover shares; the page of the kind shows it.
        kind.cautions = "wind_borne heaters"
        session.add(kind)
        session.flush()
        change_log.record(
            action="kind of cover added",
            subject=f"kind {entry.sizes.name}",
            at=now,
            member_id=member.id,
        )
        return kind.id


def change_kind(*, kind_id: int, entry: KindEntry, member: Member, now: datetime) -> None:
    """Change a kind. Where its lift changes, the lift is the garden's own from then on.

    A published kind that is changed is not brought up to date any more.
    Raises NotFound, NotAllowed, FieldRefused.
    """
    coordinator_only(member)
    _check_entry(entry)
    with write_transaction() as session:
        kind = _get_kind(session, kind_id)
        _check_kind_name(session, entry.sizes.name, kind_id)
        before = _lift(kind)
        shield_before = kind.leaf_shield
        _write_entry(kind, entry)
        if _lift(kind) != before:
            kind.status, kind.source_ids = OURS, ""
        if kind.leaf_shield != shield_before:
            kind.leaf_shield_status, kind.leaf_shield_source_id = OURS, ""
        kind.is_edited = True
        change_log.record(
            action="kind of cover changed",
            subject=f"kind {entry.sizes.name}",
            at=now,
            member_id=member.id,
        )


def next_numbers(*, prefix: str) -> int:
    """The first number that is free behind every label of the form `prefix` number."""
    used = [0]
    for label in db.session.scalars(select(Cover.label)):
        rest = label.removeprefix(prefix).strip()
        if label.startswith(prefix) and rest.isascii() and rest.isdigit() and len(rest) < 7:
            used.append(int(rest))
    return max(used) + 1


def usual_prefix(*, kind_id: int) -> str:
    """The newest label of the kind without its number, or the kind's first words.

    Raises NotFound.
    """
    kind = _get_kind(db.session, kind_id)
    newest = db.session.scalar(
        select(Cover.label).where(Cover.class_id == kind_id).order_by(Cover.id.desc()).limit(1)
    )
    words = (newest or "").rstrip("0123456789 ") or newest
    return (words or kind.name.partition(",")[0])[:40].strip()


def add_covers(
    *,
    kind_id: int,
    prefix: str,
    first_number: int,
    how_many: int,
    owner_id: int | None,
    lending: str,
    place_id: int | None,
    note: str,
    member: Member,
    now: datetime,
    facts: ThingFacts | None = None,
    form_key: str | None = None,
) -> tuple[str, ...]:
    """Add `how_many` covers of one kind, labelled `prefix` and a number, all or none.

    Members add covers of their own; coordinators also the garden's (no owner) and others'.
    Gives the labels. Raises NotFound, NotAllowed, FieldRefused where a label is taken. A form
    sent twice adds nothing the second time: with a `form_key` it gives the labels of the first.
    """
    known = facts or ThingFacts()
    if not 1 <= how_many <= MOST_AT_ONCE:
        raise FieldRefused(
            "how_many", _("Add from 1 to %(most_at_once)s at once.", most_at_once=MOST_AT_ONCE)
        )
    labels = tuple(f"{prefix} {number}" for number in range(first_number, first_number + how_many))
    if len(labels[-1]) > 80:
        raise FieldRefused("prefix", _("Use a shorter label."))
    with write_transaction() as session:
        kind = _get_kind(session, kind_id)
        if kind.construction == SHELTER:
            raise NotAllowed(_("The shelter is set on the garden's own page, not as a cover."))
        if form_key:
            keys = [f"{form_key}:{number}" for number in range(MOST_AT_ONCE)]
            before = session.scalars(
                select(Cover.label).where(Cover.form_key.in_(keys)).order_by(Cover.id)
            ).all()
            if before:
                return tuple(before)
        _check_owner(session, owner_id, None, member)
        _check_lending(lending, owner_id)
        _check_place(session, place_id)
        taken = set(session.scalars(select(Cover.label).where(Cover.label.in_(labels))))
        if taken:
            first = next(label for label in labels if label in taken)
            raise FieldRefused(
                "first_number",
                _("There is already a %(first)s; start at a higher number.", first=first),
            )
        for index, label in enumerate(labels):
            cover = Cover(
                class_id=kind_id,
                label=label,
                owner_id=owner_id,
                lending=lending,
                note=note,
                origin=known.origin,
                cost_hundredths=known.cost_hundredths,
                acquired_on=known.acquired_on,
                film_area_m2=known.film_area_m2,
                film_thickness_um=known.film_thickness_um,
                resin=known.resin,
                mark=known.mark,
                wood=known.wood,
                off_season_job=known.off_season_job,
                form_key=f"{form_key}:{index}" if form_key else None,
            )
            session.add(cover)
            session.flush()
            ledger.write(
                cover, Happening("acquired", place_id=place_id), at=now, member_id=member.id
            )
        change_log.record(
            action="covers added",
            subject=f"{how_many} × {kind.name}"[:200],
            detail=f"{labels[0]} to {labels[-1]}",
            at=now,
            member_id=member.id,
        )
    return labels


def get_cover(*, cover_id: int, member: Member) -> CoverDetail:
    """A cover for its form. Raises NotFound; NotAllowed unless owner or coordinator."""
    cover = _get_cover(db.session, cover_id)
    _check_may_change(cover, member)
    return CoverDetail(
        id=cover.id,
        label=cover.label,
        kind_id=cover.class_id,
        kind=cover.cover_kind.name,
        owner_id=cover.owner_id,
        lending=cover.lending,
        place_id=cover.place_id,
        condition=cover.condition,
        is_usable=cover.is_usable,
        note=cover.note,
        is_out=cover.id in _out_tonight(db.session),
    )


def change_cover(*, cover_id: int, entry: CoverEntry, member: Member, now: datetime) -> None:
    """Change a cover: its owner or a coordinator may; only a coordinator changes the owner.

    Raises NotFound, NotAllowed, FieldRefused.
    """
    if entry.condition not in CONDITIONS:
        raise FieldRefused("condition", _("Choose its condition."))
    if entry.condition == "broken" and entry.is_usable:
        raise FieldRefused(
            "is_usable", _("A broken cover is not ready to use; untick this or call it worn.")
        )
    with write_transaction() as session:
        cover = _get_cover(session, cover_id)
        _check_may_change(cover, member)
        if cover.status == "retired":
            raise NotAllowed(_("It has left the garden; its page in the shed says when."))
        kind = _get_kind(session, entry.kind_id)
        if kind.id != cover.class_id and cover.id in _out_tonight(session):
            raise FieldRefused("kind_id", _("It is on a bed now; change its kind when it is off."))
        if kind.construction == SHELTER:
            raise FieldRefused("kind_id", _("The shelter is set on the garden's own page."))
        taken = session.scalar(select(Cover.id).where(Cover.label == entry.label))
        if taken is not None and taken != cover_id:
            raise FieldRefused("label", _("There is already a %(entry)s.", entry=entry.label))
        _check_owner(session, entry.owner_id, cover, member)
        _check_lending(entry.lending, entry.owner_id)
        _check_place(session, entry.place_id)
        cover.label, cover.class_id, cover.owner_id = entry.label, kind.id, entry.owner_id
        cover.lending, cover.note = entry.lending, entry.note
        session.flush()
        for happening in _happenings(cover, entry):
            ledger.write(ledger.lock_cover(cover_id), happening, at=now, member_id=member.id)
        cover.is_usable = entry.is_usable
        change_log.record(
            action="cover changed",
            subject=f"cover {entry.label}",
            detail=f"{entry.condition}, {'ready to use' if entry.is_usable else 'not in use'}",
            at=now,
            member_id=member.id,
        )


def _happenings(cover: Cover, entry: CoverEntry) -> list[Happening]:
    """What must have happened between the cover as it was and as the form has it."""
    found = []
    if entry.place_id != cover.place_id:
        found.append(Happening("moved", place_id=entry.place_id))
    if entry.condition != cover.condition:
        is_better = CONDITIONS.index(entry.condition) < CONDITIONS.index(cover.condition)
        found.append(Happening("mended" if is_better else "damaged", condition=entry.condition))
    return found


def list_places() -> tuple[PlaceLine, ...]:
    """The places by label, with how many covers are kept there."""
    counts: dict[int, int] = {}
    kept = select(Cover.place_id).where(Cover.place_id.is_not(None), Cover.status != "retired")
    for place_id in db.session.scalars(kept):
        if place_id is not None:
            counts[place_id] = counts.get(place_id, 0) + 1
    rows = sorted(db.session.scalars(select(StorePlace)), key=lambda row: natural(row.label))
    return tuple(PlaceLine(row.id, row.label, row.note, counts.get(row.id, 0)) for row in rows)


def get_place(*, place_id: int) -> PlaceLine:
    """One place. Raises NotFound."""
    found = next((place for place in list_places() if place.id == place_id), None)
    if found is None:
        raise NotFound(_("We can’t find that place."))
    return found


def create_place(*, label: str, note: str, member: Member, now: datetime) -> int:
    """Add a place to keep things. Raises NotAllowed, FieldRefused."""
    coordinator_only(member)
    with write_transaction() as session:
        _check_place_label(session, label, None)
        place = StorePlace(label=label, note=note)
        session.add(place)
        session.flush()
        change_log.record(
            action="place added", subject=f"place {label}", at=now, member_id=member.id
        )
        return place.id


def change_place(*, place_id: int, label: str, note: str, member: Member, now: datetime) -> None:
    """Rename a place or change its note. Raises NotFound, NotAllowed, FieldRefused."""
    coordinator_only(member)
    with write_transaction() as session:
        place = session.get(StorePlace, place_id)
        if place is None:
            raise NotFound(_("We can’t find that place."))
        _check_place_label(session, label, place_id)
        rename_on_map(session, kind=PLACE, old=place.label, new=label)
        place.label, place.note = label, note
        change_log.record(
            action="place changed", subject=f"place {label}", at=now, member_id=member.id
        )


def natural(label: str) -> tuple[tuple[int, int, str], ...]:
    """A key that sorts `tote 2` before `tote 10`."""
    parts: list[tuple[int, int, str]] = []
    for word in label.casefold().split():
        is_number = word.isascii() and word.isdigit()
        parts.append((0, int(word[:18]), "") if is_number else (1, 0, word))
    return tuple(parts)


def _line(cover: Cover, member: Member, out: set[int]) -> CoverLine:
    return CoverLine(
        id=cover.id,
        label=cover.label,
        kind_id=cover.class_id,
        owner=cover.owner.name if cover.owner else "",
        lending=cover.lending,
        place=cover.place.label if cover.place else "",
        condition=cover.condition,
        is_usable=cover.is_usable,
        is_out=cover.id in out,
        is_mine=cover.owner_id == member.id,
        may_change=_may_change(cover, member),
        status=cover.status,
        holder=cover.holder.name if cover.holder else "",
    )


def _out_tonight(session: scoped_session[Session]) -> set[int]:
    return set(session.scalars(select(CoverUse.cover_id).where(CoverUse.is_open)))


def _lift_lines(key: str) -> tuple[LiftLine, ...]:
    if not key:
        return ()
    sources = reference.load_sources()
    lines = []
    for row in reference.load_lift_evidence():
        if key not in row.constructions:
            continue
        source = sources.get(row.source_id)
        parts = (source.author, source.year, source.title) if source else (row.source_id,)
        lines.append(
            LiftLine(
                cover=row.cover,
                conditions=row.conditions,
                low_k=row.night_gain_low_k,
                high_k=row.night_gain_high_k,
                source_name=", ".join(part for part in parts if part),
                location=row.location,
                status_label=STATUS_LABELS[row.status],
                note=row.note,
                is_open_air=row.is_open_air,
            )
        )
    # Statements with a number first: those in words only are the harder to use.
    lines.sort(key=lambda line: (not line.is_open_air, line.low_k is None))
    return tuple(lines)


def _gust_source(text: str) -> str:
    """The reason for a wind limit without the source's id, which means nothing to a reader."""
    source_id, colon, rest = text.partition(": ")
    return rest if colon and source_id.isupper() else text


def _lift(kind: CoverKind) -> tuple[float, ...]:
    return kind.clear_mean_k, kind.clear_sd_k, kind.cloudy_mean_k, kind.cloudy_sd_k


def _write_sizes(kind: CoverKind, sizes: KindSizes) -> None:
    kind.name, kind.minutes = sizes.name, sizes.minutes
    kind.inner_length_cm, kind.inner_width_cm = sizes.inner_length_cm, sizes.inner_width_cm
    kind.inner_height_cm = sizes.inner_height_cm
    kind.outer_length_cm, kind.outer_width_cm = sizes.outer_length_cm, sizes.outer_width_cm


def _write_entry(kind: CoverKind, entry: KindEntry) -> None:
    _write_sizes(kind, entry.sizes)
    kind.construction, kind.material, kind.layers = (
        entry.construction,
        entry.material,
        entry.layers,
    )
    kind.is_rigid, kind.is_sealed = entry.is_rigid, entry.is_sealed
    kind.may_touch, kind.goes_under = entry.may_touch, entry.goes_under
    kind.mass_kg = entry.mass_kg
    if kind.gust_limit_mps != entry.gust_limit_mps:
        kind.gust_source = ""
    kind.gust_limit_mps = entry.gust_limit_mps
    kind.clear_mean_k, kind.clear_sd_k = entry.clear_mean_k, entry.clear_sd_k
    kind.cloudy_mean_k, kind.cloudy_sd_k = entry.cloudy_mean_k, entry.cloudy_sd_k
    kind.leaf_shield, kind.why = entry.leaf_shield, entry.why


def _check_sizes(sizes: KindSizes) -> None:
    if sizes.outer_length_cm < sizes.inner_length_cm:
        raise FieldRefused(
            "outer_length_cm", _("The length on the ground cannot be less than the length inside.")
        )
    if sizes.outer_width_cm < sizes.inner_width_cm:
        raise FieldRefused(
            "outer_width_cm", _("The width on the ground cannot be less than the width inside.")
        )
    if sizes.minutes < 0:
        raise FieldRefused("minutes", _("Enter how long it takes to put one on."))


def _check_entry(entry: KindEntry) -> None:
    _check_sizes(entry.sizes)
    if entry.mass_kg is not None and not 0 < entry.mass_kg <= MASS_MAX_KG:
        raise FieldRefused("mass_kg", _("Enter what one weighs, or leave it empty."))
    gust = entry.gust_limit_mps
    if gust is not None and not 0 <= gust <= GUST_LIMIT_MAX_MPS:
        raise FieldRefused("gust_limit_mps", _("Enter a gust between none and a hurricane's."))
    if entry.sizes.inner_height_cm is None and entry.is_rigid:
        raise FieldRefused("inner_height_cm", _("Enter the height inside; only a sheet has none."))
    for field, spread_k in (("clear_sd_k", entry.clear_sd_k), ("cloudy_sd_k", entry.cloudy_sd_k)):
        if spread_k <= 0:
            raise FieldRefused(field, _("Nothing is known exactly: enter a give or take above 0."))
    if not 0 <= entry.leaf_shield <= 1:
        raise FieldRefused("leaf_shield", _("Enter a share between 0 and 1."))
    if not entry.why:
        raise FieldRefused("why", _("Enter the source."))


def _check_kind_name(session: scoped_session[Session], name: str, kind_id: int | None) -> None:
    taken = session.scalar(select(CoverKind.id).where(CoverKind.name == name))
    if taken is not None and taken != kind_id:
        raise FieldRefused(
            "name", _("There is already a kind called %(name)s; choose another name.", name=name)
        )


def _check_place_label(session: scoped_session[Session], label: str, place_id: int | None) -> None:
    taken = session.scalar(select(StorePlace.id).where(StorePlace.label == label))
    if taken is not None and taken != place_id:
        raise FieldRefused("label", _("There is already a place called %(label)s.", label=label))


def _check_place(session: scoped_session[Session], place_id: int | None) -> None:
    if place_id is not None and session.get(StorePlace, place_id) is None:
        raise FieldRefused("place_id", _("Choose a place from the list."))


def _check_lending(lending: str, owner_id: int | None) -> None:
    if lending not in LENDING:
        raise FieldRefused("lending", _("Choose who may use it."))
    if lending == "own plots" and owner_id is None:
        raise FieldRefused("lending", _("The garden’s own covers are there for the whole garden."))


def _check_owner(
    session: scoped_session[Session], owner_id: int | None, cover: Cover | None, member: Member
) -> None:
    present = cover.owner_id if cover is not None else member.id
    if not member.is_coordinator and owner_id != present:
        raise NotAllowed(_("Only a coordinator can say whose a cover is."))
    if owner_id is None or (cover is not None and owner_id == cover.owner_id):
        return
    owner = session.get(Member, owner_id)
    if owner is None or not owner.is_active:
        raise FieldRefused("owner_id", _("Choose a member from the list."))


def _may_change(cover: Cover, member: Member) -> bool:
    return member.is_coordinator or cover.owner_id == member.id


def _check_may_change(cover: Cover, member: Member) -> None:
    if not _may_change(cover, member):
        raise NotAllowed(_("Only its owner or a coordinator can change a cover."))


def _get_kind(session: scoped_session[Session], kind_id: int) -> CoverKind:
    kind = session.get(CoverKind, kind_id)
    if kind is None:
        raise NotFound(_("We can’t find that kind of cover."))
    return kind


def _get_cover(session: scoped_session[Session], cover_id: int) -> Cover:
    cover = session.get(Cover, cover_id)
    if cover is None:
        raise NotFound(_("We can’t find that cover."))
    return cover
