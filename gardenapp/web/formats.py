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

import flask_babel
from flask import Flask, current_app, url_for
from markupsafe import Markup

from gardenapp.messages import Amount, Celsius, Length
from gardenapp.readers.records import LineError
from gardenapp.science.units import c_to_f, difference_k_to_f, kg_to_lb
from gardenapp.services.night.plan_words import treatment_words
from gardenapp.web.access import current_garden, current_member
from gardenapp.web.navigation import ways
from gardenapp.words import UNITS, _, day_of, decimal_sign, month_of, n_, said, told

MINUS = "\N{MINUS SIGN}"
SPACE = "\N{NARROW NO-BREAK SPACE}"
MM_PER_INCH = 25.4


def decimals(value: float, digits: int = 1) -> str:
    """A plain number with so many decimals, written the reader's way."""
    return f"{value:.{digits}f}".replace(".", decimal_sign())


def shortest(value: float) -> str:
    """A plain number with no more decimals than it needs, written the reader's way."""
    return f"{value:g}".replace(".", decimal_sign())


def _number(value: float, digits: int = 1) -> str:
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS).replace(".", decimal_sign())


def day_short(at: date) -> str:
    """`Tue`."""
    return day_of(at, "abbreviated")


def month_short(at: date) -> str:
    """`Nov`."""
    return month_of(at, "abbreviated")


def fault(error: LineError) -> str:
    """What is wrong with a file and where: `line 3, TMIN: is missing`."""
    return str(told(error.whole))


def quoted(text: Any) -> Any:
    """Words that stay in their English, told apart for whoever reads the page aloud.

    For sources' own words and the log, which say what was written and are not translated.
    """
    if not text or flask_babel.get_locale() is None or str(flask_babel.get_locale()) == "en":
        return text
    return Markup('<span lang="en">{}</span>').format(text)


def owned(name: str) -> str:
    """Whose it is: `Vera’s`."""
    return _("%(owner)s’s", owner=name)


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
        return _("unknown")
    unit = unit or temperature_unit()
    shown = c_to_f(value_c) if unit == "F" else value_c
    return f"{_number(shown, digits)}{SPACE}°{unit}"


def both_units(value_c: float, *, digits: int = 1) -> str:
    """A temperature in both units, the reader's first."""
    return f"{temperature(value_c, digits=digits)} ({other_unit(value_c, digits=digits)})"


def other_unit(value_c: float, *, digits: int = 1) -> str:
    """A temperature in the unit that the reader did not choose; Fahrenheit in whole degrees."""
    if temperature_unit() == "F":
        return temperature(value_c, "C", digits=digits)
    return temperature(value_c, "F", digits=0)


def difference(
    value_k: float | None, unit: str | None = None, *, signed: bool = False, digits: int = 1
) -> str:
    """A difference of temperatures: 2 K is 3.6 °F, with no 32 added."""
    if value_k is None:
        return _("unknown")
    unit = unit or temperature_unit()
    shown = difference_k_to_f(value_k) if unit == "F" else value_k
    sign = "+" if signed and round(shown, digits) > 0 else ""
    return f"{sign}{_number(shown, digits)}{SPACE}°{unit}"


def length(value_cm: float | None) -> str:
    """A length in the reader's unit: `60 cm` or `23.6 in`."""
    if value_cm is None:
        return _("unknown")
    if length_unit() == "inch":
        shown = f"{value_cm / 2.54:.1f}".removesuffix(".0").replace(".", decimal_sign())
        return f"{shown}{SPACE}{_('in')}"
    return f"{value_cm:.0f}{SPACE}cm"


def amount(value: Amount) -> str | None:
    """An amount of a message in the reader's units; None where it is written as it stands."""
    if isinstance(value, Celsius):
        return temperature(value.value, digits=value.digits)
    if isinstance(value, Length) and length_unit() == "inch":
        shown = shown_mm(value.value)
        return shown.partition(SPACE)[0] if value.is_bare else shown
    return None


def shown_mm(value_mm: float) -> str:
    """A length as on a saw bench: whole millimetres, or inches to a hundredth."""
    if length_unit() == "inch":
        text = f"{value_mm / MM_PER_INCH:.2f}".rstrip("0").rstrip(".")
        return f"{text}{SPACE}in"
    text = f"{value_mm:.0f}" if value_mm >= 10 else f"{value_mm:.1f}".removesuffix(".0")
    return f"{text}{SPACE}mm"


def chance(value: float) -> str:
    """A share as a rounded percentage that never promises: 0 and 100 are not shown."""
    percent = value * 100
    if percent < 1:
        return _("under %(number)s", number=f"1{SPACE}%")
    if percent > 99:
        return _("over %(number)s", number=f"99{SPACE}%")
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
    return f"{day_short(local)} {local.day} {month_short(local)}, {local:%H:%M}"


def night_name(night_of: date | str) -> str:
    """A night by its evening: `Night of Tuesday 24 to Wednesday 25 November`."""
    return _("Night of %(nights)s", nights=night_span(night_of))


def night_span(night_of: date | str) -> str:
    """The evening and the morning of a night: `Tuesday 24 to Wednesday 25 November`."""
    evening = date.fromisoformat(night_of) if isinstance(night_of, str) else night_of
    morning = evening + timedelta(days=1)
    values = {
        "day": day_of(evening),
        "number": evening.day,
        "month": month_of(evening),
        "next_day": day_of(morning),
        "next_number": morning.day,
        "next_month": month_of(morning),
    }
    if evening.month == morning.month:
        return _("%(day)s %(number)s to %(next_day)s %(next_number)s %(month)s", **values)
    return _(
        "%(day)s %(number)s %(month)s to %(next_day)s %(next_number)s %(next_month)s", **values
    )


def day_name(day: date | str) -> str:
    """`Tuesday 24 November 2026`."""
    at = date.fromisoformat(day) if isinstance(day, str) else day
    return _(
        "%(day)s %(number)s %(month)s %(year)s",
        day=day_of(at),
        number=at.day,
        month=month_of(at),
        year=at.year,
    )


def minutes(value: float) -> str:
    """A duration in minutes or hours and minutes."""
    whole = max(1, round(value))
    if whole < 60:
        return f"{whole}{SPACE}min"
    return f"{whole // 60}{SPACE}h {whole % 60:02d}{SPACE}min"


def late_by(moment: datetime, now: datetime) -> str:
    """How long something is overdue, roughly: `2 h`, `25 min`."""
    late = (now - moment).total_seconds() / 60
    return minutes(late) if late < 60 else f"{round(late / 60)}{SPACE}h"


def age(moment: datetime, now: datetime) -> str:
    """How long ago, roughly: `3 hours ago`."""
    seconds = (now - moment).total_seconds()
    if seconds < 90:
        return _("just now")
    if seconds < 5400:
        return _("%(number)s minutes ago", number=round(seconds / 60))
    if seconds < 129_600:
        return _("%(number)s hours ago", number=round(seconds / 3600))
    return _("%(number)s days ago", number=round(seconds / 86_400))


def weight(mass_kg: float) -> str:
    """A weight in the reader's unit, whole from ten on."""
    value, sign = mass_kg, "kg"
    if length_unit() == "inch":
        value, sign = kg_to_lb(mass_kg), "lb"
    return f"{decimals(value, 0 if value >= 10 else 1)}{SPACE}{sign}"


def plural(number: int, one: str, many: str | None = None) -> str:
    """`1 plot`, `3 plots`; the words may be marked for the catalogue by this very call."""
    return f"{number} {n_(one, many or one + 's', number)}"


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
    """Make the filters known to the templates, and the languages they speak."""
    from gardenapp.web.languages import init_languages

    init_languages(app)
    app.extensions[UNITS] = amount
    filters = app.jinja_env.filters
    for function in (
        temperature,
        both_units,
        other_unit,
        difference,
        chance,
        weight,
        clock,
        clock_tag,
        day_clock,
        night_name,
        night_span,
        day_name,
        day_short,
        month_short,
        decimals,
        shortest,
        said,
        treatment_words,
        told,
        fault,
        owned,
        quoted,
        minutes,
        age,
        late_by,
        anchor,
    ):
        filters[function.__name__] = function
    # Not under its own name: that filter of Jinja's counts things.
    filters["size"] = length
    app.jinja_env.globals.update(asset=asset, plural=plural, ways=ways)
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True
