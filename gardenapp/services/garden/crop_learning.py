"""What the garden's mornings have taught of what its crops bear, and taking some of it back."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.errors import NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.trials import Outcome
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing_learning import Seen, learnt_shift
from gardenapp.science.night.damage import DamageCurve
from gardenapp.services import change_log
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _


@dataclass(frozen=True)
class Morning:
    """One planting on one morning, as it counts or is left out. [°C]"""

    outcome_id: int
    night_of: date
    plot: str
    damage: str
    felt_c: float
    is_left_out: bool


@dataclass(frozen=True)
class CropLearnt:
    """What was learnt of a crop, how much warmer it is harmed here, and from which mornings. [K]"""

    shift: Estimate
    counted: int
    mornings: tuple[Morning, ...]


def learnt_shifts() -> dict[int, float]:
    """How much warmer each crop is harmed here than is published, by the crop's id. [K]"""
    seen: dict[int, list[Seen]] = defaultdict(list)
    for outcome, crop_id in _rows():
        if not outcome.is_left_out:
            seen[crop_id].append(_seen(outcome))
    return {crop_id: round(learnt_shift(found).mean, 3) for crop_id, found in seen.items()}


def learnt_of(*, crop_id: int) -> CropLearnt | None:
    """What the mornings say of a crop; None where none tells anything."""
    found = [outcome for outcome, of in _rows(crop_id) if of == crop_id]
    if not found:
        return None
    counted = [_seen(outcome) for outcome in found if not outcome.is_left_out]
    return CropLearnt(
        learnt_shift(counted),
        len(counted),
        tuple(
            Morning(
                outcome.id,
                outcome.night_of,
                outcome.planting.plot.label,
                outcome.damage,
                outcome.felt_c or 0.0,
                outcome.is_left_out,
            )
            for outcome in sorted(found, key=lambda each: each.night_of, reverse=True)
        ),
    )


def leave_out(*, outcome_id: int, is_left_out: bool, member: Member, now: datetime) -> int:
    """Take back, or count again, what one morning teaches; gives the crop's id.

    Raises NotFound, NotAllowed.
    """
    if not member.is_coordinator:
        raise NotAllowed(_("Only a coordinator can do this."))
    with write_transaction() as session:
        outcome = session.get(Outcome, outcome_id)
        if outcome is None:
            raise NotFound(_("We can’t find that morning."))
        outcome.is_left_out = is_left_out
        change_log.record(
            action="morning left out" if is_left_out else "morning counted",
            subject=f"planting {outcome.planting_id}",
            detail=f"night of {outcome.night_of.isoformat()}",
            at=now,
            member_id=member.id,
        )
        return outcome.planting.stage.crop_id


def _rows(crop_id: int | None = None) -> list[tuple[Outcome, int]]:
    query = (
        select(Outcome, CropStage.crop_id)
        .join(Planting, Planting.id == Outcome.planting_id)
        .join(CropStage, CropStage.id == Planting.stage_id)
        .where(Outcome.felt_c.is_not(None))
        .order_by(Outcome.id)
    )
    if crop_id is not None:
        query = query.where(CropStage.crop_id == crop_id).options(
            joinedload(Outcome.planting).joinedload(Planting.plot)
        )
    return [(outcome, of) for outcome, of in db.session.execute(query)]


def _seen(outcome: Outcome) -> Seen:
    assert outcome.felt_c is not None and outcome.felt_sd_k is not None
    assert outcome.taken_t50_c is not None and outcome.taken_sd_k is not None
    return Seen(
        outcome.damage,
        Estimate(outcome.felt_c, outcome.felt_sd_k),
        DamageCurve(outcome.taken_t50_c, outcome.taken_sd_k),
    )
