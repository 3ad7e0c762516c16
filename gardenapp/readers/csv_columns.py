"""What a table's columns hold, guessed from their headers, to be confirmed by a person."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

from gardenapp.messages import say
from gardenapp.readers.csv_rows import Row
from gardenapp.readers.csv_times import is_clock, stamp_of
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import ColumnGuess, Faults, quoted

ROLES = (
    "time",
    "date",
    "clock",
    "temperature",
    "low",
    "high",
    "dew_point",
    "humidity",
    "cloud",
    "wind",
    "gust",
)
TIME_ROLES = frozenset({"time", "date", "clock"})
TEMPERATURE_ROLES = frozenset({"temperature", "low", "high", "dew_point"})
_ROWS_TO_JUDGE = 50
_SAMPLES = 3

# Words of headers in English and German, as seen in public exports; any other header is left to a
# person to choose.
_TEMPERATURE_WORDS = frozenset(
    {"temp", "temps", "temperature", "temperatur", "lufttemperatur", "tt", "tair"}
)
_LOW_WORDS = frozenset({"min", "minimum", "low", "lowest", "tmin", "mintemp", "tempmin"})
_HIGH_WORDS = frozenset({"max", "maximum", "hi", "high", "highest", "tmax", "maxtemp", "tempmax"})
_DEW_WORDS = frozenset({"dew", "dewp", "dewpt", "dewpoint", "taupunkt"})
_HUMIDITY_WORDS = frozenset(
    {"hum", "humid", "humidity", "rh", "rf", "feuchte", "luftfeuchte", "luftfeuchtigkeit"}
)
_CLOUD_WORDS = frozenset({"cloud", "clouds", "cloudiness", "skycover", "sky", "bewölkung"})
_WIND_WORDS = frozenset({"wind", "windspeed", "wspd", "windgeschwindigkeit"})
_GUST_WORDS = frozenset({"gust", "gusts", "windgust", "böe", "böen", "windböen"})
_CLOCK_WORDS = frozenset({"time", "clock", "hour", "uhrzeit", "zeit", "stunde"})
_TIME_WORDS = _CLOCK_WORDS | {"date", "datetime", "timestamp", "datum", "day", "dt", "tag"}
# Not the air outside at screen height, or not a temperature one can plan from.
_ELSEWHERE_WORDS = frozenset(
    {
        *("in", "indoor", "inside", "innen", "room", "soil", "boden", "ground", "grass", "gras"),
        *("leaf", "water", "pool", "feels", "felt", "apparent", "chill", "heat", "index", "wet"),
        *("bulb", "thsw", "thw", "sensor", "station", "case", "battery"),
    }
)
_DIRECTION_WORDS = frozenset({"dir", "direction", "deg", "richtung", "windrichtung", "run"})
_OUTSIDE_WORDS = frozenset({"out", "outdoor", "outside", "außen", "aussen", "air", "ext"})

_FAHRENHEIT = re.compile(r"°\s*f\b|\bfahrenheit\b|\bdeg\s*f\b|[(\[]\s*f\s*[)\]]|[ _.]f$")
_CELSIUS = re.compile(r"°\s*c\b|\bcelsius\b|\bdeg\s*c\b|[(\[]\s*c\s*[)\]]|[ _.]c$")
_WIND_UNITS = (
    ("km/h", re.compile(r"km\s*/\s*h|\bkmh\b|\bkph\b|_kmh$|km_h")),
    ("mph", re.compile(r"\bmph\b|_mph$|\bmi\s*/\s*h\b")),
    ("m/s", re.compile(r"\bm\s*/\s*s\b|\bmps\b|_mps$|_ms$")),
    ("kn", re.compile(r"\bkn\b|\bkts?\b|\bknots?\b|_kn$|_kt$")),
)
_OKTAS = re.compile(r"\bokta")
_HUMIDITY_OR_CLOUD = frozenset({"humidity", "cloud"})


def _words(header: str) -> set[str]:
    spaced = re.sub(r"([a-zäöü])([A-ZÄÖÜ])", r"\1 \2", header)
    return set(re.findall(r"[^\W_]+", spaced.lower()))


def role_of(header: str) -> str:
    """The role a header's words speak for, empty where they speak for none.

    Times are told by what the cells hold, not here.
    """
    words = _words(unicodedata.normalize("NFKC", header))
    if words & _ELSEWHERE_WORDS:
        return ""
    if words & _GUST_WORDS:
        return "" if words & _DIRECTION_WORDS else "gust"
    if words & _WIND_WORDS:
        return "" if words & (_DIRECTION_WORDS | _HIGH_WORDS) else "wind"
    for role, role_words in (
        ("dew_point", _DEW_WORDS),
        ("humidity", _HUMIDITY_WORDS),
        ("cloud", _CLOUD_WORDS),
    ):
        if words & role_words:
            return "" if words & (_LOW_WORDS | _HIGH_WORDS) else role
    named_temperature = bool(words & _TEMPERATURE_WORDS)
    for role, role_words in (("low", _LOW_WORDS), ("high", _HIGH_WORDS)):
        if words & role_words and (named_temperature or words <= role_words | {"c", "f", "t"}):
            return role
    return "temperature" if named_temperature else ""


def unit_of(header: str, role: str) -> str:
    """The unit a header names for a role; "unknown" where it needs one and names none."""
    folded = unicodedata.normalize("NFKC", header).lower()
    if role in TEMPERATURE_ROLES:
        fahrenheit, celsius = _FAHRENHEIT.search(folded), _CELSIUS.search(folded)
        if bool(fahrenheit) == bool(celsius):
            return "unknown"
        return "F" if fahrenheit else "C"
    if role in ("wind", "gust"):
        found = [unit for unit, pattern in _WIND_UNITS if pattern.search(folded)]
        return found[0] if len(found) == 1 else "unknown"
    if role == "humidity":
        return "percent"
    if role == "cloud":
        if _OKTAS.search(folded):
            return "oktas"
        if "%" in folded or "percent" in folded:
            return "percent"
        return "fraction" if "fraction" in folded else "unknown"
    return ""


def columns_of(
    headers: Sequence[str],
    rows: Sequence[Row],
    chosen: Mapping[str, str] | None,
    faults: Faults,
) -> dict[str, int]:
    """Which column fills which role: what a person chose, then what headers and cells say.

    A role chosen as an empty header is not used. Wrong choices are added to `faults`.
    """
    found: dict[str, int] = {}
    declined = set()
    for role, header in (chosen or {}).items():
        if role not in ROLES:
            faults.add(say("%(role)s is not something a column can be read as", role=quoted(role)))
        elif not header:
            declined.add(role)
        elif header not in headers:
            faults.add(say("there is no column %(header)s", header=quoted(header)), column=role)
        elif headers.index(header) in found.values():
            faults.add(say("is chosen for two things"), column=header)
        elif role in TEMPERATURE_ROLES and role_of(header) in _HUMIDITY_OR_CLOUD:
            faults.add(
                say("is not a temperature by its name; choose another column"), column=header
            )
        elif role not in TIME_ROLES and _time_kind(_cells(rows, headers.index(header))):
            faults.add(say("holds dates or times; choose another column"), column=header)
        else:
            found[role] = headers.index(header)

    _find_times(headers, rows, found, declined)
    for role in ROLES:
        if role in found or role in declined or role in TIME_ROLES:
            continue
        candidates = [
            index
            for index, header in enumerate(headers)
            if index not in found.values() and role_of(header) == role
        ]
        if candidates:
            outside = [i for i in candidates if _words(headers[i]) & _OUTSIDE_WORDS]
            found[role] = (outside or candidates)[0]
    return found


def _find_times(
    headers: Sequence[str], rows: Sequence[Row], found: dict[str, int], declined: set[str]
) -> None:
    kinds = {index: _time_kind(_cells(rows, index)) for index in range(len(headers))}
    # A person who chose the column need not know whether it holds times too: the cells tell.
    for role, other in (("time", "date"), ("date", "time")):
        if role in found and other not in found and kinds[found[role]] == other:
            found[other] = found.pop(role)
    if "time" not in found and "date" not in found:
        for role in ("time", "date"):
            candidates = [
                index
                for index, kind in kinds.items()
                if kind == role and index not in found.values()
            ]
            named = [index for index in candidates if _words(headers[index]) & _TIME_WORDS]
            if candidates and role not in declined:
                found[role] = (named or candidates)[0]
                break
    if "date" in found and "clock" not in found and "clock" not in declined:
        clocks = [
            index
            for index, kind in kinds.items()
            if kind == "clock"
            and index not in found.values()
            and _words(headers[index]) & _CLOCK_WORDS
        ]
        if clocks:
            found["clock"] = clocks[0]


def _cells(rows: Sequence[Row], index: int) -> list[str]:
    """The cells of a column to judge it by."""
    return [row.cells[index] for row in rows[:_ROWS_TO_JUDGE] if index < len(row.cells)]


def _time_kind(cells: Sequence[str]) -> str:
    """ "time", "date" or "clock" where most of the cells are that, else empty."""
    counts = {"time": 0, "date": 0, "clock": 0}
    filled = 0
    for cell in cells:
        if not cell:
            continue
        filled += 1
        try:
            stamp = stamp_of(cell)
        except BadFigure:
            continue
        if stamp is not None:
            counts["date" if stamp.clock is None else "time"] += 1
        elif is_clock(cell):
            counts["clock"] += 1
    kind = max(counts, key=lambda name: counts[name])
    return kind if filled and counts[kind] * 2 > filled else ""


def guesses(
    headers: Sequence[str], rows: Sequence[Row], found: Mapping[str, int], units: Mapping[str, str]
) -> tuple[ColumnGuess, ...]:
    """Every column with its role, unit and first values, for a person to look at."""
    roles = {index: role for role, index in found.items()}
    return tuple(
        ColumnGuess(
            header=header,
            role=roles.get(index, ""),
            unit=units.get(roles.get(index, ""), ""),
            samples=tuple(
                row.cells[index] if index < len(row.cells) else "" for row in rows[:_SAMPLES]
            ),
        )
        for index, header in enumerate(headers)
    )
