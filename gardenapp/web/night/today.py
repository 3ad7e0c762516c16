"""Today, as somebody with cold hands asks for it: mine, what is free, what is done, the rest.

Sorts the night's jobs into the parts of the page, in the order in which they are asked for, and
says the whole of it in one sentence.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from gardenapp.models.people import Member
from gardenapp.science.night.plan_records import PlantingStory
from gardenapp.services.night.plan_words import treatment_words
from gardenapp.services.night.tonight import STATUSES, BoardJob, TonightPage
from gardenapp.services.night.walks import Walk, Way, walks_of
from gardenapp.services.night.why_empty import why_empty
from gardenapp.web.formats import clock
from gardenapp.web.signs import sign_of
from gardenapp.words import _, n_, said

VIEWS = ("mine", "free", "all")
# What was just done stays under the finger, and folds away at the next visit.
STAYS_FOR = timedelta(minutes=10)
# More free jobs than this are shown walk by walk, each when it is asked for.
MOST_FREE = 80
# More plantings than this in a fold are on a page of their own.
MOST_FOLDED = 250
# A gust from which what is laid has to be weighed down (common practice, no source). [m/s]
LOOSE_GUST_MPS = 8.0
MOST_PLOTS_NAMED = 3
# Of one's own, as many are seen at once as the next hour takes; the later ones are folded.
MOST_MINE = 5
# A place and its note stand on one line of a card, or the note waits behind "Why".
LONGEST_PLACE = 28
# A label with a word in it says what it is on; a code does not.
WORD = re.compile(r"[^\W\d_]{3,}")


@dataclass(frozen=True)
class Card:
    """A job as its card shows it: what goes where, over which plants, from where, by when.

    state : as the job's, but "mine" for what the reader has claimed.
    caution : the one that counts, empty where none does.
    """

    job: BoardJob
    state: str
    sign: str
    what: str
    plants: str
    place: str
    note: str
    caution: str
    is_late: bool

    @property
    def id(self) -> int:
        return self.job.id


@dataclass(frozen=True)
class WalkPart:
    """A walk and its cards."""

    walk: Walk
    cards: tuple[Card, ...]
    title: str


@dataclass(frozen=True)
class Today:
    """The parts of the page, each in its order."""

    say: str
    mine: tuple[Card, ...]
    walks: tuple[WalkPart, ...]
    taken: tuple[Card, ...]
    done: tuple[Card, ...]
    struck: tuple[Card, ...]
    no_cover: tuple[PlantingStory, ...]
    at_risk: tuple[PlantingStory, ...]
    watch: tuple[PlantingStory, ...]
    safe: tuple[PlantingStory, ...]
    free_count: int

    def shown(self, view: str) -> frozenset[int]:
        """The jobs whose cards a view draws."""
        found = [*self.taken, *self.done, *self.struck]
        if view != "free":
            found += self.mine
        if view != "mine" and not self.is_large:
            found += [card for part in self.walks for card in part.cards]
        return frozenset(card.id for card in found)

    def mine_now(self, view: str) -> tuple[Card, ...]:
        """The reader's own that are seen at once."""
        if view != "mine" or len(self.mine) <= MOST_MINE + 1:
            return self.mine
        return self.mine[:MOST_MINE]

    def mine_later(self, view: str) -> tuple[Card, ...]:
        """The reader's own that are folded, the latest."""
        return self.mine[len(self.mine_now(view)) :]

    @property
    def is_large(self) -> bool:
        """Whether free jobs are shown walk by walk only."""
        return self.free_count > MOST_FREE


def make_today(
    page: TonightPage,
    *,
    member: Member | None,
    plots: Collection[int],
    way: Way,
    at: datetime,
    is_mine: bool = False,
) -> Today:
    """Everything on the page for one reader, who holds `plots`.

    is_mine : what needs no hands is told of these plots alone.
    """
    member_id = member.id if member is not None else None
    stories = {story.planting_id: story for story in page.rows}
    gust_mps = page.header.gust_mps if page.header is not None else None

    def card(job: BoardJob) -> Card:
        return make_card(job, stories, member_id=member_id, gust_mps=gust_mps, at=at)

    found: dict[str, list[BoardJob]] = defaultdict(list)
    for job in page.jobs:
        is_theirs = member_id is not None and (
            job.plot_id in plots
            or job.belongs_to(member_id)
            or (job.on_since is not None and job.claimed_by_id == member_id)
        )
        part = _part_of(job, is_theirs=is_theirs, at=at)
        if part in {"mine", "free"} or is_theirs or not is_mine:
            found[part].append(job)
    mine, free = found["mine"], found["free"]
    mine.sort(key=lambda job: (not job.must_come_off, _when(job), job.plot, job.id))
    walks = walks_of(free, way)
    is_mine = is_mine and bool(plots)
    told = [row for row in page.rows if not is_mine or row.plot_id in plots]
    by_status = {name: tuple(r for r in told if r.status == name) for name in STATUSES}
    short = by_status["short"]
    return Today(
        say=_say(page, mine, free, member=member, plots=plots, at=at),
        mine=tuple(map(card, mine)),
        walks=tuple(
            WalkPart(walk, tuple(map(card, walk.jobs)), walk_title(walk)) for walk in walks
        ),
        taken=tuple(map(card, sorted(found["taken"], key=_when))),
        done=tuple(map(card, found["done"])),
        struck=tuple(map(card, found["struck"])),
        no_cover=tuple(story for story in short if not story.given),
        at_risk=tuple(story for story in short if story.given),
        watch=by_status["watch"],
        safe=by_status["safe"],
        free_count=len(free),
    )


def _part_of(job: BoardJob, *, is_theirs: bool, at: datetime) -> str:
    """Where on the page a job stands."""
    is_finished = job.state == ("off" if job.must_come_off else "on")
    just = job.on_since is not None and at - job.on_since < STAYS_FOR
    if is_finished and not (just and is_theirs):
        return "done"
    if is_theirs:
        return "mine"
    if job.state == "struck":
        return "struck"
    return "taken" if job.state == "claimed" else "free"


def make_card(
    job: BoardJob,
    stories: Mapping[int, PlantingStory],
    *,
    member_id: int | None,
    gust_mps: float | None,
    at: datetime,
) -> Card:
    """One job as its card shows it to one reader."""
    state = "mine" if member_id is not None and job.belongs_to(member_id) else job.state
    return Card(
        job=job,
        state=state,
        sign=sign_of_job(job),
        what=what_text(job),
        plants=plants_text(job, stories),
        place="; ".join(place for place, _labels in job.places if place),
        note=_note(job),
        caution=_caution(job, gust_mps),
        is_late=job.by_at is not None and job.by_at < at and job.state not in {"on", "off"},
    )


def sign_of_job(job: BoardJob) -> str:
    """The drawing of what a job takes along first, or of carrying pots in."""
    if not job.covers:
        return "carry"
    first = job.covers[0]
    return sign_of(first.construction, first.film, first.reference_key)


def flies(job: BoardJob, gust_mps: float | None) -> bool:
    """Whether something of it is laid and a gust may take it that nothing weighs down."""
    return job.is_loose and gust_mps is not None and gust_mps >= LOOSE_GUST_MPS


def _note(job: BoardJob) -> str:
    """What is to be known of a place, where it is short enough to be read in passing."""
    found = {cover.place: cover.place_note for cover in job.covers if cover.place_note}
    if len(found) != 1:
        return ""
    ((place, note),) = found.items()
    return note if len(place) + len(note) <= LONGEST_PLACE else ""


def _when(job: BoardJob) -> float:
    return job.by_at.timestamp() if job.by_at is not None else float("inf")


def what_text(job: BoardJob) -> str:
    """What is taken: the labels of the covers, or what is done where there is none."""
    if not job.covers:
        return treatment_words(job.name)
    labels = joined_labels([cover.label for cover in job.covers])
    if any(WORD.search(cover.label) for cover in job.covers):
        return labels
    # `T7` alone says nothing of what to look for.
    return f"{treatment_words(job.name)} {labels}"


def joined_labels(labels: Sequence[str]) -> str:
    """Labels with what they share said once: `fleece 4, 7, tote 1`."""
    found: list[str] = []
    before = ""
    for label in labels:
        head, space, tail = label.rpartition(" ")
        if space and head == before and tail.isdigit():
            found.append(tail)
        else:
            found.append(label)
        before = head if space and tail.isdigit() else ""
    return ", ".join(found)


def plants_text(job: BoardJob, stories: Mapping[int, PlantingStory]) -> str:
    """What grows under it, with how many of each."""
    return ", ".join(
        f"{number} {said(stories[key].name)}"
        for key, number in job.plants.items()
        if key in stories
    )


def _caution(job: BoardJob, gust_mps: float | None) -> str:
    """The one caution that counts most; none for what is on already."""
    if job.state not in {"free", "claimed", "off"} or job.must_come_off:
        return ""
    if job.lacks_second:
        return _("a second is wanted")
    if job.needs_two:
        return _("two people")
    if job.is_glass:
        return _("glass")
    if job.is_icy:
        return _("ice by then")
    if flies(job, gust_mps):
        return _("weigh it down")
    return ""


def walk_title(walk: Walk) -> str:
    """Where a walk begins, and which of its place it is."""
    if walk.place is None:
        name = _("Pots to carry in")
    else:
        name = walk.place or _("Covers without a place")
    if walk.of > 1:
        return _("%(name)s, walk %(number)s", name=name, number=walk.number)
    return name


def _say(
    page: TonightPage,
    mine: Sequence[BoardJob],
    free: Sequence[BoardJob],
    *,
    member: Member | None,
    plots: Collection[int],
    at: datetime,
) -> str:
    """The whole night in one sentence, for who reads no further."""
    if member is None or not (plots or mine):
        waiting = [job for job in page.jobs if job.state in {"free", "claimed", "off"}]
        if not waiting:
            return _nothing_left(page)
        return _with_time(
            n_(
                "%(num)s job tonight, %(free)s free",
                "%(num)s jobs tonight, %(free)s free",
                len(waiting),
                free=len(free),
            ),
            waiting,
            at,
        )
    open_jobs = [
        job
        for job in mine
        if job.state in {"free", "off"}
        or job.must_come_off
        or (member is not None and job.belongs_to(member.id))
    ]
    if not open_jobs:
        return _nothing_of_mine(page, plots, len(free))
    where = _plots_named([job.plot for job in open_jobs])
    return _with_time(
        n_(
            "%(num)s job of yours on %(where)s",
            "%(num)s jobs of yours on %(where)s",
            len(open_jobs),
            where=where,
        ),
        open_jobs,
        at,
    )


def _with_time(words: str, jobs: Sequence[BoardJob], at: datetime) -> str:
    first = min((job.by_at for job in jobs if job.by_at is not None), default=None)
    if first is None:
        return f"{words}."
    if first < at:
        return _("%(words)s. Some are late: the sooner the better.", words=words)
    return _("%(words)s, on by %(by)s.", words=words, by=clock(first))


def _plots_named(labels: Sequence[str]) -> str:
    names = list(dict.fromkeys(labels))
    if len(names) > MOST_PLOTS_NAMED:
        return n_("%(num)s plot", "%(num)s plots", len(names))
    return ", ".join(names)


def _nothing_left(page: TonightPage) -> str:
    if page.jobs:
        return _("Every job of tonight is done.")
    if words := why_empty(page):
        return words
    if page.with_status("short"):
        return _("There is no cover to put on tonight.")
    return _("Nothing to cover tonight.")


def _nothing_of_mine(page: TonightPage, plots: Collection[int], free: int) -> str:
    bad = [s for s in page.rows if s.plot_id in plots and s.status == "short"]
    done = [job for job in page.jobs if job.plot_id in plots]
    if bad:
        words = n_(
            "Nothing left to do on your plots; %(num)s planting stays at risk.",
            "Nothing left to do on your plots; %(num)s plantings stay at risk.",
            len(bad),
        )
    elif done:
        words = _("All is on at your plots.")
    elif plots and not any(row.plot_id in plots for row in page.rows):
        words = _("No plants are written down for your plots.")
    else:
        words = why_empty(page) or _("Nothing of yours needs a cover tonight.")
    if not free:
        return words
    more = n_("%(num)s job elsewhere is free.", "%(num)s jobs elsewhere are free.", free)
    return f"{words} {more}"
