"""How much cold a crop bears at a stage, from its row in the catalogue or the published table."""

from __future__ import annotations

import math

from gardenapp.models.plants import CropStage
from gardenapp.reference import CurveSource, StageDefault
from gardenapp.science.night.bearing import Bearing, Hardiness
from gardenapp.science.night.damage import (
    AIR_RECORD_K,
    DamageCurve,
    curve_from_pair,
    curve_from_threshold,
)


def hardiness_of(stage: CropStage) -> Hardiness:
    """What plants of a stage of the garden's catalogue bear, soft and hardened."""
    soft = Bearing(
        _curve(
            stage.kind,
            stage.threshold_c,
            stage.t10_c,
            stage.t90_c,
            stage.spread_k,
            stage.refers_to,
        ),
        _death(stage.death_c, stage.death_spread_k, stage.death_refers_to),
        stage.harm,
    )
    if stage.hardened_threshold_c is None:
        return Hardiness(soft)
    hard = Bearing(
        _curve(
            stage.hardened_kind or stage.kind,
            stage.hardened_threshold_c,
            stage.hardened_t10_c,
            stage.hardened_t90_c,
            stage.hardened_spread_k,
            stage.hardened_refers_to or stage.refers_to,
        ),
        _death(
            stage.hardened_death_c, stage.hardened_death_spread_k, stage.hardened_death_refers_to
        ),
        stage.harm,
    )
    return Hardiness(soft, hard, stage.hardens)


def published_hardiness(stage: StageDefault) -> Hardiness:
    """The same from the published table."""
    soft = Bearing(
        _published(stage.unhardened), _published_death(stage.death_unhardened), stage.harm
    )
    if stage.hardened is None:
        return Hardiness(soft)
    hard = Bearing(_published(stage.hardened), _published_death(stage.death_hardened), stage.harm)
    return Hardiness(soft, hard, stage.hardens)


def is_read_in_air(stage: CropStage) -> bool:
    """Whether what counts for soft plants was read as air, not on the leaf."""
    return stage.refers_to == "air"


def _published(source: CurveSource) -> DamageCurve:
    return _curve(
        source.kind,
        source.threshold_c,
        source.t10_c,
        source.t90_c,
        source.spread_k,
        source.refers_to,
    )


def _published_death(source: CurveSource | None) -> DamageCurve | None:
    return None if source is None else _published(source)


def _death(death_c: float | None, spread_k: float | None, refers_to: str) -> DamageCurve | None:
    if death_c is None:
        return None
    return _curve("kill", death_c, None, None, spread_k, refers_to)


def _curve(
    kind: str,
    threshold_c: float,
    t10_c: float | None,
    t90_c: float | None,
    spread_k: float | None,
    refers_to: str,
) -> DamageCurve:
    """The published curve; one read as air in the field is moved to the leaf (`AIR_RECORD_K`)."""
    if t10_c is not None and t90_c is not None and t10_c > t90_c:
        curve = curve_from_pair(t10_c, t90_c)
    else:
        curve = curve_from_threshold(threshold_c, kind=kind, spread_k=spread_k)
    if refers_to == "air":
        return DamageCurve(curve.t50_c + AIR_RECORD_K.mean, math.hypot(curve.sd_k, AIR_RECORD_K.sd))
    return curve
