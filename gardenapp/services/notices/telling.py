"""Telling people of a night: who is told what, once for each change that matters to them.

A kept plan only puts rows in a queue (`plan_changed`); a worker sends them (`send_due`). So a
mail server that is slow or gone never holds up the plan or the board. What has changed for a
member is decided by what concerns them: the jobs and the losses on their plots and the quarter
of an hour to put on by. The same is never told twice; when the plan goes back to what was told
before last, that is a change again and is told.
"""

from __future__ import annotations

import hashlib
import json
import logging
import secrets
import time
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import requests
from sqlalchemy import ColumnElement, delete, func, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import joinedload

from gardenapp.errors import FieldRefused, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.notices import CHANNEL_KINDS, NoticeChannel, OutgoingNotice
from gardenapp.models.people import Member
from gardenapp.services import change_log
from gardenapp.services.clockwork import SKEW, get_garden, tonight
from gardenapp.services.garden.plots import plots_of
from gardenapp.services.night.tonight import BoardJob, TonightPage, tonight_page
from gardenapp.services.notices import mail, night_words, webhooks
from gardenapp.services.notices.mail import Message, NotSent
from gardenapp.services.notices.night_words import NightText
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, speaking

CONFIRM_BYTES = 24
CONFIRM_FOR = timedelta(days=7)
MOST_CONFIRMS_A_DAY = 5
SECRET_BYTES = 24
# Minutes to wait after each failed try; after the last there is no other.
WAITS_MIN = (1, 2, 5, 10, 20, 40, 60, 60)
HELD_FOR = timedelta(minutes=5)
MOST_AT_ONCE = 50
# One round of sending ends after this, so that housekeeping sees it alive.
LONGEST_ROUND = timedelta(minutes=2)
TEST_KEPT_FOR = timedelta(hours=2)
# A plan without a sunrise in its header ends its notices after this time.
USUAL_NIGHT = timedelta(hours=20)
LINES = 100
# Begins a concern that is made of codes; those before it were hashes alone.
CONCERN_MARK = "2:"

_log = logging.getLogger("gardenapp.notices")


@dataclass(frozen=True)
class ChannelState:
    """What a member's page shows of one of their ways to be told."""

    id: int
    kind: str
    address: str
    all_plots: bool
    tells_quiet: bool
    is_confirmed: bool
    last_error: str
    last_sent_at: datetime | None


@dataclass(frozen=True)
class NoticeLine:
    """One notice in the coordinator's list: whose, how, and what became of it; no addresses."""

    id: int
    name: str
    channel: str
    kind: str
    state: str
    tries: int
    made_at: datetime
    sent_at: datetime | None
    next_try_at: datetime
    last_error: str


@dataclass(frozen=True)
class Sent:
    """What one round of sending did."""

    sent: int
    failed: int
    waiting: int


@dataclass(frozen=True)
class Outlet:
    """What sending needs beside the database. `http` is for tests."""

    instance: Path
    allowed_private_hosts: frozenset[str] = frozenset()
    http: requests.Session | None = None
    # How long the day's copy of the database is kept; 0 makes none.
    backup_days: int = 0


@dataclass(frozen=True)
class _Draft:
    """A notice ready to be queued for a channel."""

    channel_id: int
    member_id: int
    concern: str
    page: TonightPage
    has_work: bool
    tells_quiet: bool
    body: dict[str, Any]


# --- a member's choices -----------------------------------------------------------------------


def list_channels(*, member_id: int) -> dict[str, ChannelState]:
    """A member's ways to be told, by kind."""
    found = {}
    for row in db.session.scalars(
        select(NoticeChannel).where(
            NoticeChannel.member_id == member_id, NoticeChannel.ended_at.is_(None)
        )
    ):
        last = db.session.execute(
            select(OutgoingNotice.last_error, OutgoingNotice.state)
            .where(OutgoingNotice.channel_id == row.id, OutgoingNotice.state != "replaced")
            .order_by(OutgoingNotice.id.desc())
            .limit(1)
        ).one_or_none()
        sent_at = db.session.scalar(
            select(func.max(OutgoingNotice.sent_at)).where(OutgoingNotice.channel_id == row.id)
        )
        found[row.kind] = ChannelState(
            id=row.id,
            kind=row.kind,
            address=row.address,
            all_plots=row.all_plots,
            tells_quiet=row.tells_quiet,
            is_confirmed=row.confirmed_at is not None,
            last_error=last.last_error if last is not None and last.state != "sent" else "",
            last_sent_at=sent_at,
        )
    return found


def set_mail(
    *,
    member_id: int,
    address: str,
    all_plots: bool,
    tells_quiet: bool,
    pages_at: str,
    now: datetime,
) -> bool:
    """Be told by e-mail. Says whether a message to confirm the address is on its way.

    Nothing but that message goes to an address before whoever reads it has pressed the
    button it leads to, so that nobody can have notices sent to somebody else.

    Raises FieldRefused (no address, too many tries).
    """
    address = mail.check_address(address)
    token = secrets.token_urlsafe(CONFIRM_BYTES)
    with write_transaction(changes_board=False) as session:
        row = _open_channel(member_id, "mail")
        if row is not None and row.address == address and row.confirmed_at is not None:
            row.all_plots, row.tells_quiet, row.pages_at = all_plots, tells_quiet, pages_at
            return False
        _limit_confirms(member_id, now)
        _end_channel(row, now)
        row = NoticeChannel(
            member_id=member_id,
            kind="mail",
            address=address,
            pages_at=pages_at,
            all_plots=all_plots,
            tells_quiet=tells_quiet,
            confirm_hash=digest_of(token),
            confirm_until=now + CONFIRM_FOR,
            made_at=now,
        )
        session.add(row)
        session.flush()
        session.add(_confirming(row, token, now))
        change_log.record(
            action="set notices by e-mail", subject="their own", at=now, member_id=member_id
        )
    return True


def _confirming(channel: NoticeChannel, token: str, now: datetime) -> OutgoingNotice:
    """The message that asks whoever reads an address whether it is theirs."""
    name = night_words.plain(get_garden().name)
    return OutgoingNotice(
        member_id=channel.member_id,
        channel_id=channel.id,
        kind="confirm",
        digest=digest_of(f"confirm {token}"),
        body={
            "subject": _("%(name)s: is this your address?", name=name),
            "text": "\n".join(
                (
                    _("Somebody asked %(name)s to send notices of cold nights here.", name=name),
                    "",
                    _("If that was you, open this page and press the button:"),
                    f"{channel.pages_at}/notices/confirm/{token}",
                    "",
                    _("If it was not you, do nothing. We will send no more."),
                )
            ),
        },
        made_at=now,
        next_try_at=now,
        expires_at=now + CONFIRM_FOR,
    )


def set_hook(
    *,
    member_id: int,
    url: str,
    all_plots: bool,
    tells_quiet: bool,
    pages_at: str,
    now: datetime,
) -> str | None:
    """Be told by a POST to `url`. Gives the secret that signs it, to be shown once.

    None where the address stays, which keeps its secret. Raises FieldRefused.
    """
    url = webhooks.check_url(url)
    secret = secrets.token_urlsafe(SECRET_BYTES)
    with write_transaction(changes_board=False) as session:
        row = _open_channel(member_id, "hook")
        if row is not None and row.address == url:
            row.all_plots, row.tells_quiet, row.pages_at = all_plots, tells_quiet, pages_at
            return None
        _end_channel(row, now)
        session.add(
            NoticeChannel(
                member_id=member_id,
                kind="hook",
                address=url,
                secret=secret,
                pages_at=pages_at,
                all_plots=all_plots,
                tells_quiet=tells_quiet,
                confirmed_at=now,
                made_at=now,
            )
        )
        change_log.record(action="set a web hook", subject="their own", at=now, member_id=member_id)
    return secret


def stop_channel(*, member_id: int, kind: str, now: datetime) -> None:
    """End one way of being told; what was waiting for it is dropped. Raises NotFound."""
    if kind not in CHANNEL_KINDS:
        raise NotFound(_("We can’t find that way of sending notices."))
    with write_transaction(changes_board=False):
        row = _open_channel(member_id, kind)
        if row is None:
            return
        _end_channel(row, now)
        change_log.record(
            action="stopped notices",
            subject="by e-mail" if kind == "mail" else "by web hook",
            at=now,
            member_id=member_id,
        )


def look_at_confirmation(*, token: str, now: datetime) -> str:
    """The address a link would confirm. Looking confirms nothing. Raises NotFound."""
    return _to_confirm(token, now).address


def confirm(*, token: str, now: datetime) -> str:
    """Confirm an address and give it back. A second press is harmless. Raises NotFound."""
    with write_transaction(changes_board=False):
        row = _to_confirm(token, now)
        if row.confirmed_at is None:
            row.confirmed_at = now
            change_log.record(
                action="confirmed an e-mail address",
                subject="their own",
                at=now,
                member_id=row.member_id,
            )
        return row.address


def send_test(*, member_id: int, kind: str, now: datetime) -> None:
    """Queue a message that says that messages arrive. Raises NotFound, Refused."""
    with write_transaction(changes_board=False) as session:
        row = _open_channel(member_id, kind)
        if row is None:
            raise NotFound(_("Set this up first, then try it."))
        if row.confirmed_at is None:
            raise Refused(_("Confirm the address first; the message to do so is on its way."))
        name = night_words.plain(get_garden().name)
        # Two presses within a minute are one.
        digest = digest_of(f"test {row.id} {int(now.timestamp()) // 60}")
        if session.scalar(select(OutgoingNotice.id).where(OutgoingNotice.digest == digest)):
            return
        session.add(
            OutgoingNotice(
                member_id=member_id,
                channel_id=row.id,
                kind="test",
                digest=digest,
                body={
                    "subject": _("%(name)s: notices reach you", name=name),
                    "text": _("This is the test you asked for. Notices of cold nights come here."),
                },
                made_at=now,
                next_try_at=now,
                expires_at=now + TEST_KEPT_FOR,
            )
        )


def _open_channel(member_id: int, kind: str) -> NoticeChannel | None:
    return db.session.scalar(
        select(NoticeChannel).where(
            NoticeChannel.member_id == member_id,
            NoticeChannel.kind == kind,
            NoticeChannel.ended_at.is_(None),
        )
    )


def _end_channel(row: NoticeChannel | None, now: datetime) -> None:
    if row is None:
        return
    row.ended_at = now
    row.confirm_hash = None
    row.secret = ""
    db.session.execute(
        update(OutgoingNotice)
        .where(OutgoingNotice.channel_id == row.id, OutgoingNotice.state == "waiting")
        .values(state="replaced")
    )
    db.session.flush()


def _limit_confirms(member_id: int, now: datetime) -> None:
    asked = db.session.scalar(
        select(func.count()).where(
            OutgoingNotice.member_id == member_id,
            OutgoingNotice.kind == "confirm",
            OutgoingNotice.made_at > now - timedelta(days=1),
        )
    )
    if (asked or 0) >= MOST_CONFIRMS_A_DAY:
        raise FieldRefused(
            "address", _("You have tried enough addresses for one day. Try again tomorrow.")
        )


def _to_confirm(token: str, now: datetime) -> NoticeChannel:
    row = db.session.scalar(
        select(NoticeChannel)
        .join(Member, Member.id == NoticeChannel.member_id)
        .where(
            NoticeChannel.confirm_hash == digest_of(token),
            NoticeChannel.confirm_until > now,
            NoticeChannel.ended_at.is_(None),
            Member.is_active,
        )
    )
    if row is None:
        raise NotFound(
            _(
                "This link no longer works: it is over a week old, or another address was given "
                "since."
            )
        )
    return row


# --- filling the queue ------------------------------------------------------------------------


def plan_changed(plan_id: int) -> int:
    """Queue what a kept plan changes for each member who asked to be told; says how many.

    Sends nothing and raises nothing: the plan is kept and good whatever happens here. What is
    missed is made up for by `catch_up`.
    """
    try:
        return _queue(plan_id)
    except Exception:
        db.session.rollback()
        _log.exception("notices of plan %s could not be queued", plan_id)
        return 0


def catch_up(*, now: datetime) -> int:
    """Queue what the plan of tonight has not queued yet; says how many."""
    plan_id = db.session.scalar(
        select(Plan.id).where(
            Plan.night_of == tonight(now),
            Plan.is_current.is_(True),
            Plan.improving == "",  # until then it may still move
        )
    )
    return 0 if plan_id is None else plan_changed(plan_id)


def _queue(plan_id: int) -> int:
    session = db.session
    plan = session.get(Plan, plan_id)
    if plan is None or not plan.is_current:
        return 0
    garden = get_garden()
    zone = ZoneInfo(garden.time_zone)
    night_of, made_at = plan.night_of, plan.made_at
    if night_of != tonight(made_at):
        return 0  # a plan for another night than the one at hand is somebody's looking ahead
    channels = list(
        session.scalars(
            select(NoticeChannel)
            .join(Member, Member.id == NoticeChannel.member_id)
            .where(
                NoticeChannel.ended_at.is_(None),
                NoticeChannel.confirmed_at.is_not(None),
                Member.is_active,
            )
            .options(joinedload(NoticeChannel.member))
            .order_by(NoticeChannel.id)
        )
    )
    if not channels:
        return 0
    whole = tonight_page(now=made_at, night_of=night_of)
    if whole.plan_id != plan_id or whole.header is None:
        return 0
    name = night_words.plain(garden.name)
    drafts = [_draft(channel, whole, name, zone, made_at) for channel in channels]
    expires_at = whole.header.sunrise_at or made_at + USUAL_NIGHT
    with write_transaction(changes_board=False):
        if not session.scalar(select(Plan.is_current).where(Plan.id == plan_id)):
            return 0
        return sum(_put(draft, plan_id, night_of, made_at, expires_at) for draft in drafts)


def _draft(
    channel: NoticeChannel, whole: TonightPage, garden: str, zone: ZoneInfo, now: datetime
) -> _Draft:
    plot_ids = None if channel.all_plots else plots_of(channel.member_id)
    page = _part(whole, plot_ids)
    with speaking(channel.member.language or get_garden().language):
        text = night_words.night_text(
            page,
            unit=channel.member.temperature_unit,
            zone=zone,
            now=now,
            new_ids=_news(channel, page),
        )
        body = _body(channel, page, text, garden)
    return _Draft(
        channel_id=channel.id,
        member_id=channel.member_id,
        concern=concern_of(page),
        page=page,
        has_work=text.has_work,
        tells_quiet=channel.tells_quiet,
        body=body,
    )


def _news(channel: NoticeChannel, page: TonightPage) -> frozenset[int] | None:
    """The jobs that the last message of the night did not tell of; None where there was none."""
    told = db.session.scalar(
        select(OutgoingNotice)
        .where(
            OutgoingNotice.channel_id == channel.id,
            OutgoingNotice.night_of == page.night_of,
            OutgoingNotice.kind == "plan",
            OutgoingNotice.state == "sent",
        )
        .order_by(OutgoingNotice.id.desc())
        .limit(1)
    )
    if told is None:
        return None
    known = {json.dumps(facts) for facts in told.body.get("told", ())}
    return frozenset(job.id for job in page.jobs if json.dumps(_job_facts(job)) not in known)


def _as_it_stands(row: OutgoingNotice, now: datetime) -> dict[str, Any] | None:
    """A notice of a plan in the words of this moment; None where it asks nothing any more.

    Between being queued and going out covers were put on, jobs struck and hours passed: nobody is
    told to do what is done, or to do it by a time that is over.
    """
    whole = tonight_page(now=now, night_of=row.night_of)
    if whole.header is None or row.night_of is None:
        return row.body
    garden = get_garden()
    draft = _draft(
        row.channel, whole, night_words.plain(garden.name), ZoneInfo(garden.time_zone), now
    )
    is_told = _news(row.channel, draft.page) is not None
    nothing_new = not draft.has_work and bool(draft.page.jobs)
    if nothing_new and (is_told or not draft.tells_quiet):
        return None
    return draft.body


def _part(whole: TonightPage, plot_ids: Collection[int] | None) -> TonightPage:
    if plot_ids is None:
        return whole
    wanted = set(plot_ids)
    return replace(
        whole,
        rows=tuple(story for story in whole.rows if story.plot_id in wanted),
        jobs=tuple(job for job in whole.jobs if job.plot_id in wanted),
    )


def concern_of(page: TonightPage) -> str:
    """What a night asks of a member, as a hash: equal where nothing changed for them.

    Made of numbers and codes, never of words: who renames a kind of cover or a shed, or writes a
    sentence better, tells nobody anything new.
    """
    by_at = night_words.put_on_by(page.jobs)
    facts = {
        "jobs": sorted(_job_facts(job) for job in page.jobs),
        "short": sorted([story.planting_id, story.left] for story in page.with_status("short")),
        "by": None if by_at is None else int(night_words.quarter_before(by_at).timestamp()),
    }
    return CONCERN_MARK + digest_of(json.dumps(facts, sort_keys=True))[len(CONCERN_MARK) :]


def _job_facts(job: BoardJob) -> list[Any]:
    """A job by its plot, its kinds of cover, how many covers, from where, and on or off."""
    # Whose covers they are is no news; see `services.night.standing` for what a treatment is.
    kinds = "+".join(part.partition("@")[0] for part in job.treatment.split("+"))
    places = sorted({cover.place_id for cover in job.covers if cover.place_id is not None})
    return [job.plot_id, kinds, len(job.covers), places, job.must_come_off]


def _is_same(told: OutgoingNotice, draft: _Draft) -> bool:
    """Whether a notice said what a draft says."""
    if told.concern.startswith(CONCERN_MARK):
        return told.concern == draft.concern
    return told.concern == _worded_concern(draft.page)


def _worded_concern(page: TonightPage) -> str:
    """The hash as it was made of English words, for notices of the night of an upgrade.

    Without it, everybody would be told once more what they know.
    """
    with speaking("en"):
        by_at = night_words.put_on_by(page.jobs)
        facts = {
            "jobs": sorted([job.plot_id, night_words.job_line(job)] for job in page.jobs),
            "short": sorted([story.planting_id, story.left] for story in page.with_status("short")),
            "by": None if by_at is None else night_words.quarter_before(by_at).isoformat(),
        }
    return digest_of(json.dumps(facts, sort_keys=True))


def _body(
    channel: NoticeChannel, page: TonightPage, text: NightText, garden: str
) -> dict[str, Any]:
    board = f"{channel.pages_at}/tonight"
    foot = (
        "",
        _("The board: %(board)s", board=board),
        _("To stop these notices: %(address)s", address=f"{channel.pages_at}/me/notices"),
    )
    by_at, lift_at = night_words.put_on_by(page.jobs), night_words.lift_by(page.jobs)
    assert page.header is not None  # nobody is told of a night without a plan
    return {
        "subject": f"{garden}: {text.title}",
        "text": "\n".join((*text.lines, *foot)),
        # What was told, so that the next message knows what is new.
        "told": [_job_facts(job) for job in page.jobs],
        "data": {
            "garden": garden,
            "night_of": page.night_of.isoformat(),
            "plan_id": page.plan_id,
            "title": text.title,
            "has_work": text.has_work,
            "low_c": page.header.low.mean,
            "low_sd_k": page.header.low.sd,
            "put_on_by": by_at.isoformat() if by_at else None,
            "lift_off_by": lift_at.isoformat() if lift_at else None,
            "jobs": [
                {
                    "id": job.id,
                    "plot": job.plot,
                    "label": job.name.label,
                    "covers": [cover.label for cover in job.covers],
                    "put_on_by": job.by_at.isoformat() if job.by_at else None,
                    "must_come_off": job.must_come_off,
                }
                for job in page.jobs
            ],
            "short": [
                {
                    "plot": story.plot,
                    "name": story.name,
                    "count": story.count,
                    "likely_lost_fraction": story.after,
                }
                for story in page.with_status("short")
            ],
            "note": _("Chances are estimates, not promises."),
            "board": board,
        },
    }


def _put(
    draft: _Draft, plan_id: int, night_of: date, made_at: datetime, expires_at: datetime
) -> int:
    """Queue a draft if it is news to its channel, inside the caller's transaction."""
    session = db.session
    told: OutgoingNotice | None = None
    last: OutgoingNotice | None = None
    waiting: list[OutgoingNotice] = []
    before = 0
    for found in session.scalars(
        select(OutgoingNotice)
        .where(
            OutgoingNotice.channel_id == draft.channel_id,
            OutgoingNotice.night_of == night_of,
            OutgoingNotice.kind == "plan",
        )
        .order_by(OutgoingNotice.id)
    ):
        before = found.id
        if found.state == "replaced":
            continue
        last = found
        in_hand = found.held_until is not None and found.held_until > made_at
        if found.state == "waiting" and not in_hand:
            waiting.append(found)
        elif found.state != "failed":
            told = found
    if last is not None and _is_same(last, draft):
        return 0
    for older in waiting:  # overtaken before it went out
        older.state = "replaced"
    session.flush()
    if told is not None and _is_same(told, draft):
        return 0  # back to what they know
    if told is None and not draft.has_work and not draft.tells_quiet:
        return 0
    if told is not None and not draft.has_work and draft.page.jobs:
        return 0  # all of it is on: nothing is asked of them
    row = OutgoingNotice(
        member_id=draft.member_id,
        channel_id=draft.channel_id,
        plan_id=plan_id,
        kind="plan",
        night_of=night_of,
        concern=draft.concern,
        digest=digest_of(f"{draft.channel_id} {night_of} {draft.concern} {before}"),
        body=draft.body,
        made_at=made_at,
        next_try_at=made_at,
        expires_at=expires_at,
    )
    try:
        with session.begin_nested():
            session.add(row)
    except IntegrityError:
        return 0  # another worker put the same one in
    return 1


# --- sending ----------------------------------------------------------------------------------


def send_due(*, now: datetime, outlet: Outlet) -> Sent:
    """Send what is due, each by one sender only, and note what became of it.

    A sender that dies between handing a message over and noting it is the one case in which a
    second copy may go out; it carries the same id.
    """
    began_s = time.monotonic()

    def by_now() -> datetime:
        # A slow receiver takes minutes: what is held and noted is so from then on.
        return now + timedelta(seconds=time.monotonic() - began_s)

    _expire(now)
    due = db.session.scalars(
        select(OutgoingNotice.id)
        .where(OutgoingNotice.state == "waiting", _is_due(now))
        .where(_is_free(now))
        .order_by(OutgoingNotice.next_try_at, OutgoingNotice.id)
        .limit(MOST_AT_ONCE)
    ).all()
    sent = failed = 0
    for notice_id in due:
        if by_now() - now > LONGEST_ROUND:
            break  # the next round goes on from here
        if not _hold(notice_id, by_now()):
            continue
        try:
            has_gone = _send_one(notice_id, by_now(), outlet)
        except NotSent as error:
            failed += 1
            _note_failure(notice_id, str(error), by_now(), is_final=error.is_final)
        except Exception as error:  # one bad notice must not keep the others back
            failed += 1
            _log.exception("notice %s", notice_id)
            _note_failure(
                notice_id, f"Unexpected: {type(error).__name__}.", by_now(), is_final=False
            )
        else:
            sent += has_gone
            _note_sent(notice_id, by_now(), has_gone=has_gone)
    waiting = db.session.scalar(select(func.count()).where(OutgoingNotice.state == "waiting"))
    return Sent(sent, failed, waiting or 0)


def _is_due(now: datetime) -> ColumnElement[bool]:
    """Whether a notice's next try has come, or was put off by a clock that was ahead."""
    longest = timedelta(minutes=max(WAITS_MIN)) + SKEW
    return (OutgoingNotice.next_try_at <= now) | (OutgoingNotice.next_try_at > now + longest)


def _is_free(now: datetime) -> ColumnElement[bool]:
    """Whether nobody is sending it: a hold that is over, or that no clock of today gave."""
    held_until = OutgoingNotice.held_until
    return held_until.is_(None) | (held_until <= now) | (held_until > now + HELD_FOR + SKEW)


def _expire(now: datetime) -> None:
    late = (OutgoingNotice.state == "waiting") & (OutgoingNotice.expires_at <= now)
    if db.session.scalar(select(OutgoingNotice.id).where(late).limit(1)) is None:
        return
    with write_transaction(changes_board=False) as session:
        for row in session.scalars(select(OutgoingNotice).where(late)):
            row.state = "failed"
            row.last_error = f"Given up, its time was over. {row.last_error}".strip()


def _hold(notice_id: int, now: datetime) -> bool:
    with write_transaction(changes_board=False) as session:
        held = session.execute(
            update(OutgoingNotice)
            .where(
                OutgoingNotice.id == notice_id,
                OutgoingNotice.state == "waiting",
                _is_free(now),
            )
            .values(held_until=now + HELD_FOR)
            .execution_options(synchronize_session=False)
        )
        return bool(held.rowcount == 1)  # type: ignore[attr-defined]


def _send_one(notice_id: int, now: datetime, outlet: Outlet) -> bool:
    """Hand one message over, and say whether there was anything to say. Raises NotSent."""
    row = db.session.get(
        OutgoingNotice,
        notice_id,
        populate_existing=True,
        options=[joinedload(OutgoingNotice.channel), joinedload(OutgoingNotice.member)],
    )
    assert row is not None  # it was held a moment ago
    if not row.member.is_active or row.channel.ended_at is not None:
        raise NotSent(_("The member has left, or has stopped these notices."), is_final=True)
    channel, body, digest, kind = row.channel, row.body, row.digest, row.kind
    if kind == "plan":
        current = _as_it_stands(row, now)
        if current is None:
            db.session.rollback()
            return False
        body = current
        _keep_body(notice_id, body)
    address, secret, pages_at = channel.address, channel.secret, channel.pages_at
    if channel.kind == "mail":
        settings = mail.get_mail_settings()
        db.session.commit()  # nothing of the database stays open while somebody else is slow
        mail.send(
            Message(
                id=digest[:32],
                to=address,
                subject=body["subject"],
                text=body["text"],
                stop_at="" if kind == "confirm" else f"{pages_at}/me/notices",
            ),
            settings=settings,
            password=mail.read_password(outlet.instance),
            now=now,
        )
        return True
    db.session.commit()
    data = {"kind": kind, "subject": body["subject"], **body.get("data", {})}
    webhooks.post(
        url=address,
        secret=secret,
        notice=digest[:32],
        data=data,
        now=now,
        allowed_private_hosts=outlet.allowed_private_hosts,
        session=outlet.http,
    )
    return True


def _keep_body(notice_id: int, body: dict[str, Any]) -> None:
    """What goes out is what is kept, and what the next message is compared with."""
    with write_transaction(changes_board=False) as session:
        row = session.get(OutgoingNotice, notice_id)
        if row is not None:
            row.body = body


def _note_sent(notice_id: int, now: datetime, *, has_gone: bool) -> None:
    with write_transaction(changes_board=False) as session:
        row = session.get(OutgoingNotice, notice_id, populate_existing=True)
        if row is None:
            return
        if not has_gone:
            row.state, row.held_until = "replaced", None
            return
        row.state, row.sent_at, row.held_until = "sent", now, None
        row.tries += 1
        row.last_error = ""
        if row.kind == "confirm":
            row.body = {"subject": row.body["subject"], "text": ""}  # it held the secret


def _note_failure(notice_id: int, words: str, now: datetime, *, is_final: bool) -> None:
    with write_transaction(changes_board=False) as session:
        row = session.get(OutgoingNotice, notice_id, populate_existing=True)
        if row is None:
            return
        row.tries += 1
        row.held_until = None
        row.last_error = words
        if row.state != "waiting":
            return
        if is_final or row.tries > len(WAITS_MIN):
            row.state = "failed"
        else:
            row.next_try_at = now + timedelta(minutes=WAITS_MIN[row.tries - 1])


# --- the coordinator's view -------------------------------------------------------------------


def list_notices() -> tuple[NoticeLine, ...]:
    """The newest notices, those that failed or wait first."""
    is_done = OutgoingNotice.state.in_(("sent", "replaced"))
    rows = db.session.execute(
        select(OutgoingNotice, NoticeChannel.kind, Member.name)
        .join(NoticeChannel, NoticeChannel.id == OutgoingNotice.channel_id)
        .join(Member, Member.id == OutgoingNotice.member_id)
        .order_by(is_done, OutgoingNotice.id.desc())
        .limit(LINES)
    )
    return tuple(
        NoticeLine(
            id=row.id,
            name=name,
            channel=channel,
            kind=row.kind,
            state=row.state,
            tries=row.tries,
            made_at=row.made_at,
            sent_at=row.sent_at,
            next_try_at=row.next_try_at,
            last_error=row.last_error,
        )
        for row, channel, name in rows
    )


def count_failed(*, now: datetime) -> int:
    """Notices of the last two days that did not go out, or wait after a failed try."""
    return (
        db.session.scalar(
            select(func.count()).where(
                OutgoingNotice.made_at > now - timedelta(days=2),
                (OutgoingNotice.state == "failed")
                | ((OutgoingNotice.state == "waiting") & (OutgoingNotice.tries > 0)),
            )
        )
        or 0
    )


def try_again(*, notice_id: int, by_id: int, now: datetime) -> None:
    """Put a notice that failed back at the head of the queue.

    Raises NotFound, NotAllowed, Refused (its night is over, its channel ended).
    """
    with write_transaction(changes_board=False) as session:
        actor = session.get(Member, by_id, populate_existing=True)
        if actor is None or not actor.is_active or not actor.is_coordinator:
            raise NotAllowed(_("Only a coordinator can do this."))
        row = session.get(OutgoingNotice, notice_id)
        if row is None:
            raise NotFound(_("We can’t find that notice."))
        if row.state not in {"failed", "waiting"}:
            raise Refused(_("We have sent this notice, or a newer one has replaced it."))
        channel = session.get(NoticeChannel, row.channel_id)
        if channel is None or channel.ended_at is not None:
            raise Refused(_("The member has stopped these notices."))
        if row.expires_at <= now:
            raise Refused(_("Its night is over: too late to send."))
        row.state, row.tries, row.next_try_at = "waiting", 0, now


def forget_old(*, now: datetime, days: int = 60) -> int:
    """Drop notices older than `days`; says how many. A year of them is of use to nobody."""
    with write_transaction(changes_board=False) as session:
        gone = session.execute(
            delete(OutgoingNotice)
            .where(OutgoingNotice.made_at < now - timedelta(days=days))
            .where(OutgoingNotice.state != "waiting")
        )
        return int(gone.rowcount)  # type: ignore[attr-defined]


def digest_of(text: str) -> str:
    """A hash that names a message by what it is about."""
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()
