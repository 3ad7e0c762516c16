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
    """The curve that holds for plants in this state, its published threshold and its kind."""
    refers_to = stage.refers_to
    if is_hardened and stage.hardened_threshold_c is not None:
        refers_to = stage.hardened_refers_to or refers_to
        values = (
            stage.hardened_kind or stage.kind,
            stage.hardened_threshold_c,
            stage.hardened_t10_c,
            stage.hardened_t90_c,
            stage.hardened_spread_k,
        )
    else:
        values = (stage.kind, stage.threshold_c, stage.t10_c, stage.t90_c, stage.spread_k)
    kind, threshold_c, t10_c, t90_c, spread_k = values
    curve = _published_curve(kind, threshold_c, t10_c, t90_c, spread_k)
    if refers_to == "air":
        curve = DamageCurve(
            curve.t50_c + AIR_RECORD_K.mean, math.hypot(curve.sd_k, AIR_RECORD_K.sd)
        )
    return curve, threshold_c, kind


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
