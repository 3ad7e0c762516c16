"""The board, and what people do from it: claim, put on, undo, take off."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from flask_sqlalchemy.session import Session
from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import joinedload, scoped_session, selectinload

from gardenapp.errors import AlreadyClaimed, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.forecasts import Forecast
from gardenapp.models.nights import (
    BoardLook,
    Claim,
    CoverUse,
    DeployedPlants,
    Deployment,
    Job,
    JobPart,
    Plan,
    PlanRow,
    SentFact,
)
from gardenapp.models.people import Garden, Member, PlotHolder
from gardenapp.models.plants import CropStage
from gardenapp.models.plots import Plot
from gardenapp.models.store import LedgerEntry
from gardenapp.science.covers.lift import late_share
from gardenapp.science.handling import takes_two
from gardenapp.science.night.damage import AIR_RECORD_K
from gardenapp.science.night.plan_records import PlanHeader, PlantingStory, TreatmentName
from gardenapp.services import change_log
from gardenapp.services.clockwork import tonight
from gardenapp.services.garden.hardiness import is_read_in_air
from gardenapp.services.kept_plans import header_of, stories_of, story_of
from gardenapp.services.night.board_changes import (
    Change,
    Lacking,
    Trouble,
    changes_since,
    covers_of,
    lacking,
    troubles_of,
)
from gardenapp.services.night.forecasts import STALE_AFTER, find_forecast
from gardenapp.services.store import ledger
from gardenapp.services.store.ledger import Happening
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

# A mark taken back within this time of being made was a slip; later it was taken off.
UNDO_WITHIN = timedelta(hours=1)
# What a planting may be tonight, in the order in which the board counts them.
STATUSES = ("protect", "protected", "short", "watch", "safe")
# How long ago a phone may say that something was pressed.
FACT_KEPT_FOR = timedelta(hours=18)


@dataclass(frozen=True)
class CoverToFetch:
    """One cover of a job, how it is built and where it is kept."""

    id: int
    label: str
    place_id: int | None
    place: str
    is_worn: bool
    place_note: str = ""
    construction: str = ""
    film: str = ""
    reference_key: str = ""
    is_rigid: bool = True


@dataclass(frozen=True)
class BoardJob:
    """A job as the board shows it. `state` is free, claimed, on, off or struck.

    `troubles` : what keeps units of it from being done; where that is all of them, it is struck.
    """

    id: int
    plot_id: int
    plot: str
    treatment: str
    name: TreatmentName
    units: int
    covers: tuple[CoverToFetch, ...]
    plants: dict[int, int]
    minutes: float
    by_at: datetime | None
    lift_by_at: datetime | None
    safe_from_at: datetime | None
    must_come_off: bool
    state: str
    claimed_by_id: int | None
    claimed_by: str
    on_since: datetime | None
    troubles: tuple[Trouble, ...] = ()
    mass_kg: float | None = None
    is_icy: bool = False
    with_id: int | None = None
    with_name: str = ""

    @property
    def needs_two(self) -> bool:
        """Whether a unit of it is too heavy for one."""
        return takes_two(self.mass_kg)

    @property
    def lacks_second(self) -> bool:
        """Whether somebody has claimed it who cannot do it alone."""
        return self.needs_two and self.state == "claimed" and self.with_id is None

    def is_for(self, member: Member | None) -> bool:
        """Whether a member may be asked to do it."""
        return member is None or not why_not_for(member, self.mass_kg, is_icy=self.is_icy)

    @property
    def is_glass(self) -> bool:
        """Whether something of it breaks."""
        return any(cover.film == "glass" for cover in self.covers)

    @property
    def is_loose(self) -> bool:
        """Whether something of it is laid, and flies where nothing holds it down."""
        return any(not cover.is_rigid for cover in self.covers)

    def belongs_to(self, member_id: int) -> bool:
        """Whether a member has said that they do it, alone or with somebody."""
        return self.state == "claimed" and member_id in (self.claimed_by_id, self.with_id)

    @property
    def places(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Where to fetch what: place, then the labels kept there."""
        found: dict[str, list[str]] = defaultdict(list)
        for cover in self.covers:
            found[cover.place].append(cover.label)
        return tuple((place, tuple(labels)) for place, labels in sorted(found.items()))


@dataclass(frozen=True)
class TonightPage:
    """Everything on the board, for anybody; names are left out by the page where they must be.

    `rows` : plantings as the plan left them, but with the status "protected" where everything they
    are given is on. `header` and all below it are empty where the night has no plan.
    """

    night_of: date
    forecast: Forecast | None
    header: PlanHeader | None
    plan_id: int | None
    made_at: datetime | None
    is_stale: bool
    is_outdated: bool
    method: str
    gap: float
    rows: tuple[PlantingStory, ...]
    jobs: tuple[BoardJob, ...]
    counts: dict[str, int] = field(default_factory=dict)
    # What the plan does not know of, and how old its forecast is.
    changes: tuple[Change, ...] = ()
    forecast_age: timedelta | None = None
    is_improving: bool = False
    has_newer_forecast: bool = False
    # Of the whole night, where only some plots are shown.
    all_job_ids: frozenset[int] = frozenset()
    # What the garden has none of: a board without jobs then says nothing of the night.
    lacking: Lacking = field(default_factory=Lacking)

    @property
    def counted(self) -> tuple[tuple[str, int], ...]:
        """Plantings by status, what asks for hands first; what there is none of is left out."""
        return tuple((name, self.counts[name]) for name in STATUSES if self.counts.get(name))

    def still_kept(self, now: datetime) -> float | None:
        """Share of a whole night's gain that a cover put on now still gives; None before sunset,
        after the low, and where nothing is left to put on."""
        waits = any(job.state in ("free", "claimed") for job in self.jobs)
        return still_kept(self.header, now) if self.header is not None and waits else None

    def with_status(self, status: str) -> tuple[PlantingStory, ...]:
        """Its plantings of one status."""
        return tuple(story for story in self.rows if story.status == status)

    def jobs_for(self, story: PlantingStory) -> tuple[BoardJob, ...]:
        """The jobs that give something to one planting."""
        given = {gift.job_id for gift in story.given}
        return tuple(job for job in self.jobs if job.id in given)


@dataclass(frozen=True)
class JobTonight:
    """One job of the plan in force, with the plantings it is for."""

    header: PlanHeader
    job: BoardJob
    stories: tuple[PlantingStory, ...]


@dataclass(frozen=True)
class PlantingTonight:
    """What the night's plan says of one planting. `came_by`: how the forecast came in.

    `published_in_air_c` : its threshold as it was published, where that was not the leaf's. [°C]
    """

    night_of: date
    came_by: str
    header: PlanHeader
    story: PlantingStory
    published_in_air_c: float | None = None


def still_kept(header: PlanHeader, now: datetime) -> float | None:
    """Share of a whole night's gain that a cover put on now still gives; None before sunset and
    after the low."""
    if header.sunset_at is None or header.low_at is None:
        return None
    if not header.sunset_at < now < header.low_at:
        return None
    hour = timedelta(hours=1)
    return late_share((now - header.sunset_at) / hour, (header.low_at - header.sunset_at) / hour)


def job_tonight(*, job_id: int, now: datetime) -> JobTonight:
    """One job as it is now, of whichever night its covers are for.

    Where another plan has replaced its own, the job that does the same. Raises NotFound, Refused
    where none does.
    """
    current = _current_job(job_id)
    plan = db.session.get(Plan, current.plan_id)
    assert plan is not None  # a job without a plan cannot be
    header = header_of(plan)
    (job,) = _board_jobs(plan.id, header, only=current.id)
    rows = db.session.scalars(
        select(PlanRow).where(PlanRow.plan_id == plan.id, PlanRow.planting_id.in_(job.plants))
    )
    found = {row.planting_id: story_of(plan, row) for row in rows}
    return JobTonight(header, job, tuple(found[key] for key in job.plants if key in found))


def board_version() -> int:
    """The garden's version: it changes with every write that a board may show."""
    return db.session.scalar(select(Garden.version)) or 0


def tonight_page(
    *, now: datetime, night_of: date | None = None, plot_ids: Collection[int] | None = None
) -> TonightPage:
    """The board of a night, all of it or some plots; solves nothing."""
    evening = night_of or tonight(now)
    forecast = find_forecast(evening)
    plan = db.session.scalar(
        select(Plan)
        .where(Plan.night_of == evening, Plan.is_current.is_(True))
        .options(joinedload(Plan.forecast).joinedload(Forecast.source))
    )
    if plan is None:
        age = None if forecast is None else now - _issued_at(forecast)
        return TonightPage(
            night_of=evening,
            forecast=forecast,
            header=None,
            plan_id=None,
            made_at=None,
            is_stale=age is not None and age > STALE_AFTER,
            is_outdated=False,
            method="",
            gap=0.0,
            rows=(),
            jobs=(),
            forecast_age=age,
            lacking=lacking(),
        )
    header = header_of(plan)
    jobs = _board_jobs(plan.id, header)
    on = {job.id for job in jobs if job.state == "on"}
    rows = [_as_it_stands(story, on) for story in stories_of(plan)]
    counts = Counter(story.status for story in rows)
    all_ids = [job.id for job in jobs]
    changes = changes_since(plan.made_at, rows)
    has_newer = forecast is not None and forecast.id != plan.forecast_id
    is_outdated = has_newer or bool(changes) or any(job.troubles for job in jobs)
    if plot_ids is not None:
        wanted = set(plot_ids)
        rows = [story for story in rows if story.plot_id in wanted]
        jobs = [job for job in jobs if job.plot_id in wanted]
    age = now - _issued_at(plan.forecast)
    return TonightPage(
        night_of=evening,
        forecast=plan.forecast,
        header=header,
        plan_id=plan.id,
        made_at=plan.made_at,
        is_stale=age > STALE_AFTER,
        is_outdated=is_outdated,
        method=plan.method,
        gap=plan.gap,
        is_improving=bool(plan.improving),
        rows=tuple(rows),
        jobs=tuple(jobs),
        counts=dict(counts),
        changes=changes,
        forecast_age=age,
        has_newer_forecast=has_newer,
        all_job_ids=frozenset(all_ids),
        lacking=lacking(),
    )


def _issued_at(forecast: Forecast) -> datetime:
    return forecast.source.issued_at or forecast.source.entered_at


def _as_it_stands(story: PlantingStory, on: Collection[int]) -> PlantingStory:
    """A planting with its status as of now; `on` are the jobs that are."""
    is_on = story.given and all(gift.job_id in on for gift in story.given)
    return replace(story, status="protected") if story.status == "protect" and is_on else story


def _board_jobs(plan_id: int, header: PlanHeader, *, only: int | None = None) -> list[BoardJob]:
    rows = list(
        db.session.execute(
            select(Job, Plot.label)
            .join(Plot, Plot.id == Job.plot_id)
            .where(Job.plan_id == plan_id if only is None else Job.id == only)
            .options(selectinload(Job.parts))
            .order_by(Job.by_at, Job.id)
        )
    )
    job_ids = [job.id for job, _plot in rows]
    covers = _covers_to_fetch([job for job, _plot in rows])
    claims = {
        claim.job_id: claim
        for claim in db.session.scalars(
            select(Claim)
            .where(Claim.job_id.in_(job_ids), Claim.released_at.is_(None))
            .options(joinedload(Claim.member), joinedload(Claim.with_member))
        )
    }
    standing: dict[int, list[Deployment]] = defaultdict(list)
    finished: set[int] = set()
    for deployment in db.session.scalars(
        select(Deployment).where(Deployment.job_id.in_(job_ids)).order_by(Deployment.id)
    ):
        if deployment.taken_off_at is None:
            standing[deployment.job_id or 0].append(deployment)
        elif not deployment.was_undone:
            finished.add(deployment.job_id or 0)
    waiting = [job for job, _plot in rows if not standing.get(job.id) and not job.must_come_off]
    troubles = troubles_of(waiting)
    return [
        _board_job(
            job,
            plot,
            header,
            covers,
            claim=claims.get(job.id),
            on=standing.get(job.id, []),
            is_finished=job.id in finished,
            troubles=tuple(troubles.get(job.id, {}).values()),
        )
        for job, plot in rows
    ]


def _covers_to_fetch(jobs: Collection[Job]) -> dict[int, CoverToFetch]:
    """The covers of these jobs, by id."""
    cover_ids = {cover for job in jobs for part in job.parts for cover in covers_of(part)}
    return {
        cover.id: CoverToFetch(
            cover.id,
            cover.label,
            cover.place_id,
            cover.place.label if cover.place else "",
            cover.condition == "worn",
            cover.place.note if cover.place else "",
            cover.cover_kind.construction,
            cover.cover_kind.film,
            cover.cover_kind.reference_key,
            cover.cover_kind.is_rigid,
        )
        for cover in db.session.scalars(
            select(Cover)
            .where(Cover.id.in_(cover_ids))
            .options(joinedload(Cover.place), joinedload(Cover.cover_kind))
        )
    }


def _board_job(
    job: Job,
    plot: str,
    header: PlanHeader,
    covers: Mapping[int, CoverToFetch],
    *,
    claim: Claim | None,
    on: Collection[Deployment],
    is_finished: bool,
    troubles: tuple[Trouble, ...] = (),
) -> BoardJob:
    plants: dict[int, int] = defaultdict(int)
    for part in job.parts:
        for key, number in part.plants.items():
            plants[int(key)] += number
    if on and len(on) >= len(job.parts):
        state = "on"
    elif troubles and len(troubles) >= len(job.parts):
        state = "struck"
    elif is_finished and not on:
        state = "off"
    elif claim is not None:
        state = "claimed"
    else:
        state = "free"
    return BoardJob(
        id=job.id,
        plot_id=job.plot_id,
        plot=plot,
        treatment=job.treatment,
        name=header.name_of(job.treatment, job.label),
        units=len(job.parts),
        covers=tuple(
            covers[cover] for part in job.parts for cover in covers_of(part) if cover in covers
        ),
        plants=dict(plants),
        minutes=job.minutes,
        by_at=job.by_at,
        lift_by_at=job.lift_by_at,
        safe_from_at=job.safe_from_at,
        must_come_off=job.must_come_off,
        mass_kg=job.mass_kg,
        is_icy=job.is_icy,
        with_id=claim.with_member_id if claim else None,
        with_name=claim.with_member.name if claim and claim.with_member else "",
        state=state,
        claimed_by_id=claim.member_id if claim else None,
        claimed_by=claim.member.name if claim else "",
        on_since=min((deployment.put_on_at for deployment in on), default=None),
        troubles=troubles,
    )


def planting_tonight(
    *, planting_id: int, now: datetime, night_of: date | None = None
) -> PlantingTonight:
    """What the night's plan says of one planting. Raises NotFound."""
    evening = night_of or tonight(now)
    found = db.session.execute(
        select(Plan, PlanRow)
        .join(PlanRow, PlanRow.plan_id == Plan.id)
        .where(
            Plan.night_of == evening,
            Plan.is_current.is_(True),
            PlanRow.planting_id == planting_id,
        )
        .options(joinedload(Plan.forecast).joinedload(Forecast.source))
    ).first()
    if found is None:
        raise NotFound(_("That planting is not in tonight’s plan."))
    plan, row = found
    story = story_of(plan, row)
    return PlantingTonight(
        night_of=plan.night_of,
        came_by=plan.forecast.source.came_by,
        header=header_of(plan),
        story=story,
        published_in_air_c=_published_in_air_c(story),
    )


def _published_in_air_c(story: PlantingStory) -> float | None:
    """What the catalogue has of the planned stage, where it is air and the plan took the leaf."""
    stage = db.session.scalar(
        select(CropStage).where(CropStage.crop_id == story.crop_id, CropStage.name == story.stage)
    )
    if stage is None:
        return None
    # Between a soft and a hardened figure nothing was read as it stands.
    if story.state is not None or not is_read_in_air(stage):
        return None
    return story.threshold_c - AIR_RECORD_K.mean


def claim_job(*, job_id: int, member_id: int, now: datetime) -> None:
    """Say that `member_id` will do a job.

    The first to ask wins; the database's own uniqueness decides, so two phones pressed at once
    cannot both succeed. Asking again for one's own is harmless. Of what is too heavy for one, the
    second to ask is the second pair of hands.

    Raises NotFound, Refused (the plan changed), NotAllowed (not theirs to be asked), AlreadyClaimed
    with who has it.
    """
    try:
        with write_transaction() as session:
            job = _current_job(job_id)
            if job.must_come_off:
                raise Refused(_("This one must come off; there is nothing to put on."))
            _refuse_struck(job, troubles_of([job]).get(job.id, {}))
            _refuse_unasked(session, job, member_id)
            existing = _open_claim(job.id)
            if existing is not None:
                if member_id in (existing.member_id, existing.with_member_id):
                    return
                if not takes_two(job.mass_kg) or existing.with_member_id is not None:
                    raise _taken(existing)
                existing.with_member_id = member_id
                session.flush()
                change_log.record(
                    action="will help", subject=_subject(job), at=now, member_id=member_id
                )
                return
            standing = _standing(job.id)
            if standing and len(standing) >= len(job.parts):
                raise Refused(_("That is already on."))
            session.add(Claim(job_id=job.id, member_id=member_id, claimed_at=now))
            session.flush()
            change_log.record(action="claimed", subject=_subject(job), at=now, member_id=member_id)
    except IntegrityError:
        db.session.rollback()
        existing = _open_claim(job_id)
        if existing is None:
            raise
        if existing.member_id != member_id:
            raise _taken(existing) from None


def why_not_for(member: Member, mass_kg: float | None, *, is_icy: bool) -> str:
    """Why a job is not offered to a member; empty where it is."""
    if member.no_lifting and takes_two(mass_kg):
        return _("You said that you don’t lift heavy things, and this is heavy.")
    if member.no_ice and is_icy:
        return _("You said that you don’t walk on ice, and there may be ice by then.")
    return ""


def _refuse_unasked(session: scoped_session[Session], job: Job, member_id: int) -> None:
    member = session.get(Member, member_id)
    why = why_not_for(member, job.mass_kg, is_icy=job.is_icy) if member is not None else ""
    if why:
        raise NotAllowed(why)


def _refuse_struck(job: Job, troubles: Mapping[int, Trouble]) -> None:
    if not job.parts or len(troubles) < len(job.parts):
        return
    trouble = next(iter(troubles.values()))
    raise Refused(
        _(
            "You can no longer do this: %(why)s. We are making a new plan.",
            why=trouble_words(trouble),
        )
    )


def trouble_words(trouble: Trouble) -> str:
    """Why a cover cannot be put on, for a message and for the board."""
    label, plot = trouble.label, trouble.plot
    words = {
        "lent": _("%(label)s is lent out", label=label),
        "missing": _("%(label)s is missing", label=label),
        "retired": _("%(label)s has left the garden", label=label),
        "broken": _("%(label)s is broken", label=label),
        "elsewhere": _("%(label)s stands on plot %(plot)s", label=label, plot=plot),
        "ended": _("its plants are gone"),
    }
    return words[trouble.code]


def release_job(*, job_id: int, member: Member, now: datetime) -> None:
    """Give a claim back. Its own member or a coordinator may. Raises NotFound, NotAllowed."""
    member_id, may_any = member.id, member.is_coordinator
    with write_transaction() as session:
        job = _current_job(job_id)
        claim = _open_claim(job.id)
        if claim is None:
            return
        if claim.with_member_id == member_id:
            claim.with_member_id = None
        elif claim.member_id == member_id and claim.with_member_id is not None:
            # Whoever helped has it now, and needs a second.
            claim.member_id, claim.with_member_id = claim.with_member_id, None
        elif claim.member_id != member_id and not may_any:
            raise NotAllowed(
                _("Somebody else has claimed that; only they or a coordinator can give it back.")
            )
        else:
            claim.released_at = now
        session.flush()
        change_log.record(action="gave back", subject=_subject(job), at=now, member_id=member_id)


@dataclass(frozen=True)
class Fact:
    """How a phone sends a mark: its own key, and when it was pressed.

    A phone without signal keeps the mark and sends it later, perhaps twice.
    """

    key: str
    pressed_at: datetime | None = None

    def happened_at(self, now: datetime) -> datetime:
        """When it was pressed, unless that cannot be: not ahead, not long ago."""
        if self.pressed_at is None or not now - FACT_KEPT_FOR <= self.pressed_at <= now:
            return now
        return self.pressed_at


def mark_on(*, job_id: int, member_id: int, now: datetime, fact: Fact | None = None) -> None:
    """Record that a job's covers stand over their plants. Doing it twice does it once.

    Anybody of the garden may: it is a fact, whoever did it.

    Raises NotFound, Refused, AlreadyClaimed where one of the covers stands elsewhere.
    """
    try:
        with write_transaction() as session:
            if not _is_news(fact, "on", member_id, now):
                return
            job = _current_job(job_id)
            if job.must_come_off:
                raise Refused(_("The gust is over this cover’s limit: it must come off tonight."))
            evening = session.scalars(select(Plan.night_of).where(Plan.id == job.plan_id)).one()
            done = _standing_units(job.id)
            troubles = troubles_of([job]).get(job.id, {})
            if not done:
                if {trouble.code for trouble in troubles.values()} == {"lent"}:
                    troubles = {}  # the ledger says who has it, and until when
                _refuse_struck(job, troubles)
            for number, part in enumerate(job.parts):
                if number in troubles:
                    continue  # the others go on all the same
                unit = _unit(part)
                if unit in done:
                    done.remove(unit)
                    continue
                _put_on(job, part, evening, member_id, _when(fact, now))
            change_log.record(action="put on", subject=_subject(job), at=now, member_id=member_id)
    except IntegrityError:
        db.session.rollback()
        if _is_known(fact, member_id):
            return
        raise AlreadyClaimed(_where_it_is(job_id)) from None


def undo_on(*, job_id: int, member: Member, now: datetime, fact: Fact | None = None) -> None:
    """Take back a mark made by mistake: the covers never stood there.

    Whoever made it, a holder of the plot, or a coordinator may.
    Raises NotFound, NotAllowed, Refused where too long ago (then it is taken off, not undone).
    """
    member_id, may_any = member.id, member.is_coordinator
    with write_transaction() as session:
        if not _is_news(fact, "undo", member_id, now):
            return
        job = _current_job(job_id)
        standing = _standing(job.id)
        if not standing:
            return
        if not may_any and not _may_handle(job, standing, member_id):
            raise NotAllowed(
                _("Only whoever marked it, a holder of the plot or a coordinator can undo it.")
            )
        if all(now - deployment.put_on_at > UNDO_WITHIN for deployment in standing):
            raise Refused(_("Somebody marked that over an hour ago. Mark it as off instead."))
        for deployment in standing:
            _close(deployment, member_id, _when(fact, now), was_mistake=True)
            deployment.was_undone = True
        session.flush()
        change_log.record(action="undid", subject=_subject(job), at=now, member_id=member_id)


def mark_off(*, job_id: int, member_id: int, now: datetime, fact: Fact | None = None) -> None:
    """Record that a job's covers are off and back in their place. Twice does it once."""
    with write_transaction() as session:
        if not _is_news(fact, "off", member_id, now):
            return
        job = _current_job(job_id)
        standing = _standing(job.id)
        for deployment in standing:
            _close(deployment, member_id, _when(fact, now))
        session.flush()
        if standing:
            change_log.record(action="took off", subject=_subject(job), at=now, member_id=member_id)


def undo_off(*, job_id: int, member: Member, now: datetime) -> None:
    """Take back that covers came off: they have stood there all the time.

    Whoever said so, a holder of the plot, or a coordinator may, within an hour and while nobody
    has used the covers elsewhere. Raises NotFound, NotAllowed, Refused.
    """
    member_id, may_any = member.id, member.is_coordinator
    try:
        with write_transaction() as session:
            job = _current_job(job_id)
            closed = list(
                session.scalars(
                    select(Deployment).where(
                        Deployment.job_id == job.id,
                        Deployment.taken_off_at > now - UNDO_WITHIN,
                        Deployment.was_undone.is_(False),
                    )
                )
            )
            if not closed:
                raise Refused(_("That was over an hour ago. Put the covers on again instead."))
            said = all(deployment.taken_off_by_id == member_id for deployment in closed)
            if not may_any and not said and not _may_handle(job, closed, member_id):
                raise NotAllowed(
                    _("Only whoever marked it, a holder of the plot or a coordinator can undo it.")
                )
            for deployment in closed:
                _stand_again(deployment, member_id, now)
            session.flush()
            change_log.record(action="undid", subject=_subject(job), at=now, member_id=member_id)
    except IntegrityError:
        db.session.rollback()
        raise Refused(_("One of its covers is in use somewhere else by now.")) from None


def _stand_again(deployment: Deployment, member_id: int, now: datetime) -> None:
    for use in deployment.covers:
        cover = ledger.lock_cover(use.cover_id)
        last = db.session.scalar(
            select(LedgerEntry).where(
                LedgerEntry.cover_id == cover.id, LedgerEntry.number == cover.ledger_number
            )
        )
        if last is None or last.action != "brought back":
            raise Refused(_("One of its covers was used for something else by now."))
        ledger.undo(last, at=now, member_id=member_id)
        use.is_open = True
    deployment.taken_off_at, deployment.taken_off_by_id = None, None


def note_look(*, member_id: int, now: datetime) -> None:
    """Note once a night that a member's phone showed the board."""
    evening = tonight(now)
    seen = select(BoardLook.id).where(
        BoardLook.night_of == evening, BoardLook.member_id == member_id
    )
    if db.session.scalar(seen) is not None:
        return
    try:
        with write_transaction(changes_board=False) as session:
            session.add(BoardLook(night_of=evening, member_id=member_id, at=now))
    except IntegrityError:
        db.session.rollback()  # the same member's other phone was first


# Pieces of the above; each runs inside the caller's transaction


def _is_news(fact: Fact | None, action: str, member_id: int, now: datetime) -> bool:
    """Whether a phone's mark comes for the first time; keeps its key if so."""
    if fact is None:
        return True
    if _is_known(fact, member_id):
        return False
    key = f"{member_id}:{fact.key}"
    db.session.add(SentFact(key=key, member_id=member_id, action=action, at=now))
    db.session.flush()
    return True


def _is_known(fact: Fact | None, member_id: int) -> bool:
    if fact is None:
        return False
    key = f"{member_id}:{fact.key}"
    return db.session.scalar(select(SentFact.id).where(SentFact.key == key)) is not None


def _when(fact: Fact | None, now: datetime) -> datetime:
    return now if fact is None else fact.happened_at(now)


def _current_job(job_id: int) -> Job:
    job = db.session.scalar(select(Job).where(Job.id == job_id).options(selectinload(Job.parts)))
    if job is None:
        raise NotFound(_("That job is gone."))
    plan = db.session.get(Plan, job.plan_id)
    if plan is not None and plan.is_current:
        return job
    twin = _twin(job)
    if twin is None:
        raise Refused(
            _(
                "The plan has changed since you opened the board, and this job is no longer in "
                "it. Open the board again."
            )
        )
    return twin


def _twin(job: Job) -> Job | None:
    """The same covers over the same plants in the plan that replaced this job's."""
    old = db.session.get(Plan, job.plan_id)
    if old is None:
        return None
    wanted = sorted(_unit(part) for part in job.parts)
    for candidate in db.session.scalars(
        select(Job)
        .join(Plan, Plan.id == Job.plan_id)
        .where(
            Plan.night_of == old.night_of,
            Plan.is_current.is_(True),
            Job.plot_id == job.plot_id,
            Job.treatment == job.treatment,
        )
        .options(selectinload(Job.parts))
    ):
        if sorted(_unit(part) for part in candidate.parts) == wanted:
            return candidate
    return None


def _unit(part: JobPart) -> tuple[tuple[int, ...], tuple[tuple[int, int], ...]]:
    return tuple(covers_of(part)), tuple(
        sorted((int(key), number) for key, number in part.plants.items())
    )


def _standing(job_id: int) -> list[Deployment]:
    return list(
        db.session.scalars(
            select(Deployment)
            .where(Deployment.job_id == job_id, Deployment.taken_off_at.is_(None))
            .options(selectinload(Deployment.covers), selectinload(Deployment.plants))
        )
    )


def _standing_units(job_id: int) -> list[tuple[tuple[int, ...], tuple[tuple[int, int], ...]]]:
    return [
        (
            tuple(use.cover_id for use in sorted(deployment.covers, key=lambda use: use.is_inner)),
            tuple(sorted((under.planting_id, under.plants) for under in deployment.plants)),
        )
        for deployment in _standing(job_id)
    ]


def _put_on(job: Job, part: JobPart, evening: date, member_id: int, now: datetime) -> None:
    deployment = Deployment(
        night_of=evening,
        plot_id=job.plot_id,
        job_id=job.id,
        treatment=job.treatment,
        put_on_at=now,
        put_on_by_id=member_id,
    )
    db.session.add(deployment)
    db.session.flush()
    for cover_id, is_inner in ((part.cover_id, False), (part.inner_cover_id, True)):
        if cover_id is not None:
            # First the ledger: it knows who has a cover that is not here.
            ledger.write(
                ledger.lock_cover(cover_id),
                Happening("deployed", night_of=evening, plot_id=job.plot_id),
                at=now,
                member_id=member_id,
            )
            db.session.add(
                CoverUse(deployment_id=deployment.id, cover_id=cover_id, is_inner=is_inner)
            )
    for key, number in part.plants.items():
        db.session.add(
            DeployedPlants(deployment_id=deployment.id, planting_id=int(key), plants=number)
        )
    db.session.flush()


def _close(
    deployment: Deployment, member_id: int, now: datetime, *, was_mistake: bool = False
) -> None:
    deployment.taken_off_at = now
    deployment.taken_off_by_id = member_id
    for use in deployment.covers:
        if use.is_open:
            _bring_back(use.cover_id, member_id, now, was_mistake=was_mistake)
    db.session.execute(
        update(CoverUse).where(CoverUse.deployment_id == deployment.id).values(is_open=False)
    )


def _bring_back(cover_id: int, member_id: int, now: datetime, *, was_mistake: bool) -> None:
    """Write in the ledger that a cover is back, or that it was never out."""
    cover = ledger.lock_cover(cover_id)
    if cover.status != "out":
        return
    last = db.session.scalar(
        select(LedgerEntry).where(
            LedgerEntry.cover_id == cover_id, LedgerEntry.number == cover.ledger_number
        )
    )
    if was_mistake and last is not None and last.action == "deployed":
        ledger.undo(last, at=now, member_id=member_id)
    else:
        ledger.write(cover, Happening("brought back"), at=now, member_id=member_id)


def _may_handle(job: Job, standing: list[Deployment], member_id: int) -> bool:
    if any(deployment.put_on_by_id == member_id for deployment in standing):
        return True
    held = db.session.scalar(
        select(PlotHolder.id).where(
            PlotHolder.plot_id == job.plot_id, PlotHolder.member_id == member_id
        )
    )
    return held is not None


def _open_claim(job_id: int) -> Claim | None:
    return db.session.scalar(
        select(Claim)
        .where(Claim.job_id == job_id, Claim.released_at.is_(None))
        .options(joinedload(Claim.member))
    )


def _taken(claim: Claim) -> AlreadyClaimed:
    name = claim.member.name
    return AlreadyClaimed(f"{name} has already claimed that.", holder=name)


def _where_it_is(job_id: int) -> str:
    """Which cover of a job stands where, for the one who came second."""
    session = db.session
    found = session.execute(
        select(Cover.label, Plot.label)
        .join(CoverUse, CoverUse.cover_id == Cover.id)
        .join(Deployment, Deployment.id == CoverUse.deployment_id)
        .join(Plot, Plot.id == Deployment.plot_id)
        .join(
            JobPart,
            (JobPart.cover_id == Cover.id) | (JobPart.inner_cover_id == Cover.id),
        )
        .where(JobPart.job_id == job_id, CoverUse.is_open.is_(True))
    ).first()
    if found is None:
        return "One of these covers has just been used elsewhere. Open the board again."
    return f"{found[0]} already stands in plot {found[1]}. Ask the coordinator to plan again."


def _subject(job: Job) -> str:
    plot = db.session.get(Plot, job.plot_id)
    return f"{job.label} in plot {plot.label if plot else job.plot_id}"
