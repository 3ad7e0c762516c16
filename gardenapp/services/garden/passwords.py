"""Passwords: which are taken, how they are kept, how one is checked.

Argon2id with the library's defaults. A password is kept and compared exactly as typed: no
trimming, no folding of case, no cutting off. Hashing takes a tenth of a second and 64 MiB,
so it never happens inside a write transaction.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from zxcvbn.frequency_lists import FREQUENCY_LISTS

from gardenapp.errors import Refused
from gardenapp.words import _

SHORTEST, ADVISED, LONGEST = 8, 15, 200

# What guessers of a garden's passwords add to the common lists; from memory.
OF_GARDENS = frozenset(
    {
        "allotment", "allotments", "changeme123", "garden123", "gardener", "gardeners",
        "gardening", "lavender", "mygarden", "tomatoes", "0123456789", "12341234", "123123123",
        "87654321", "987654321", "0987654321", "abcdefgh", "administrator", "letmein123",
        "p@ssword", "qwertz123", "december", "february", "november", "chocolate",
    }
)  # fmt: skip

_hasher = PasswordHasher()


def check_new_password(password: str, *, names: Iterable[str] = ()) -> None:
    """Refuse a password that is too short, too long, well known, or one of `names`.

    No rule about digits and signs: they make passwords harder to remember, not to guess.

    Raises Refused with words for the field.
    """
    if len(password) < SHORTEST:
        raise Refused(
            _(
                "Use at least %(shortest)s characters; %(advised)s or more, such as four "
                "words, is better.",
                shortest=SHORTEST,
                advised=ADVISED,
            )
        )
    if len(password) > LONGEST:
        raise Refused(_("Use at most %(longest)s characters.", longest=LONGEST))
    if not _is_text(password):
        raise Refused(_("One of the characters is broken; type it again."))
    folded = password.casefold().strip()
    if folded in common() or len(set(folded)) < 4:
        raise Refused(_("Many people use this one, so it is guessed first. Think of another."))
    if folded in {name.casefold().strip() for name in names}:
        raise Refused(_("Do not use your own name or the garden's as the password."))


@cache
def common() -> frozenset[str]:
    """Passwords that guessing starts with, folded, of the shortest length that is taken and more.

    zxcvbn's lists of leaked passwords and of names, some 14 000 that are long enough: ASVS 5.0
    item 6.2.4 asks for 3 000.
    """
    lists = ("passwords", "female_names", "male_names", "surnames")
    listed = (word.casefold() for name in lists for word in FREQUENCY_LISTS[name])
    return OF_GARDENS | {word for word in listed if len(word) >= SHORTEST}


def hash_password(password: str) -> str:
    """The text to keep for `password`; different each time, because it is salted."""
    return _hasher.hash(password)


def is_password(password: str, kept: str | None) -> bool:
    """Whether `password` is the one that `kept` was made from.

    Takes as long where nothing is kept, so that the time does not tell which names exist.
    """
    if not _is_text(password) or len(password) > LONGEST:
        password, kept = "", None
    try:
        return _hasher.verify(kept or _stand_in(), password) and kept is not None
    except (VerificationError, InvalidHashError):
        return False


def needs_new_hash(kept: str) -> bool:
    """Whether `kept` was made with older, weaker settings."""
    return _hasher.check_needs_rehash(kept)


@cache
def _stand_in() -> str:
    return _hasher.hash("nobody's password, there to take the same time")


def _is_text(password: str) -> bool:
    try:
        password.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
