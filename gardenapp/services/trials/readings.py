"""Loggers that send by themselves: their tokens, their readings, and alerts."""

from __future__ import annotations

import hashlib
import math
import secrets
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from flask_sqlalchemy.session import Session
from sqlalchemy import delete, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import joinedload, scoped_session

from gardenapp.errors import AlreadyClaimed, FieldRefused, GardenError, NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Garden, Member
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.models.trials import LOGGER_KINDS, Alert, Logger, Reading
from gardenapp.models.types import PLACES
from gardenapp.readers.readings_json import SentReading
from gardenapp.science.night.morning import GENERAL_HEAT_MAX_C
from gardenapp.services import change_log
from gardenapp.services.clockwork import garden_zone, night_at
from gardenapp.services.garden.hardened import bearings_now
from gardenapp.services.garden.plots import plots_of
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

CALLS_PER_MINUTE = 60
WINDOW = timedelta(minutes=1)
FUTURE_ALLOWED = timedelta(minutes=5)  # clocks of small devices drift
OLDEST = timedelta(days=30)
KEPT_FOR = timedelta(days=400)
# Only a reading of now can be an alert; what was kept on a device without a signal is history.
ALERT_WITHIN = timedelta(hours=3)
# An alert ends when the reading is this far inside its range again, so that a temperature on
# the limit does not ring all night. Our own choice.
CLEARED_BY_K = 0.5
# Boards are made anew for a change of this size.
SHOWN_BY_K = 0.5
LATEST_WITHIN = timedelta(hours=24)


class WrongToken(GardenError):
    """No logger has that token, or it was revoked."""


class TooManyCalls(GardenError):
    """More calls than a logger may make in a minute; `seconds` says how long to wait."""

    def __init__(self, seconds: int) -> None:
        self.seconds = seconds
        super().__init__(f"At most {CALLS_PER_MINUTE} calls a minute; wait {seconds} seconds.")


class Differs(AlreadyClaimed):
    """A reading of that id or moment is known, with other figures."""


@dataclass(frozen=True)
class Taken:
    """How many readings of a call were new, and how many were known already."""

    new: int
    already: int


@dataclass(frozen=True)
class LoggerEntry:
    """A logger as its form gives it. [°C, K]"""

    label: str
    plot_id: int
    cover_id: int | None
    kind: str
    alert_below_c: float | None
    alert_above_c: float | None
    margin_k: float | None
    place: str = ""


@dataclass(frozen=True)
class LoggerLine:
    """A logger in the list, with its limits as they are now. [°C, %]"""

    id: int
    label: str
    plot_id: int
    plot: str
    cover_id: int | None
    cover: str
    kind: str
    place: str
    alert_below_c: float | None
    alert_above_c: float | None
    margin_k: float | None
    below_c: float | None
    above_c: float | None
    is_revoked: bool
    last_at: datetime | None
    last_temp_c: float | None
    last_humidity_percent: float | None


@dataclass(frozen=True)
class LatestReading:
    """The newest reading of a logger, for the board. [°C]"""

    label: str
    kind: str
    at: datetime
    temp_c: float


@dataclass(frozen=True)
class OpenAlert:
    """A reading that left its range and is not back yet. [°C]"""

    id: int
    kind: str
    logger: str
    plot_id: int
    plot: str
    at: datetime
    temp_c: float
    limit_c: float
    text: str


def hash_of(token: str) -> str:
    """What is kept of a token: 256 random bits need no slow hash."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


# Loggers


def create_logger(*, entry: LoggerEntry, member: Member, now: datetime) -> tuple[int, str]:
    """Add a logger; gives its id and its token, which is shown this once and kept nowhere.

    Raises FieldRefused.
    """
    member_id = member.id
    token = secrets.token_urlsafe(32)
    with write_transaction() as session:
        logger = Logger(token_hash=hash_of(token), made_by_id=member_id, made_at=now)
        _write_entry(session, logger, entry)
        session.add(logger)
        session.flush()
        change_log.record(action="logger added", subject=entry.label, at=now, member_id=member_id)
        return logger.id, token


def change_logger(*, logger_id: int, entry: LoggerEntry, member: Member, now: datetime) -> None:
    """Change where a logger hangs and when it alerts. Raises NotFound, FieldRefused."""
    member_id = member.id
    with write_transaction() as session:
        logger = _get(session, logger_id)
        _write_entry(session, logger, entry)
        session.flush()
        _close_alerts(session, logger_id, now)
        change_log.record(action="logger changed", subject=entry.label, at=now, member_id=member_id)


def new_token(*, logger_id: int, member: Member, now: datetime) -> str:
    """A fresh token for a logger; the old one stops at once. Raises NotFound."""
    member_id = member.id
    token = secrets.token_urlsafe(32)
    with write_transaction() as session:
        logger = _get(session, logger_id)
        logger.token_hash, logger.revoked_at = hash_of(token), None
        session.flush()
        change_log.record(
            action="logger token made", subject=logger.label, at=now, member_id=member_id
        )
    return token


def revoke_logger(*, logger_id: int, member: Member, now: datetime) -> None:
    """End a logger's token; its readings stay. Raises NotFound."""
    member_id = member.id
    with write_transaction() as session:
        logger = _get(session, logger_id)
        if logger.revoked_at is None:
            logger.revoked_at = now
            session.flush()
            _close_alerts(session, logger_id, now)
            change_log.record(
                action="logger revoked", subject=logger.label, at=now, member_id=member_id
            )


def _get(session: scoped_session[Session], logger_id: int) -> Logger:
    logger = session.get(Logger, logger_id)
    if logger is None:
        raise NotFound(_("We can’t find that logger."))
    return logger


def _write_entry(session: scoped_session[Session], logger: Logger, entry: LoggerEntry) -> None:
    if entry.kind not in LOGGER_KINDS:
        raise FieldRefused("kind", _("Choose one of the list."))
    if entry.place not in PLACES:
        raise FieldRefused("place", _("Choose one of the list."))
    if session.get(Plot, entry.plot_id) is None:
        raise FieldRefused("plot_id", _("Choose the plot it hangs in."))
    if entry.cover_id is not None and session.get(Cover, entry.cover_id) is None:
        raise FieldRefused("cover_id", _("We can’t find that cover."))
    twin = session.scalar(select(Logger.id).where(Logger.label == entry.label))
    if twin is not None and twin != logger.id:
        raise FieldRefused("label", _("Another logger has that name."))
    if (
        entry.alert_below_c is not None
        and entry.alert_above_c is not None
        and entry.alert_below_c >= entry.alert_above_c
    ):
        raise FieldRefused("alert_above", _("This must be warmer than the limit below."))
    logger.label, logger.plot_id, logger.cover_id = entry.label, entry.plot_id, entry.cover_id
    logger.kind, logger.margin_k = entry.kind, entry.margin_k
    logger.place = entry.place
    logger.alert_below_c, logger.alert_above_c = entry.alert_below_c, entry.alert_above_c


def plots_to_hang_in() -> list[tuple[int, str]]:
    """Every plot, for choosing where a logger hangs."""
    return list(db.session.execute(select(Plot.id, Plot.label).order_by(Plot.label)))


def list_loggers() -> list[LoggerLine]:
    """Every logger, by name; revoked ones last."""
    rows = db.session.scalars(
        select(Logger)
        .options(joinedload(Logger.plot), joinedload(Logger.cover))
        .order_by(Logger.revoked_at.is_not(None), Logger.label)
    )
    return [_line(logger) for logger in rows]


def get_logger(*, logger_id: int) -> LoggerLine:
    """One logger. Raises NotFound."""
    return _line(_get(db.session, logger_id))


def _line(logger: Logger) -> LoggerLine:
    below_c, above_c = _limits(logger, logger.last_at or logger.made_at)
    return LoggerLine(
        id=logger.id,
        label=logger.label,
        plot_id=logger.plot_id,
        plot=logger.plot.label,
        cover_id=logger.cover_id,
        cover=logger.cover.label if logger.cover else "",
        kind=logger.kind,
        place=logger.place,
        alert_below_c=logger.alert_below_c,
        alert_above_c=logger.alert_above_c,
        margin_k=logger.margin_k,
        below_c=below_c,
        above_c=above_c,
        is_revoked=logger.revoked_at is not None,
        last_at=logger.last_at,
        last_temp_c=logger.last_temp_c,
        last_humidity_percent=logger.last_humidity_percent,
    )


# Readings


def count_call(*, token: str, now: datetime) -> int:
    """Find the logger of a token and count one call of it; gives its id.

    A wrong token changes nothing. The count stands in the database, so several workers share it.
    Raises WrongToken, TooManyCalls.
    """
    query = select(Logger.id).where(
        Logger.token_hash == hash_of(token), Logger.revoked_at.is_(None)
    )
    logger_id = db.session.scalar(query)
    if logger_id is None:
        raise WrongToken(_("We don’t know that token, or it has ended."))
    with write_transaction(changes_board=False) as session:
        logger = session.scalar(
            select(Logger)
            .where(Logger.id == logger_id)
            .with_for_update()
            .execution_options(populate_existing=True)
        )
        if logger is None:
            raise WrongToken(_("We don’t know that token, or it has ended."))
        if logger.window_at is None or not timedelta() <= now - logger.window_at < WINDOW:
            logger.window_at, logger.window_calls = now, 1
        elif logger.window_calls >= CALLS_PER_MINUTE:
            raise TooManyCalls(math.ceil((logger.window_at + WINDOW - now).total_seconds()))
        else:
            logger.window_calls += 1
        session.flush()
    return logger_id


def take_readings(*, logger_id: int, readings: Sequence[SentReading], now: datetime) -> Taken:
    """Keep the readings of one call, all or none; what is known already is left as it is.

    Raises OutOfRange for a moment ahead or over 30 days ago, Differs where a reading of that id
    or moment is known with other figures.
    """
    for number, reading in enumerate(readings):
        where = f"[{number}].at: " if len(readings) > 1 else "at: "
        if reading.at > now + FUTURE_ALLOWED:
            raise OutOfRange(_("%(where)sThe moment is ahead of the garden's clock.", where=where))
        if reading.at < now - OLDEST:
            raise OutOfRange(
                _("%(where)sThe moment is over %(days)s days ago.", where=where, days=OLDEST.days)
            )
    try:
        return _take(logger_id, readings, now)
    except IntegrityError:
        # The same call came twice at once: what the other one kept is known now.
        return _take(logger_id, readings, now)


def _take(logger_id: int, readings: Sequence[SentReading], now: datetime) -> Taken:
    with write_transaction(changes_board=False) as session:
        logger = session.scalar(
            select(Logger)
            .where(Logger.id == logger_id)
            .with_for_update()
            .execution_options(populate_existing=True)
        )
        if logger is None or logger.revoked_at is not None:
            raise WrongToken(_("We don’t know that token, or it has ended."))
        fresh = _fresh(logger_id, readings)
        session.add_all(
            Reading(
                logger_id=logger_id,
                key=reading.key,
                at=reading.at,
                temp_c=reading.temp_c,
                humidity_percent=reading.humidity_percent,
                received_at=now,
            )
            for reading in fresh
        )
        session.flush()
        if fresh:
            session.execute(
                delete(Reading).where(Reading.logger_id == logger_id, Reading.at < now - KEPT_FOR)
            )
            newest = max(fresh, key=lambda reading: reading.at)
            if logger.last_at is None or newest.at > logger.last_at:
                _show(session, logger, newest, now)
        return Taken(len(fresh), len(readings) - len(fresh))


def _fresh(logger_id: int, readings: Sequence[SentReading]) -> list[SentReading]:
    """Those that are not known yet. Raises Differs."""
    by_key: dict[str, tuple[object, ...]] = {}
    by_moment: dict[datetime, tuple[object, ...]] = {}
    for row in db.session.scalars(
        select(Reading).where(
            Reading.logger_id == logger_id,
            Reading.key.in_({r.key for r in readings}) | Reading.at.in_({r.at for r in readings}),
        )
    ):
        by_key[row.key] = (row.at, row.temp_c, row.humidity_percent)
        by_moment[row.at] = (row.at, row.temp_c, row.humidity_percent)
    fresh = []
    for reading in readings:
        figures = (reading.at, reading.temp_c, reading.humidity_percent)
        known = by_key.get(reading.key, by_moment.get(reading.at))
        if known is None:
            by_key[reading.key] = by_moment[reading.at] = figures
            fresh.append(reading)
        elif known != figures:
            what = f"id {reading.key}" if reading.key in by_key else "that moment"
            raise Differs(
                _(
                    "We already have a reading of %(what)s with other figures. We saved nothing.",
                    what=what,
                )
            )
    return fresh


def _show(
    session: scoped_session[Session], logger: Logger, newest: SentReading, now: datetime
) -> None:
    """Make a reading the logger's newest; boards hear of it when it is worth it."""
    logger.last_at, logger.last_temp_c = newest.at, newest.temp_c
    logger.last_humidity_percent = newest.humidity_percent
    is_news = False
    if logger.shown_temp_c is None or abs(newest.temp_c - logger.shown_temp_c) >= SHOWN_BY_K:
        logger.shown_temp_c = newest.temp_c
        is_news = True
    session.execute(
        update(Alert)
        .where(Alert.logger_id == logger.id, Alert.kind == "silent", Alert.cleared_at.is_(None))
        .values(cleared_at=now)
    )
    session.flush()
    if newest.at >= now - ALERT_WITHIN and not is_doubtful(newest.temp_c):
        is_news = _judge(session, logger, newest, now) or is_news
    if is_news:
        session.execute(
            update(Garden).values(version=Garden.version + 1),
            execution_options={"synchronize_session": False},
        )


# Alerts

# What common sensors say when they are broken or not connected: the chip's own first value, its
# sign for nothing there, and a wire that is off. Common practice, no source.
BROKEN_SAYS_C = (85.0, -127.0)
COLDEST_C, HOTTEST_C = -40.0, 80.0


def is_doubtful(temp_c: float) -> bool:
    """Whether a reading is more likely a fault than weather, so that it wakes nobody."""
    return temp_c in BROKEN_SAYS_C or not COLDEST_C < temp_c < HOTTEST_C


def _limits(logger: Logger, at: datetime) -> tuple[float | None, float | None]:
    """Below and above which a logger alerts: as set, else as what grows in its plot needs."""
    below_c, above_c = logger.alert_below_c, logger.alert_above_c
    if logger.margin_k is None:
        return below_c, above_c
    thresholds, heats = [], []
    plantings = db.session.scalars(
        select(Planting)
        .where(Planting.plot_id == logger.plot_id, Planting.ended_at.is_(None))
        .options(joinedload(Planting.stage))
    ).all()
    bearings = bearings_now(plantings, on=night_at(at, garden_zone()))
    for planting in plantings:
        thresholds.append(bearings[planting.id].bears_c)
        heat_c = planting.stage.heat_max_c
        heats.append(GENERAL_HEAT_MAX_C if heat_c is None else heat_c)
    if thresholds and below_c is None:
        below_c = max(thresholds) + logger.margin_k
    if heats and above_c is None and logger.kind == "inside":
        above_c = min(heats)
    return below_c, above_c


def _judge(
    session: scoped_session[Session], logger: Logger, reading: SentReading, now: datetime
) -> bool:
    """Open and close the logger's alerts by a reading; whether any changed."""
    below_c, above_c = _limits(logger, now)
    open_now = {
        alert.kind: alert
        for alert in session.scalars(
            select(Alert).where(Alert.logger_id == logger.id, Alert.cleared_at.is_(None))
        )
    }
    changed = False
    for kind, limit_c, short_k in (
        ("low", below_c, None if below_c is None else below_c - reading.temp_c),
        ("high", above_c, None if above_c is None else reading.temp_c - above_c),
    ):
        alert = open_now.get(kind)
        if alert is not None and (short_k is None or short_k <= -CLEARED_BY_K):
            alert.cleared_at = now
            changed = True
        elif alert is None and limit_c is not None and short_k is not None and short_k > 0:
            side = "below" if kind == "low" else "above"
            session.add(
                Alert(
                    kind=kind,
                    logger_id=logger.id,
                    at=reading.at,
                    temp_c=reading.temp_c,
                    limit_c=limit_c,
                    text=(
                        f"Plot {logger.plot.label}, logger {logger.label}: "
                        f"{reading.temp_c:.1f} °C, {side} {limit_c:.1f} °C"
                    )[:200],
                )
            )
            changed = True
    session.flush()
    return changed


def _close_alerts(session: scoped_session[Session], logger_id: int, now: datetime) -> None:
    session.execute(
        update(Alert)
        .where(Alert.logger_id == logger_id, Alert.cleared_at.is_(None))
        .values(cleared_at=now)
    )


def open_alerts(
    *, member: Member | None = None, now: datetime | None = None
) -> tuple[OpenAlert, ...]:
    """Alerts that stand open, the newest first: all, or those that concern a member.

    Coordinators are concerned by all, holders by those of their plots. With `now`, alerts of
    loggers that have been silent for a day are left out: nobody knows whether they still hold.
    """
    query = (
        select(Alert)
        .join(Logger, Logger.id == Alert.logger_id)
        .where(Alert.cleared_at.is_(None), Alert.kind != "silent")
        .options(joinedload(Alert.logger).joinedload(Logger.plot))
        .order_by(Alert.at.desc(), Alert.id.desc())
    )
    if now is not None:
        query = query.where(Logger.last_at >= now - LATEST_WITHIN)
    rows = db.session.scalars(query)
    held: set[int] | None = None
    if member is not None and not member.is_coordinator:
        held = set(plots_of(member.id))
    return tuple(
        OpenAlert(
            id=alert.id,
            kind=alert.kind,
            logger=alert.logger.label,
            plot_id=alert.logger.plot_id,
            plot=alert.logger.plot.label,
            at=alert.at,
            temp_c=alert.temp_c,
            limit_c=alert.limit_c,
            text=alert.text,
        )
        for alert in rows
        if held is None or alert.logger.plot_id in held
    )


def latest_readings(*, now: datetime) -> dict[int, tuple[LatestReading, ...]]:
    """The newest readings of the last day, by plot, for the board."""
    found: dict[int, list[LatestReading]] = defaultdict(list)
    for logger in db.session.scalars(
        select(Logger)
        .where(Logger.revoked_at.is_(None), Logger.last_at >= now - LATEST_WITHIN)
        .order_by(Logger.kind.desc(), Logger.label)
    ):
        if logger.last_at is not None and logger.last_temp_c is not None:
            found[logger.plot_id].append(
                LatestReading(logger.label, logger.kind, logger.last_at, logger.last_temp_c)
            )
    return {plot_id: tuple(readings) for plot_id, readings in found.items()}


def readings_between(
    *, plot_id: int, since: datetime, until: datetime
) -> tuple[LatestReading, ...]:
    """What the plot's loggers read in that time, in its order, for the picture of the night."""
    rows = db.session.execute(
        select(Logger.label, Logger.kind, Reading.at, Reading.temp_c)
        .join(Reading, Reading.logger_id == Logger.id)
        .where(Logger.plot_id == plot_id, Reading.at >= since, Reading.at <= until)
        .order_by(Reading.at)
    )
    return tuple(LatestReading(row.label, row.kind, row.at, row.temp_c) for row in rows)
