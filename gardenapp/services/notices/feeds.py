"""Tonight for calendars, feed readers and machines, by a private link or for everybody."""

from __future__ import annotations

import hashlib
import secrets
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from sqlalchemy import delete, func, select

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.notices import FeedLink
from gardenapp.models.people import Garden, Member
from gardenapp.services import change_log
from gardenapp.services.clockwork import get_garden
from gardenapp.services.garden.plots import plots_of
from gardenapp.services.night.machine_board import board_as_dict
from gardenapp.services.night.tonight import BoardJob, TonightPage, tonight_page
from gardenapp.services.notices import night_words
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later, speaking

TOKEN_BYTES = 24  # 192 random bits
FOLD_OCTETS = 75  # RFC 5545, 3.1
ALARM = timedelta(minutes=30)
PUT_ON_TAKES = timedelta(minutes=30)
NIGHTS_IN_FEED = 3
NO_LINK = later("This feed’s address no longer works. Make a new one on your own page.")


@dataclass(frozen=True)
class Reader:
    """For whom a feed is made: plots None is the whole garden."""

    unit: str
    plot_ids: tuple[int, ...] | None
    language: str = "en"


@dataclass(frozen=True)
class LinkState:
    """What a member's page shows of their link; the secret itself is shown once, when made."""

    all_plots: bool
    made_at: datetime


@dataclass(frozen=True)
class Event:
    """One entry of a calendar. `ends_at` None is a whole day, `starts_at` then names its date."""

    uid: str
    sequence: int
    stamped_at: datetime
    starts_at: datetime | date
    ends_at: datetime | None
    title: str
    text: str
    alarm: str = ""


@dataclass(frozen=True)
class FeedEntry:
    """One night of a feed."""

    id: str
    title: str
    updated_at: datetime
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Feed:
    """A feed for readers."""

    id: str
    title: str
    updated_at: datetime
    entries: tuple[FeedEntry, ...]


# --- links ------------------------------------------------------------------------------------


def make_link(*, member_id: int, all_plots: bool, now: datetime) -> str:
    """A new secret for a member's feeds; the one before works no more.

    Only the hash is kept, so it can be shown once.
    """
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with write_transaction(changes_board=False) as session:
        session.execute(delete(FeedLink).where(FeedLink.member_id == member_id))
        session.flush()
        session.add(
            FeedLink(
                member_id=member_id, token_hash=_digest(token), all_plots=all_plots, made_at=now
            )
        )
        change_log.record(
            action="made a feed link", subject="their own", at=now, member_id=member_id
        )
    return token


def end_link(*, member_id: int, now: datetime) -> None:
    """End a member's feed link. Nothing to end is no error."""
    with write_transaction(changes_board=False) as session:
        gone = session.execute(delete(FeedLink).where(FeedLink.member_id == member_id))
        if gone.rowcount:  # type: ignore[attr-defined]
            change_log.record(
                action="ended a feed link", subject="their own", at=now, member_id=member_id
            )


def find_link(*, member_id: int) -> LinkState | None:
    """The member's link, if there is one."""
    row = db.session.scalar(select(FeedLink).where(FeedLink.member_id == member_id))
    return None if row is None else LinkState(row.all_plots, row.made_at)


def reader_of(token: str) -> Reader:
    """Whose feeds a secret opens. Raises NotFound, alike for wrong, ended and let go."""
    found = db.session.execute(
        select(FeedLink, Member)
        .join(Member, Member.id == FeedLink.member_id)
        .where(FeedLink.token_hash == _digest(token), Member.is_active)
    ).one_or_none()
    if found is None:
        raise NotFound(NO_LINK)
    link, member = found
    return Reader(
        member.temperature_unit,
        None if link.all_plots else tuple(plots_of(member.id)),
        member.language or get_garden().language,
    )


def open_reader(unit: str) -> Reader:
    """Somebody without a link, where the board is open: everything, no names."""
    return Reader(unit, None, get_garden().language)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


# --- calendar ---------------------------------------------------------------------------------


def tonight_calendar(*, reader: Reader, now: datetime) -> bytes:
    """Tonight as an iCalendar file: put on and lift off, each with an alarm."""
    garden = get_garden()
    page = tonight_page(now=now, plot_ids=reader.plot_ids)
    with speaking(reader.language):
        return calendar(
            name=_("%(garden)s: cold nights", garden=night_words.plain(garden.name)),
            events=_events(page, garden, reader, now),
        )


def _events(page: TonightPage, garden: Garden, reader: Reader, now: datetime) -> list[Event]:
    place = _garden_id(garden)
    zone = ZoneInfo(garden.time_zone)
    quiet = f"{page.night_of}-quiet@{place}"
    if page.plan_id is None or page.made_at is None:
        stamped_at = datetime.combine(page.night_of, datetime.min.time(), UTC)
        title = _("No plan for tonight yet")
        age = night_words.age_line(page) or ""
        return [Event(quiet, 0, stamped_at, page.night_of, None, title, age)]
    # A plan's number among those of its night: it rises with each change, as RFC 5545 asks.
    sequence = (
        db.session.scalar(
            select(func.count()).where(Plan.night_of == page.night_of, Plan.id < page.plan_id)
        )
        or 0
    )
    text = night_words.night_text(page, unit=reader.unit, zone=zone, now=now)
    night = [*text.lines[:2], *filter(None, [night_words.age_line(page)])]
    by_plot: dict[int, list[BoardJob]] = defaultdict(list)
    for job in page.jobs:
        if job.state != "struck":  # it cannot be done, so nothing rings for it
            by_plot[job.plot_id].append(job)
    events: list[Event] = []
    for plot_id, jobs in sorted(by_plot.items()):
        of_plot = f"{page.night_of}-plot{plot_id}"
        evening = _put_on(jobs, f"{of_plot}-on@{place}", sequence, page.made_at, night, zone)
        morning = _lift_off(jobs, f"{of_plot}-off@{place}", sequence, page.made_at)
        events += [event for event in (evening, morning) if event is not None]
    if not events:
        title = _("Covers are on") if page.jobs else text.title
        events = [Event(quiet, sequence, page.made_at, page.night_of, None, title, text.text)]
    return events


def _put_on(
    jobs: Sequence[BoardJob],
    uid: str,
    sequence: int,
    made_at: datetime,
    night: Sequence[str],
    zone: ZoneInfo,
) -> Event | None:
    """The evening's work at a plot, with what the night will be; None where nothing is left."""
    # What is done needs no alarm.
    to_do = [job for job in jobs if job.must_come_off or job.state not in {"on", "off"}]
    by_at = night_words.put_on_by(to_do) or (
        min((job.by_at for job in to_do if job.by_at is not None), default=None)
    )
    if not to_do or by_at is None:
        return None
    plot = night_words.plain(jobs[0].plot)
    by_at = night_words.quarter_before(by_at)
    only_off = all(job.must_come_off for job in to_do)
    return Event(
        uid,
        sequence,
        made_at,
        by_at - PUT_ON_TAKES,
        by_at,
        _("Take covers off: plot %(plot)s", plot=plot)
        if only_off
        else _("Put covers on: plot %(plot)s", plot=plot),
        "\n".join([*map(night_words.job_line, to_do), "", *night, str(night_words.CAUTION)]),
        alarm=_(
            "Covers in plot %(plot)s by %(by_at)s",
            plot=plot,
            by_at=night_words.clock(by_at, zone),
        ),
    )


def _lift_off(jobs: Sequence[BoardJob], uid: str, sequence: int, made_at: datetime) -> Event | None:
    """The morning's work at a plot; None where no cover will be out."""
    lift_at = night_words.lift_by([job for job in jobs if job.state != "off"])
    if lift_at is None:
        return None
    plot = night_words.plain(jobs[0].plot)
    lift_at = night_words.quarter_before(lift_at)
    return Event(
        uid,
        sequence,
        made_at,
        lift_at - PUT_ON_TAKES,
        lift_at,
        _("Open or take off covers: plot %(plot)s", plot=plot),
        " ".join([_("The sun heats what is under them."), str(night_words.CAUTION)]),
        alarm=_("Open or take off covers in plot %(plot)s", plot=plot),
    )


def calendar(*, name: str, events: Sequence[Event]) -> bytes:
    """A file of RFC 5545 with `events`; times in UTC, so that no time zone rules are needed."""
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//gardenapp//cold nights//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        f"NAME:{_escaped(name)}",  # RFC 7986
        f"X-WR-CALNAME:{_escaped(name)}",
        "REFRESH-INTERVAL;VALUE=DURATION:PT1H",
    ]
    for event in events:
        lines += ["BEGIN:VEVENT", f"UID:{event.uid}", f"SEQUENCE:{event.sequence}"]
        lines += [f"DTSTAMP:{_utc(event.stamped_at)}", f"LAST-MODIFIED:{_utc(event.stamped_at)}"]
        if isinstance(event.starts_at, datetime) and event.ends_at is not None:
            lines += [f"DTSTART:{_utc(event.starts_at)}", f"DTEND:{_utc(event.ends_at)}"]
        else:
            lines += [f"DTSTART;VALUE=DATE:{event.starts_at:%Y%m%d}", "TRANSP:TRANSPARENT"]
        lines += [f"SUMMARY:{_escaped(event.title)}", f"DESCRIPTION:{_escaped(event.text)}"]
        if event.alarm:
            lines += ["BEGIN:VALARM", "ACTION:DISPLAY", f"DESCRIPTION:{_escaped(event.alarm)}"]
            lines += [f"TRIGGER:-PT{int(ALARM.total_seconds() // 60)}M", "END:VALARM"]
        lines.append("END:VEVENT")
    lines.append("END:VCALENDAR")
    return b"".join(_folded(line) for line in lines)


def _escaped(text: str) -> str:
    cleaned = "".join(c for c in text if c.isprintable() or c == "\n")
    for sign, written in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        cleaned = cleaned.replace(sign, written)
    return cleaned


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _folded(line: str) -> bytes:
    """A line cut at 75 octets, never inside a character; what follows begins with a space."""
    pieces: list[bytes] = []
    piece = b""
    for character in line:
        octets = character.encode("utf-8")
        if len(piece) + len(octets) > FOLD_OCTETS - (1 if pieces else 0):
            pieces.append(piece)
            piece = b""
        piece += octets
    pieces.append(piece)
    return b"\r\n ".join(pieces) + b"\r\n"


# --- feed readers and machines ----------------------------------------------------------------


def board_feed(*, reader: Reader, now: datetime) -> Feed:
    """Tonight and the nights before it, newest first, one entry a plan."""
    with speaking(reader.language):
        return _board_feed(reader, now)


def _board_feed(reader: Reader, now: datetime) -> Feed:
    garden = get_garden()
    zone, place = ZoneInfo(garden.time_zone), _garden_id(garden)
    entries = []
    first = tonight_page(now=now, plot_ids=reader.plot_ids)
    for back in range(NIGHTS_IN_FEED):
        page = (
            first
            if back == 0
            else tonight_page(
                now=now,
                night_of=first.night_of - timedelta(days=back),
                plot_ids=reader.plot_ids,
            )
        )
        if page.plan_id is None or page.made_at is None:
            continue
        at = now if back == 0 else page.made_at
        text = night_words.night_text(page, unit=reader.unit, zone=zone, now=at)
        entries.append(
            FeedEntry(
                id=uuid5(place, f"plan {page.plan_id}").urn,
                title=f"{text.title} ({night_words.night_name(page.night_of)})",
                updated_at=page.made_at,
                lines=text.lines,
            )
        )
    return Feed(
        id=place.urn,
        title=_("%(garden)s: cold nights", garden=night_words.plain(garden.name)),
        updated_at=max((entry.updated_at for entry in entries), default=garden.created_at),
        entries=tuple(entries),
    )


def board_data(*, reader: Reader, now: datetime) -> dict[str, Any]:
    """What the board shows of the reader's plots, for machines; no names in it."""
    found = board_as_dict(now=now)
    if reader.plot_ids is None:
        return found
    wanted = set(reader.plot_ids)
    for part in ("plantings", "jobs"):
        found[part] = [item for item in found[part] if item["plot_id"] in wanted]
    counts: dict[str, int] = defaultdict(int)
    for planting in found["plantings"]:
        counts[planting["status"]] += 1
    found["counts"] = dict(counts)
    return found


def _garden_id(garden: Garden) -> UUID:
    """A name of this garden that no renaming changes."""
    made = garden.created_at.isoformat().encode()
    return UUID(bytes=hashlib.sha256(made).digest()[:16], version=4)
