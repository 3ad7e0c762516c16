"""Published tables with their sources, as package data.

Growers can read and correct the CSV files beside this module; README.md there says what each
column means. Each loader reads its table once and returns frozen records.
"""

from __future__ import annotations

from gardenapp.reference.loader import (
    load_cautions,
    load_constructions,
    load_crop_names,
    load_evidence,
    load_lift_evidence,
    load_materials,
    load_night_values,
    load_offsets,
    load_sources,
    load_stage_heat,
    load_stages,
    load_terms,
)
from gardenapp.reference.records import (
    STATUSES,
    Caution,
    Chilling,
    ConstructionDefault,
    CropName,
    CurveSource,
    Evidence,
    LiftEvidence,
    Material,
    NightValue,
    RefersTo,
    Source,
    StageDefault,
    StageHeat,
    Status,
    Term,
    UsualOffset,
)

__all__ = [
    "STATUSES",
    "Caution",
    "Chilling",
    "ConstructionDefault",
    "CropName",
    "CurveSource",
    "Evidence",
    "LiftEvidence",
    "Material",
    "NightValue",
    "RefersTo",
    "Source",
    "StageDefault",
    "StageHeat",
    "Status",
    "Term",
    "UsualOffset",
    "load_cautions",
    "load_constructions",
    "load_crop_names",
    "load_evidence",
    "load_lift_evidence",
    "load_materials",
    "load_night_values",
    "load_offsets",
    "load_sources",
    "load_stage_heat",
    "load_stages",
    "load_terms",
]
