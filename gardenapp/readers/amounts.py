"""Counts, lengths, sizes and ranges of labels as people write them into cells."""

from __future__ import annotations

import re
from functools import lru_cache

from gardenapp.errors import GardenError
from gardenapp.messages import Words, say
from gardenapp.readers.records import quoted
from gardenapp.science.units import CM_PER_INCH, METRES_PER_FOOT

MOST_OF_A_RANGE = 200
CM_PER_FOOT = 100 * METRES_PER_FOOT
_NUMBER = r"\d{1,7}(?:[.,]\d{1,4})?"
_FRACTION = r"\d{1,3}/\d{1,3}"
_UNIT_CM = {
    "": None,
    "mm": 0.1,
    "cm": 1.0,
    "m": 100.0,
    "mt": 100.0,
    "mts": 100.0,
    "metre": 100.0,
    "metres": 100.0,
    "meter": 100.0,
    "meters": 100.0,
    "metro": 100.0,
    "metros": 100.0,
    "in": CM_PER_INCH,
    "inch": CM_PER_INCH,
    "inches": CM_PER_INCH,
    '"': CM_PER_INCH,
    "″": CM_PER_INCH,
    "”": CM_PER_INCH,
    "pulgada": CM_PER_INCH,
    "pulgadas": CM_PER_INCH,
    "ft": CM_PER_FOOT,
    "foot": CM_PER_FOOT,
    "feet": CM_PER_FOOT,
    "'": CM_PER_FOOT,
    "′": CM_PER_FOOT,
    "’": CM_PER_FOOT,
    "pie": CM_PER_FOOT,
    "pies": CM_PER_FOOT,
    "yd": 3 * CM_PER_FOOT,
    "yard": 3 * CM_PER_FOOT,
    "yards": 3 * CM_PER_FOOT,
}
_UNITS = "|".join(sorted((re.escape(unit) for unit in _UNIT_CM if unit), key=len, reverse=True))
_LENGTH = re.compile(
    rf"(?P<sign>[-−–])?\s*(?:(?P<whole>{_NUMBER})(?:[\s-]+(?P<fraction>{_FRACTION}))?|(?P<only>{_FRACTION}))"
    rf"\s*(?P<unit>{_UNITS})?\.?",
    re.IGNORECASE,
)
_FEET_AND_INCHES = re.compile(
    rf"(?P<feet>\d{{1,4}})\s*(?:'|′|’|ft|feet|foot)\s*"
    rf"(?P<inches>{_NUMBER})(?:\s+(?P<fraction>{_FRACTION}))?\s*(?:\"|″|”|in|inch|inches)?\.?",
    re.IGNORECASE,
)
_TIMES = re.compile(r"\s*(?:[x×*]|\bby\b|\bpor\b)\s*", re.IGNORECASE)
_COUNT = re.compile(
    r"(?:[x×]\s*|about\s+|ca?\.\s*|~\s*|unos\s+|unas\s+)?"
    r"(?P<number>\d{1,3}(?:[ ,.\u202f]\d{3})+|\d{1,9})"
    r"(?:[.,]0+)?\s*(?:[x×]|plants?|plantas?|pots?|macetas?|pcs?\.?|pieces?|piezas?|uds?\.?)?",
    re.IGNORECASE,
)
_LABEL_RANGE = re.compile(
    r"(?P<head>[^\d\s,;]*\s?)(?P<first>\d{1,4})\s*(?:-|–|—|−|\bto\b|\ba\b|\.\.+|…)\s*"
    r"(?P<again>[^\d\s,;]*\s?)(?P<last>\d{1,4})",
    re.IGNORECASE,
)
_AND = re.compile(r"\s*(?:[,;+&/]|\band\b|\by\b)\s*", re.IGNORECASE)
YES = frozenset({"yes", "y", "true", "x", "✓", "1", "si", "sí", "s", "verdadero"})
NO = frozenset({"no", "n", "false", "0", "", "-", "falso"})


class BadAmount(GardenError, ValueError):
    """A cell that cannot be what its column says it is."""

    def __init__(self, message: Words) -> None:
        self.message = message
        super().__init__(str(message))


@lru_cache(maxsize=4096)
def read_length_cm(text: str, *, unit: str = "") -> float:
    """A length in centimetres: `3 ft`, `1,5 m`, `28 1/2"`, `3' 6"`; a bare number is in `unit`.

    Raises BadAmount for no length, a minus, nought, and a bare number where no unit is known.
    """
    plain = text.strip()
    found = _FEET_AND_INCHES.fullmatch(plain)
    if found:
        inches = _value(found["inches"]) + _fraction(found["fraction"])
        return float(found["feet"]) * CM_PER_FOOT + inches * CM_PER_INCH
    found = _LENGTH.fullmatch(plain)
    if found is None:
        raise BadAmount(say("%(text)s is no length. Enter one such as 120 cm.", text=quoted(text)))
    if found["sign"]:
        raise BadAmount(say("%(text)s has a minus; a length has none.", text=quoted(text)))
    value = _value(found["whole"] or "0") + _fraction(found["fraction"] or found["only"])
    named = (found["unit"] or unit).lower()
    factor = _UNIT_CM.get(named)
    if factor is None:
        raise BadAmount(
            say("%(text)s has no unit. Enter it as 120 cm, 1.2 m or 4 ft.", text=quoted(text))
        )
    if value <= 0:
        raise BadAmount(say("A length is more than 0."))
    return value * factor


@lru_cache(maxsize=4096)
def read_size_cm(text: str, *, unit: str = "") -> tuple[float, ...]:
    """Two or three lengths in centimetres: `60x40`, `60 × 40 × 30 cm`, `3 m by 6 m`.

    A unit at the end counts for those before it that have none. Raises BadAmount.
    """
    parts = [part for part in _TIMES.split(text.strip()) if part]
    if not 2 <= len(parts) <= 3:
        raise BadAmount(
            say("%(text)s is no size. Enter one such as 60 × 40 cm.", text=quoted(text))
        )
    last = _LENGTH.fullmatch(parts[-1])
    own = last["unit"] if last and last["unit"] else unit
    return tuple(read_length_cm(part, unit=own) for part in parts)


@lru_cache(maxsize=4096)
def read_count(text: str, *, most: int = 1_000_000) -> int:
    """A whole number of things from 1: `12`, `12 ×`, `x12`, `12 plants`, `1 200`.

    Raises BadAmount.
    """
    found = _COUNT.fullmatch(text.strip())
    number = int(re.sub(r"\D", "", found["number"])) if found else 0
    if not 1 <= number <= most:
        raise BadAmount(
            say("%(text)s is no count. Enter a whole number from 1.", text=quoted(text))
        )
    return number


def read_yes(text: str) -> bool:
    """Yes or no, in English or Spanish; empty is no. Raises BadAmount."""
    plain = text.strip().casefold()
    if plain in YES:
        return True
    if plain in NO:
        return False
    raise BadAmount(say("Enter yes or no."))


@lru_cache(maxsize=4096)
def read_labels(text: str) -> tuple[str, ...]:
    """The labels that a cell names: `A1`, `A1–A8`, `A1 to 8`, `A1, A3 & B2`.

    Raises BadAmount for a range that goes down or names too many.
    """
    found: dict[str, None] = {}
    for part in _AND.split(text.strip()):
        if not part:
            continue
        match = _LABEL_RANGE.fullmatch(part)
        if match is None:
            found[part] = None
            continue
        head, again = match["head"], match["again"]
        first, last = int(match["first"]), int(match["last"])
        if again.strip() and again.strip().casefold() != head.strip().casefold():
            # `A1-B2` names no range; it may be a label of its own.
            found[part] = None
            continue
        if last < first or last - first >= MOST_OF_A_RANGE:
            raise BadAmount(
                say(
                    "%(text)s is no range: from the lower number to the higher, at most %(most)s.",
                    text=quoted(part),
                    most=MOST_OF_A_RANGE,
                )
            )
        width = len(match["first"]) if match["first"].startswith("0") else 0
        for number in range(first, last + 1):
            found[f"{head}{number:0{width}d}"] = None
    return tuple(found)


def _value(text: str) -> float:
    return float(text.replace(",", "."))


def _fraction(text: str | None) -> float:
    if not text:
        return 0.0
    above, below = text.split("/")
    if int(below) == 0:
        raise BadAmount(say("%(text)s is no length. Enter one such as 120 cm.", text=quoted(text)))
    return int(above) / int(below)
