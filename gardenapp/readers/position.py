"""A position as people copy it: from a map, a phone, a street sign of the allotments.

`52.31, -1.22`, `52,31; -1,22`, `52.31 N 1.22 W`, `52°18'36"N 1°13'12"W`, `geo:52.31,-1.22`
(RFC 5870). Latitude first, unless the letters say otherwise.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from gardenapp.errors import OutOfRange
from gardenapp.messages import say

_NUMBER = r"[+\-−–]?\d{1,3}(?:[.,]\d{1,12})?"
# Seconds only after minutes, minutes only after degrees; the letter after or before.
_PART = re.compile(
    rf"(?P<before>[NSEWO])?\s*(?P<degrees>{_NUMBER})\s*(?:°|º|deg)?\s*"
    r"(?:(?P<minutes>\d{1,2}(?:[.,]\d{1,8})?)\s*['′’]\s*"
    r"(?:(?P<seconds>\d{1,2}(?:[.,]\d{1,6})?)\s*(?:\"|″|”|'')\s*)?)?"
    r"(?(before)|(?P<after>[NSEWO](?![A-Z]))?)",
    re.IGNORECASE | re.ASCII,
)
_LETTERS = re.compile(r"[A-Z]{2,}", re.IGNORECASE)
_SIGNS = {"N": ("latitude", 1), "S": ("latitude", -1), "E": ("longitude", 1)}
# West is Oeste in Spanish and Ouest in French; in German O is east, so O alone is not read.
_SIGNS |= {"W": ("longitude", -1)}


@dataclass(frozen=True)
class Position:
    """A place on Earth. [degrees, north and east are plus]"""

    latitude: float
    longitude: float


def read_position(text: str) -> Position | None:
    """The position that a text holds, or None where it is no position but, say, a name.

    Raises OutOfRange where it is one, but none on Earth, or its letters contradict one another.
    """
    plain = text.strip().removeprefix("geo:").partition(";u=")[0].partition("?")[0].strip()
    if not any(c.isdigit() for c in plain) or _LETTERS.search(plain.replace("deg", "")):
        return None
    parts, end = [], 0
    for match in _PART.finditer(plain):
        if plain[end : match.start()].strip(" ,;/\t"):
            return None
        parts.append(match)
        end = match.end()
    if plain[end:].strip(" ,;/\t") or len(parts) != 2:
        return None
    found: dict[str, float] = {}
    for match, usual in zip(parts, ("latitude", "longitude"), strict=True):
        letter = (match["before"] or match["after"] or "").upper()
        if letter == "O":
            return None
        name, sign = _SIGNS[letter] if letter else (usual, 1)
        if name in found:
            raise OutOfRange(say("Enter one latitude and one longitude."))
        found[name] = sign * _degrees(match, has_letter=bool(letter))
    if set(found) != {"latitude", "longitude"}:
        raise OutOfRange(say("Enter one latitude and one longitude."))
    if not (abs(found["latitude"]) <= 90 and abs(found["longitude"]) <= 180):
        raise OutOfRange(say("Latitude is between −90 and 90, longitude between −180 and 180."))
    return Position(found["latitude"], found["longitude"])


def _degrees(match: re.Match[str], *, has_letter: bool) -> float:
    text = re.sub("[−–]", "-", match["degrees"]).replace(",", ".")
    degrees = float(text)
    minutes = float((match["minutes"] or "0").replace(",", "."))
    seconds = float((match["seconds"] or "0").replace(",", "."))
    if minutes >= 60 or seconds >= 60 or (has_letter and text.startswith("-")):
        raise OutOfRange(say("Enter one latitude and one longitude."))
    rest = minutes / 60 + seconds / 3600
    return degrees - rest if text.startswith("-") else degrees + rest
