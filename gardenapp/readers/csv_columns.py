"""What a table's columns hold, guessed from their headers, to be confirmed by a person."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

from gardenapp.messages import Joined, say
from gardenapp.readers import headings
from gardenapp.readers.csv_rows import Row
from gardenapp.readers.csv_times import (
    Stamp,
    clock_of_number,
    is_clock,
    number_stamp_of,
    stamp_of,
)
from gardenapp.readers.headings import role_of
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import ColumnGuess, Faults, quoted
from gardenapp.science.units import f_to_c

__all__ = ["ROLES", "columns_of", "guesses", "role_of", "unit_of", "unit_word"]

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
    "low_time",
    "unit",
    "zone",
)
TIME_ROLES = frozenset({"time", "date", "clock"})
TEMPERATURE_ROLES = frozenset({"temperature", "low", "high", "dew_point"})
_ROWS_TO_JUDGE = 50
_SAMPLES = 3

_FAHRENHEIT = re.compile(r"°\s*f\b|\bfahrenheit\b|\bdeg\s*f\b|[(\[]\s*f\s*[)\]]|[ .,]f$")
_CELSIUS = re.compile(r"°\s*c\b|\bcelsius\b|\bdeg\s*c\b|[(\[]\s*c\s*[)\]]|[ .,]c$")
_WIND_UNITS = (
    ("km/h", re.compile(r"km\s*/\s*h|\bkmh\b|\bkph\b|_kmh$|km_h")),
    ("mph", re.compile(r"\bmph\b|_mph$|\bmi\s*/\s*h\b")),
    ("m/s", re.compile(r"\bm\s*/\s*s\b|\bmps\b|_mps$|_ms$")),
    ("kn", re.compile(r"\bkn\b|\bkts?\b|\bknots?\b|_kn$|_kt$")),
)
_ZONE_CELL = re.compile(
    r"(?:UTC|GMT|Z|[A-Z]{3,4}|(?:UTC|GMT)?\s*[+\-\u2212][0-9]{1,2}(?::?[0-9]{2})?"
    r"|[A-Z][A-Za-z]+(?:/[A-Za-z_+\-0-9]+)+)"
)
_OKTAS = re.compile(r"\bokta")
_HUMIDITY_OR_CLOUD = frozenset({"humidity", "cloud"})


def unit_of(header: str, role: str) -> str:
    """The unit a header names for a role; "unknown" where it needs one and names none."""
    folded = unicodedata.normalize("NFKC", header).replace("º", "°").lower()
    if role in TEMPERATURE_ROLES:
        apart = headings.spaced(header.replace("º", "°"))
        fahrenheit, celsius = _FAHRENHEIT.search(apart), _CELSIUS.search(apart)
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

    A role chosen as an empty header is not used. Wrong choices are added to `faults`, and so is
    the question which of several columns is the temperature or the low. Of several for anything
    else the whole sky's, or the one outside, is taken, else none.
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
        if role in ("unit", "zone", "low_time"):
            candidates = [i for i in candidates if _holds(rows, i, role)]
        index = _best(role, candidates, headers, rows, faults)
        if index is not None:
            found[role] = index
    return found


def _best(
    role: str,
    candidates: list[int],
    headers: Sequence[str],
    rows: Sequence[Row],
    faults: Faults,
) -> int | None:
    """The one column of several for a role; None where there is none, or where it is asked."""
    for preferred in (headings.OUTSIDE, headings.TOTAL):
        some = [i for i in candidates if headings.words_of(headers[i]) & preferred]
        if len(some) == 1:
            return some[0]
        if some and preferred is headings.OUTSIDE:
            candidates = some
    if len(candidates) < 2:
        return candidates[0] if candidates else None
    if role not in ("temperature", "low"):
        return None
    if _agree(role, candidates, headers, rows):
        in_c = [i for i in candidates if unit_of(headers[i], role) == "C"]
        return (in_c or candidates)[0]
    names = Joined(tuple(quoted(headers[i]) for i in candidates[:4]), ", ")
    faults.add(
        say("Several columns could be it: %(names)s. Choose one.", names=names),
        column=role,
        ask="columns",
    )
    return None


def _agree(
    role: str, candidates: Sequence[int], headers: Sequence[str], rows: Sequence[Row]
) -> bool:
    """Whether columns say the same in every row, be it in °C and °F."""
    for row in rows:
        told = []
        for index in candidates:
            cell = row.cells[index] if index < len(row.cells) else ""
            try:
                value = float(cell.replace(",", ".").replace("\u2212", "-"))
            except ValueError:
                continue
            told.append(f_to_c(value) if unit_of(headers[index], role) == "F" else value)
        if told and max(told) - min(told) > 0.6:  # whole °F and tenths of a °C
            return False
    return True


def _holds(rows: Sequence[Row], index: int, role: str) -> bool:
    """Whether a column's cells are what units, zones and times of day look like."""
    cells = [cell for cell in _cells(rows, index) if cell]
    if role == "unit":
        return bool(cells) and all(unit_word(cell) for cell in cells)
    if role == "zone":
        return bool(cells) and all(_ZONE_CELL.fullmatch(cell) for cell in cells)
    return bool(cells) and all(is_clock(cell) or stamp_or_none(cell) for cell in cells)


def unit_word(text: str) -> str:
    """ "C" or "F" where a text is a unit of temperature and nothing else, else empty."""
    bare = unicodedata.normalize("NFKC", text).replace("º", "°").strip(" ()[]°.").lower()
    return {
        "c": "C",
        "f": "F",
        "celsius": "C",
        "fahrenheit": "F",
        "degc": "C",
        "degf": "F",
        "deg c": "C",
        "deg f": "F",
    }.get(bare, "")


def stamp_or_none(text: str) -> Stamp | None:
    """`stamp_of`, None also where the time of day is impossible."""
    try:
        return stamp_of(text)
    except BadFigure:
        return None


def _find_times(
    headers: Sequence[str], rows: Sequence[Row], found: dict[str, int], declined: set[str]
) -> None:
    kinds = {
        index: _time_kind(_cells(rows, index), headings.words_of(headers[index]))
        for index in range(len(headers))
    }
    # A person who chose the column need not know whether it holds times too: the cells tell.
    for role, other in (("time", "date"), ("date", "time")):
        if role in found and other not in found and kinds[found[role]] == other:
            found[other] = found.pop(role)
    if "time" not in found and "date" not in found:
        for role in ("time", "date"):
            candidates = [
                index
                for index, kind in kinds.items()
                if kind == role
                and index not in found.values()
                and role_of(headers[index]) != "low_time"
            ]
            named = [
                index for index in candidates if headings.words_of(headers[index]) & headings.TIME
            ]
            if candidates and role not in declined:
                found[role] = (named or candidates)[0]
                break
    if "date" in found and "clock" not in found and "clock" not in declined:
        clocks = [
            index
            for index, kind in kinds.items()
            if kind == "clock"
            and index not in found.values()
            and headings.words_of(headers[index]) & headings.CLOCK
            and role_of(headers[index]) != "low_time"
        ]
        if clocks:
            found["clock"] = clocks[0]


def _cells(rows: Sequence[Row], index: int) -> list[str]:
    """The cells of a column to judge it by."""
    return [row.cells[index] for row in rows[:_ROWS_TO_JUDGE] if index < len(row.cells)]


def _time_kind(cells: Sequence[str], words: frozenset[str] = frozenset()) -> str:
    """ "time", "date" or "clock" where most of the cells are that, else empty.

    words : of the column's heading; bare numbers count as times only where it speaks of them.
    """
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
        if stamp is None and words & headings.TIME:
            stamp = number_stamp_of(cell)
        if stamp is not None:
            counts["date" if stamp.clock is None else "time"] += 1
        elif is_clock(cell) or (words & headings.CLOCK and clock_of_number(cell)):
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
