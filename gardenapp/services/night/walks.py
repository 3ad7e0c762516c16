"""Walks: what one person fetches from one place and carries round, and who has taken which."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from gardenapp.errors import AlreadyClaimed, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.nights import BoardLook
from gardenapp.models.people import Garden, Member, PlotHolder
from gardenapp.models.plots import Plot
from gardenapp.science.night.plan_records import TreatmentName
from gardenapp.services.garden.map import walk_order_for
from gardenapp.services.night.tonight import BoardJob, TonightPage, claim_job, tonight_page
from gardenapp.words import _

# As much as one person carries round before it is dark (common practice, no source).
WALK_MINUTES = 30.0
FARTHEST = 1e9


@dataclass(frozen=True)
class Walk:
    """Jobs whose covers are kept in one place, in the order in which one comes by their plots.

    place : "" is no fixed place, None no cover at all, but pots to carry in. A place with more
    than `WALK_MINUTES` of work gives several walks, `number` of `of`.
    """

    place: str | None
    note: str
    jobs: tuple[BoardJob, ...]
    number: int = 1
    of: int = 1

    @property
    def minutes(self) -> float:
        """About how long it takes. [min]"""
        return sum(job.minutes for job in self.jobs)

    @property
    def load(self) -> tuple[str, ...]:
        """What to take along from its place."""
        return tuple(cover.label for job in self.jobs for cover in job.covers)

    @property
    def job_ids(self) -> tuple[int, ...]:
        return tuple(job.id for job in self.jobs)

    @property
    def by_at(self) -> datetime | None:
        """When its first job should be on."""
        return min((job.by_at for job in self.jobs if job.by_at), default=None)


@dataclass(frozen=True)
class TakenWalk:
    """What somebody has said they do."""

    name: str
    jobs: tuple[BoardJob, ...]
    done: int


@dataclass(frozen=True)
class Hands:
    """What the evening still asks of people.

    walks : open work. taken : who goes where. not_looked : holders of plots with something at
    risk whose phone has not shown the board. short_of : how many more of which; None is any cover
    that fits.
    """

    page: TonightPage
    minutes_free: float
    minutes_claimed: float
    free: tuple[BoardJob, ...]
    walks: tuple[Walk, ...]
    taken: tuple[TakenWalk, ...]
    not_looked: tuple[str, ...]
    short_of: tuple[tuple[TreatmentName | None, int], ...]


@dataclass(frozen=True)
class Taken:
    """What came of taking a walk: jobs now the member's, and why others are not."""

    job_ids: tuple[int, ...]
    refused: tuple[str, ...]


@dataclass(frozen=True)
class Way:
    """The way round the garden. far : how far each plot is, by its id. [m] has_map : paths are
    drawn, and walks follow them."""

    far: Mapping[int, float]
    has_map: bool = False

    def key(self, job: BoardJob) -> tuple[float, str, int]:
        """Sorts jobs by how far their plots are."""
        return self.far.get(job.plot_id, FARTHEST), job.plot, job.id

    def order(self, place: str | None, jobs: Sequence[BoardJob]) -> list[BoardJob]:
        """Jobs in the order in which one comes by their plots from a place."""
        if not self.has_map or not place:
            return sorted(jobs, key=self.key)
        labels = walk_order_for(place, {job.plot for job in jobs})
        turn = {label: number for number, label in enumerate(labels)}
        return sorted(jobs, key=lambda job: (turn.get(job.plot, len(turn)), job.id))


def way_round() -> Way:
    """The way round the garden as it is drawn, or as its plots' distances say."""
    plots = db.session.execute(select(Plot.id, Plot.distance_m))
    has_map = bool(db.session.scalar(select(Garden.map_text).where(Garden.id == 1)))
    return Way({plot.id: plot.distance_m for plot in plots}, has_map)


def walks_of(jobs: Collection[BoardJob], way: Way) -> tuple[Walk, ...]:
    """The walks of these jobs: by where their covers are kept, then along the way.

    Pots to carry in come last, and before them covers without a place.
    """
    by_place: dict[str | None, list[BoardJob]] = defaultdict(list)
    for job in sorted(jobs, key=way.key):
        by_place[_place_of(job)].append(job)
    found: list[Walk] = []
    for place in sorted(by_place, key=lambda place: _rank(place, by_place)):
        rounds = _rounds(way.order(place, by_place[place]))
        for number, part in enumerate(rounds, 1):
            note = next((c.place_note for job in part for c in job.covers if c.place == place), "")
            found.append(Walk(place, note, tuple(part), number, len(rounds)))
    return tuple(found)


def _place_of(job: BoardJob) -> str | None:
    return next((cover.place for cover in job.covers), None)


def _rank(place: str | None, by_place: Mapping[str | None, Sequence[BoardJob]]) -> tuple[int, int]:
    order = list(by_place)
    return (2 if place is None else 0 if place else 1), order.index(place)


def _rounds(jobs: Sequence[BoardJob]) -> list[list[BoardJob]]:
    """Parts of about the same work, none much longer than `WALK_MINUTES`."""
    whole = sum(job.minutes for job in jobs)
    parts = max(1, round(whole / WALK_MINUTES))
    rounds: list[list[BoardJob]] = [[] for _part in range(parts)]
    so_far = 0.0
    for job in jobs:
        middle = so_far + job.minutes / 2
        rounds[min(parts - 1, int(middle / whole * parts)) if whole > 0 else 0].append(job)
        so_far += job.minutes
    return [found for found in rounds if found]


def take_walk(*, job_ids: Sequence[int], member: Member, now: datetime) -> Taken:
    """Take the jobs of a walk that are still free; each is the first to ask's, as always.

    What somebody else took meanwhile, and what the member is not asked to do, is left.
    """
    member_id = member.id
    taken, refused = [], []
    for job_id in job_ids:
        try:
            claim_job(job_id=job_id, member_id=member_id, now=now)
        except (AlreadyClaimed, NotAllowed, NotFound, Refused) as refusal:
            db.session.rollback()
            refused.append(str(refusal))
        else:
            taken.append(job_id)
    return Taken(tuple(taken), tuple(dict.fromkeys(refused)))


def put_down(*, job_ids: Sequence[int], member_id: int, now: datetime) -> Taken:
    """Take a walk for somebody who was asked and said yes; they can give it back.

    Raises NotFound where there is no such member.
    """
    asked = db.session.get(Member, member_id)
    if asked is None or not asked.is_active:
        raise NotFound(_("We can’t find that member."))
    return take_walk(job_ids=job_ids, member=asked, now=now)


def people_to_ask() -> tuple[tuple[int, str], ...]:
    """Members who may be asked, by name."""
    rows = db.session.execute(
        select(Member.id, Member.name).where(Member.is_active.is_(True)).order_by(Member.name)
    )
    return tuple((row.id, row.name) for row in rows)


def hands_needed(*, now: datetime) -> Hands:
    """Open work as walks, who has taken what, who has not looked yet, and what runs short."""
    page = tonight_page(now=now)
    jobs = [job for job in page.jobs if not job.must_come_off]
    free = [job for job in jobs if job.state in {"free", "off"}]
    way = way_round()
    return Hands(
        page=page,
        minutes_free=sum(job.minutes for job in free),
        minutes_claimed=sum(job.minutes for job in jobs if job.state == "claimed"),
        free=tuple(free),
        walks=walks_of(free, way),
        taken=_taken(jobs, way),
        not_looked=_not_looked(page),
        short_of=_short_of(page),
    )


def _taken(jobs: Sequence[BoardJob], way: Way) -> tuple[TakenWalk, ...]:
    """Who goes where; jobs that are on count for whoever had claimed them."""
    by_member: dict[int, list[BoardJob]] = defaultdict(list)
    names: dict[int, str] = {}
    for job in sorted(jobs, key=way.key):
        if job.claimed_by_id is None or job.state not in {"claimed", "on"}:
            continue
        by_member[job.claimed_by_id].append(job)
        names[job.claimed_by_id] = job.claimed_by
    return tuple(
        TakenWalk(
            names[member_id],
            tuple(found),
            sum(job.state == "on" for job in found),
        )
        for member_id, found in sorted(by_member.items(), key=lambda item: names[item[0]])
    )


def _not_looked(page: TonightPage) -> tuple[str, ...]:
    at_work = {row.plot_id for row in page.rows if row.status in {"protect", "short"}}
    looked = select(BoardLook.member_id).where(BoardLook.night_of == page.night_of)
    return tuple(
        db.session.scalars(
            select(Member.name)
            .join(PlotHolder, PlotHolder.member_id == Member.id)
            .where(
                PlotHolder.plot_id.in_(at_work),
                Member.is_active.is_(True),
                Member.id.not_in(looked),
            )
            .distinct()
            .order_by(Member.name)
        )
    )


def _short_of(page: TonightPage) -> tuple[tuple[TreatmentName | None, int], ...]:
    short_of: dict[TreatmentName | None, int] = defaultdict(int)
    for story in page.with_status("short"):
        if story.reason is not None and story.reason.units_wanted:
            best = story.options[0].name if story.options else None
            short_of[best] += story.reason.units_wanted
    return tuple(sorted(short_of.items(), key=lambda item: -item[1]))
