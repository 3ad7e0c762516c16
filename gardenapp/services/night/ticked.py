"""A ticked sheet typed in: numbers that are on, numbers that are off, each through the board's own
marks.

Numbers are those of the plan that the sheet was printed from. Where another plan has replaced it,
a number stands for the same covers over the same plants in the plan in force; what is not in it
any more is named with what the number meant, and nothing else is marked in its place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import selectinload

from gardenapp.errors import AlreadyClaimed, Busy, FieldRefused, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Job, JobPart, Plan
from gardenapp.models.plots import Plot
from gardenapp.readers.job_numbers import shortly
from gardenapp.science.night.plan_records import TreatmentName
from gardenapp.services.clockwork import tonight as coming_night
from gardenapp.services.kept_plans import header_of, stories_of
from gardenapp.services.night.board_changes import covers_of
from gardenapp.services.night.paper import numbers_of
from gardenapp.services.night.tonight import BoardJob, Fact, mark_off, mark_on, tonight_page
from gardenapp.words import _

LOOK_BACK_DAYS = 7
# What a mark may come to, what was done now before what had been done.
_CODES = ("on", "off", "before", "again")

_Unit = tuple[int, str, tuple[int, ...], tuple[tuple[int, int], ...]]


class _Came(NamedTuple):
    """What came of one mark: on, off, before, again or refused, and then why."""

    code: str
    why: str = ""


@dataclass(frozen=True)
class PaperMark(Fact):
    """A mark from paper: made at its time or before, however much later it is typed in."""

    def happened_at(self, now: datetime) -> datetime:
        return now if self.pressed_at is None else min(now, self.pressed_at)


@dataclass(frozen=True)
class Sheet:
    """A plan as its sheet names it."""

    number: int
    made_at: datetime
    is_current: bool


@dataclass(frozen=True)
class Meaning:
    """What a number stands for: covers, how, over which plants, where."""

    labels: tuple[str, ...]
    name: TreatmentName
    plot: str
    plants: tuple[tuple[int, str], ...]


@dataclass(frozen=True)
class NotMarked:
    """A number that was not marked and why; without a meaning where the sheet has none."""

    number: int
    why: str
    meaning: Meaning | None = None


@dataclass(frozen=True)
class Ticked:
    """What came of typing a sheet in, as numbers of that sheet.

    on, off : marked now. before : marked already; `again` : had been on, and are off again.
    """

    sheet: Sheet
    in_force: Sheet | None
    on: tuple[int, ...]
    off: tuple[int, ...]
    before: tuple[int, ...]
    again: tuple[int, ...]
    evening_refused: tuple[NotMarked, ...]
    morning_refused: tuple[NotMarked, ...]


def only_sheet(*, now: datetime) -> int | None:
    """The number of tonight's sheet where there can be no other."""
    ids = db.session.scalars(select(Plan.id).where(Plan.night_of == coming_night(now)).limit(2))
    found = list(ids)
    return found[0] if len(found) == 1 else None


def mark_ticked(
    *,
    sheet: int,
    evening: Collection[int],
    morning: Collection[int],
    member_id: int,
    now: datetime,
    key: str,
) -> Ticked:
    """Mark what was ticked on a sheet, each number by itself: one that is refused stops no other.

    An evening's tick counts as made by the time that the sheet named, or when it was typed where
    that was earlier. `key` makes the same form sent twice count once.

    Raises FieldRefused ("sheet") where there is no such sheet of the last nights.
    """
    plan = _plan_of(sheet, now)
    run = _Run(plan, member_id=member_id, now=now, key=key)
    for number in evening:
        run.evening(number, evening)
    for number in morning:
        run.morning(number, morning)
    return run.result()


def _plan_of(sheet: int, now: datetime) -> Plan:
    plan = db.session.get(Plan, sheet)
    if plan is None:
        raise FieldRefused(
            "sheet",
            _("There is no sheet %(sheet)s. Its number stands at the head of each page.",
              sheet=sheet),
        )  # fmt: skip
    if plan.night_of < coming_night(now) - timedelta(days=LOOK_BACK_DAYS):
        raise FieldRefused(
            "sheet",
            _(
                "Sheet %(sheet)s is of a night too long ago: only the last %(days)s nights can be "
                "typed in.",
                sheet=sheet,
                days=LOOK_BACK_DAYS,
            ),
        )
    return plan


class _Run:
    """One typing-in: where each number leads, and what came of it."""

    def __init__(self, plan: Plan, *, member_id: int, now: datetime, key: str) -> None:
        self._member_id, self._now, self._key = member_id, now, key
        self._sheet = _sheet_of(plan)
        self._made_at = plan.made_at
        self._ids = {number: job_id for job_id, number in numbers_of(plan.id).items()}
        self._meanings = _Meanings(plan)
        page = tonight_page(now=now, night_of=plan.night_of)
        self._states = {job.id: job for job in page.jobs}
        current = None
        if page.plan_id is not None and page.made_at is not None:
            current = Sheet(page.plan_id, page.made_at, is_current=True)
        self._in_force = current
        self._units: dict[int, Counter[_Unit]] = {}
        if page.plan_id != plan.id:
            self._units = _units_of([*self._ids.values(), *self._states])
        self._now_on: set[int] = set()
        self._now_off: set[int] = set()
        self._done: dict[str, list[int]] = {code: [] for code in _CODES}
        self._refused: tuple[list[NotMarked], list[NotMarked]] = ([], [])

    def evening(self, number: int, ticked: Collection[int]) -> None:
        """It is on; or off, where the sheet said to take it off."""
        jobs = self._jobs(number, ticked, self._refused[0])
        self._note(number, [self._mark_evening(job) for job in jobs], self._refused[0])

    def morning(self, number: int, ticked: Collection[int]) -> None:
        """It is off and back in its place."""
        jobs = self._jobs(number, ticked, self._refused[1])
        self._note(number, [self._mark_morning(job) for job in jobs], self._refused[1])

    def _note(self, number: int, came: Sequence[_Came], refused: list[NotMarked]) -> None:
        """Of a number that stands for several jobs, the worst counts."""
        if not came:
            return
        for code, why in came:
            if code == "refused":
                refused.append(NotMarked(number, why, self._meanings.of(self._ids[number])))
                return
        codes = {code for code, _why in came}
        self._done[next(code for code in _CODES if code in codes)].append(number)

    def result(self) -> Ticked:
        """All that came of it."""
        return Ticked(
            sheet=self._sheet,
            in_force=self._in_force,
            **{code: tuple(dict.fromkeys(numbers)) for code, numbers in self._done.items()},
            evening_refused=tuple(self._refused[0]),
            morning_refused=tuple(self._refused[1]),
        )

    # Where a number leads

    def _jobs(
        self, number: int, ticked: Collection[int], refused: list[NotMarked]
    ) -> Sequence[BoardJob]:
        """The jobs of the plan in force that a number stands for; says why where there is none."""
        job_id = self._ids.get(number)
        if job_id is None:
            refused.append(NotMarked(number, self._unknown()))
            return ()
        if not self._units:
            return (self._states[job_id],)
        found, beside = self._same(job_id, ticked)
        if found:
            return found
        if beside:
            words = _(
                "the plan has changed, and it is one job with %(others)s now: tick them together, "
                "or mark it on the board",
                others=beside,
            )
        else:
            words = _("the plan has changed, and this is not in it any more")
        refused.append(NotMarked(number, words, self._meanings.of(job_id)))
        return ()

    def _unknown(self) -> str:
        if not self._ids:
            return _("this sheet has no jobs")
        return _("not on this sheet, whose numbers run from 1 to %(last)s", last=len(self._ids))

    def _same(self, job_id: int, ticked: Collection[int]) -> tuple[list[BoardJob], str]:
        """Jobs in force made of what was ticked that together hold all of one; or, where such a
        job holds more than was ticked, what else is in it."""
        every: Counter[_Unit] = Counter()
        for number in ticked:
            every += self._units.get(self._ids.get(number, 0), Counter())
        left = Counter(self._units[job_id])
        found, beside = [], ""
        for current_id, job in self._states.items():
            held = self._units[current_id]
            if not held & left:
                continue
            if held <= every:
                found.append(job)
                left -= held
            else:
                more = held - every
                beside = shortly(
                    number
                    for number, other in self._ids.items()
                    if self._units[other] & more
                ) or beside  # fmt: skip
        return ([] if left else found), beside

    # Marks

    def _mark_evening(self, job: BoardJob) -> _Came:
        if job.must_come_off:
            return self._mark_morning(job, at=self._due(job))
        if job.id in self._now_on:
            return _Came("on")
        if job.state == "on":
            return _Came("before")
        if job.state == "off":
            return _Came("again")
        fact = PaperMark(f"{self._key}-{job.id}-on", self._due(job))
        came = self._try("on", partial(mark_on, job_id=job.id, fact=fact))
        if not came.why:
            self._now_on.add(job.id)
        return came

    def _mark_morning(self, job: BoardJob, at: datetime | None = None) -> _Came:
        if job.id in self._now_off:
            return _Came("off")
        if job.state == "off":
            return _Came("before")
        if job.state != "on" and job.id not in self._now_on:
            return _Came(
                "refused",
                _("it is not marked as on: if it stood out there, type it under Evening too"),
            )
        fact = PaperMark(f"{self._key}-{job.id}-off", at)
        came = self._try("off", partial(mark_off, job_id=job.id, fact=fact))
        if not came.why:
            self._now_off.add(job.id)
        return came

    def _due(self, job: BoardJob) -> datetime | None:
        """When a tick was made at the latest: by its time, but not before there was the sheet."""
        return None if job.by_at is None else max(job.by_at, self._made_at)

    def _try(self, code: str, mark: Callable[..., None]) -> _Came:
        try:
            mark(member_id=self._member_id, now=self._now)
        except (AlreadyClaimed, Busy, NotAllowed, NotFound, Refused) as refusal:
            db.session.rollback()
            return _Came("refused", str(refusal))
        return _Came(code)


class _Meanings:
    """What the numbers of a plan stand for; looked up only where one is refused."""

    def __init__(self, plan: Plan) -> None:
        self._plan_id = plan.id
        self._known: dict[int, Meaning] | None = None

    def of(self, job_id: int) -> Meaning | None:
        """What one job of the plan is."""
        if self._known is None:
            self._known = _meanings_of(self._plan_id)
        return self._known.get(job_id)


def _meanings_of(plan_id: int) -> dict[int, Meaning]:
    plan = db.session.get(Plan, plan_id)
    if plan is None:
        return {}
    header = header_of(plan)
    names = {story.planting_id: story.name for story in stories_of(plan)}
    rows = db.session.execute(
        select(Job, Plot.label)
        .join(Plot, Plot.id == Job.plot_id)
        .where(Job.plan_id == plan_id)
        .options(selectinload(Job.parts))
    ).all()
    ids = {cover for job, _plot in rows for part in job.parts for cover in covers_of(part)}
    labels = {
        row.id: row.label for row in db.session.scalars(select(Cover).where(Cover.id.in_(ids)))
    }
    found = {}
    for job, plot in rows:
        plants: Counter[int] = Counter()
        for part in job.parts:
            plants.update({int(key): number for key, number in part.plants.items()})
        found[job.id] = Meaning(
            labels=tuple(
                labels[cover] for part in job.parts for cover in covers_of(part) if cover in labels
            ),
            name=header.name_of(job.treatment, job.label),
            plot=plot,
            plants=tuple((number, names[key]) for key, number in plants.items() if key in names),
        )
    return found


def _sheet_of(plan: Plan) -> Sheet:
    return Sheet(plan.id, plan.made_at, plan.is_current)


def _units_of(job_ids: Iterable[int]) -> dict[int, Counter[_Unit]]:
    """What each job is made of: its plot, and which covers over which plants."""
    found: dict[int, Counter[_Unit]] = {job_id: Counter() for job_id in job_ids}
    for part, plot_id, treatment in db.session.execute(
        select(JobPart, Job.plot_id, Job.treatment)
        .join(Job, Job.id == JobPart.job_id)
        .where(Job.id.in_(found))
    ):
        plants = tuple(sorted((int(key), number) for key, number in part.plants.items()))
        found[part.job_id][plot_id, treatment, tuple(covers_of(part)), plants] += 1
    return found
