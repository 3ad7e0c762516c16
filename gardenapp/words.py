"""Words for readers, in the reader's language.

Services raise errors whose words reach pages, and know neither the request nor the pages; they
take their words from here. Which language is meant is settled in `gardenapp.web.languages`;
outside a request, as on the command line, words stay as written in the code, in English.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any, Literal

import flask_babel
from babel import Locale
from babel.dates import get_day_names, get_month_names
from flask import current_app, has_app_context, has_request_context

from gardenapp.errors import GardenError
from gardenapp.messages import (
    Amount,
    Day,
    Joined,
    Message,
    Sentence,
    Value,
    as_sentence,
    from_json,
)


def _(text: str, /, **values: Any) -> str:
    """`text` in the reader's language, `values` put in its `%(name)s` places."""
    if not has_app_context():
        return text % values if values else text
    return str(flask_babel.gettext(text, **values))


def n_(one: str, many: str, number: int, /, **values: Any) -> str:
    """The form of a phrase that goes with `number`; `%(num)s` is the number itself."""
    if not has_app_context():
        return (one if number == 1 else many) % {"num": number, **values}
    return str(flask_babel.ngettext(one, many, number, **values))


class _Later(str):
    """A text that says itself in the language of whoever reads it, at the time of reading.

    A `str`, so that labels of forms and the like can be declared once and still be handed to
    anything that wants plain text; whatever turns it into text goes through `__str__`.
    """

    __slots__ = ()

    def __str__(self) -> str:
        return _(str.__str__(self))

    def __html__(self) -> str:
        from markupsafe import escape

        return escape(str(self))

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)


def later(text: str) -> str:
    """`text`, translated when it is shown and not when the module is loaded."""
    return _Later(text)


Width = Literal["wide", "abbreviated"]


def _locale() -> Locale:
    found = flask_babel.get_locale() if has_app_context() else None
    return found or Locale("en")


def decimal_sign() -> str:
    """What stands between whole and tenth in the reader's language."""
    return "," if _locale().language == "es" else "."


def day_of(at: date, width: Width = "wide") -> str:
    """The day of the week: `Tuesday`, or `Tue` abbreviated."""
    return str(get_day_names(width, locale=_locale())[at.weekday()])


def month_of(at: date, width: Width = "wide") -> str:
    """The month: `November`, or `Nov` abbreviated."""
    return str(get_month_names(width, locale=_locale())[at.month])


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Write in `language` meanwhile, whoever asks: for messages to others, and for digests."""
    with flask_babel.force_locale(language):
        yield


def said(text: Any) -> Any:
    """Words of a table or of the code in the reader's language, by the catalogue.

    For what is kept in English and shown to everybody: names of crops and kinds of cover, words
    of the published tables. Members' own words are not in the catalogue and stay as they are.
    """
    if not isinstance(text, str) or not text:
        return text
    return _(text)


TRANSLATIONS = Path(__file__).parent / "translations"


def told(words: Any) -> Any:
    """A message, or the message of an error, in the language of whoever reads.

    Messages out of the database may come as the JSON they are kept as. Text is taken to be told
    already, or to be somebody's own words, and stays as it is.
    """
    if isinstance(words, Mapping):
        words = from_json(words)
    if isinstance(words, GardenError):
        return told(words.message)
    if isinstance(words, Joined):
        return words.sign.join(str(told(part)) for part in words.parts)
    if isinstance(words, Sentence):
        return as_sentence(str(told(words.words)))
    if not isinstance(words, Message):
        return words
    values = {name: _shown(value) for name, value in words.values}
    if words.many:
        return n_(words.key, words.many, words.number, **values)
    return _(words.key, **values)


def _shown(value: Value) -> Any:
    """A value of a message, written the reader's way."""
    if isinstance(value, Amount):
        # Pages know in which units their reader thinks; nobody else does.
        units = current_app.extensions.get(UNITS) if has_request_context() else None
        return (units and units(value)) or _written(value)
    if isinstance(value, float):
        return str(value).replace(".", decimal_sign())
    return told(value)


UNITS = "gardenapp.units"
"""Under this name an app keeps the function that writes amounts in the reader's units."""


def _written(amount: Amount) -> str:
    if isinstance(amount, Day):
        at = amount.value
        return _("%(number)s %(month)s %(year)s", number=at.day, month=month_of(at), year=at.year)
    signs = {
        ".": decimal_sign(),
        ",": "," if decimal_sign() == "." else "\N{NARROW NO-BREAK SPACE}",
    }
    return "".join(signs.get(character, character) for character in str(amount))
