"""What nights did, as people saw it, against what had been expected."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy import or_, select
from sqlalchemy.orm import selectinload

from gardenapp.errors import NotAllowed, NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.models.nights import Deployment, ObservedLow, Plan
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.models.trials import DAMAGES, Outcome
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.outcomes import (
    DAMAGE_SHARES,
    LowRecord,
    ShareBand,
    low_record,
    share_bands,
    share_score,
)
from gardenapp.science.night.plan_records import PlantingStory
from gardenapp.services import change_log
from gardenapp.services.clockwork import garden_zone, night_at
from gardenapp.services.kept_plans import header_of, offsets_said, stories_of
from gardenapp.services.night import learning
from gardenapp.words import _

# Damage shows days later; after this the plant's next nights are mixed in.
LOOK_WITHIN_DAYS = 14
MOST_LOWS_SHOWN = 60
# People lift at dawn, and the low is near dawn: what stood there this long before it counts.
_UNFELT = (None, None, None, None)
BEFORE_THE_LOW = timedelta(hours=1, minutes=30)


@dataclass(frozen=True)
class LowPair:
    """A low said and the low seen. `plot` is empty for the screen. [°C]"""

    night_of: date
    plot: str
    said: Estimate
    seen_c: float


@dataclass(frozen=True)
class OffsetLine:
    """A plot's offset as declared and as learnt. [K]"""

    plot_id: int
    plot: str
    declared: Estimate
    learnt: Estimate
    nights: int


@dataclass(frozen=True)
class CalibrationPage:
    """Whether what was said of nights came."""

    bias: Estimate
    spread_k: float
    record_nights: int
    lows: LowRecord | None
    pairs: tuple[LowPair, ...]
    offsets: tuple[OffsetLine, ...]
    outcomes: int
    bands: tuple[ShareBand, ...]
    score: float | None
    score_of_mean: float | None


def write_outcomes(
    *,
    night_of: date,
    plot_id: int,
    damages: Mapping[int, str],
    member_id: int,
    may_any: bool,
    now: datetime,
) -> None:
    """Keep what a night did to a plot's plantings; a second entry replaces the first.

    Inside the caller's transaction. Beside it stands the loss expected under what was really
    over the plants that night, so that later plans cannot change what had been said.

    Raises NotFound, NotAllowed, OutOfRange.
    """
    session = db.session
    last = night_at(now, garden_zone())
    if not last - timedelta(days=LOOK_WITHIN_DAYS) <= night_of <= last:
        raise OutOfRange(
            _(
                "You can save damage for nights of the last %(look_within_days)s days.",
                look_within_days=LOOK_WITHIN_DAYS,
            )
        )
    if not may_any and not learning.holds(plot_id, member_id):
        raise NotAllowed(_("Only the plot’s holders and coordinators can save damage."))
    expected = expected_shares(night_of=night_of, plot_id=plot_id)
    felt = _felt(night_of=night_of, plot_id=plot_id)
    for planting_id, damage in damages.items():
        if damage not in DAMAGES:
            raise Refused(_("Choose none, some, much or dead."))
        planting = session.get(Planting, planting_id)
        if planting is None or planting.plot_id != plot_id:
            raise NotFound(_("That planting is not in this plot."))
        row = session.scalar(
            select(Outcome).where(Outcome.night_of == night_of, Outcome.planting_id == planting_id)
        )
        if row is None:
            row = Outcome(night_of=night_of, planting_id=planting_id)
            session.add(row)
        row.damage, row.expected_share = damage, expected.get(planting_id)
        row.felt_c, row.felt_sd_k, row.taken_t50_c, row.taken_sd_k = felt.get(planting_id, _UNFELT)
        row.entered_by_id, row.entered_at = member_id, now
        session.flush()
        change_log.record(
            action="damage seen",
            subject=f"planting {planting_id}",
            detail=f"{damage}, night of {night_of.isoformat()}",
            at=now,
            member_id=member_id,
        )


def outcomes_of(*, night_of: date, plot_id: int | None = None) -> dict[int, str]:
    """What was seen of a night, by planting."""
    query = select(Outcome.planting_id, Outcome.damage).where(Outcome.night_of == night_of)
    if plot_id is not None:
        query = query.join(Planting).where(Planting.plot_id == plot_id)
    return dict(db.session.execute(query).all())


def expected_shares(*, night_of: date, plot_id: int | None = None) -> dict[int, float]:
    """Expected loss of each planting of a night under what stood over it at the low.

    Plantings of nights without a plan are left out.
    """
    session = db.session
    plan = session.scalar(select(Plan).where(Plan.night_of == night_of, Plan.is_current.is_(True)))
    if plan is None:
        return {}
    stood = _stood_at(_low_at(plan) - BEFORE_THE_LOW)
    return {
        story.planting_id: _share(story, stood.get(story.planting_id, []))
        for story in stories_of(plan)
        if plot_id is None or story.plot_id == plot_id
    }


def _felt(*, night_of: date, plot_id: int) -> dict[int, tuple[float, float, float, float]]:
    """Leaf with its spread and the curve taken, of plantings wholly bare or under one thing."""
    plan = db.session.scalar(
        select(Plan).where(Plan.night_of == night_of, Plan.is_current.is_(True))
    )
    if plan is None:
        return {}
    stood = _stood_at(_low_at(plan) - BEFORE_THE_LOW)
    found = {}
    for story in stories_of(plan):
        if story.plot_id != plot_id:
            continue
        temps = {option.treatment: option.temp for option in story.options}
        temps |= {gift.treatment: gift.temp for gift in story.given}
        over = stood.get(story.planting_id, [])
        temp = story.temp if not over else None
        if len(over) == 1 and over[0][1] >= story.count:
            temp = temps.get(over[0][0])
        if temp is not None:
            t50_c = story.curve_t50_c - story.learnt_k
            found[story.planting_id] = (temp.mean, temp.sd, t50_c, story.curve_sd_k)
    return found


def _low_at(plan: Plan) -> datetime:
    said_at = header_of(plan).low_at
    if said_at is not None:
        return said_at
    morning = datetime.combine(plan.night_of + timedelta(days=1), time(5), tzinfo=garden_zone())
    return morning.astimezone(UTC)


def _stood_at(moment: datetime) -> dict[int, list[tuple[str, int]]]:
    """Treatment and number of plants under it at a moment, by planting."""
    found: dict[int, list[tuple[str, int]]] = defaultdict(list)
    for deployment in db.session.scalars(
        select(Deployment)
        .where(
            Deployment.put_on_at <= moment,
            or_(Deployment.taken_off_at.is_(None), Deployment.taken_off_at > moment),
            Deployment.was_undone.is_(False),
        )
        .options(selectinload(Deployment.plants))
    ):
        for under in deployment.plants:
            found[under.planting_id].append((deployment.treatment, under.plants))
    return dict(found)


def _share(story: PlantingStory, stood: list[tuple[str, int]]) -> float:
    bare, count = story.share, story.count
    known = {option.treatment: option.share for option in story.options}
    known |= {gift.treatment: gift.share for gift in story.given}
    lost, left = 0.0, count
    for treatment, plants in stood:
        under = min(left, plants)
        # A cover that the plan knew nothing of is counted as none: the cautious way.
        lost += under * known.get(treatment, bare)
        left -= under
    return min(1.0, max(0.0, (lost + left * bare) / count))


def calibration(*, now: datetime) -> CalibrationPage:
    """Lows said against seen, offsets declared against learnt, losses expected against seen."""
    belief = learning.site_belief(before=night_at(now, garden_zone()) + timedelta(days=1))
    pairs = _low_pairs()
    said, seen = [], []
    for share, damage in db.session.execute(
        select(Outcome.expected_share, Outcome.damage).where(Outcome.expected_share.is_not(None))
    ):
        said.append(min(1.0, max(0.0, share or 0.0)))
        seen.append(DAMAGE_SHARES[damage])
    mean = sum(seen) / len(seen) if seen else 0.0
    return CalibrationPage(
        bias=belief.record.bias,
        spread_k=belief.record.sd_k,
        record_nights=belief.nights,
        lows=low_record([pair.said for pair in pairs], [pair.seen_c for pair in pairs]),
        pairs=tuple(pairs[:MOST_LOWS_SHOWN]),
        offsets=tuple(
            OffsetLine(
                plot_id=plot.id,
                plot=plot.label,
                declared=Estimate(plot.offset_k, plot.offset_sd_k),
                learnt=belief.offsets[plot.id].estimate,
                nights=belief.offsets[plot.id].nights,
            )
            for plot in db.session.scalars(select(Plot).order_by(Plot.label))
            if plot.id in belief.offsets
        ),
        outcomes=len(said),
        bands=tuple(share_bands(said, seen)),
        score=share_score(said, seen) if said else None,
        score_of_mean=share_score([mean] * len(seen), seen) if said else None,
    )


def _low_pairs() -> list[LowPair]:
    """The newest nights first: what the night's plan said of each place that was read."""
    session = db.session
    lows = session.execute(
        select(ObservedLow, Plot.label)
        .outerjoin(Plot, Plot.id == ObservedLow.plot_id)
        .order_by(ObservedLow.night_of.desc(), ObservedLow.plot_id)
    ).all()
    nights = {low.night_of for low, _ in lows}
    plans = {
        plan.night_of: plan
        for plan in session.scalars(
            select(Plan).where(Plan.night_of.in_(nights), Plan.is_current.is_(True))
        )
    }
    offsets = offsets_said(list(plans.values()))
    falls = learning.falls_of(low for low, _label in lows)
    found = []
    for low, label in lows:
        plan = plans.get(low.night_of)
        if plan is None:
            continue
        said = header_of(plan).low
        if low.plot_id is not None:
            if (plan.id, low.plot_id) not in offsets:
                continue
            said = said.plus(offsets[plan.id, low.plot_id]).shifted(falls.get(low.id, 0.0))
        found.append(LowPair(low.night_of, label or "", said, low.low_c))
    return found
