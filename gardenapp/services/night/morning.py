"""The morning after: what must come off before the sun cooks it, what was read, what was hurt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.errors import NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import CONDITIONS
from gardenapp.models.nights import Deployment, Job, JobPart, ObservedLow, Plan, PlanRow
from gardenapp.models.people import Member
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.models.trials import Logger, Reading
from gardenapp.science.night.sun import Night
from gardenapp.services import change_log
from gardenapp.services.clockwork import ending_night, garden_zone, get_garden, night_of_garden
from gardenapp.services.garden.plots import plots_of
from gardenapp.services.kept_plans import story_of
from gardenapp.services.night import learning, outcomes, tonight
from gardenapp.services.night.tonight import BoardJob
from gardenapp.services.store import ledger
from gardenapp.services.store.ledger import Happening
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

LOOK_BACK_DAYS = 7
# What a logger must have sent of a night for its lowest reading to be offered as the night's low.
LEAST_NIGHT_READINGS = 6


@dataclass(frozen=True)
class PlotLine:
    """A plot whose morning this member may write down. [°C]"""

    plot_id: int
    label: str
    low_c: float | None
    at_risk: int
    looked_at: int


@dataclass(frozen=True)
class MorningPage:
    """Everything on the morning's page."""

    night_of: date
    sunrise_at: datetime
    is_over: bool
    jobs: tuple[BoardJob, ...]
    plots: tuple[PlotLine, ...]
    screen_low_c: float | None
    may_read_screen: bool
    nights: tuple[date, ...]
    # Came off within the hour: it can be taken back.
    came_off: tuple[BoardJob, ...] = ()

    # Of a job whose night is not over: when the sun is up and its covers may come off.
    stays_until: Mapping[int, datetime] = field(default_factory=dict)


@dataclass(frozen=True)
class PlantingLine:
    """A planting to look at: what had been expected of it and what was seen."""

    planting_id: int
    name: str
    stage: str
    count: int
    expected_share: float | None
    damage: str


@dataclass(frozen=True)
class LoggerLow:
    """The lowest a logger outside sent of a night, and where it hangs. [°C]"""

    label: str
    low_c: float
    at: datetime
    place: str = ""


@dataclass(frozen=True)
class PlotMorning:
    """One plot's morning: its low and its plantings, those at risk first. [°C]"""

    night_of: date
    plot_id: int
    label: str
    low_c: float | None
    place: str
    said_low_c: float | None
    logger_low: LoggerLow | None
    plantings: tuple[PlantingLine, ...]


def last_night(now: datetime) -> date:
    """The evening of the night that ended last or is ending."""
    return ending_night(now)


def morning_page(*, member: Member, now: datetime, night_of: date | None = None) -> MorningPage:
    """Covers to lift, the most pressing first, and the plots whose night can be written down.

    Raises NotFound for a night that is too long ago or has not been.
    """
    evening = _known_night(night_of, now)
    night = _night(evening)
    lows = dict(
        db.session.execute(
            select(ObservedLow.plot_id, ObservedLow.low_c).where(ObservedLow.night_of == evening)
        ).all()
    )
    seen = outcomes.outcomes_of(night_of=evening)
    shares = outcomes.expected_shares(night_of=evening)
    at_risk: dict[int, set[int]] = {}
    growing: dict[int, set[int]] = {}
    for planting_id, plot_id in db.session.execute(
        select(Planting.id, Planting.plot_id).where(Planting.ended_at.is_(None))
    ):
        growing.setdefault(plot_id, set()).add(planting_id)
        if shares.get(planting_id, 0.0) >= 0.01:
            at_risk.setdefault(plot_id, set()).add(planting_id)
    held = None if member.is_coordinator else set(plots_of(member.id))
    plots = [
        PlotLine(
            plot_id=plot.id,
            label=plot.label,
            low_c=lows.get(plot.id),
            at_risk=len(at_risk.get(plot.id, ())),
            looked_at=len(growing.get(plot.id, set()) & set(seen)),
        )
        for plot in db.session.scalars(select(Plot).order_by(Plot.label))
        if held is None or plot.id in held
    ]
    plots.sort(key=lambda line: (-line.at_risk, line.label))
    last = last_night(now)
    jobs = jobs_out(now)
    return MorningPage(
        night_of=evening,
        sunrise_at=night.sunrise_at,
        is_over=now >= night.sunrise_at,
        jobs=tuple(jobs),
        plots=tuple(plots),
        screen_low_c=lows.get(None),
        may_read_screen=member.is_coordinator,
        nights=tuple(last - timedelta(days=n) for n in range(LOOK_BACK_DAYS)),
        came_off=tuple(_came_off(now)),
        stays_until=_stays_until([job.id for job in jobs], now),
    )


def _stays_until(job_ids: Sequence[int], now: datetime) -> dict[int, datetime]:
    """The sunrise that each job waits for whose night is coming or under way."""
    evenings = db.session.execute(
        select(Job.id, Plan.night_of).join(Plan, Plan.id == Job.plan_id).where(Job.id.in_(job_ids))
    ).all()
    sunrises = {evening: _night(evening).sunrise_at for _job_id, evening in evenings}
    return {job_id: sunrises[evening] for job_id, evening in evenings if now < sunrises[evening]}


def _known_night(night_of: date | None, now: datetime) -> date:
    last = last_night(now)
    if night_of is None:
        return last
    if not last - timedelta(days=LOOK_BACK_DAYS - 1) <= night_of <= last:
        raise NotFound(
            _(
                "You can save only the last %(look_back_days)s nights.",
                look_back_days=LOOK_BACK_DAYS,
            )
        )
    return night_of


def _night(evening: date) -> Night:
    return night_of_garden(get_garden(), evening)


def jobs_out(now: datetime, *, but: date | None = None) -> list[BoardJob]:
    """Every job whose covers stand out, whatever night it was planned for, or any `but` one."""
    nights = db.session.scalars(
        select(Plan.night_of)
        .join(Job, Job.plan_id == Plan.id)
        .join(Deployment, Deployment.job_id == Job.id)
        .where(Deployment.taken_off_at.is_(None), Plan.is_current.is_(True))
        .distinct()
    ).all()
    jobs = [
        job
        for evening in sorted(set(nights) - {but})
        for job in tonight.tonight_page(now=now, night_of=evening).jobs
        if job.on_since is not None
    ]
    far = datetime.max.replace(tzinfo=UTC)
    return sorted(jobs, key=lambda job: (job.lift_by_at or far, job.plot, job.id))


def _came_off(now: datetime) -> list[BoardJob]:
    """Jobs whose covers came off within the hour, the last first."""
    rows = db.session.execute(
        select(Deployment.job_id, Plan.night_of)
        .join(Job, Job.id == Deployment.job_id)
        .join(Plan, Plan.id == Job.plan_id)
        .where(
            Deployment.taken_off_at > now - tonight.UNDO_WITHIN,
            Deployment.was_undone.is_(False),
            Plan.is_current.is_(True),
        )
        .order_by(Deployment.taken_off_at.desc())
    ).all()
    wanted = list(dict.fromkeys(job_id for job_id, _evening in rows))
    jobs = {
        job.id: job
        for evening in {evening for _job_id, evening in rows}
        for job in tonight.tonight_page(now=now, night_of=evening).jobs
        if job.on_since is None
    }
    return [jobs[job_id] for job_id in wanted if job_id in jobs]


def find_job(*, job_id: int, now: datetime) -> BoardJob:
    """A job that stands out, for the page that asks how its covers are. Raises NotFound."""
    for job in jobs_out(now):
        if job.id == job_id:
            return job
    raise NotFound(_("That is no longer on."))


def bring_back(*, job_id: int, conditions: Mapping[int, str], member_id: int, now: datetime) -> int:
    """Mark a job's covers off and back in their place, and note how they are.

    `conditions`: cover id to sound, worn or broken; covers not named stay as they were. Gives
    the number of covers whose condition changed. Anybody of the garden may: it is a fact.

    Raises NotFound, Refused.
    """
    if any(condition not in CONDITIONS for condition in conditions.values()):
        raise Refused(_("Choose sound, worn or broken."))
    belonging = set()
    for part in db.session.scalars(select(JobPart).where(JobPart.job_id == job_id)):
        belonging |= {part.cover_id, part.inner_cover_id}
    if not set(conditions) <= belonging:
        raise NotFound(_("That cover does not belong to this job."))
    tonight.mark_off(job_id=job_id, member_id=member_id, now=now)
    changed = 0
    rank = {condition: place for place, condition in enumerate(CONDITIONS)}
    with write_transaction() as session:
        for cover_id, condition in conditions.items():
            cover = ledger.lock_cover(cover_id)
            if cover.condition == condition:
                continue
            is_better = rank[condition] < rank[cover.condition]
            ledger.write(
                cover,
                Happening("mended" if is_better else "damaged", condition=condition),
                at=now,
                member_id=member_id,
            )
            changed += 1
            change_log.record(
                action="condition noted",
                subject=cover.label,
                detail=condition,
                at=now,
                member_id=member_id,
            )
        session.flush()
    return changed


def plot_morning(
    *, plot_id: int, member: Member, now: datetime, night_of: date | None = None
) -> PlotMorning:
    """One plot's morning. Raises NotFound; NotAllowed for somebody else's plot."""
    evening = _known_night(night_of, now)
    plot = db.session.get(Plot, plot_id)
    if plot is None:
        raise NotFound(_("We can’t find that plot."))
    if not member.is_coordinator and not learning.holds(plot_id, member.id):
        raise NotAllowed(_("Only the plot’s holders and coordinators can save its morning."))
    shares = outcomes.expected_shares(night_of=evening, plot_id=plot_id)
    seen = outcomes.outcomes_of(night_of=evening, plot_id=plot_id)
    lines = []
    for planting in db.session.scalars(
        select(Planting)
        .where(Planting.plot_id == plot_id)
        .options(joinedload(Planting.stage).joinedload(CropStage.crop))
        .order_by(Planting.id)
    ):
        if planting.ended_at is not None and planting.id not in seen:
            continue
        lines.append(
            PlantingLine(
                planting_id=planting.id,
                name=planting.name or planting.stage.crop.name,
                stage=planting.stage.name,
                count=planting.count,
                expected_share=shares.get(planting.id),
                damage=seen.get(planting.id, ""),
            )
        )
    lines.sort(key=lambda line: -(line.expected_share or 0.0))
    low_c, place = db.session.execute(
        select(ObservedLow.low_c, ObservedLow.place).where(
            ObservedLow.night_of == evening, ObservedLow.plot_id == plot_id
        )
    ).one_or_none() or (None, "")
    logger_low = _logger_low(plot_id, _night(evening))
    if not place:
        hangs = logger_low.place if logger_low is not None else ""
        place = hangs or learning.last_place(plot_id)
    return PlotMorning(
        night_of=evening,
        plot_id=plot_id,
        label=plot.label,
        low_c=low_c,
        place=place,
        said_low_c=_said_low_c(evening, plot_id),
        logger_low=logger_low,
        plantings=tuple(lines),
    )


def _said_low_c(evening: date, plot_id: int) -> float | None:
    found = db.session.execute(
        select(Plan, PlanRow)
        .join(PlanRow, PlanRow.plan_id == Plan.id)
        .where(Plan.night_of == evening, Plan.is_current.is_(True), PlanRow.plot_id == plot_id)
    ).first()
    return None if found is None else story_of(*found).said_low.mean


def _logger_low(plot_id: int, night: Night) -> LoggerLow | None:
    """The lowest reading of a logger outside, from noon to noon around the night."""
    zone = garden_zone()
    begin = datetime.combine(night.night_of, time(15), tzinfo=zone).astimezone(UTC)
    end = datetime.combine(night.night_of + timedelta(days=1), time(11), tzinfo=zone)
    rows = db.session.execute(
        select(Logger.label, Reading.temp_c, Reading.at, Logger.place)
        .join(Logger, Logger.id == Reading.logger_id)
        .where(
            Logger.plot_id == plot_id,
            Logger.kind == "outside",
            Reading.at >= begin,
            Reading.at <= end.astimezone(UTC),
        )
        .order_by(Reading.temp_c, Reading.at)
    ).all()
    lowest = rows[0] if len(rows) >= LEAST_NIGHT_READINGS else None
    return None if lowest is None else LoggerLow(*lowest)


def save_plot_morning(
    *,
    night_of: date,
    plot_id: int,
    low_c: float | None,
    place: str,
    low_source: str,
    damages: Mapping[int, str],
    member: Member,
    now: datetime,
) -> None:
    """Keep a plot's low and what the night did to its plantings, all of it or nothing.

    Raises NotFound, NotAllowed, OutOfRange, Refused.
    """
    member_id, may_any = member.id, member.is_coordinator
    _known_night(night_of, now)
    with write_transaction():
        if low_c is not None:
            learning.write_low(
                night_of=night_of,
                plot_id=plot_id,
                low_c=low_c,
                member_id=member_id,
                may_any=may_any,
                now=now,
                place=place,
                source=low_source,
            )
        outcomes.write_outcomes(
            night_of=night_of,
            plot_id=plot_id,
            damages=damages,
            member_id=member_id,
            may_any=may_any,
            now=now,
        )
