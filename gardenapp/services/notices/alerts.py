"""What loggers report reaches a phone: too hot inside, too cold, silent; by the member's own way.

The readings' own module opens and closes an alert, with room between, so that a value that swings
about a limit is one alert and not twenty. Here those that concern a member are put in the queue:
holders of the plot and coordinators. Quiet hours hold an alert back until they are over, and then
only if it is still true; a hard frost goes through for whoever agreed to be woken by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import joinedload

from gardenapp.errors import FieldRefused
from gardenapp.extensions import db
from gardenapp.models.notices import NoticeChannel, OutgoingNotice
from gardenapp.models.people import Garden, Member, PlotHolder
from gardenapp.models.trials import Alert, Logger
from gardenapp.services import change_log
from gardenapp.services.clockwork import get_garden
from gardenapp.services.notices import night_words
from gardenapp.services.notices.telling import digest_of
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, speaking

SILENT_AFTER = timedelta(hours=3)
# A logger that has said nothing for so long is put away, and no news.
FORGOTTEN_AFTER = timedelta(days=2)
TOLD_WITHIN = timedelta(hours=6)
HARD_FROST_C = -2.2
"""At or below it is a hard frost here: 28 °F, the US weather service's line of a hard freeze."""
SILENT = "silent"


@dataclass(frozen=True)
class Choices:
    """How a member wants to hear of alerts; the times are the garden's, both empty for no quiet."""

    tells_alerts: bool
    quiet_from: str
    quiet_until: str
    wakes_for_frost: bool


def choices_of(member_id: int) -> Choices:
    """What a member has chosen."""
    row = db.session.get(Member, member_id)
    assert row is not None
    return Choices(row.tells_alerts, row.quiet_from, row.quiet_until, row.wakes_for_frost)


def choose(*, member_id: int, choices: Choices, now: datetime) -> None:
    """Keep what a member chose. Raises FieldRefused for what is no time of day."""
    for name in ("quiet_from", "quiet_until"):
        typed = getattr(choices, name)
        if typed and _time(typed) is None:
            raise FieldRefused(name, _("Enter a time such as 22:00, or leave both empty."))
    if bool(choices.quiet_from) != bool(choices.quiet_until):
        raise FieldRefused("quiet_until", _("Enter both times, or leave both empty."))
    with write_transaction(changes_board=False) as session:
        row = session.get(Member, member_id)
        assert row is not None
        row.tells_alerts, row.wakes_for_frost = choices.tells_alerts, choices.wakes_for_frost
        row.quiet_from, row.quiet_until = choices.quiet_from, choices.quiet_until
        change_log.record(action="chose alerts", subject="their own", at=now, member_id=member_id)


def is_quiet(choices: Choices, local: time) -> bool:
    """Whether it is quiet for a member at a time of day; the hours may pass midnight."""
    begin, end = _time(choices.quiet_from), _time(choices.quiet_until)
    if begin is None or end is None or begin == end:
        return False
    return begin <= local < end if begin < end else local >= begin or local < end


def _time(typed: str) -> time | None:
    try:
        return time.fromisoformat(typed) if len(typed) == 5 else None
    except ValueError:
        return None


def tell_alerts(*, now: datetime) -> int:
    """Queue what stands open for those it concerns; each is told once. Says how many."""
    note_silent(now=now)
    garden = get_garden()
    local = now.astimezone(ZoneInfo(garden.time_zone)).time()
    told = 0
    for alert in db.session.scalars(
        select(Alert)
        .where(Alert.cleared_at.is_(None), Alert.at >= now - FORGOTTEN_AFTER)
        .options(joinedload(Alert.logger).joinedload(Logger.plot))
        .order_by(Alert.id)
    ).all():
        for channel in _concerned(alert):
            member = channel.member
            choices = Choices(
                member.tells_alerts, member.quiet_from, member.quiet_until, member.wakes_for_frost
            )
            is_hard = alert.kind == "low" and alert.temp_c <= HARD_FROST_C
            wakes = is_hard and choices.wakes_for_frost
            if not choices.tells_alerts or (is_quiet(choices, local) and not wakes):
                continue
            told += _queue(alert, channel, garden, now)
    return told


def note_silent(*, now: datetime) -> None:
    """Open an alert for a logger that spoke lately and stopped; its next reading ends it."""
    lately = (Logger.last_at <= now - SILENT_AFTER) & (Logger.last_at > now - FORGOTTEN_AFTER)
    silent = list(db.session.scalars(select(Logger).where(Logger.revoked_at.is_(None), lately)))
    known = set(
        db.session.scalars(
            select(Alert.logger_id).where(Alert.kind == SILENT, Alert.cleared_at.is_(None))
        )
    )
    fresh = [logger for logger in silent if logger.id not in known]
    if not fresh:
        return
    with write_transaction(changes_board=False) as session:
        for logger in fresh:
            session.add(
                Alert(
                    kind=SILENT,
                    logger_id=logger.id,
                    at=now,
                    temp_c=logger.last_temp_c or 0.0,
                    limit_c=0.0,
                    text=f"Logger {logger.label} is silent"[:200],
                )
            )


def _concerned(alert: Alert) -> list[NoticeChannel]:
    holders = select(PlotHolder.member_id).where(PlotHolder.plot_id == alert.logger.plot_id)
    return list(
        db.session.scalars(
            select(NoticeChannel)
            .join(Member, Member.id == NoticeChannel.member_id)
            .where(
                NoticeChannel.ended_at.is_(None),
                NoticeChannel.confirmed_at.is_not(None),
                Member.is_active,
                (Member.role == "coordinator") | Member.id.in_(holders),
            )
            .options(joinedload(NoticeChannel.member))
            .order_by(NoticeChannel.id)
        )
    )


def _queue(alert: Alert, channel: NoticeChannel, garden: Garden, now: datetime) -> int:
    digest = digest_of(f"alert {channel.id} {alert.id}")
    known = select(OutgoingNotice.id).where(OutgoingNotice.digest == digest)
    if db.session.scalar(known) is not None:
        return 0
    member = channel.member
    with speaking(member.language or garden.language):
        subject, lines = _words(alert, member.temperature_unit, ZoneInfo(garden.time_zone))
        body = {
            "subject": f"{night_words.plain(garden.name)}: {night_words.plain(subject)}",
            "text": "\n".join((*map(night_words.plain, lines), "", f"{channel.pages_at}/tonight")),
            "data": {
                "alert": alert.kind,
                "plot": alert.logger.plot.label,
                "logger": alert.logger.label,
                "at": alert.at.isoformat(),
                "temp_c": None if alert.kind == SILENT else alert.temp_c,
                "limit_c": None if alert.kind == SILENT else alert.limit_c,
            },
        }
    row = OutgoingNotice(
        member_id=channel.member_id,
        channel_id=channel.id,
        kind="alert",
        digest=digest,
        body=body,
        made_at=now,
        next_try_at=now,
        expires_at=now + TOLD_WITHIN,
    )
    try:
        with write_transaction(changes_board=False) as session:
            session.add(row)
    except IntegrityError:
        db.session.rollback()
        return 0
    return 1


def _words(alert: Alert, unit: str, zone: ZoneInfo) -> tuple[str, list[str]]:
    plot, logger = alert.logger.plot.label, alert.logger.label
    at = night_words.clock(alert.at, zone)
    if alert.kind == SILENT:
        last_at = alert.logger.last_at
        since = night_words.clock(last_at, zone) if last_at is not None else at
        return (
            _("A logger is silent on plot %(plot)s", plot=plot),
            [
                _(
                    "Logger %(logger)s has sent nothing since %(since)s.",
                    logger=logger,
                    since=since,
                ),
                _("Until it reports again it can warn nobody: check its battery and signal."),
            ],
        )
    temp = night_words.temperature(alert.temp_c, unit)
    limit = night_words.temperature(alert.limit_c, unit)
    read = _("%(temp)s at %(at)s (logger %(logger)s).", temp=temp, at=at, logger=logger)
    if alert.kind == "high":
        return (
            _("Too hot on plot %(plot)s: open now", plot=plot),
            [read, _("Its limit is %(limit)s. Open or take off the cover.", limit=limit)],
        )
    inside = alert.logger.kind == "inside"
    return (
        _("Too cold under the cover on plot %(plot)s", plot=plot)
        if inside
        else _("Cold on plot %(plot)s", plot=plot),
        [
            read,
            _("Its limit is %(limit)s.", limit=limit),
            _("Close it, add a layer, or carry pots in.")
            if inside
            else _("Cover what is tender or carry it in."),
            _("In ice and dark, leave a plant rather than fall for it."),
        ],
    )
