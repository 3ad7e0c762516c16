"""The lowest temperature in an aerodrome forecast (TAF), groups TX and TN.

Code form FM 51 (WMO-No. 306; ICAO Annex 3). Only the sending time, the validity and the TN groups
are read. A message names neither month nor year: they are taken from the day it is read.
Lows are whole degrees at an airfield's screen.
"""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from gardenapp.messages import Day, Words, say
from gardenapp.readers.nights import night_of
from gardenapp.readers.records import (
    Faults,
    ForecastReading,
    NightForecast,
    quoted,
    refuse,
)

KIND = "taf"

_HEAD = re.compile(
    r"\b(?:TAF\s+)?(?:(?P<again>AMD|COR)\s+)?(?P<place>[A-Z][A-Z0-9]{3})\s+([0-9]{2})([0-9]{2})([0-9]{2})Z\b"
    r"(?=\s+(?:NIL\b|[0-9]{4}/[0-9]{4}\b))",
    re.ASCII,
)
_VALIDITY = re.compile(r"\s+([0-9]{2})([0-9]{2})/([0-9]{2})([0-9]{2})\b", re.ASCII)
_TEMPERATURE = re.compile(r"\bT([NX])(M?)([0-9]{2})/([0-9]{2})([0-9]{2})Z(?![0-9A-Z])", re.ASCII)
# Anything that begins like a temperature group must be one: a slip is told, not skipped.
_LIKE_TEMPERATURE = re.compile(r"\bTN(?:M|[0-9])\S*", re.ASCII)

_DAY = timedelta(days=1)
_LONGEST_VALIDITY = timedelta(hours=36)
# The code writes M00 for a temperature from just under zero down to -0.5: take the middle.
_MINUS_ZERO_C = -0.25


@dataclass(frozen=True)
class _Message:
    station: str
    issued_at: datetime
    body: str
    line: int
    is_corrected: bool


def recognises(text: str) -> bool:
    """Whether a text holds the head of such a message."""
    return _HEAD.search(text.upper()) is not None


def read(text: str, *, time_zone: ZoneInfo, now: datetime) -> ForecastReading:
    """The nights whose low a message states; there are no hours in it.

    Of several messages for one place the latest sent counts.

    Raises UnreadableFile, also for a message that states no low.
    """
    text = text.upper()
    messages = _messages(text, now)
    stations = sorted({message.station for message in messages})
    if len(stations) > 1:
        raise refuse(
            say(
                "These are messages for %(stations)s. Paste those of one place.",
                stations=", ".join(stations[:5]),
            )
        )
    # A correction keeps the time of sending of what it corrects, wherever it stands.
    newest = max(messages, key=lambda each: (each.issued_at, each.is_corrected, each.line))
    notes: list[Words] = [
        say("A low in a TAF is in whole degrees and for the airfield; cloud and wind are not read.")
    ]
    if len(messages) > 1:
        notes.append(say("Of %(messages)s messages the latest is read.", messages=len(messages)))
    return ForecastReading(
        kind=KIND,
        nights=_nights(newest, time_zone),
        issued_at=newest.issued_at,
        attribution=f"Aerodrome forecast (TAF) for {newest.station}",
        notes=tuple(notes),
    )


def _messages(text: str, now: datetime) -> list[_Message]:
    heads = list(_HEAD.finditer(text))
    if not heads:
        raise refuse(
            say("No message with a place, a sending time and a validity is found."), line=1
        )
    messages = []
    for head, following in zip(heads, [*heads[1:], None], strict=True):
        end = len(text) if following is None else following.start()
        sign = text.find("=", head.end(), end)
        line = text.count("\n", 0, head.start()) + 1
        issued_at = _near(int(head[3]), int(head[4]), now)
        if issued_at is None or int(head[5]) > 59:
            raise refuse(say("%(head)s has no such day or time", head=quoted(head[0])), line=line)
        messages.append(
            _Message(
                station=head["place"],
                issued_at=issued_at + timedelta(minutes=int(head[5])),
                body=text[head.end() : end if sign < 0 else sign],
                line=line,
                is_corrected=head["again"] is not None,
            )
        )
    return messages


def _near(day: int, hour: int, wanted_at: datetime) -> datetime | None:
    """The moment with that day of the month and hour (24 too) that lies nearest another one."""
    if not 1 <= day <= 31 or not 0 <= hour <= 24:
        return None
    wanted_at = wanted_at.astimezone(UTC)
    found: list[datetime] = []
    for months in (-2, -1, 0, 1, 2):  # two, because the month beside may lack a 31st
        index = wanted_at.year * 12 + wanted_at.month - 1 + months
        year, month = divmod(index, 12)
        if day <= monthrange(year, month + 1)[1]:
            midnight = datetime.combine(
                datetime(year, month + 1, day, tzinfo=UTC).date(), time(0), UTC
            )
            found.append(midnight + timedelta(hours=hour))
    return min(found, key=lambda moment: abs(moment - wanted_at), default=None)


def _nights(message: _Message, time_zone: ZoneInfo) -> tuple[NightForecast, ...]:
    validity = _VALIDITY.match(message.body)
    if validity is None:
        raise refuse(
            say(
                "There is no low in this message from %(station)s: it is a NIL message, sent in "
                "place of a forecast.",
                station=message.station,
            ),
            line=message.line,
        )
    from_at = _near(int(validity[1]), int(validity[2]), message.issued_at)
    until_at = _near(int(validity[3]), int(validity[4]), message.issued_at + _DAY)
    if from_at is None or until_at is None or not _believable(message.issued_at, from_at, until_at):
        raise refuse(
            say("%(validity)s is not a validity", validity=quoted(validity[0].strip())),
            line=message.line,
        )
    body = message.body[validity.end() :]
    if re.match(r"\s+CNL\b", body):
        raise refuse(
            say(
                "There is no low in this message from %(station)s: it cancels an earlier one.",
                station=message.station,
            ),
            line=message.line,
        )

    faults = Faults()
    lows: list[tuple[datetime, float, bool]] = []
    read_groups = set()
    for group in _TEMPERATURE.finditer(body):
        if group[1] == "X":
            continue
        read_groups.add(group.start())
        at = _near(int(group[4]), int(group[5]), from_at + (until_at - from_at) / 2)
        if at is None or not from_at <= at <= until_at:
            faults.add(
                say("%(group)s lies outside the message's validity", group=quoted(group[0])),
                line=message.line,
            )
            continue
        degrees = float(group[3])
        just_below = bool(group[2]) and degrees == 0.0
        low_c = _MINUS_ZERO_C if just_below else (-degrees if group[2] else degrees)
        if low_c > 60.0 or low_c < -60.0:
            faults.add(
                say("%(group)s is outside −60 to +60 °C", group=quoted(group[0])), line=message.line
            )
            continue
        lows.append((at, low_c, just_below))
    for like in _LIKE_TEMPERATURE.finditer(body):
        if like.start() not in read_groups:
            faults.add(
                say("%(like)s is not a temperature group", like=quoted(like[0])), line=message.line
            )
    faults.raise_if_any()
    if not lows:
        raise refuse(
            say(
                "There is no low in this message from %(station)s: it carries no TN group. Many "
                "do not; those of the US civil service never do.",
                station=message.station,
            ),
            line=message.line,
        )

    nights: dict[object, NightForecast] = {}
    for at, low_c, just_below in sorted(lows):
        evening = night_of(at, time_zone)
        notes: list[Words] = []
        if just_below:
            notes.append(say("M00 stands for just under zero; −0.25 °C is taken."))
        morning_at = datetime.combine(evening + _DAY, time(7), time_zone).astimezone(UTC)
        if until_at < morning_at:
            local_end = until_at.astimezone(time_zone)
            notes.append(
                say(
                    "The message ends at %(clock)s on %(day)s, before the night does; it may "
                    "get colder after.",
                    clock=f"{local_end:%H:%M}",
                    day=Day(local_end.date()),
                )
            )
        cold_from_at = datetime.combine(evening + _DAY, time(2), time_zone).astimezone(UTC)
        if from_at > cold_from_at:
            local_start = from_at.astimezone(time_zone)
            notes.append(
                say(
                    "The message begins at %(clock)s on %(day)s; it may have been colder before.",
                    clock=f"{local_start:%H:%M}",
                    day=Day(local_start.date()),
                )
            )
        night = NightForecast(
            night_of=evening,
            low_c=low_c,
            low_at=at,
            notes=tuple(notes),
            covers_night=from_at <= cold_from_at and until_at >= morning_at,
        )
        known = nights.get(evening)
        if known is None or night.low_c < known.low_c:
            nights[evening] = night
    return tuple(nights.values())


def _believable(issued_at: datetime, from_at: datetime, until_at: datetime) -> bool:
    return (
        timedelta(0) < until_at - from_at <= _LONGEST_VALIDITY and abs(from_at - issued_at) <= _DAY
    )
