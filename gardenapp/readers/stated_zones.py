"""The time zone a file names for its times: in a heading, in a line above it, or in a cell."""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from gardenapp.messages import say
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import quoted

# RFC 5322, section 4.3 (obsolete zones) gives the North American ones [h]; the others are common
# practice, no source. BST, IST and the like mean several and are asked for.
_RFC5322 = {
    "EST": -5.0,
    "EDT": -4.0,
    "CST": -6.0,
    "CDT": -5.0,
    "MST": -7.0,
    "MDT": -6.0,
    "PST": -8.0,
    "PDT": -7.0,
}
_OTHERS = {
    **{"AKST": -9.0, "AKDT": -8.0, "HST": -10.0, "NST": -3.5, "NDT": -2.5},
    **{"WET": 0.0, "WEST": 1.0, "CET": 1.0, "CEST": 2.0, "MEZ": 1.0, "MESZ": 2.0},
    **{"EET": 2.0, "EEST": 3.0, "MSK": 3.0, "JST": 9.0, "AEST": 10.0, "AEDT": 11.0},
    **{"NZST": 12.0, "NZDT": 13.0, "SAST": 2.0},
}
# British and Bangladesh, Irish, Israel and India, Atlantic and Arabia, and so on: from memory.
_SEVERAL = {
    **{"BST": (1.0, 6.0), "IST": (1.0, 2.0, 5.5), "AST": (-4.0, 3.0), "ADT": (-3.0, 4.0)},
    **{"GST": (-2.0, 4.0), "SST": (-11.0, 8.0), "ECT": (-5.0, -4.0), "AMT": (-4.0, 4.0)},
    **{"WST": (8.0, 13.0)},
}
_OFFSET = re.compile(
    r"(?:(?<![a-z])(?:UTC|GMT)[\s_]*|^\s*)([+\-])\s*([0-9]{1,2})(?::?([0-9]{2}))?(?![0-9])",
    re.IGNORECASE,
)
_UTC = re.compile(r"(?<![A-Z])(?:UTC|GMT|UT|ZULU)(?![A-Z])")
_NAME = re.compile(r"\b[A-Z][A-Za-z]+(?:/[A-Z][A-Za-z_+\-0-9]*)+\b")
_ABBREVIATION = re.compile(r"(?<![A-Za-z])[A-Z]{3,4}(?![A-Za-z])")
_LOCAL = re.compile(
    r"(?<![a-z])(?:local|lokal\w*|ortszeit|hora local|heure locale|ora locale)(?![a-z])"
)
_LABEL = re.compile(
    r"time[\s_]*zone|(?:utc|gmt)[\s_]*offset(?:[\s_]*(?:in[\s_]*)?(?:seconds|hours))?"
    r"|zeitzone|zona horaria|fuseau|tijdzone|fuso|strefa czasowa|times?\s+(?:are\s+)?in\b|^tz$",
    re.IGNORECASE,
)


def zone_in(text: str, home: ZoneInfo) -> tzinfo | None:
    """The zone a piece of text names, None where it names none.

    Parameters
    ----------
    text : a heading, a cell, or what stands beside the words "time zone".
    home : the garden's; an abbreviation it uses itself means what it means there.

    Raises BadFigure for an abbreviation that stands for several zones, none of them the garden's.
    """
    text = _plain(text)
    named = _NAME.search(text)
    if named:
        zone = _zone_of(named[0])
        if zone is not None:
            return zone
    found = _OFFSET.search(text)
    if found:
        minutes = int(found[2]) * 60 + int(found[3] or 0)
        if minutes > 14 * 60:
            raise BadFigure(say("%(text)s has no such offset from UTC", text=quoted(text)))
        return timezone(timedelta(minutes=minutes if found[1] == "+" else -minutes))
    if _UTC.search(text.upper().replace("_", " ")):
        return UTC
    for word in _ABBREVIATION.findall(text):
        offset = _of_home(word, home.key)
        if offset is not None:
            return timezone(offset)
        for table in (_RFC5322, _OTHERS):
            if word in table:
                return timezone(timedelta(hours=table[word]))
        if word in _SEVERAL:
            raise BadFigure(
                say("%(word)s stands for several time zones; choose its time zone", word=word)
            )
    return home if _LOCAL.search(text.lower()) else None


def meanings_in(text: str) -> tuple[tzinfo, ...]:
    """Each zone that an abbreviation in a text may mean, where it may mean several."""
    return tuple(
        timezone(timedelta(hours=hours))
        for word in _ABBREVIATION.findall(text)
        for hours in _SEVERAL.get(word, ())
    )


def zone_beside(lines: list[tuple[str, ...]], home: ZoneInfo) -> tzinfo | None:
    """The zone that lines above a table name, such as `timezone,GMT` or `All times in UTC`.

    Parameters
    ----------
    lines : the lines' cells.

    Raises BadFigure as `zone_in` does.
    """
    for cells in lines:
        whole = " ".join(cells).lstrip("# ")
        label = _LABEL.search(whole)
        if label is None:
            continue
        rest = whole[label.end() :].strip(" :=,;\t")
        seconds = re.fullmatch(r"([+-]?[0-9]{1,6})", rest)
        if seconds and "offset" in label[0].lower():
            offset = int(seconds[1])
            if abs(offset) >= 100:  # seconds, as services write it; fewer are hours
                return timezone(timedelta(seconds=offset))
            return timezone(timedelta(hours=offset))
        zone = zone_in(rest, home)
        if zone is not None:
            return zone
    return None


def same_zone(one: tzinfo, other: tzinfo, at: datetime) -> bool:
    """Whether two zones tell the same time at a moment. `at` : aware."""
    return at.astimezone(one).utcoffset() == at.astimezone(other).utcoffset()


def name_of(zone: tzinfo) -> str:
    """A zone's name for a message: its key, or its offset."""
    return str(getattr(zone, "key", zone))


def _plain(text: str) -> str:
    text = unicodedata.normalize("NFKC", text)
    return text.translate({0x2212: "-", 0x2013: "-", 0x00A0: " ", 0x202F: " "})


@lru_cache(maxsize=512)
def _zone_of(name: str) -> ZoneInfo | None:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


@lru_cache(maxsize=256)
def _of_home(word: str, key: str) -> timedelta | None:
    """The offset that an abbreviation has in the garden's own zone."""
    zone = ZoneInfo(key)
    for month in (1, 7):
        at = datetime(2026, month, 15, tzinfo=zone)
        if at.tzname() == word:
            return at.utcoffset()
    return None
