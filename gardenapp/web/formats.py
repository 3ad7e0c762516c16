"""How numbers, nights and times are written on a page.

Celsius, kelvin and centimetres come in; the reader's units go out, here and nowhere else.
"""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from flask import Flask, current_app, url_for
from markupsafe import Markup

from gardenapp.science.units import c_to_f, difference_k_to_f
from gardenapp.services.second_opinion import second_opinion
from gardenapp.web.access import current_garden, current_member
from gardenapp.web.navigation import ways

MINUS = "\N{MINUS SIGN}"
SPACE = "\N{NARROW NO-BREAK SPACE}"


def _number(value: float, digits: int = 1) -> str:
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def temperature_unit() -> str:
    """The unit the reader chose, or the garden's."""
    member, garden = current_member(), current_garden()
    if member is not None:
        return member.temperature_unit
    return garden.temperature_unit if garden is not None else "C"


def length_unit() -> str:
    """The reader's unit of length: metric or inch."""
    member, garden = current_member(), current_garden()
    if member is not None:
        return member.length_unit
    return garden.length_unit if garden is not None else "metric"


def temperature(value_c: float | None, unit: str | None = None, *, digits: int = 1) -> str:
    """A temperature with its unit: `−1.5 °C`."""
    if value_c is None:
        return "unknown"
    unit = unit or temperature_unit()
    shown = c_to_f(value_c) if unit == "F" else value_c
    return f"{_number(shown, digits)}{SPACE}°{unit}"


def both_units(value_c: float, *, digits: int = 1) -> str:
    """A temperature in both units, the reader's first."""
    first = temperature_unit()
    other = "F" if first == "C" else "C"
    return (
        f"{temperature(value_c, first, digits=digits)} "
        f"({temperature(value_c, other, digits=0 if other == 'F' else digits)})"
    )


def difference(value_k: float | None, unit: str | None = None, *, signed: bool = False) -> str:
    """A difference of temperatures: 2 K is 3.6 °F, with no 32 added."""
    if value_k is None:
        return "unknown"
    unit = unit or temperature_unit()
    shown = difference_k_to_f(value_k) if unit == "F" else value_k
    sign = "+" if signed and round(shown, 1) > 0 else ""
    return f"{sign}{_number(shown)}{SPACE}°{unit}"


def length(value_cm: float | None) -> str:
    """A length in the reader's unit: `60 cm` or `23.6 in`."""
    if value_cm is None:
        return "unknown"
    if length_unit() == "inch":
        return f"{value_cm / 2.54:.1f}".removesuffix(".0") + f"{SPACE}in"
    return f"{value_cm:.0f}{SPACE}cm"


def chance(value: float) -> str:
    """A share as a rounded percentage that never promises: 0 and 100 are not shown."""
    percent = value * 100
    if percent < 1:
        return f"under 1{SPACE}%"
    if percent > 99:
        return f"over 99{SPACE}%"
    return f"{percent:.0f}{SPACE}%"


def zone() -> ZoneInfo:
    """The garden's time zone."""
    garden = current_garden()
    return ZoneInfo(garden.time_zone if garden is not None else "UTC")


def clock(moment: datetime | str | None) -> str:
    """The time of day at the garden: `17:40`."""
    if moment is None:
        return ""
    return _moment(moment).astimezone(zone()).strftime("%H:%M")


def clock_tag(moment: datetime | str | None) -> Markup:
    """A `<time>` element with the garden's clock time."""
    if moment is None:
        return Markup("")
    at = _moment(moment)
    return Markup('<time datetime="{}">{}</time>').format(
        at.astimezone(UTC).strftime("%Y-%m-%dT%H:%MZ"), clock(at)
    )


def day_clock(moment: datetime | str | None) -> str:
    """Day and time at the garden: `Tue 24 Nov, 18:40`."""
    if moment is None:
        return ""
    local = _moment(moment).astimezone(zone())
    return f"{local:%a} {local.day} {local:%b}, {local:%H:%M}"


def night_name(night_of: date | str) -> str:
    """A night by its evening: `Night of Tuesday 24 to Wednesday 25 November`."""
    evening = date.fromisoformat(night_of) if isinstance(night_of, str) else night_of
    morning = evening + timedelta(days=1)
    if evening.month == morning.month:
        return f"Night of {evening:%A} {evening.day} to {morning:%A} {morning.day} {morning:%B}"
    return (
        f"Night of {evening:%A} {evening.day} {evening:%B} "
        f"to {morning:%A} {morning.day} {morning:%B}"
    )


def day_name(day: date | str) -> str:
    """`Tuesday 24 November 2026`."""
    at = date.fromisoformat(day) if isinstance(day, str) else day
    return f"{at:%A} {at.day} {at:%B %Y}"


def minutes(value: float) -> str:
    """A duration in minutes or hours and minutes."""
    whole = max(1, round(value))
    if whole < 60:
        return f"{whole}{SPACE}min"
    return f"{whole // 60}{SPACE}h {whole % 60:02d}{SPACE}min"


def age(moment: datetime, now: datetime) -> str:
    """How long ago, roughly: `3 hours ago`."""
    seconds = (now - moment).total_seconds()
    if seconds < 90:
        return "just now"
    if seconds < 5400:
        return f"{round(seconds / 60)} minutes ago"
    if seconds < 129_600:
        return f"{round(seconds / 3600)} hours ago"
    return f"{round(seconds / 86_400)} days ago"


def plural(number: int, one: str, many: str | None = None) -> str:
    """`1 plot`, `3 plots`."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def _moment(value: datetime | str) -> datetime:
    return datetime.fromisoformat(value) if isinstance(value, str) else value


@lru_cache(maxsize=64)
def _fingerprint(folder: str, name: str, changed_ns: int) -> str:
    return hashlib.sha256((Path(folder) / name).read_bytes()).hexdigest()[:10]


def asset(name: str) -> str:
    """Address of a static file that changes when the file does."""
    folder = current_app.static_folder or ""
    path = Path(folder) / name
    return url_for("static", filename=name, v=_fingerprint(folder, name, path.stat().st_mtime_ns))


def anchor(text: Any) -> str:
    """A safe id from any label."""
    return re.sub(r"[^a-z0-9]+", "-", str(text).lower()).strip("-") or "x"


def init_formats(app: Flask) -> None:
    """Make the filters known to the templates."""
    filters = app.jinja_env.filters
    for function in (
        temperature,
        both_units,
        difference,
        chance,
        clock,
        clock_tag,
        day_clock,
        night_name,
        day_name,
        minutes,
        age,
        anchor,
    ):
        filters[function.__name__] = function
    # Not under its own name: that filter of Jinja's counts things.
    filters["size"] = length
    app.jinja_env.globals.update(
        asset=asset, plural=plural, ways=ways, second_opinion=second_opinion
    )
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True
