"""How a night is put in the words of a message, a calendar or a feed.

Pages have their own ways of writing numbers; what leaves the app is read without them, so this
is plain text in the reader's unit and the garden's time.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from gardenapp.science.night.plan_records import PlantingStory
from gardenapp.science.units import c_to_f, difference_k_to_f
from gardenapp.services.night.plan_words import treatment_words
from gardenapp.services.night.tonight import BoardJob, TonightPage
from gardenapp.services.night.why_empty import why_empty
from gardenapp.words import _, day_of, decimal_sign, later, month_of, n_, said

MINUS = "\N{MINUS SIGN}"
QUARTER = timedelta(minutes=15)
CAUTION = later(
    "Chances are estimates, not promises. Covers still on by day can cook plants: open or take "
    "them off in the morning. In ice and dark, leave a plant rather than fall for it."
)


@dataclass(frozen=True)
class NightText:
    """A night in words: one line, then paragraphs; `has_work` tells a quiet night apart."""

    title: str
    lines: tuple[str, ...]
    has_work: bool

    @property
    def text(self) -> str:
        return "\n".join(self.lines)


def temperature(value_c: float, unit: str) -> str:
    """`−1.5 °C`, for text without a page round it."""
    shown = f"{c_to_f(value_c) if unit == 'F' else value_c:.1f}"
    if float(shown) == 0:
        shown = shown.lstrip("-")
    return f"{shown.replace('-', MINUS).replace('.', decimal_sign())} °{unit}"


def night_name(night_of: date) -> str:
    """`Tuesday 24 to Wednesday 25 November`."""
    morning = night_of + timedelta(days=1)
    first = f"{day_of(night_of)} {night_of.day}"
    if night_of.month != morning.month:
        first = _("%(day)s %(month)s", day=first, month=month_of(night_of))
    return _(
        "%(first)s to %(next_day)s %(next_number)s %(month)s",
        first=first,
        next_day=day_of(morning),
        next_number=morning.day,
        month=month_of(morning),
    )


def clock(moment: datetime, zone: ZoneInfo) -> str:
    """Time of day at the garden."""
    return f"{moment.astimezone(zone):%H:%M}"


def quarter_before(moment: datetime) -> datetime:
    """The quarter of an hour at or before `moment`: being early costs nothing."""
    seconds = int(QUARTER.total_seconds())
    return moment - timedelta(
        seconds=int(moment.timestamp()) % seconds, microseconds=moment.microsecond
    )


def plain(text: str) -> str:
    """`text` without characters that a feed or a mail header may not hold."""
    return "".join(c for c in text if c.isprintable())


def job_line(job: BoardJob) -> str:
    """`2 × crate (from Back shed)`."""
    number = f"{len(job.covers)} × " if len(job.covers) > 1 else ""
    places = ", ".join(place for place, _labels in job.places if place)
    line = f"{number}{treatment_words(job.name)}"
    if places:
        line = _("%(covers)s (from %(places)s)", covers=line, places=places)
    return plain(_("Take off: %(line)s", line=line) if job.must_come_off else line)


def job_lines(jobs: Sequence[BoardJob]) -> list[str]:
    """One line a plot: `Plot A1: 2 × crate (from Back shed); fleece`."""
    by_plot: dict[str, list[str]] = defaultdict(list)
    for job in jobs:
        by_plot[job.plot].append(job_line(job))
    lines = []
    for plot, found in sorted(by_plot.items()):
        counted = Counter(found)
        words = "; ".join(
            _("%(n)s times %(w)s", n=n, w=w) if n > 1 else w for w, n in sorted(counted.items())
        )
        lines.append(_("Plot %(plot)s: %(words)s", plot=plain(plot), words=words))
    return lines


def short_line(story: PlantingStory) -> str:
    """`Plot A1: 3 × beans cannot be saved with the covers there are`."""
    words = _(
        "%(number)s × %(name)s, about %(after)s %% likely damaged",
        number=story.lost,
        name=said(story.name),
        after=round(story.after * 100),
    )
    return plain(_("Plot %(plot)s: %(words)s", plot=story.plot, words=words))


def put_on_by(jobs: Sequence[BoardJob]) -> datetime | None:
    """The earliest time among jobs that put something on."""
    return min(
        (job.by_at for job in jobs if job.by_at is not None and not job.must_come_off),
        default=None,
    )


def lift_by(jobs: Sequence[BoardJob]) -> datetime | None:
    """The earliest time by which something has to be lifted or vented again."""
    return min((job.lift_by_at for job in jobs if job.lift_by_at is not None), default=None)


def age_line(page: TonightPage) -> str | None:
    """How old the forecast is, where it is old; it may be colder by now."""
    if not page.is_stale or page.forecast_age is None:
        return None
    hours = int(page.forecast_age.total_seconds() // 3600)
    return _("The forecast is old, from %(hours)s hours ago: it may be colder by now.", hours=hours)


def is_open(job: BoardJob) -> bool:
    """Whether something is still to be done about a job."""
    return job.state in ("free", "claimed") or (job.must_come_off and job.state == "on")


def night_text(
    page: TonightPage,
    *,
    unit: str,
    zone: ZoneInfo,
    now: datetime,
    new_ids: Collection[int] | None = None,
) -> NightText:
    """What a planned night asks of whoever `page` was made for, as it stands now; no names in it.

    new_ids : the jobs that are news to somebody who was told before; None where nobody was.
    """
    assert page.header is not None  # nobody is told of a night without a plan
    low = page.header.low
    spread = difference_k_to_f(low.sd) if unit == "F" else low.sd
    lines = [
        _("Night of %(night_of)s.", night_of=night_name(page.night_of)),
        _(
            "Low about %(low_c)s, give or take %(spread)s °%(unit)s.",
            low_c=temperature(low.mean, unit),
            spread=f"{spread:.1f}".replace(".", decimal_sign()),
            unit=unit,
        ),
    ]
    if (age := age_line(page)) is not None:
        lines.append(age)
    short = page.with_status("short")
    todo = [job for job in page.jobs if is_open(job)]
    done = sum(job.state == "on" and not job.must_come_off for job in page.jobs)
    fresh = [job for job in todo if new_ids is not None and job.id in new_ids]
    if len(fresh) == len(todo) and not done:
        fresh = []  # all of it is new, so it is just what there is to do
    known = [job for job in todo if job not in fresh]
    lift_at = lift_by([job for job in page.jobs if job.state != "struck"])
    if fresh:
        lines += ["", _("New since the last message:"), *job_lines(fresh)]
    if known:
        lines += ["", _("Still to do:") if fresh or done else _("To do:")]
        lines += job_lines(known)
    lines += _times(todo, zone, now)
    if done:
        lines += ["", n_("%(num)s cover or set is on.", "%(num)s covers or sets are on.", done)]
    if lift_at is not None and lift_at > now:
        lines += [
            _(
                "Open or take off by about %(lift_at)s in the morning.",
                lift_at=clock(quarter_before(lift_at), zone),
            )
        ]
    if short:
        lines += ["", _("No cover free, or covered and still at risk:"), *map(short_line, short)]
    if not page.jobs and not short:
        lines += ["", why_empty(page) or _("Nothing to do tonight.")]
    lines += ["", str(CAUTION)]
    return NightText(
        _title(page, todo, fresh, bool(short), zone, now), tuple(lines), bool(todo or short)
    )


def _times(todo: Sequence[BoardJob], zone: ZoneInfo, now: datetime) -> list[str]:
    """By when, for what is not late yet; and what is late, as such."""
    due = [job.by_at for job in todo if job.by_at is not None and not job.must_come_off]
    ahead, late = [at for at in due if at > now], [at for at in due if at <= now]
    lines = []
    if ahead:
        lines += ["", _("Put on by %(by_at)s.", by_at=_shown_time(min(ahead), zone, now))]
    if late:
        lines += [
            "",
            n_(
                "%(num)s is late, as of %(by_at)s: put it on now, it still helps.",
                "%(num)s are late, as of %(by_at)s: put them on now, it still helps.",
                len(late),
                by_at=clock(min(late), zone),
            ),
        ]
    return lines


def _shown_time(at: datetime, zone: ZoneInfo, now: datetime) -> str:
    """The quarter of an hour before, unless that has passed already."""
    early = quarter_before(at)
    return clock(early if early > now else at, zone)


def _title(
    page: TonightPage,
    todo: Sequence[BoardJob],
    fresh: Sequence[BoardJob],
    is_short: bool,
    zone: ZoneInfo,
    now: datetime,
) -> str:
    on = [job for job in todo if not job.must_come_off]
    due = [job.by_at for job in (fresh or on) if job.by_at is not None and not job.must_come_off]
    ahead = [at for at in due if at > now]
    if todo and not on:
        return _("Take covers off tonight: wind")
    if fresh:
        if ahead and len(ahead) == len(due):
            return n_(
                "%(num)s more to cover by %(by_at)s",
                "%(num)s more to cover by %(by_at)s",
                len(fresh),
                by_at=_shown_time(min(ahead), zone, now),
            )
        return n_("%(num)s more to cover now", "%(num)s more to cover now", len(fresh))
    if on and ahead and len(ahead) == len(due):
        return _("Cover up by %(by_at)s tonight", by_at=_shown_time(min(ahead), zone, now))
    if on and due:
        return _("Cover up now: some of it is late")
    if todo:
        return _("There is something to do tonight")
    if is_short:
        return _("Plants at risk tonight, and no cover free")
    if page.jobs:
        return _("Covers are on")
    return _("Nothing could be decided tonight") if why_empty(page) else _("Nothing to do tonight")
