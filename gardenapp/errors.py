"""Errors that more than one layer speaks of.

Each carries words a member can act on. `gardenapp.web.errors` turns them into pages;
the command line prints them and exits with 2.
"""

from __future__ import annotations

from gardenapp.messages import Words


class GardenError(Exception):
    """Anything the app refuses for a reason it can say.

    `message` is to be told in the reader's language; `str` of the error is English where it comes
    from formulas and readers.
    """

    def __init__(self, message: Words = "") -> None:
        super().__init__(message)
        self.message = message


class OutOfRange(GardenError, ValueError):
    """A number outside what a formula or a field is meant for.

    Names the argument and the range, so the caller can say what to change. `about` is the name of
    the argument where a form has a field for it.
    """

    def __init__(self, message: Words = "", *, about: str = "") -> None:
        super().__init__(message)
        self.about = about


class NotFound(GardenError):
    """The thing asked for is not there, or not there for this member."""


class NotAllowed(GardenError):
    """This member may see the thing but may not do that to it."""


class AlreadyClaimed(GardenError):
    """Somebody was first.

    `holder` is the name to show to a signed-in member; empty where no name is known.
    """

    def __init__(self, message: Words, *, holder: str = "") -> None:
        super().__init__(message)
        self.holder = holder


class Refused(GardenError):
    """Input that was understood and cannot be taken, with the reason in words."""


class FieldRefused(Refused):
    """Input that cannot be taken because of one field; `field` is its name on the form."""

    def __init__(self, field: str, message: Words) -> None:
        super().__init__(message)
        self.field = field


class Busy(GardenError):
    """Too many are waiting to write; whoever asks may try again in a moment."""
