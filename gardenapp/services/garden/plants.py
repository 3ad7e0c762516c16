"""The plant catalogue, and what grows in which plot."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from flask_sqlalchemy.session import Session
from sqlalchemy import select
from sqlalchemy.orm import joinedload, scoped_session, selectinload

from gardenapp import reference
from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.plants import (
    MINDS,
    POT_MATERIALS,
    STATES,
    WORTH_PER,
    Crop,
    CropStage,
    Planting,
)
from gardenapp.models.plots import Plot
from gardenapp.reference.crop_finding import fold, names_of_crops, near_spellings
from gardenapp.services import change_log
from gardenapp.services.clockwork import garden_zone
from gardenapp.services.garden import blossom
from gardenapp.services.garden.hardiness import hardiness_of
from gardenapp.services.garden.plots import may_change_plot
from gardenapp.services.garden.stage_guess import guess_stage
from gardenapp.services.matching import Names
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later, said

OURS = "ours"
FAR_FROM_PUBLISHED_K = 5.0
OWN_GROUP = later("Our own")
KINDS = ("damage", "kill")

STATUS_LABELS = {
    "seen": later("read in the source"),
    "derived": later("worked out from published values"),
    "memory": later("from memory"),
    "practice": later("common practice, no source"),
    OURS: "ours",
}
MIND_LABELS = {
    "little": later("a little: easily sown again"),
    "much": later("some: a season’s work"),
    "dearly": later("dearly: it cannot be replaced"),
}
WORTH_PER_LABELS = {
    "plant": later("each plant"),
    "bed": later("the bed, by its area"),
}
STATE_LABELS = {
    "soft": later("soft: raised indoors or under glass"),
    "half": later("half hardened"),
    "hardened": later("hardened, as in midwinter"),
}
HARM_LABELS = {
    "looks": later("First damage burns leaves and costs next to nothing."),
    "harvest": later("First damage costs what would have been picked."),
    "plant": later("First damage costs the plant."),
}
POT_LABELS = {
    "": later("not known"),
    "plastic": later("plastic"),
    "clay": later("clay"),
    "wood": later("wood"),
    "fabric": later("fabric"),
}


@dataclass(frozen=True)
class Value:
    """One threshold of a stage as a page shows it. [°C, K, h]

    `meaning` says in words what the temperature does; the pair is given where a source
    published one. `status` is one of the keys of STATUS_LABELS.
    """

    meaning: str
    threshold_c: float
    t10_c: float | None
    t90_c: float | None
    hours: float | None
    source_id: str
    source_text: str
    status: str
    refers_to: str

    @property
    def status_label(self) -> str:
        return STATUS_LABELS.get(self.status, self.status)


@dataclass(frozen=True)
class StageDetail:
    """A stage of a crop with all its values."""

    id: int
    name: str
    values: tuple[Value, ...]
    harm: str
    why: str
    is_ours: bool
    may_change: bool
    usual_height_cm: float
    usual_spread_cm: float


@dataclass(frozen=True)
class EvidenceLine:
    """One published statement, beside the value that was chosen."""

    part: str
    meaning: str
    temp_c: float | None
    as_published: str
    hardened: str
    source_id: str
    source_name: str
    location: str
    status_label: str
    note: str
    refers_to: str


@dataclass(frozen=True)
class CropDetail:
    """A crop with its stages and everything found about it."""

    id: int
    name: str
    scientific_name: str
    group: str
    is_ours: bool
    added_by: str
    stages: tuple[StageDetail, ...]
    evidence: tuple[EvidenceLine, ...]


@dataclass(frozen=True)
class CropLine:
    """One line of the catalogue: the crop and the tenderest and hardiest of its stages. [°C]"""

    id: int
    name: str
    scientific_name: str
    is_ours: bool
    stages: int
    warmest_c: float
    coldest_c: float


@dataclass(frozen=True)
class CropGroup:
    """The crops of one group, by name."""

    name: str
    crops: tuple[CropLine, ...]


@dataclass(frozen=True)
class StageChoice:
    """A crop at a stage as a list offers it. [°C]"""

    id: int
    crop: str
    stage: str
    group: str
    threshold_c: float


@dataclass(frozen=True)
class OwnStage:
    """A crop at a stage with the garden's own threshold, as a form gives it. [°C, cm]

    `kind`: damage (harm begins) or kill (about half is lost). `why` says how it is known.
    """

    stage: str
    kind: str
    threshold_c: float
    hardened_threshold_c: float | None
    why: str
    usual_height_cm: float
    usual_spread_cm: float


@dataclass(frozen=True)
class PlantingEntry:
    """A planting as a form gives it; an empty size is taken from the stage. [cm, L]

    state : a key of STATES that held on `state_on`, or empty for what the weather says. worth_per :
    what `mind` is said of, each plant or the bed.
    """

    stage_id: int
    name: str
    count: int
    height_cm: float | None
    spread_cm: float | None
    in_pot: bool
    is_movable: bool
    mind: str
    note: str
    worth_per: str = "plant"
    state: str = ""
    state_on: date | None = None
    pot_l: float | None = None
    pot_material: str = ""
    pot_is_raised: bool = True


@dataclass(frozen=True)
class PlantingDetail:
    """A planting as pages show it. [cm, °C]"""

    id: int
    plot_id: int
    plot_label: str
    stage_id: int
    crop_id: int
    crop: str
    stage: str
    name: str
    count: int
    height_cm: float
    spread_cm: float
    in_pot: bool
    is_movable: bool
    mind: str
    worth_per: str
    note: str
    state: str
    state_on: date | None
    pot_l: float | None
    pot_material: str
    pot_is_raised: bool
    soft_c: float
    hardened_c: float | None
    ended_at: datetime | None

    @property
    def title(self) -> str:
        """The holder's own name for it, or the crop."""
        return self.name or self.crop

    @property
    def mind_label(self) -> str:
        return MIND_LABELS[self.mind]

    @property
    def worth_per_label(self) -> str:
        return WORTH_PER_LABELS[self.worth_per]

    @property
    def state_label(self) -> str:
        return STATE_LABELS[self.state] if self.state else ""


def _matches(words: list[str], crop: Crop, *texts: str) -> bool:
    names = " ".join(names_of_crops().get(crop.name, ()))
    whole = fold(" ".join((crop.name, crop.scientific_name, crop.group, *texts)))
    return all(word in whole or word in names for word in words)


def _nearly(q: str, crops: Iterable[Crop]) -> set[str]:
    """The crops whose names are spelt nearly as `q`, where nothing matched."""
    names = {crop.name: (fold(crop.name),) for crop in crops} | dict(names_of_crops())
    return set(near_spellings(" ".join(fold(q).split()), names))


def list_catalogue(*, q: str = "") -> tuple[CropGroup, ...]:
    """The crops by group, those that hold every word of `q` in a name, group or stage."""
    words = fold(q).split()
    groups: dict[str, list[CropLine]] = {}
    crops = db.session.scalars(
        select(Crop).options(selectinload(Crop.stages)).order_by(Crop.name)
    ).all()

    def fits(crop: Crop, names: list[str]) -> bool:
        return crop.name in near if near else _matches(words, crop, *names)

    near: set[str] = set()
    if words and not any(_matches(words, crop, *(s.name for s in crop.stages)) for crop in crops):
        near = _nearly(q, crops)
    for crop in crops:
        names = [stage.name for stage in crop.stages]
        if not names or not fits(crop, names):
            continue
        thresholds = [stage.threshold_c for stage in crop.stages]
        groups.setdefault(crop.group or OWN_GROUP, []).append(
            CropLine(
                id=crop.id,
                name=crop.name,
                scientific_name=crop.scientific_name,
                is_ours=crop.is_ours,
                stages=len(names),
                warmest_c=max(thresholds),
                coldest_c=min(thresholds),
            )
        )
    return tuple(
        CropGroup(name, tuple(sorted(crops, key=lambda line: fold(line.name))))
        for name, crops in sorted(groups.items(), key=lambda item: (item[0] == OWN_GROUP, item[0]))
    )


def group_names() -> tuple[str, ...]:
    """The groups there are."""
    found = {name for name in db.session.scalars(select(Crop.group).distinct()) if name}
    return tuple(sorted(found))


def stage_choices(*, q: str = "", keep: int | None = None) -> tuple[StageChoice, ...]:
    """Every crop and stage that holds the words of `q`, by group; `keep` is always among them."""
    words = fold(q).split()
    rows = db.session.scalars(select(CropStage).options(joinedload(CropStage.crop))).all()
    near: set[str] = set()
    if words and not any(_matches(words, row.crop, row.name) for row in rows):
        near = _nearly(q, {row.crop for row in rows})
    found = [
        StageChoice(
            id=row.id,
            crop=row.crop.name,
            stage=row.name,
            group=row.crop.group or OWN_GROUP,
            threshold_c=row.threshold_c,
        )
        for row in rows
        if row.id == keep
        or (row.crop.name in near if near else _matches(words, row.crop, row.name))
    ]
    return tuple(sorted(found, key=lambda c: (c.group == OWN_GROUP, c.group, fold(c.crop), c.id)))


@dataclass(frozen=True)
class CropMeant:
    """What a crop's name as typed may mean, and the stage it is probably in today.

    stage_id is None where that has to be asked; `beside` is what was typed beside the name.
    """

    stage_id: int | None
    stage: str
    crop: str
    beside: str
    choices: tuple[str, ...]


def crop_names() -> tuple[str, ...]:
    """Every name of every crop, for a list to choose from as one types, by the alphabet."""
    names = {str(said(name)) for name in db.session.scalars(select(Crop.name))}
    published = names_of_crops()
    others = {name for called in published.values() for name in called[1:]}
    folded = {fold(name) for name in names}
    return tuple(sorted(names | {n for n in others if fold(n) not in folded}, key=fold))


def crop_meant(*, text: str, on: date, latitude: float, in_pot: bool | None) -> CropMeant:
    """What was typed as a crop, by any of its names, with its stage guessed from day and place."""
    published = names_of_crops()
    rows = db.session.scalars(select(Crop).options(selectinload(Crop.stages))).all()
    crops = {row.id: row for row in rows if row.stages}
    names = Names(
        (name, row.id)
        for row in crops.values()
        for name in (
            row.name,
            str(said(row.name)),
            *([row.scientific_name] if row.scientific_name else ()),
            *published.get(row.name, ()),
        )
    )
    match = names.find(text)
    choices = tuple(str(said(crops[key].name)) for key in match.choices)
    if match.key is None:
        return CropMeant(None, "", "", "", choices)
    crop = crops[match.key]
    stage = guess_stage(crop.stages, on=on, latitude=latitude, in_pot=in_pot)
    beside = match.rest if fold(match.rest) != fold(crop.name) else ""
    return CropMeant(stage.id, stage.name, crop.name, beside[:80], choices)


MEANINGS = {
    "damage": later("damage begins"),
    "kill": later("about half is dead"),
    "root_kill": later("roots in a pot die"),
    "chilling": later("damaged by chill, even without frost"),
    "death": later("about half of the plants die, soft"),
    "hardened_death": later("about half of the plants die, hardened"),
    "10pct": later("a tenth is dead"),
    "90pct": later("nine tenths are dead"),
}


def _values(stage: CropStage) -> tuple[Value, ...]:
    def meaning(kind: str, t10_c: float | None) -> str:
        return "a tenth is dead" if t10_c is not None else MEANINGS[kind]

    values = [
        Value(
            meaning=meaning(stage.kind, stage.t10_c),
            threshold_c=stage.threshold_c,
            t10_c=stage.t10_c,
            t90_c=stage.t90_c,
            hours=None,
            source_id=stage.source_id,
            source_text=stage.source_text,
            status=stage.status,
            refers_to=stage.refers_to,
        )
    ]
    if stage.hardened_threshold_c is not None:
        kind = stage.hardened_kind or stage.kind
        values.append(
            Value(
                meaning=_(
                    "%(kind)s, hardened off",
                    kind=str(meaning(kind, stage.hardened_t10_c)),
                ),
                threshold_c=stage.hardened_threshold_c,
                t10_c=stage.hardened_t10_c,
                t90_c=stage.hardened_t90_c,
                hours=None,
                source_id=stage.hardened_source_id,
                source_text=stage.hardened_source_text,
                status=stage.hardened_status or stage.status,
                refers_to=stage.hardened_refers_to or stage.refers_to,
            )
        )
    for name, threshold_c, hours, source_id, source_text, status in (
        (
            "chilling",
            stage.chilling_c,
            stage.chilling_hours,
            stage.chilling_source_id,
            stage.chilling_source_text,
            stage.chilling_status,
        ),
        (
            "root_kill",
            stage.root_kill_c,
            None,
            stage.root_kill_source_id,
            stage.root_kill_source_text,
            stage.root_kill_status,
        ),
        (
            "death",
            stage.death_c,
            None,
            stage.death_source_id,
            stage.death_source_text,
            stage.death_status,
        ),
        (
            "hardened_death",
            stage.hardened_death_c,
            None,
            stage.hardened_death_source_id,
            stage.hardened_death_source_text,
            stage.hardened_death_status,
        ),
        ("heat", stage.heat_max_c, None, stage.heat_source_id, "", stage.heat_status),
    ):
        if threshold_c is None:
            continue
        values.append(
            Value(
                meaning=MEANINGS.get(name, later("too warm under a cover by day")),
                threshold_c=threshold_c,
                t10_c=None,
                t90_c=None,
                hours=hours,
                source_id=source_id,
                source_text=source_text or _source_name(source_id),
                status=status or stage.status,
                refers_to="roots" if name == "root_kill" else "air",
            )
        )
    return tuple(values)


def _source_name(source_id: str) -> str:
    source = reference.load_sources().get(source_id)
    if source is None:
        return source_id
    return ", ".join(part for part in (source.author, source.year, source.title) if part)


def evidence_lines(crop: str) -> tuple[EvidenceLine, ...]:
    """Everything published that was found about `crop`, warmest first, words last."""
    found = [row for row in reference.load_evidence() if row.crop == crop]
    found.sort(key=lambda row: (row.temp_c is None, -(row.temp_c or 0.0), row.part))
    words = {"yes": later("hardened off"), "no": later("not hardened off"), "unknown": ""}
    return tuple(
        EvidenceLine(
            part=row.part,
            meaning=MEANINGS[row.kind],
            temp_c=row.temp_c,
            as_published=row.as_published,
            hardened=words[row.hardened],
            source_id=row.source_id,
            source_name=_source_name(row.source_id),
            location=row.location,
            status_label=STATUS_LABELS[row.status],
            note=row.note,
            refers_to=row.refers_to,
        )
        for row in found
    )


def get_crop(*, crop_id: int, member: Member | None) -> CropDetail:
    """A crop, its stages and the evidence. The adder's name only for members. Raises NotFound."""
    crop = db.session.get(Crop, crop_id)
    if crop is None:
        raise NotFound(_("We can’t find that crop in the catalogue."))
    adder = db.session.get(Member, crop.added_by_id) if crop.added_by_id and member else None
    return CropDetail(
        id=crop.id,
        name=crop.name,
        scientific_name=crop.scientific_name,
        group=crop.group or OWN_GROUP,
        is_ours=crop.is_ours,
        added_by=adder.name if adder else "",
        stages=tuple(
            StageDetail(
                id=stage.id,
                name=stage.name,
                values=_values(stage),
                harm=HARM_LABELS[stage.harm],
                why=stage.why,
                is_ours=stage.is_ours,
                may_change=_may_change_stage(stage, member),
                usual_height_cm=stage.usual_height_cm,
                usual_spread_cm=stage.usual_spread_cm,
            )
            for stage in crop.stages
        ),
        evidence=evidence_lines(crop.name),
    )


def add_own_crop(*, name: str, group: str, own: OwnStage, member: Member, now: datetime) -> int:
    """Add a crop the published tables lack, its threshold marked as the garden's own.

    Gives the crop's id. Raises FieldRefused where the name stands already.
    """
    _check_own(own)
    with write_transaction() as session:
        wanted = fold(name)
        if any(fold(other) == wanted for other in session.scalars(select(Crop.name))):
            raise FieldRefused(
                "name",
                _(
                    "%(name)s is in the catalogue already; add a stage on its page instead.",
                    name=name,
                ),
            )
        crop = Crop(name=name, group=group, is_ours=True, added_by_id=member.id)
        session.add(crop)
        session.flush()
        row = CropStage(crop_id=crop.id, is_ours=True, added_by_id=member.id)
        _write_own(row, own)
        session.add(row)
        change_log.record(action="crop added", subject=f"crop {name}", at=now, member_id=member.id)
        return crop.id


def add_own_stage(*, crop_id: int, own: OwnStage, member: Member, now: datetime) -> int:
    """Add a stage of the garden's own to a crop, beside the published ones.

    This is also how a garden keeps a threshold that differs from the published one: the
    published value stays readable. Gives the stage's id. Raises NotFound, FieldRefused.
    """
    _check_own(own)
    with write_transaction() as session:
        crop = session.get(Crop, crop_id)
        if crop is None:
            raise NotFound(_("We can’t find that crop in the catalogue."))
        _check_stage_name(session, crop_id, own.stage, None)
        _check_against_published(crop, own)
        row = CropStage(crop_id=crop_id, is_ours=True, added_by_id=member.id)
        _write_own(row, own)
        session.add(row)
        session.flush()
        change_log.record(
            action="stage added",
            subject=f"crop {crop.name}, {own.stage}",
            at=now,
            member_id=member.id,
        )
        return row.id


def get_own_stage(*, stage_id: int, member: Member) -> tuple[int, str, OwnStage]:
    """Crop id, crop name and values of an own stage, for its form.

    Raises NotFound; NotAllowed for a published stage or somebody else's.
    """
    row = _own_stage(db.session, stage_id, member)
    return (
        row.crop_id,
        row.crop.name,
        OwnStage(
            stage=row.name,
            kind=row.kind,
            threshold_c=row.threshold_c,
            hardened_threshold_c=row.hardened_threshold_c,
            why=row.why,
            usual_height_cm=row.usual_height_cm,
            usual_spread_cm=row.usual_spread_cm,
        ),
    )


def change_own_stage(*, stage_id: int, own: OwnStage, member: Member, now: datetime) -> int:
    """Change a stage of the garden's own; gives the crop's id.

    Raises NotFound, NotAllowed for a published stage or somebody else's, FieldRefused.
    """
    _check_own(own)
    with write_transaction() as session:
        row = _own_stage(session, stage_id, member)
        _check_stage_name(session, row.crop_id, own.stage, stage_id)
        before_c = row.threshold_c
        _write_own(row, own)
        change_log.record(
            action="stage changed",
            subject=f"crop {row.crop.name}, {own.stage}",
            detail=f"threshold {before_c:.2f} °C to {own.threshold_c:.2f} °C",
            at=now,
            member_id=member.id,
        )
        return row.crop_id


def list_plantings(*, plot_id: int) -> tuple[PlantingDetail, ...]:
    """What grows in a plot, tenderest first; ended ones last."""
    rows = db.session.scalars(
        select(Planting)
        .where(Planting.plot_id == plot_id)
        .options(joinedload(Planting.stage).joinedload(CropStage.crop), joinedload(Planting.plot))
    )
    found = [_detail(row) for row in rows]
    found.sort(key=lambda p: (p.ended_at is not None, -p.soft_c, fold(p.title), p.id))
    return tuple(found)


def get_planting(*, planting_id: int) -> PlantingDetail:
    """One planting. Raises NotFound."""
    return _detail(_get_planting(db.session, planting_id))


def add_planting(
    *, plot_id: int, entry: PlantingEntry, form_key: str, member: Member, now: datetime
) -> int:
    """Add a planting and give its id; the same `form_key` again gives the first one's id.

    Raises NotFound, NotAllowed, FieldRefused.
    """
    with write_transaction() as session:
        plot = session.get(Plot, plot_id)
        if plot is None:
            raise NotFound(_("We can’t find that plot."))
        _check_may_change(session, plot_id, member)
        if form_key:
            earlier = session.scalar(select(Planting).where(Planting.form_key == form_key))
            if earlier is not None and earlier.plot_id == plot_id:
                return earlier.id
            if earlier is not None:
                form_key = ""
        row = Planting(plot_id=plot_id, form_key=form_key or None)
        stage = _write_planting(session, row, entry, now.astimezone(garden_zone()).date())
        session.add(row)
        session.flush()
        change_log.record(
            action="planting added",
            subject=f"plot {plot.label}: {entry.count} {stage.crop.name}, {stage.name}",
            at=now,
            member_id=member.id,
        )
        return row.id


def change_planting(
    *, planting_id: int, entry: PlantingEntry, member: Member, now: datetime
) -> int:
    """Change a planting; gives the plot's id. Raises NotFound, NotAllowed, FieldRefused."""
    with write_transaction() as session:
        row = _get_planting(session, planting_id)
        _check_may_change(session, row.plot_id, member)
        stage = _write_planting(session, row, entry, now.astimezone(garden_zone()).date())
        change_log.record(
            action="planting changed",
            subject=f"plot {row.plot.label}: {entry.count} {stage.crop.name}, {stage.name}",
            at=now,
            member_id=member.id,
        )
        return row.plot_id


def end_planting(*, planting_id: int, member: Member, now: datetime) -> int:
    """Say that a planting is over: harvested, lost or moved. It stays in the records.

    Gives the plot's id. Raises NotFound, NotAllowed.
    """
    return _set_ended(planting_id, now, "planting ended", member, now)


def restore_planting(*, planting_id: int, member: Member, now: datetime) -> int:
    """Take an ending back; gives the plot's id. Raises NotFound, NotAllowed."""
    return _set_ended(planting_id, None, "planting brought back", member, now)


def _set_ended(
    planting_id: int, ended_at: datetime | None, action: str, member: Member, now: datetime
) -> int:
    with write_transaction() as session:
        row = _get_planting(session, planting_id)
        _check_may_change(session, row.plot_id, member)
        if (row.ended_at is None) != (ended_at is None):
            row.ended_at = ended_at
            change_log.record(
                action=action,
                subject=f"plot {row.plot.label}: {row.name or row.stage.crop.name}",
                at=now,
                member_id=member.id,
            )
        return row.plot_id


def _detail(row: Planting) -> PlantingDetail:
    hardiness = hardiness_of(row.stage)
    states = {share: word for word, share in STATES.items()}
    return PlantingDetail(
        id=row.id,
        plot_id=row.plot_id,
        plot_label=row.plot.label,
        stage_id=row.stage_id,
        crop_id=row.stage.crop_id,
        crop=row.stage.crop.name,
        stage=row.stage.name,
        name=row.name,
        count=row.count,
        height_cm=row.height_cm,
        spread_cm=row.spread_cm,
        in_pot=row.in_pot,
        is_movable=row.is_movable,
        mind=row.mind,
        worth_per=row.worth_per,
        note=row.note,
        state="" if row.state_share is None else states[row.state_share],
        state_on=row.state_on,
        pot_l=row.pot_l,
        pot_material=row.pot_material,
        pot_is_raised=row.pot_is_raised,
        soft_c=hardiness.at(0.0).bears_c,
        hardened_c=hardiness.at(1.0).bears_c if hardiness.is_moved else None,
        ended_at=row.ended_at,
    )


def _get_planting(session: scoped_session[Session], planting_id: int) -> Planting:
    row = session.get(Planting, planting_id)
    if row is None:
        raise NotFound(_("We can’t find that planting."))
    return row


def _check_may_change(session: scoped_session[Session], plot_id: int, member: Member) -> None:
    if not may_change_plot(session, plot_id=plot_id, member=member):
        raise NotAllowed(
            _("Only those who hold this plot and coordinators can change what grows in it.")
        )


def _write_planting(
    session: scoped_session[Session], row: Planting, entry: PlantingEntry, on: date
) -> CropStage:
    stage = session.get(CropStage, entry.stage_id)
    if stage is None:
        raise FieldRefused("stage_id", _("Choose a crop from the list."))
    if entry.is_movable and not entry.in_pot:
        raise FieldRefused("is_movable", _("Only plants in pots can be carried in."))
    if entry.mind not in MINDS:
        raise FieldRefused("mind", _("Choose how much you would mind."))
    if row.id is None or _stage_shown(row, on).id != stage.id:
        # A stage that is said is seen: from today on the warmth moves fruit blossom, and shoots
        # in bud harden no more.
        row.stage_id, row.stage = stage.id, stage
        is_moving = blossom.is_moved_by_heat(stage) or stage.hardens == "moved"
        row.stage_on = on if is_moving else None
    if entry.worth_per not in WORTH_PER:
        raise FieldRefused("worth_per", _("Choose what you would mind: each plant or the bed."))
    row.name, row.note, row.mind = entry.name, entry.note, entry.mind
    row.worth_per, row.count = entry.worth_per, entry.count
    _write_state(row, entry, hardiness_of(stage).is_moved)
    _write_pot(row, entry)
    row.height_cm = stage.usual_height_cm if entry.height_cm is None else entry.height_cm
    row.spread_cm = stage.usual_spread_cm if entry.spread_cm is None else entry.spread_cm
    return stage


def _stage_shown(row: Planting, on: date) -> CropStage:
    """The stage a planting is shown in: the one chosen, or where the warmth has moved it since."""
    return blossom.stages_by_heat([row], {row.id: row.stage}, on=on).get(row.id, row.stage)


def _write_state(row: Planting, entry: PlantingEntry, is_moved: bool) -> None:
    if not entry.state:
        row.state_share, row.state_on = None, None
        return
    if entry.state not in STATES:
        raise FieldRefused("state", _("Choose how hardened off they are."))
    if not is_moved:
        raise FieldRefused(
            "state", _("How cold this crop can get does not change with the weather.")
        )
    if entry.state_on is None:
        raise FieldRefused("state_on", _("Enter the day they were like that."))
    row.state_share, row.state_on = STATES[entry.state], entry.state_on


def _write_pot(row: Planting, entry: PlantingEntry) -> None:
    row.in_pot, row.is_movable = entry.in_pot, entry.is_movable
    if entry.pot_material not in POT_MATERIALS:
        raise FieldRefused("pot_material", _("Choose what the pot is made of."))
    row.pot_l = entry.pot_l if entry.in_pot else None
    row.pot_material = entry.pot_material if entry.in_pot else ""
    row.pot_is_raised = entry.pot_is_raised if entry.in_pot else True


def _check_own(own: OwnStage) -> None:
    if own.kind not in KINDS:
        raise FieldRefused("kind", _("Choose what the temperature means."))
    if own.hardened_threshold_c is not None and own.hardened_threshold_c > own.threshold_c:
        raise FieldRefused(
            "hardened_threshold_c",
            _("Hardened-off plants are fine down to at least as cold as soft ones."),
        )
    if not own.why:
        raise FieldRefused("why", _("Enter the source."))


def _check_against_published(crop: Crop, own: OwnStage) -> None:
    """Refuse a figure so much warmer than all that is published that it can only be a slip."""
    published = [stage.threshold_c for stage in crop.stages if not stage.is_ours]
    if published and own.threshold_c > max(published) + FAR_FROM_PUBLISHED_K:
        raise FieldRefused(
            "threshold_c",
            _(
                "Published figures say %(crop)s is fine down to about %(warmest)s °C at the "
                "warmest. Yours is more than %(far)s °C warmer: look again.",
                crop=said(crop.name).capitalize(),
                warmest=f"{max(published):.0f}".replace("-", "\N{MINUS SIGN}"),
                far=f"{FAR_FROM_PUBLISHED_K:.0f}",
            ),
        )


def _check_stage_name(
    session: scoped_session[Session], crop_id: int, name: str, stage_id: int | None
) -> None:
    for other in session.scalars(select(CropStage).where(CropStage.crop_id == crop_id)):
        if other.id != stage_id and fold(other.name) == fold(name):
            raise FieldRefused(
                "stage", _("This crop has a stage %(name)s already.", name=other.name)
            )


def _may_change_stage(stage: CropStage, member: Member | None) -> bool:
    """A garden's own stage is changed by who added it (or added its crop) and coordinators."""
    if member is None or not (stage.is_ours or stage.crop.is_ours):
        return False
    return member.is_coordinator or member.id in {stage.added_by_id, stage.crop.added_by_id}


def _own_stage(session: scoped_session[Session], stage_id: int, member: Member) -> CropStage:
    row = session.get(CropStage, stage_id)
    if row is None:
        raise NotFound(_("We can’t find that stage."))
    if not _may_change_stage(row, member):
        raise NotAllowed(
            _(
                "You can’t change published values, nor another member's own. Add a stage of "
                "your own beside them."
            )
        )
    return row


def _write_own(row: CropStage, own: OwnStage) -> None:
    row.name, row.kind, row.threshold_c = own.stage, own.kind, own.threshold_c
    row.status, row.source_id, row.source_text = OURS, "", "Our own garden."
    row.refers_to = "air"
    row.why = own.why
    has_hard = own.hardened_threshold_c is not None
    row.hardened_kind = own.kind if has_hard else None
    row.hardened_threshold_c = own.hardened_threshold_c
    row.hardened_status = OURS if has_hard else ""
    row.hardened_source_text = row.source_text if has_hard else ""
    row.hardened_refers_to = "air" if has_hard else ""
    row.hardens = "leafy" if has_hard else "no"
    row.usual_height_cm, row.usual_spread_cm = own.usual_height_cm, own.usual_spread_cm
