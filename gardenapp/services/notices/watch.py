"""Watches over the coming night: coordinators are told while there is time if it has no good plan.

By one o'clock, and again two hours before sunset: a garden that trusts the app must not find out in
the morning that nobody had a forecast. Failing fetches are told after the second in a row.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import extract, func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import joinedload

from gardenapp.extensions import db
from gardenapp.messages import Words, from_text
from gardenapp.models.builds import ClimateNight
from gardenapp.models.forecasts import Forecast
from gardenapp.models.nights import ObservedLow
from gardenapp.models.notices import NoticeChannel, OutgoingNotice
from gardenapp.models.people import Garden, Member
from gardenapp.models.plants import Planting
from gardenapp.services.clockwork import get_garden, night_of_garden, tonight
from gardenapp.services.garden.hardened import bearings_now
from gardenapp.services.night.forecasts import STALE_AFTER, find_forecast
from gardenapp.services.notices import night_words
from gardenapp.services.notices.planned import needs_planning
from gardenapp.services.notices.telling import digest_of
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, speaking, told

FIRST_LOOK = time(13)
LAST_LOOK_BEFORE_SUNSET = timedelta(hours=2)
NEAR_K = 3.0
SOLSTICE_DAYS = 60
FAILURES_TOLD_FROM = 2
FIRST, LAST = "first", "last"

Told = tuple[str, list[str]]
"""A subject and its lines."""


@dataclass(frozen=True)
class Worry:
    """Why the coming night is not looked after, as a code and, where it is known, the low. [°C]"""

    code: str
    low_c: float | None = None
    detail: str = ""


def look(
    *,
    now: datetime,
    fetch_failures: int = 0,
    fetch_answer: str = "",
    plan_answer: str = "",
    fetched_at: datetime | None = None,
) -> int:
    """Tell coordinators what is wrong with the coming night, once at each look; says how many.

    fetch_failures, fetch_answer, fetched_at : fetches that failed in a row, what the last one
        was answered, and when. plan_answer : why planning failed, if it did.
    """
    garden = get_garden()
    evening = tonight(now)
    told = 0
    if fetch_failures >= FAILURES_TOLD_FROM:
        told += _tell(
            f"fetch {_outage()}",
            evening,
            now,
            lambda: _fetch_words(fetch_failures, fetch_answer, fetched_at, garden),
        )
    told += _tell_doubts(evening, now)
    slot = slot_at(garden, evening, now)
    if slot is None:
        return told
    name, due_at = slot
    worry = worry_of(garden, evening, due_at, plan_answer=plan_answer)
    if worry is None:
        return told
    answer = fetch_answer if fetch_failures else ""
    return told + _tell(
        f"{name} {evening.isoformat()}",
        evening,
        now,
        lambda: _worry_words(evening, worry, answer),
    )


def _tell_doubts(evening: date, now: datetime) -> int:
    """Tell what nobody was there to be asked of the forecast in force, once for each."""
    forecast = find_forecast(evening, is_corrected=False)
    if forecast is None or not forecast.source.doubts:
        return 0
    doubts = from_text(forecast.source.doubts)
    return _tell(
        f"doubts {forecast.import_id}", evening, now, lambda: _doubt_words(evening, doubts)
    )


def slot_at(garden: Garden, evening: date, now: datetime) -> tuple[str, datetime] | None:
    """Which of the two looks at a night is due and since when; None before and after."""
    night = night_of_garden(garden, evening)
    at_one = datetime.combine(evening, FIRST_LOOK, ZoneInfo(garden.time_zone)).astimezone(UTC)
    last_at = night.sunset_at - LAST_LOOK_BEFORE_SUNSET
    if not min(at_one, last_at) <= now < night.sunrise_at:
        return None
    return (LAST, last_at) if now >= last_at else (FIRST, at_one)


def worry_of(
    garden: Garden, evening: date, due_at: datetime, *, plan_answer: str = ""
) -> Worry | None:
    """What is wrong with a night's plan; None where nothing is, or nothing could be harmed.

    due_at : when it was to be looked at, which a forecast's age is told by.
    """
    forecast = find_forecast(evening)
    if forecast is None:
        return Worry("no forecast") if may_freeze(garden, evening) else None
    mildest_c = mildest_threshold_c(evening)
    if mildest_c is None or _lowest_said_c(evening) > mildest_c + NEAR_K:
        return None
    if needs_planning(evening):
        return Worry("no plan", forecast.low_c, plan_answer)
    issued_at = forecast.source.issued_at or forecast.source.entered_at
    if due_at - issued_at > STALE_AFTER:
        return Worry("old forecast", forecast.low_c)
    return None


def mildest_threshold_c(evening: date) -> float | None:
    """Where harm begins for the tenderest plants that grow; None where nothing does. [°C]"""
    plantings = db.session.scalars(select(Planting).where(Planting.ended_at.is_(None))).all()
    bearings = bearings_now(plantings, on=evening)
    return max((each.bears_c for each in bearings.values()), default=None)


def may_freeze(garden: Garden, evening: date) -> bool:
    """Whether frost is on the garden's record for that month, or it is the heart of its winter."""
    solstices = [
        date(year, 12 if garden.latitude >= 0 else 6, 21)
        for year in (evening.year - 1, evening.year, evening.year + 1)
    ]
    if min(abs((evening - day).days) for day in solstices) <= SOLSTICE_DAYS:
        return True
    return any(
        db.session.scalar(
            select(func.count())
            .select_from(table)
            .where(table.low_c < 0.0, extract("month", table.night_of) == evening.month)
        )
        for table in (ClimateNight, ObservedLow, Forecast)
    )


def _lowest_said_c(evening: date) -> float:
    """The coldest that any stored forecast says of a night. [°C]"""
    found = db.session.scalar(select(func.min(Forecast.low_c)).where(Forecast.night_of == evening))
    return float("inf") if found is None else float(found)


def _outage() -> str:
    """What came in last names an outage, so that each is told once."""
    newest = db.session.scalar(select(func.max(Forecast.import_id)))
    return f"after import {newest}"


def _tell(about: str, evening: date, now: datetime, words: Callable[[], Told]) -> int:
    """Queue a message for each coordinator who has a way to be told; the same only once."""
    garden = get_garden()
    expires_at = night_of_garden(garden, evening).sunrise_at
    told = 0
    with write_transaction(changes_board=False) as session:
        channels = session.scalars(
            select(NoticeChannel)
            .join(Member, Member.id == NoticeChannel.member_id)
            .where(
                NoticeChannel.ended_at.is_(None),
                NoticeChannel.confirmed_at.is_not(None),
                Member.is_active,
                Member.role == "coordinator",
            )
            .options(joinedload(NoticeChannel.member))
            .order_by(NoticeChannel.id)
        ).all()
        for channel in channels:
            digest = digest_of(f"watch {channel.id} {about}")
            known = select(OutgoingNotice.id).where(OutgoingNotice.digest == digest)
            if session.scalar(known) is not None:
                continue
            with speaking(channel.member.language or garden.language):
                subject, lines = words()
            row = OutgoingNotice(
                member_id=channel.member_id,
                channel_id=channel.id,
                kind="watch",
                night_of=evening,
                digest=digest,
                body={
                    "subject": f"{night_words.plain(garden.name)}: {subject}",
                    "text": "\n".join((*lines, "", f"{channel.pages_at}/forecast")),
                    "data": {"night_of": evening.isoformat(), "about": about},
                },
                made_at=now,
                next_try_at=now,
                expires_at=expires_at,
            )
            try:
                with session.begin_nested():
                    session.add(row)
            except IntegrityError:
                continue
            told += 1
    return told


def _worry_words(evening: date, worry: Worry, fetch_answer: str) -> Told:
    lines = [_("Night of %(night_of)s.", night_of=night_words.night_name(evening)), ""]
    if worry.code == "no forecast":
        subject = _("No forecast for tonight")
        lines.append(
            _("We have no forecast for tonight, so there is no plan and no notice goes out.")
        )
        lines.append(_("Enter a low, import a file or fetch one before it gets dark."))
    elif worry.code == "no plan":
        subject = _("Tonight is not planned")
        lines.append(_("The forecast low could damage plants, but the night has no plan from it."))
        if worry.detail:
            lines.append(_("The plan failed: %(answer)s", answer=worry.detail))
        lines.append(_("Open the forecasts and press “Plan tonight”."))
    else:
        subject = _("Tonight’s forecast is old")
        lines.append(
            _("The night is planned from an old forecast; it may be colder by now. Get a new one.")
        )
    if fetch_answer:
        lines += ["", _("The last fetch failed: %(answer)s", answer=fetch_answer)]
    return subject, [night_words.plain(line) for line in lines]


def _doubt_words(evening: date, doubts: Sequence[Words]) -> Told:
    lines = [
        _("Night of %(night_of)s.", night_of=night_words.night_name(evening)),
        "",
        _("The forecast leaves a question open. Until you answer, the colder reading is planned:"),
        *(told(doubt) for doubt in doubts),
        _("Import it by hand to say what it means; the answer is kept."),
    ]
    return _("Look at tonight’s forecast"), [night_words.plain(line) for line in lines]


def _fetch_words(failures: int, answer: str, fetched_at: datetime | None, garden: Garden) -> Told:
    lines = [
        _("Fetching the forecast has failed %(times)s times in a row.", times=failures),
        _("The last answer: %(answer)s", answer=answer),
    ]
    if fetched_at is not None:
        at = night_words.clock(fetched_at, ZoneInfo(garden.time_zone))
        lines.append(_("Last tried at %(at)s. Until it works, enter the low by hand.", at=at))
    return _("The forecast cannot be fetched"), [night_words.plain(line) for line in lines]
