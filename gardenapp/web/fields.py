"""Form fields that mean what was typed.

`DecimalField` calls NaN a number and refuses a comma; `DataRequired` calls 0 °C missing. The
fields here accept what people type on a phone and refuse the rest with a reason.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from flask_wtf import FlaskForm
from markupsafe import Markup
from wtforms import Field, HiddenField, StringField, ValidationError
from wtforms.widgets import TextArea, TextInput

from gardenapp.errors import FieldRefused
from gardenapp.science import units
from gardenapp.web.formats import length_unit, temperature_unit
from gardenapp.words import _, said, told

NUMBER = re.compile(r"[+-]?(?:\d{1,9}(?:\.\d{0,6})?|\.\d{1,6})", re.ASCII)


def parse_number(text: str) -> float:
    """The number in `text`, or ValueError.

    Takes a plain or a true minus sign, a comma or a point, spaces around. Refuses `nan`,
    `inf`, exponents, underscores and digits of other scripts, all of which `float` takes.
    """
    cleaned = text.strip().replace("\N{MINUS SIGN}", "-").replace(",", ".")
    if not NUMBER.fullmatch(cleaned):
        raise ValueError(text)
    value = float(cleaned)
    return 0.0 if value == 0 else value


class NumberField(Field):
    """A number between `minimum` and `maximum` in the unit the label names."""

    widget = TextInput()

    def __init__(
        self,
        label: str,
        *,
        minimum: float,
        maximum: float,
        required: bool = True,
        whole: bool = False,
        validators: Any = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(label, validators or [], **kwargs)
        self.minimum, self.maximum = minimum, maximum
        self.required, self.whole = required, whole
        self.typed: str | None = None
        self.data: float | int | None

    def _value(self) -> str:
        if self.typed is not None:
            # What is shown again after an error must itself be valid in a page.
            return "".join(c for c in self.typed if c.isprintable())
        if self.data is None:
            return ""
        text = f"{self.data:.6f}".rstrip("0").rstrip(".") if not self.whole else str(int(self.data))
        return text.replace("-", "\N{MINUS SIGN}")

    def process_formdata(self, valuelist: list[Any]) -> None:
        if not valuelist:
            return
        self.typed = str(valuelist[0])[:200]
        self.data = None
        if not self.typed.strip():
            return
        try:
            number = parse_number(self.typed)
        except ValueError:
            raise ValueError(self._advice()) from None
        if not self.minimum <= number <= self.maximum or (self.whole and number != int(number)):
            raise ValueError(self._advice())
        self.data = int(number) if self.whole else number

    def pre_validate(self, form: Any) -> None:
        if self.required and self.data is None and not self.process_errors:
            raise ValidationError(self._advice())

    def _advice(self) -> str:
        kind = _("a whole number") if self.whole else _("a number")
        low, high = (f"{x:g}".replace("-", "\N{MINUS SIGN}") for x in (self.minimum, self.maximum))
        return _("Enter %(kind)s between %(low)s and %(high)s.", kind=kind, low=low, high=high)


@dataclass(frozen=True)
class Measure:
    """A unit that a reader types: its sign, its way to SI and back."""

    sign: str
    from_si: Callable[[float], float]
    to_si: Callable[[float], float]


def _same(value: float) -> float:
    return value


_CM = Measure("cm", _same, _same)
_INCH = Measure("in", units.cm_to_inch, units.inch_to_cm)
_METRE = Measure("m", _same, _same)
_FOOT = Measure("ft", units.m_to_ft, units.ft_to_m)
_KG = Measure("kg", _same, _same)
_POUND = Measure("lb", units.kg_to_lb, units.lb_to_kg)
_MPS = Measure("m/s", _same, _same)
_MPH = Measure("mph", units.mps_to_mph, units.mph_to_mps)
_CELSIUS = Measure("°C", _same, _same)
_FAHRENHEIT = Measure("°F", units.c_to_f, units.f_to_c)
_KELVIN = Measure("°C", _same, _same)
_FAHRENHEIT_STEP = Measure("°F", units.difference_k_to_f, units.difference_f_to_k)


def measure(kind: str) -> Measure:
    """The reader's unit for a length, distance, wind, temperature or difference."""
    is_inch = length_unit() == "inch"
    is_f = temperature_unit() == "F"
    return {
        "length": _INCH if is_inch else _CM,
        "distance": _FOOT if is_inch else _METRE,
        "wind": _MPH if is_inch else _MPS,
        "temperature": _FAHRENHEIT if is_f else _CELSIUS,
        "difference": _FAHRENHEIT_STEP if is_f else _KELVIN,
        "mass": _POUND if is_inch else _KG,
    }[kind]


class MeasureField(NumberField):
    """A number typed in the reader's unit and kept in SI.

    `minimum`, `maximum` and `data` are SI (cm, m, m/s, °C or K by `kind`); what is shown and
    typed is the reader's unit. A shown value that comes back as it was keeps the exact stored
    one, so that saving a form in inches does not shift every length a little.
    """

    def __init__(
        self, label: str, *, kind: str, minimum: float, maximum: float, **kwargs: Any
    ) -> None:
        self.measure = measure(kind)
        super().__init__(
            label,
            minimum=round(self.measure.from_si(minimum), 1),
            maximum=round(self.measure.from_si(maximum), 1),
            **kwargs,
        )
        self.type = "NumberField"  # the page draws it like any other number

    @property
    def unit(self) -> str:
        """The sign to write behind the field."""
        return self.measure.sign

    def _shown(self, value_si: float) -> str:
        text = f"{self.measure.from_si(value_si):.1f}".removesuffix(".0")
        return ("0" if text == "-0" else text).replace("-", "\N{MINUS SIGN}")

    def _value(self) -> str:
        if self.typed is not None:
            # What is shown again after an error must itself be valid in a page.
            return "".join(c for c in self.typed if c.isprintable())
        return "" if self.data is None else self._shown(self.data)

    def process_formdata(self, valuelist: list[Any]) -> None:
        stored = self.object_data
        super().process_formdata(valuelist)
        if not valuelist or self.data is None or self.typed is None:
            return
        if isinstance(stored, int | float) and self.typed.strip() == self._shown(stored):
            self.data = stored
        else:
            self.data = self.measure.to_si(self.data)

    def process_data(self, value: Any) -> None:
        self.data = value


@dataclass(frozen=True)
class Choice:
    """One line of a list to choose from; lines of one `group` stand together under its name."""

    value: str
    label: str
    group: str = ""


def _draw_select(field: Any, **attributes: Any) -> Markup:
    written = Markup("").join(
        Markup(' {}="{}"').format(name, value) for name, value in attributes.items()
    )
    parts = [Markup('<select name="{}"{}>').format(field.name, written)]
    group = ""
    for choice in field.choices:
        if choice.group != group:
            parts.append(Markup("</optgroup>") if group else Markup(""))
            if choice.group:
                parts.append(Markup('<optgroup label="{}">').format(said(choice.group)))
            group = choice.group
        chosen = Markup(" selected") if choice.value == field.data else Markup("")
        parts.append(
            Markup('<option value="{}"{}>{}</option>').format(
                choice.value, chosen, said(choice.label)
            )
        )
    parts.append(Markup("</optgroup>") if group else Markup(""))
    return Markup("").join(parts) + Markup("</select>")


class PickField(Field):
    """One of a list. Says so in plain words when it is none of them.

    A list that differs from one request to the next is given as a function, asked each time a
    form is made; one that also depends on what the form is about is set by the form.

    Drawn here and not by the library's own select, whose ways of giving choices change from
    one release to the next.
    """

    def __init__(
        self,
        label: str,
        choices: Sequence[Choice] | Callable[[], Sequence[Choice]] = (),
        *,
        advice: str = "",
        **kwargs: Any,
    ) -> None:
        super().__init__(label, kwargs.pop("validators", None) or [], **kwargs)
        self.choices: Sequence[Choice] = tuple(choices() if callable(choices) else choices)
        self.advice = advice or _("Choose one of the list.")

    def widget(self, field: Any, **attributes: Any) -> Markup:
        attributes.setdefault("id", self.id)
        return _draw_select(self, **attributes)

    def process_data(self, value: Any) -> None:
        self.data: str = "" if value is None else str(value)

    def process_formdata(self, valuelist: list[Any]) -> None:
        if valuelist:
            self.data = str(valuelist[0])

    def pre_validate(self, form: Any) -> None:
        if not any(choice.value == self.data for choice in self.choices):
            raise ValidationError(self.advice)


class TicksField(Field):
    """Any number of a list, each with its own tick; `data` is the tuple of chosen values."""

    def __init__(self, label: str, choices: Sequence[Choice] = (), **kwargs: Any) -> None:
        super().__init__(label, kwargs.pop("validators", None) or [], **kwargs)
        self.choices: Sequence[Choice] = tuple(choices)

    def process_data(self, value: Any) -> None:
        self.data = tuple(str(v) for v in value or ())

    def process_formdata(self, valuelist: list[Any]) -> None:
        self.data = tuple(dict.fromkeys(str(v) for v in valuelist))

    def pre_validate(self, form: Any) -> None:
        known = {choice.value for choice in self.choices}
        if any(value not in known for value in self.data or ()):
            raise ValidationError(_("Choose from the list."))


class TextLine(StringField):
    """A line of text without control characters, trimmed."""

    def _value(self) -> str:
        # What is shown again after an error must itself be valid in a page.
        return "".join(c for c in self.data or "" if c.isprintable() or c in "\n\t")

    def __init__(
        self, label: str, *, maximum: int = 80, required: bool = True, **kwargs: Any
    ) -> None:
        super().__init__(label, kwargs.pop("validators", None) or [], **kwargs)
        self.maximum, self.required = maximum, required

    def process_formdata(self, valuelist: list[Any]) -> None:
        if valuelist:
            self.data = str(valuelist[0]).strip()

    def pre_validate(self, form: Any) -> None:
        text = self.data or ""
        if self.required and not text:
            raise ValidationError(_("Enter some text here."))
        if len(text) > self.maximum:
            raise ValidationError(
                _(
                    "Use at most %(maximum)s characters; this has %(text)s.",
                    maximum=self.maximum,
                    text=len(text),
                )
            )
        if any(not c.isprintable() for c in text):
            raise ValidationError(_("Use letters, digits and punctuation only, on one line."))
        try:
            text.encode("utf-8")
        except UnicodeEncodeError:
            raise ValidationError(_("One of the characters is broken; type it again.")) from None


class TextBox(TextLine):
    """Several lines of text."""

    widget = TextArea()

    def __init__(self, label: str, *, maximum: int = 2_000, **kwargs: Any) -> None:
        super().__init__(label, maximum=maximum, **kwargs)

    def process_formdata(self, valuelist: list[Any]) -> None:
        if valuelist:
            self.data = str(valuelist[0]).replace("\r\n", "\n").strip()

    def pre_validate(self, form: Any) -> None:
        whole = self.data
        self.data = (whole or "").replace("\n", " ").replace("\t", " ")
        try:
            super().pre_validate(form)
        finally:
            self.data = whole


class DayField(Field):
    """A day. The phone's own picker writes it as 2026-11-24."""

    widget = TextInput()

    def __init__(self, label: str, *, required: bool = False, **kwargs: Any) -> None:
        super().__init__(label, kwargs.pop("validators", None) or [], **kwargs)
        self.required = required
        self.typed: str | None = None

    def __call__(self, **attributes: Any) -> Markup:
        return Markup(  # noqa: S704  (the widget's own output, escaped there)
            super().__call__(**{"type": "date", "autocomplete": "off", **attributes})
        )

    def _value(self) -> str:
        if self.typed is not None:
            return self.typed
        return self.data.isoformat() if self.data else ""

    def process_data(self, value: Any) -> None:
        self.data: date | None = value

    def process_formdata(self, valuelist: list[Any]) -> None:
        if not valuelist:
            return
        self.typed = str(valuelist[0]).strip()[:40]
        self.data = None
        if not self.typed:
            return
        try:
            if not re.fullmatch(r"\d{4}-\d\d-\d\d", self.typed, re.ASCII):
                raise ValueError(self.typed)
            self.data = date.fromisoformat(self.typed)
        except ValueError:
            raise ValueError(_("Enter a date, such as 2026-11-24.")) from None

    def pre_validate(self, form: Any) -> None:
        if self.process_errors:
            return
        if self.required and self.data is None:
            raise ValidationError(_("Enter a date, such as 2026-11-24."))
        if self.data is not None and not 1950 <= self.data.year <= 2150:
            raise ValidationError(_("Enter a year between 1950 and 2150."))


_KEY = re.compile(r"[0-9A-Za-z]{1,32}", re.ASCII)


class GardenForm(FlaskForm):
    """Parent of every form: helps the templates list the errors once, on top."""

    def error_list(self) -> list[tuple[str, str, str]]:
        """(field id, label, message) for each error, in page order."""
        found = []
        for field in self:
            for message in field.errors:
                found.append((str(field.id), str(field.label.text), str(message)))
        return found

    def take(self, refusal: FieldRefused) -> None:
        """Put a service's refusal beside the field it is about."""
        field = self._fields.get(refusal.field) or next(
            f for f in self if f.type not in {"CSRFTokenField", "HiddenField"}
        )
        field.errors = [*field.errors, str(told(refusal))]


class OnceForm(GardenForm):
    """A form that does its work once, however often its button is pressed.

    Each form that is shown carries a key of its own. A service that has seen the key answers as
    it did the first time.
    """

    form_key = HiddenField()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not _KEY.fullmatch(str(self.form_key.data or "")):
            self.form_key.data = secrets.token_hex(16)


def row_id(text: str) -> int | None:
    """The id that an address or a form names; None where it is no number a row can have."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def row_ids(texts: Iterable[str]) -> list[int]:
    """The ids that several texts name; what is none is left out."""
    return [number for text in texts if (number := row_id(text)) is not None]
