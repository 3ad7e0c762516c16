"""Dates and times as tables write them, to moments in UTC.

Nothing says in which order a date's numbers stand or in which zone a clock runs; what is
inferred is inferred from all rows together, and what cannot be is asked.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import cache
from itertools import pairwise
from typing import Literal

from babel import Locale

from gardenapp.messages import Words, say
from gardenapp.readers.headings import folded
from gardenapp.readers.quantities import FIRST_YEAR, LAST_YEAR, BadFigure
from gardenapp.readers.records import quoted

DateOrder = Literal["YMD", "DMY", "MDY"]

# The coarsest steps in which a day's weather is usually given (00, 06, 12 and 18 UTC).
LONGEST_STEP = timedelta(hours=6)

_CLOCK = (
    r"([0-9]{1,2})(?::([0-9]{2}))?(?::([0-9]{2})(?:[.,][0-9]+)?)?"
    r"\s*([AaPp]\.?(?:[Mm]\.?)?)?\s*(Z|z|UTC|[+-][0-9]{2}:?[0-9]{2}|[A-Z]{2,5})?"
)
_YEAR_FIRST = re.compile(
    rf"([0-9]{{4}})([-/.])([0-9]{{1,2}})\2([0-9]{{1,2}})(?:[Tt ,]\s*{_CLOCK})?", re.ASCII
)
_YEAR_LAST = re.compile(
    rf"([0-9]{{1,2}})([-/.])([0-9]{{1,2}})\2([0-9]{{4}}|[0-9]{{2}})(?:[Tt ,]\s*{_CLOCK})?", re.ASCII
)
_RUN_TOGETHER = re.compile(
    r"((?:19|20|21)[0-9]{2})(0[1-9]|1[0-2])([0-3][0-9])"
    r"(?:[Tt ]?([0-9]{2})(?::?([0-9]{2})(?::?([0-9]{2}))?)?([Zz])?)?",
    re.ASCII,
)
# "25 Nov 2026", "Wed 25. November 2026, 6:00 pm", "Nov 25, 2026": a named month settles the order.
_DAY_NAMED = re.compile(
    rf"(?:[^\W\d]+\.?,?\s+)?([0-9]{{1,2}})(?:\.|st|nd|rd|th|º)?[\s\-/]*(?:de\s+)?([^\W\d]+)\.?,?"
    rf"[\s\-/]*(?:de\s+)?([0-9]{{4}})(?:[Tt ,]+\s*{_CLOCK})?"
)
_NAMED_DAY = re.compile(
    rf"(?:[^\W\d]+\.?,?\s+)?([^\W\d]+)\.?\s+([0-9]{{1,2}})(?:st|nd|rd|th)?,?\s+([0-9]{{4}})"
    rf"(?:[Tt ,]+\s*{_CLOCK})?"
)
_CLOCK_ALONE = re.compile(
    r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?\s*(?:[AaPp]\.?(?:[Mm]\.?)?)?|[0-9]{1,2}\s*[AaPp][Mm]",
    re.ASCII,
)
# Seconds or milliseconds since 1970, from 2001 to 2096; days since 30 December 1899, from 2000 to
# 2099 (as spreadsheets count them), which need a heading that speaks of time.
_EPOCH = re.compile(r"([1-3][0-9]{9})([0-9]{3})?(?:[.,][0-9]+)?", re.ASCII)
_SERIAL = re.compile(r"(3[6-9]|[4-6][0-9]|7[0-2])[0-9]{3}(?:[.,][0-9]+)?", re.ASCII)
_SERIAL_EPOCH = datetime(1899, 12, 30)  # noqa: DTZ001 -- wall clock on purpose
_LANGUAGES = ("en", "es", "fr", "de", "nl", "pt", "pl", "it")
_BLANKS = str.maketrans("\u00a0\u202f\u2009", "   ")


@dataclass(frozen=True)
class Stamp:
    """A date and time as written: three numbers in the file's order, and a clock if there is one.

    `family` tells ways of writing apart ("2026-05-03" from "03/05/2026"). `zone` is a zone's
    abbreviation behind the clock, empty where there is none.
    """

    family: str
    numbers: tuple[int, int, int]
    clock: tuple[int, int, int] | None
    offset: timedelta | None
    zone: str = ""


def stamp_of(text: str) -> Stamp | None:
    """The parts of a date, with or without a time of day; None where the text is none.

    Raises BadFigure where it is one with an impossible time of day.
    """
    if not text.isascii():
        text = text.translate(_BLANKS)
    match = _YEAR_FIRST.fullmatch(text)
    if match:
        numbers = (int(match[1]), int(match[3]), int(match[4]))
        return Stamp(f"Y{match[2]}", numbers, *_clock(text, match.groups()[4:]))
    match = _YEAR_LAST.fullmatch(text)
    if match:
        year = int(match[4]) + (2000 if len(match[4]) == 2 else 0)
        numbers = (int(match[1]), int(match[3]), year)
        return Stamp(match[2], numbers, *_clock(text, match.groups()[4:]))
    match = _RUN_TOGETHER.fullmatch(text)
    if match:
        numbers = (int(match[1]), int(match[2]), int(match[3]))
        hour, minute, second, zulu = match.groups()[3:]
        return Stamp("Y", numbers, *_clock(text, (hour, minute, second, None, zulu)))
    return _with_named_month(text) if text[:1].isalnum() and len(text) <= 60 else None


def _with_named_month(text: str) -> Stamp | None:
    """A date whose month is a word; its numbers are then year, month and day."""
    for pattern, day_at, month_at in ((_DAY_NAMED, 1, 2), (_NAMED_DAY, 2, 1)):
        match = pattern.fullmatch(text)
        month = match and _months().get(folded(match[month_at]))
        if match and month:
            numbers = (int(match[3]), month, int(match[day_at]))
            return Stamp("Y name", numbers, *_clock(text, match.groups()[3:]))
    return None


@cache
def _months() -> dict[str, int]:
    """Months' names and short names in the languages of the readers, to their numbers."""
    found: dict[str, int] = {}
    for code in _LANGUAGES:
        for context in Locale(code).months.values():
            for width in ("abbreviated", "wide"):
                for number, name in context[width].items():
                    found.setdefault(folded(name).rstrip("."), number)
    found["sept"] = 9
    return found


def number_stamp_of(text: str) -> Stamp | None:
    """The date and time that a bare number counts: seconds, milliseconds or a spreadsheet's days.

    Only for columns whose heading speaks of time: most numbers are none.
    """
    match = _EPOCH.fullmatch(text)
    if match:
        at = datetime.fromtimestamp(int(match[1]), UTC)
        clock = (at.hour, at.minute, at.second)
        return Stamp("Y epoch", (at.year, at.month, at.day), clock, timedelta(0))
    if _SERIAL.fullmatch(text):
        days = float(text.replace(",", "."))
        # To the second: five decimals of a day are most of one.
        local = _SERIAL_EPOCH + timedelta(minutes=round(days * 1440))
        numbers = (local.year, local.month, local.day)
        is_day = days == int(days) and not re.search(r"[.,]", text)
        return Stamp("Y days", numbers, None if is_day else (local.hour, local.minute, 0), None)
    return None


def is_clock(text: str) -> bool:
    """Whether a text is a time of day alone, "18:00" or "6:00 PM"."""
    return _CLOCK_ALONE.fullmatch(text.translate(_BLANKS)) is not None


def clock_of_number(text: str) -> str:
    """A whole hour ("6", "18") or run-together time ("0630", "1800") as a clock, else empty.

    Only for columns whose heading speaks of the time of day.
    """
    if not (text.isascii() and text.isdigit()) or len(text) > 4:
        return ""
    hour, minute = divmod(int(text), 100) if len(text) > 2 else (int(text), 0)
    return f"{hour:02d}:{minute:02d}" if hour <= 24 and minute < 60 else ""


def _clock(
    text: str, parts: Sequence[str | None]
) -> tuple[tuple[int, int, int] | None, timedelta | None, str]:
    hour_text, minute_text, second_text, half, zone = parts
    if hour_text is None:
        return None, None, ""
    hour, minute, second = int(hour_text), int(minute_text or 0), int(second_text or 0)
    if half:
        if not 1 <= hour <= 12:
            raise BadFigure(say("%(text)s has no such time of day", text=quoted(text)))
        hour = hour % 12 + (12 if half[0] in "Pp" else 0)
    end_of_day = hour == 24 and minute == 0 and second == 0
    if (hour > 23 and not end_of_day) or minute > 59 or second > 59:
        raise BadFigure(say("%(text)s has no such time of day", text=quoted(text)))
    offset, named = None, ""
    if zone in ("Z", "z", "UTC"):
        offset = timedelta(0)
    elif zone and zone.isalpha():
        named = zone
    elif zone:
        hours, minutes = int(zone[1:3]), int(zone[-2:])
        if hours > 14 or minutes > 59:
            raise BadFigure(say("%(text)s has no such offset from UTC", text=quoted(text)))
        offset = timedelta(hours=hours, minutes=minutes) * (-1 if zone[0] == "-" else 1)
    return (hour, minute, second), offset, named


def usual_family(stamps: Sequence[Stamp]) -> str:
    """The way of writing that most rows use."""
    return Counter(stamp.family for stamp in stamps).most_common(1)[0][0]


def order_of(
    stamps: Sequence[Stamp], chosen: DateOrder | None, rows: Iterable[Stamp] | None = None
) -> tuple[DateOrder, Words]:
    """In which order the numbers of dates of one family stand, and a note where it was inferred.

    A number over 12 decides it. Otherwise only an order in which the rows are one unbroken run
    over midnight, and which is the only such order, is believed: "03/04 23:00" followed by
    "04/04 00:00". Rows of whole days are not: those of 1 to 5 January, month first, are also
    those of the first of five months, day first, as monthly tables have them.

    `rows` are all rows with their times, as the file has them, where `stamps` has each day once;
    they are gone through only where they are needed.

    Raises BadFigure where it stays open, or where the choice does not fit.
    """
    family = stamps[0].family
    if family.startswith("Y"):
        if chosen not in (None, "YMD"):
            raise BadFigure(say("the dates begin with the year; choose that order"))
        return "YMD", ""
    if chosen == "YMD":
        raise BadFigure(say("the dates do not begin with the year; choose another order"))
    if chosen is not None:
        return chosen, ""
    if family == ".":  # with dots the day always comes first
        return "DMY", ""
    firsts = max(stamp.numbers[0] for stamp in stamps)
    seconds = max(stamp.numbers[1] for stamp in stamps)
    if firsts > 12 and seconds > 12:
        raise BadFigure(say("dates are written day first in some rows and month first in others"))
    if firsts > 12:
        return "DMY", ""
    if seconds > 12:
        return "MDY", ""
    if all(stamp.numbers[0] == stamp.numbers[1] for stamp in stamps):
        return "DMY", ""  # 4/4 is the same day either way
    timed = list(stamps if rows is None else rows)
    day_first, month_first = _is_unbroken(timed, "DMY"), _is_unbroken(timed, "MDY")
    if day_first and not month_first:
        return "DMY", say("Dates are read with the day first, which makes them a run of days.")
    if month_first and not day_first:
        return "MDY", say("Dates are read with the month first, which makes them a run of days.")
    raise BadFigure(
        say("say whether the day or the month comes first in its dates, or write the year first")
    )


def _is_unbroken(rows: Sequence[Stamp], order: DateOrder) -> bool:
    """Whether rows read in that order follow one another from one day into the next.

    Four rows at least: two that happen to stand on both sides of a midnight prove nothing.
    """
    try:
        moments = [local_of(row, order) for row in rows]
    except BadFigure:
        return False
    return (
        len(moments) >= 4
        and len({moment.date() for moment in moments}) > 1
        and all(abs(later - earlier) <= LONGEST_STEP for earlier, later in pairwise(moments))
    )


def date_of(stamp: Stamp, order: DateOrder) -> date:
    """The day a stamp names.

    Raises BadFigure where there is no such day.
    """
    first, second, third = stamp.numbers
    year, month, day = {
        "YMD": (first, second, third),
        "DMY": (third, second, first),
        "MDY": (third, first, second),
    }[order]
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise BadFigure(
            say(
                "the year %(year)s is outside %(first)s to %(last)s",
                year=year,
                first=FIRST_YEAR,
                last=LAST_YEAR,
            )
        )
    try:
        return date(year, month, day)
    except ValueError as error:
        raise BadFigure(
            say(
                "there is no day %(day)s in month %(month)s of %(year)s",
                day=day,
                month=month,
                year=year,
            )
        ) from error


def local_of(stamp: Stamp, order: DateOrder) -> datetime:
    """The date and clock as written, without a zone; 24:00 is midnight of the next day.

    Raises BadFigure where there is no such day or no time of day.
    """
    if stamp.clock is None:
        raise BadFigure(say("has a date and no time of day"))
    hour, minute, second = stamp.clock
    day = date_of(stamp, order)
    midnight = datetime(day.year, day.month, day.day)  # noqa: DTZ001 -- wall clock on purpose
    return midnight + timedelta(hours=hour, minutes=minute, seconds=second)


def runs_backwards(locals_: Sequence[datetime]) -> bool:
    """Whether the newest row comes first."""
    steps = Counter(later > earlier for earlier, later in pairwise(locals_) if later != earlier)
    return steps[False] > steps[True]


class WallClock:
    """Turns a table's local times into moments, in the order of time.

    At the autumn change an hour occurs twice; its second occurrence is the later moment. At the
    spring change an hour is missing, and a row that claims it cannot be local time.
    """

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._previous: datetime | None = None

    def moment(self, local: datetime) -> datetime:
        """The moment in UTC of the next row.

        Raises BadFigure for a local time that the clock skipped.
        """
        earlier = local.replace(tzinfo=self._zone, fold=0).astimezone(UTC)
        later = local.replace(tzinfo=self._zone, fold=1).astimezone(UTC)
        chosen = earlier
        if earlier != later:
            if earlier.astimezone(self._zone).replace(tzinfo=None) != local:
                raise BadFigure(
                    say(
                        "%(clock)s did not exist on %(day)s in %(zone)s: the clock was put "
                        "forward. Are the table's times in UTC or in standard time all year? "
                        "Choose its time zone",
                        clock=f"{local:%H:%M}",
                        day=f"{local:%Y-%m-%d}",
                        zone=str(self._zone),
                    )
                )
            if self._previous is not None and earlier <= self._previous:
                chosen = later
        self._previous = chosen
        return chosen
