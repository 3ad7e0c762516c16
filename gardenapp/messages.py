"""What the app says, before it is said in anybody's language: a text and the values in it.

Readers of files, formulas and designs know nothing of languages. They give a `Message`; whoever
shows it to a person says it in that person's language with `gardenapp.words.told`. `str` of it is
the English sentence, for the command line, for logs and for machines.

`say` and `say_n` make messages, and mark their texts for the catalogue by their very names; names
that are codes as well (of bars and screws) are `marked`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar


@dataclass(frozen=True, slots=True)
class Number:
    """A number, written as `spec` says: `g`, `.1f`, `,` for thousands."""

    value: float
    spec: str = "g"
    code: ClassVar[str] = "number"

    def __str__(self) -> str:
        return format(self.value, self.spec)


@dataclass(frozen=True, slots=True)
class Celsius:
    """A temperature in °C, shown in the reader's unit."""

    value: float
    digits: int = 1
    code: ClassVar[str] = "celsius"

    def __str__(self) -> str:
        return f"{self.value:.{self.digits}f} °C".replace("-", "−")


@dataclass(frozen=True, slots=True)
class Length:
    """A length of the workshop in mm, shown in the reader's unit.

    A bare one leaves the unit to the length after it: `60 by 40 mm`.
    """

    value: float
    spec: str = ".0f"
    is_bare: bool = False
    code: ClassVar[str] = "length"

    def __str__(self) -> str:
        return format(self.value, self.spec) + ("" if self.is_bare else " mm")


@dataclass(frozen=True, slots=True)
class Day:
    """A date, as people say it: `4 May 2026`."""

    value: date
    code: ClassVar[str] = "day"

    def __str__(self) -> str:
        return f"{self.value.day} {self.value:%B %Y}"


Amount = Number | Celsius | Length | Day


@dataclass(frozen=True, slots=True)
class Message:
    """One sentence, or a piece of one, that has not been said yet.

    key : the English text, with `%(name)s` where a value stands.
    values : by the names of the places; plain ones, amounts, or further messages.
    many, number : the text for any number but one, and that number, which is `%(num)s` too.
    """

    key: str
    values: tuple[tuple[str, Value], ...] = ()
    many: str = ""
    number: int = 0

    def __str__(self) -> str:
        text = self.many if self.many and self.number != 1 else self.key
        if not self.values and not self.many:
            return text
        return text % {"num": self.number, **dict(self.values)}


@dataclass(frozen=True, slots=True)
class Joined:
    """Several messages one after the other, with nothing but a sign between them."""

    parts: tuple[Words, ...]
    sign: str = " "

    def __str__(self) -> str:
        return self.sign.join(map(str, self.parts))


@dataclass(frozen=True, slots=True)
class Sentence:
    """A piece that stands alone: it begins with a capital letter and ends with a full stop."""

    words: Words

    def __str__(self) -> str:
        return as_sentence(str(self.words))


def as_sentence(text: str) -> str:
    """`text` with a capital letter at its beginning and a stop at its end."""
    stop = "" if text.endswith((".", "!", "?")) else "."
    return f"{text[:1].upper()}{text[1:]}{stop}"


Words = Message | Joined | Sentence | str
"""What can be told: plain text was said already, or is somebody's own words."""
Value = Words | Amount | int | float | None


def say(text: str, /, **values: Value) -> Message:
    """A message; `text` goes into the catalogue."""
    return Message(text, tuple(values.items()))


def say_n(one: str, many: str, number: int, /, **values: Value) -> Message:
    """A message whose text goes with `number`; both texts go into the catalogue."""
    return Message(one, tuple(values.items()), many, number)


def marked(text: str) -> str:
    """`text` unchanged: marks it for the catalogue where it is translated later, when shown."""
    return text


def listed(parts: Iterable[Words], sign: str = ", ") -> Joined:
    """Several, with commas between them."""
    return Joined(tuple(parts), sign)


# --- kept in the database ---------------------------------------------------------------------


def to_json(words: Value) -> Any:
    """Words as JSON holds them, for `from_json`."""
    if isinstance(words, Message):
        kept: dict[str, Any] = {"say": words.key}
        if words.values:
            kept["with"] = {name: to_json(value) for name, value in words.values}
        if words.many:
            kept |= {"many": words.many, "number": words.number}
        return kept
    if isinstance(words, Joined):
        return {"joined": [to_json(part) for part in words.parts], "sign": words.sign}
    if isinstance(words, Sentence):
        return {"sentence": to_json(words.words)}
    if isinstance(words, Day):
        return {"amount": words.code, "value": words.value.isoformat()}
    if isinstance(words, Amount):
        kept = {name: getattr(words, name) for name in words.__slots__}
        return {"amount": words.code, **kept}
    return words


def from_json(kept: Any) -> Any:
    """The words that `to_json` kept. Plain text, as was kept before, stays plain text."""
    if not isinstance(kept, Mapping):
        return kept
    if "say" in kept:
        values = tuple((name, from_json(value)) for name, value in kept.get("with", {}).items())
        return Message(kept["say"], values, kept.get("many", ""), kept.get("number", 0))
    if "joined" in kept:
        return Joined(tuple(map(from_json, kept["joined"])), kept["sign"])
    if "sentence" in kept:
        return Sentence(from_json(kept["sentence"]))
    fields = dict(kept)
    code = fields.pop("amount")
    if code == Day.code:
        return Day(date.fromisoformat(fields["value"]))
    return _AMOUNTS[code](**fields)


def to_text(notes: Iterable[Words]) -> str:
    """Notes as one column of text keeps them; no notes are an empty text."""
    kept = [to_json(note) for note in notes]
    return json.dumps(kept, ensure_ascii=False) if kept else ""


def from_text(text: str) -> tuple[Words, ...]:
    """The notes of a column of text.

    Before messages were kept it held English sentences, a line each; those stay as they are.
    """
    if text.startswith("["):
        try:
            return tuple(map(from_json, json.loads(text)))
        except (ValueError, KeyError, TypeError):
            pass
    return tuple(text.splitlines())


def english(kept: Any) -> Any:
    """The same JSON with the English sentence in the place of every message: for scripts."""
    if isinstance(kept, Mapping):
        if {"say", "joined", "sentence"} & kept.keys():
            return str(from_json(kept))
        return {name: english(value) for name, value in kept.items()}
    return list(map(english, kept)) if isinstance(kept, list) else kept


_AMOUNTS: dict[str, type[Number | Celsius | Length]] = {
    kind.code: kind for kind in (Number, Celsius, Length)
}
