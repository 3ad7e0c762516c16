"""Words for readers, in the reader's language.

Services raise errors whose words reach pages, and know neither the request nor the pages; they
take their words from here. Which language is meant is settled in `gardenapp.web.languages`;
outside a request, as on the command line, words stay as written in the code, in English.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Literal

import flask_babel
from babel import Locale
from babel.dates import get_day_names, get_month_names
from babel.messages.mofile import read_mo
from flask import has_app_context


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


def marked(text: str) -> str:
    """`text` unchanged: marks it for the catalogue where it is translated later, when shown."""
    return text


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
_PLACE = re.compile(r"%\((n\d+)\)s")


@cache
def _templates(language: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    """Texts of the catalogue with `%(n1)s` places, as what they look like; the longest first."""
    path = TRANSLATIONS / language / "LC_MESSAGES" / "messages.mo"
    with path.open("rb") as file:
        known = [m.id for m in read_mo(file) if isinstance(m.id, str) and _PLACE.search(m.id)]
    known.sort(key=lambda text: -len(_PLACE.sub("", text)))
    found = []
    for text in known:
        pieces = _PLACE.split(text)  # literal, name, literal, name, …
        looks = "".join(
            f"(?P<{piece}>.*?)" if at % 2 else re.escape(piece.replace("%%", "%"))
            for at, piece in enumerate(pieces)
        )
        found.append((re.compile(looks, re.DOTALL), text))
    return tuple(found)


def retold(text: Any) -> Any:
    """What a reader of files or a design said in English, in the language of whoever reads.

    Those modules know nothing of languages, and some of their words are kept in the database for
    everybody. `gardenapp.web.catalogue` gathers their texts with a place for each piece put in;
    here a text is recognised by what stands between the pieces, and its pieces are retold too.
    A text that no template fits stays as it is.
    """
    language = _locale().language
    if not isinstance(text, str) or not text or language == "en":
        return text
    shown = _(text)
    if shown != text:
        return shown
    for looks, template in _templates(language):
        found = looks.fullmatch(text)
        if found:
            return _(template, **{name: retold(piece) for name, piece in found.groupdict().items()})
    return text
