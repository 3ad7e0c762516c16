"""Loading the published tables into the database, again and again without harm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from flask_sqlalchemy.session import Session
from sqlalchemy import select
from sqlalchemy.orm import scoped_session

from gardenapp import reference
from gardenapp.models.covers import CoverKind
from gardenapp.models.plants import Crop, CropStage
from gardenapp.reference import ConstructionDefault, CurveSource, Source, StageDefault
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.designs.design import wider
from gardenapp.science.estimate import Estimate
from gardenapp.services.garden.lift_priors import prior_of

STATUS_WORDS = {
    "derived": "worked out from published values",
    "memory": "from memory",
    "practice": "common practice, no source",
}


@dataclass(frozen=True)
class Loaded:
    """How many rows were new, how many brought up to date, how many left as members made them.

    `kinds_changed` names the kinds of cover that were there and whose values are others now.
    """

    crops_added: int = 0
    stages_added: int = 0
    stages_updated: int = 0
    kinds_added: int = 0
    kinds_updated: int = 0
    left_alone: tuple[str, ...] = ()
    kinds_changed: tuple[str, ...] = ()


def seed_catalogue(
    session: scoped_session[Session] | Session,
    *,
    stages: Sequence[StageDefault] | None = None,
    constructions: Sequence[ConstructionDefault] | None = None,
    sources: Mapping[str, Source] | None = None,
) -> Loaded:
    """Create or bring up to date the published crops, stages and kinds of cover.

    Runs inside the caller's write transaction and commits nothing. A row that members added
    or changed is left as it is, and named in `left_alone`. A published row that is no longer
    in the tables stays too: plantings or covers may stand on it.

    A copy of a kind that still believes what its original was published with follows it. The
    day gain is never typed by members, so that of every kind is the published one.
    """
    sources = reference.load_sources() if sources is None else sources
    stages = reference.load_stages() if stages is None else stages
    constructions = reference.load_constructions() if constructions is None else constructions

    left_alone: list[str] = []
    crops = {crop.name: crop for crop in session.scalars(select(Crop))}
    known = {(row.crop_id, row.name): row for row in session.scalars(select(CropStage))}
    crops_added = stages_added = stages_updated = 0
    for stage in stages:
        crop = crops.get(stage.crop)
        if crop is None:
            crop = Crop(name=stage.crop)
            session.add(crop)
            crops[stage.crop] = crop
            crops_added += 1
        if crop.is_ours:
            if stage.crop not in left_alone:
                left_alone.append(stage.crop)
            continue
        crop.scientific_name, crop.group = stage.scientific_name, stage.group
        session.flush()
        row = known.get((crop.id, stage.stage))
        if row is None:
            row = CropStage(crop_id=crop.id, name=stage.stage)
            session.add(row)
            known[crop.id, stage.stage] = row
            stages_added += 1
        elif row.is_ours:
            left_alone.append(f"{stage.crop}, {stage.stage}")
            continue
        else:
            stages_updated += 1
        _write_stage(row, stage, sources)

    published = {
        kind.reference_key: kind
        for kind in session.scalars(select(CoverKind).where(CoverKind.is_published))
    }
    by_name = {kind.name: kind for kind in session.scalars(select(CoverKind))}
    kinds_added = kinds_updated = 0
    changed: list[str] = []
    for built in constructions:
        kind = published.get(built.key)
        changed += _refresh_day_gains(session, built)
        if kind is not None and kind.is_edited:
            left_alone.append(kind.name)
            continue
        if by_name.get(built.label, kind) is not kind:
            # A member's own kind has the name: theirs was first.
            left_alone.append(built.label)
            continue
        if kind is None:
            kind = CoverKind(reference_key=built.key, is_published=True)
            session.add(kind)
            kinds_added += 1
            _write_kind(kind, built)
        else:
            kinds_updated += 1
            before = prior_of(kind), kind.why
            _write_kind(kind, built)
            if session.is_modified(kind):
                changed.append(kind.name)
            changed += _refresh_copies(session, kind, *before)
        by_name[built.label] = kind
    session.flush()
    return Loaded(
        crops_added,
        stages_added,
        stages_updated,
        kinds_added,
        kinds_updated,
        tuple(left_alone),
        tuple(dict.fromkeys(changed)),
    )


def _refresh_day_gains(
    session: scoped_session[Session] | Session, built: ConstructionDefault
) -> list[str]:
    changed = []
    for kind in session.scalars(select(CoverKind).where(CoverKind.reference_key == built.key)):
        now = (built.day_gain_k, built.day_gain_source_id)
        if (kind.day_gain_k, kind.day_gain_source_id) != now:
            kind.day_gain_k, kind.day_gain_source_id = now
            changed.append(kind.name)
    return changed


def _refresh_copies(
    session: scoped_session[Session] | Session,
    original: CoverKind,
    before: LiftPrior,
    why_before: str,
) -> list[str]:
    """Let copies of a kind follow it: those with its old lift, as it was or as of one's making."""
    now = prior_of(original)
    if (before.clear, before.cloudy, why_before) == (now.clear, now.cloudy, original.why):
        return []
    changed = []
    for copy in session.scalars(
        select(CoverKind).where(
            CoverKind.reference_key == original.reference_key,
            CoverKind.is_published.is_(False),
            CoverKind.is_edited.is_(False),
        )
    ):
        held = prior_of(copy)
        if not (why_before and copy.why.endswith(why_before)):
            continue
        if _alike(held, before.clear, before.cloudy):
            clear, cloudy = now.clear, now.cloudy
            copy.status = original.status
        elif _alike(held, wider(before.clear), wider(before.cloudy)):
            clear, cloudy = wider(now.clear), wider(now.cloudy)
        else:
            continue
        copy.clear_mean_k, copy.clear_sd_k = clear.mean, clear.sd
        copy.cloudy_mean_k, copy.cloudy_sd_k = cloudy.mean, cloudy.sd
        copy.source_ids = original.source_ids
        copy.why = copy.why.removesuffix(why_before) + original.why
        changed.append(copy.name)
    return changed


def _alike(held: LiftPrior, clear: Estimate, cloudy: Estimate) -> bool:
    pairs = ((held.clear, clear), (held.cloudy, cloudy))
    return all(
        math.isclose(a.mean, b.mean, abs_tol=1e-9) and math.isclose(a.sd, b.sd, abs_tol=1e-9)
        for a, b in pairs
    )


def source_line(
    source_id: str, location: str, status: str, sources: Mapping[str, Source], note: str = ""
) -> str:
    """Where a value comes from in one line, with how well it is known."""
    source = sources.get(source_id)
    named = [source.author, source.year, source.title] if source else [source_id]
    parts = [part for part in (*named, location) if part]
    line = ", ".join(parts)
    if status in STATUS_WORDS:
        line = f"{line} ({STATUS_WORDS[status]})" if line else STATUS_WORDS[status]
    return f"{line}. {note}" if note else line


def _curve_line(curve: CurveSource, sources: Mapping[str, Source]) -> str:
    return source_line(curve.source_id, curve.location, curve.status, sources, curve.note)


def _write_stage(row: CropStage, stage: StageDefault, sources: Mapping[str, Source]) -> None:
    bare = stage.unhardened
    row.kind, row.threshold_c = bare.kind, bare.threshold_c
    row.t10_c, row.t90_c, row.spread_k = bare.t10_c, bare.t90_c, bare.spread_k
    row.source_id, row.status, row.refers_to = bare.source_id, bare.status, bare.refers_to
    row.source_text = _curve_line(bare, sources)
    row.why = stage.why

    hard = stage.hardened
    row.hardened_kind = hard.kind if hard else None
    row.hardened_threshold_c = hard.threshold_c if hard else None
    row.hardened_t10_c = hard.t10_c if hard else None
    row.hardened_t90_c = hard.t90_c if hard else None
    row.hardened_spread_k = hard.spread_k if hard else None
    row.hardened_source_id = hard.source_id if hard else ""
    row.hardened_source_text = _curve_line(hard, sources) if hard else ""
    row.hardened_status = hard.status if hard else ""
    row.hardened_refers_to = hard.refers_to if hard else ""

    row.harm, row.hardens = stage.harm, stage.hardens
    death, hard_death = stage.death_unhardened, stage.death_hardened
    row.death_c = death.threshold_c if death else None
    row.death_spread_k = death.spread_k if death else None
    row.death_source_id = death.source_id if death else ""
    row.death_source_text = _curve_line(death, sources) if death else ""
    row.death_status = death.status if death else ""
    row.death_refers_to = death.refers_to if death else ""
    row.hardened_death_c = hard_death.threshold_c if hard_death else None
    row.hardened_death_spread_k = hard_death.spread_k if hard_death else None
    row.hardened_death_source_id = hard_death.source_id if hard_death else ""
    row.hardened_death_source_text = _curve_line(hard_death, sources) if hard_death else ""
    row.hardened_death_status = hard_death.status if hard_death else ""
    row.hardened_death_refers_to = hard_death.refers_to if hard_death else ""

    chill = stage.chilling
    row.chilling_c = chill.threshold_c if chill else None
    row.chilling_hours = chill.hours_for_half if chill else None
    row.chilling_source_id = chill.source_id if chill else ""
    row.chilling_status = chill.status if chill else ""
    row.chilling_source_text = (
        source_line(chill.source_id, chill.location, chill.status, sources, chill.note)
        if chill
        else ""
    )

    root = stage.root_kill
    row.root_kill_c = root.threshold_c if root else None
    row.root_kill_source_id = root.source_id if root else ""
    row.root_kill_status = root.status if root else ""
    row.root_kill_source_text = _curve_line(root, sources) if root else ""

    row.heat_max_c = stage.heat_max_c
    row.heat_source_id = stage.heat_source_id if stage.heat_max_c is not None else ""
    row.heat_status = (stage.heat_status or "") if stage.heat_max_c is not None else ""
    row.usual_height_cm, row.usual_spread_cm = stage.default_height_cm, stage.default_spread_cm


def _write_kind(kind: CoverKind, built: ConstructionDefault) -> None:
    kind.name = built.label
    kind.construction = built.construction
    kind.material, kind.film, kind.layers = built.material, built.film, built.layers
    kind.inner_length_cm, kind.inner_width_cm = built.inner_length_cm, built.inner_width_cm
    # A sheet has no height of its own: it takes that of what it lies on.
    kind.inner_height_cm = None if built.drapes else built.inner_height_cm
    kind.outer_length_cm, kind.outer_width_cm = built.outer_length_cm, built.outer_width_cm
    kind.is_rigid, kind.may_touch = built.is_rigid, built.may_touch
    kind.is_sealed = not built.key.endswith("_unsealed")
    kind.goes_under = built.drapes and built.may_touch
    kind.minutes, kind.mass_kg = built.minutes, built.mass_kg
    kind.gust_limit_mps, kind.gust_source = built.gust_limit_mps, built.gust_source
    kind.clear_mean_k, kind.clear_sd_k = built.clear_mean_k, built.clear_sd_k
    kind.cloudy_mean_k, kind.cloudy_sd_k = built.cloudy_mean_k, built.cloudy_sd_k
    kind.leaf_shield = built.leaf_shield
    kind.leaf_shield_source_id = built.leaf_shield_source_id
    kind.leaf_shield_status = built.leaf_shield_status
    kind.day_gain_k, kind.day_gain_source_id = built.day_gain_k, built.day_gain_source_id
    kind.source_ids = " ".join(built.source_ids)
    kind.status, kind.why = built.status, built.why
    kind.cautions = " ".join(built.cautions)
