"""Form fields that mean what was typed.

`DecimalField` calls NaN a number and refuses a comma; `DataRequired` calls 0 °C missing. The
fields here accept what people type on a phone and refuse the rest with a reason.
"""

from __future__ import annotations

import re
from typing import Any

from flask_wtf import FlaskForm
from wtforms import Field, StringField, ValidationError
from wtforms.widgets import TextInput

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
            return self.typed
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
        kind = "a whole number" if self.whole else "a number"
        low, high = (f"{x:g}".replace("-", "\N{MINUS SIGN}") for x in (self.minimum, self.maximum))
        return f"Enter {kind} between {low} and {high}."


class TextLine(StringField):
    """A line of text without control characters, trimmed."""

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
            raise ValidationError("Enter some text here.")
        if len(text) > self.maximum:
            raise ValidationError(f"Use at most {self.maximum} characters; this has {len(text)}.")
        if any(not c.isprintable() for c in text):
            raise ValidationError("Use letters, digits and signs only, on one line.")
        try:
            text.encode("utf-8")
        except UnicodeEncodeError:
            raise ValidationError("One of the characters is broken; type it again.") from None


class TextBox(TextLine):
    """Several lines of text."""

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


class GardenForm(FlaskForm):
    """Parent of every form: helps the templates list the errors once, on top."""

    def error_list(self) -> list[tuple[str, str, str]]:
        """(field id, label, message) for each error, in page order."""
        found = []
        for field in self:
            for message in field.errors:
                found.append((str(field.id), str(field.label.text), str(message)))
        return found
