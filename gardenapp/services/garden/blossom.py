"""Fruit blossom that moves with the warmth since somebody saw its stage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from functools import cache

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.extensions import db
from gardenapp.models.plants import CropStage, Planting
from gardenapp.reference import load_stage_heat
from gardenapp.science.night.stage_by_heat import Ladder, Rung, heat_since, season_start
from gardenapp.services.clockwork import get_garden
from gardenapp.services.garden.weather import Series, series


@cache
def ladders() -> Mapping[str, Ladder]:
    """The published ladder of each crop that has one, by its name."""
    found: dict[str, Ladder] = {}
    for name in dict.fromkeys(row.crop for row in load_stage_heat()):
        rows = [row for row in load_stage_heat() if row.crop == name]
        rungs = tuple(Rung(row.stage, row.degree_days_k) for row in rows)
        found[name] = Ladder(rungs, rows[0].base_c, rows[0].upper_c)
    return found


def is_moved_by_heat(stage: CropStage) -> bool:
    """Whether the warmth moves plants on from a stage."""
    ladder = ladders().get(stage.crop.name)
    return ladder is not None and ladder.heat_of(stage.name) is not None


def stages_by_heat(
    plantings: Sequence[Planting], stages: Mapping[int, CropStage], *, on: date
) -> dict[int, CropStage]:
    """The stages of those plantings that the warmth has moved on by a day, by their ids.

    Only plantings whose stage somebody saw on a day that is written down are moved.
    """
    moving = [
        planting
        for planting in plantings
        if planting.stage_on is not None and is_moved_by_heat(stages[planting.id])
    ]
    if not moving:
        return {}
    start = season_start(on, is_northern=get_garden().latitude >= 0.0)
    days = series(until=on, days=366)
    wanted: dict[int, tuple[int, str]] = {}
    for planting in moving:
        stage = stages[planting.id]
        assert planting.stage_on is not None
        name = _stage_on(ladders()[stage.crop.name], stage.name, planting.stage_on, start, days, on)
        if name != stage.name:
            wanted[planting.id] = (stage.crop_id, name)
    rows = db.session.scalars(
        select(CropStage)
        .where(CropStage.crop_id.in_({crop_id for crop_id, _name in wanted.values()}))
        .options(joinedload(CropStage.crop))
    )
    by_name = {(row.crop_id, row.name): row for row in rows}
    return {number: by_name[key] for number, key in wanted.items() if key in by_name}


def _stage_on(
    ladder: Ladder, stage: str, seen_on: date, start: date | None, days: Series, on: date
) -> str:
    if start is None:
        return stage if (on - seen_on).days < 60 else ladder.rungs[0].stage
    heat = 0.0
    begins = start
    if seen_on >= start:
        heat = ladder.heat_of(stage) or 0.0
        begins = seen_on + timedelta(days=1)
    first = max(0, days.index(begins))
    warm: list[tuple[float, float] | None] = []
    for low_c, mean_c in zip(days.min_c[first:], days.mean_c[first:], strict=True):
        warm.append(None if np.isnan(mean_c) else (float(low_c), float(2.0 * mean_c - low_c)))
    more, _missing = heat_since(ladder, warm)
    return ladder.stage_at(heat + more)
