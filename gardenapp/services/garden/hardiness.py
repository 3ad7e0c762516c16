"""How much cold a crop bears at a stage, from its row in the catalogue: a curve of damage."""

from __future__ import annotations

import math

from gardenapp.models.plants import CropStage
from gardenapp.science.night.damage import (
    AIR_RECORD_K,
    DamageCurve,
    curve_from_pair,
    curve_from_threshold,
)


def damage_curve(stage: CropStage, *, is_hardened: bool) -> tuple[DamageCurve, float, str]:
    """The curve that holds for plants in this state, its threshold for the leaf, and its kind.

    A threshold read as air in the field is moved to the leaf with its curve (`AIR_RECORD_K`), so
    that margins, hours and odds all ask the same of the same plant.
    """
    kind, threshold_c, t10_c, t90_c, spread_k, refers_to = _row(stage, is_hardened=is_hardened)
    curve = _published_curve(kind, threshold_c, t10_c, t90_c, spread_k)
    if refers_to == "air":
        curve = DamageCurve(
            curve.t50_c + AIR_RECORD_K.mean, math.hypot(curve.sd_k, AIR_RECORD_K.sd)
        )
        threshold_c += AIR_RECORD_K.mean
    return curve, threshold_c, kind


def published_in_air_c(stage: CropStage, *, is_hardened: bool) -> float | None:
    """The threshold as it was published, where that was air in the field and not the leaf. [°C]"""
    _kind, threshold_c, _t10, _t90, _spread, refers_to = _row(stage, is_hardened=is_hardened)
    return threshold_c if refers_to == "air" else None


def _row(
    stage: CropStage, *, is_hardened: bool
) -> tuple[str, float, float | None, float | None, float | None, str]:
    """Kind, threshold, 10 %, 90 %, spread and what they refer to, for plants in this state."""
    if is_hardened and stage.hardened_threshold_c is not None:
        return (
            stage.hardened_kind or stage.kind,
            stage.hardened_threshold_c,
            stage.hardened_t10_c,
            stage.hardened_t90_c,
            stage.hardened_spread_k,
            stage.hardened_refers_to or stage.refers_to,
        )
    return (
        stage.kind,
        stage.threshold_c,
        stage.t10_c,
        stage.t90_c,
        stage.spread_k,
        stage.refers_to,
    )


def _published_curve(
    kind: str,
    threshold_c: float,
    t10_c: float | None,
    t90_c: float | None,
    spread_k: float | None,
) -> DamageCurve:
    if t10_c is not None and t90_c is not None and t10_c > t90_c:
        return curve_from_pair(t10_c, t90_c)
    return curve_from_threshold(threshold_c, kind=kind, spread_k=spread_k)
