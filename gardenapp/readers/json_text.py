"""JSON from a weather service, read without trusting its shape.

`load` gives the root as a `Node`; every step from there checks what it finds and names the path
(`properties.periods[3].temperature`) in the error when it finds something else.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from datetime import datetime

from gardenapp.messages import Message, Words, say
from gardenapp.readers.quantities import BadFigure, moment_utc
from gardenapp.readers.records import UnreadableFile, quoted, refuse

_DEEPEST = 64  # real ones are nine deep
_OBJECT, _LIST = say("an object"), say("a list")
_TEXT, _NUMBER = say("text"), say("a number")
_KINDS = {dict: _OBJECT, list: _LIST, bool: say("true or false"), type(None): say("nothing")}


class _NotANumber(ValueError):
    pass


def _refuse_constant(name: str) -> float:
    raise _NotANumber(name)


def load(text: str) -> Node:
    """The root of a JSON text.

    Raises UnreadableFile with the line and character where it breaks off or goes wrong.
    """
    try:
        value = json.loads(text, parse_constant=_refuse_constant)
    except json.JSONDecodeError as error:
        cut_off = error.pos >= len(text.rstrip())
        why = say("the file breaks off here; was it saved whole?") if cut_off else error.msg
        raise refuse(
            say("This is not whole JSON: %(why)s", why=why),
            line=error.lineno,
            column=say("character %(number)s", number=error.colno),
        ) from error
    except _NotANumber as error:
        raise refuse(say("%(name)s is not a number that JSON allows.", name=str(error))) from error
    except RecursionError as error:
        raise refuse(say("The JSON is nested too deep to be a forecast.")) from error
    except ValueError as error:  # an integer of thousands of digits
        raise refuse(say("The JSON holds a number too long to read.")) from error
    _check_depth(value)
    return Node(value, "")


def _check_depth(root: object) -> None:
    level = [root]
    for _ in range(_DEEPEST):
        deeper: list[object] = []
        for value in level:
            if isinstance(value, dict):
                deeper.extend(value.values())
            elif isinstance(value, list):
                deeper.extend(value)
        if not deeper:
            return
        level = deeper
    raise refuse(say("The JSON is nested too deep to be a forecast."))


class Node:
    """One value of a JSON text and the path to it."""

    def __init__(self, value: object, path: str) -> None:
        self.value = value
        self.path = path

    def fault(self, message: Words) -> UnreadableFile:
        """The error for this place. The caller raises it."""
        return refuse(message, column=self.path)

    def _expected(self, what: Message) -> UnreadableFile:
        if isinstance(self.value, str):
            return self.fault(
                say("expected %(what)s, found text (%(text)s)", what=what, text=quoted(self.value))
            )
        kind = _KINDS.get(type(self.value), _NUMBER)
        return self.fault(say("expected %(what)s, found %(kind)s", what=what, kind=kind))

    @property
    def is_null(self) -> bool:
        """Whether the value is null, the services' word for "not known"."""
        return self.value is None

    def has(self, key: str) -> bool:
        """Whether this is an object with that key and something under it."""
        return isinstance(self.value, dict) and self.value.get(key) is not None

    def get(self, key: str) -> Node:
        """What an object holds under a key.

        Raises UnreadableFile where this is no object or has no such key.
        """
        if not isinstance(self.value, dict):
            raise self._expected(_OBJECT)
        path = f"{self.path}.{key}" if self.path else key
        if key not in self.value:
            raise refuse(say("is missing"), column=path)
        return Node(self.value[key], path)

    def find(self, key: str) -> Node | None:
        """What an object holds under a key; None where it is missing or null.

        Raises UnreadableFile where this is no object.
        """
        if not isinstance(self.value, dict):
            raise self._expected(_OBJECT)
        return self.get(key) if self.has(key) else None

    def items(self) -> Iterator[Node]:
        """The entries of a list.

        Raises UnreadableFile where this is no list.
        """
        if not isinstance(self.value, list):
            raise self._expected(_LIST)
        for index, value in enumerate(self.value):
            yield Node(value, f"{self.path}[{index}]")

    def text(self) -> str:
        """A text.

        Raises UnreadableFile where this is something else.
        """
        if not isinstance(self.value, str):
            raise self._expected(_TEXT)
        return self.value

    def number(self) -> float:
        """A finite number; true and false are none.

        Raises UnreadableFile where this is something else.
        """
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            raise self._expected(_NUMBER)
        try:
            number = float(self.value)
        except OverflowError as error:
            raise self.fault(say("is too large a number")) from error
        if not math.isfinite(number):
            raise self.fault(say("is too large a number"))
        return number

    def moment(self) -> datetime:
        """A moment in UTC, from ISO 8601 text with an offset.

        Raises UnreadableFile where this is something else.
        """
        try:
            return moment_utc(self.text())
        except BadFigure as error:
            raise self.fault(error.message) from error


def position(root: Node) -> tuple[float | None, float | None]:
    """Latitude and longitude of a GeoJSON feature, the middle of a polygon's corners.

    (None, None) where it holds neither: the position is only shown, never planned from.
    """
    try:
        geometry = root.get("geometry")
        corners = geometry.get("coordinates")
        if geometry.get("type").text() == "Point":
            points = [corners]
        else:
            points = list(next(corners.items()).items())[:-1]  # the last corner is the first again
        pairs = []
        for point in points:
            numbers = [entry.number() for entry in point.items()]
            pairs.append((numbers[0], numbers[1]))
        longitude = math.fsum(pair[0] for pair in pairs) / len(pairs)
        latitude = math.fsum(pair[1] for pair in pairs) / len(pairs)
    except (UnreadableFile, StopIteration, IndexError, ZeroDivisionError, OverflowError):
        return None, None
    if abs(latitude) > 90.0 or abs(longitude) > 180.0:
        return None, None
    return round(latitude, 5), round(longitude, 5)
