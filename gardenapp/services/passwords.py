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

from gardenapp.errors import Refused
from gardenapp.words import _

SHORTEST, ADVISED, LONGEST = 8, 15, 200

# The ones that guessing starts with, of eight characters and more; from memory.
COMMON = frozenset(
    {
        "password", "password1", "password12", "password123", "password1234", "passw0rd",
        "p@ssw0rd", "p@ssword", "12345678", "123456789", "1234567890", "0123456789",
        "87654321", "987654321", "0987654321", "11111111", "00000000", "88888888",
        "12341234", "11223344", "12344321", "123123123", "1q2w3e4r", "1q2w3e4r5t",
        "1qaz2wsx", "qwertyui", "qwertyuiop", "qwerty123", "qwerty12", "qwertz123",
        "azertyuiop", "asdfghjk", "asdfghjkl", "zxcvbnm1", "abcdefgh", "abcd1234",
        "abc12345", "a1b2c3d4", "iloveyou", "iloveyou1", "sunshine", "sunshine1",
        "princess", "princess1", "football", "football1", "baseball", "baseball1",
        "superman", "starwars", "whatever", "trustno1", "letmein1", "letmein123",
        "welcome1", "welcome123", "changeme", "changeme1", "changeme123", "computer",
        "internet", "michelle", "jennifer", "charlie1", "jordan23", "liverpool",
        "liverpool1", "chelsea1", "arsenal1", "dragon123", "monkey123", "master123",
        "admin123", "administrator", "garden123", "gardener", "gardening", "mygarden",
        "allotment", "tomatoes", "strawberry", "sunflower", "lavender", "butterfly",
        "chocolate", "samantha", "victoria", "november", "december", "february",
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
    if folded in COMMON or len(set(folded)) < 4:
        raise Refused(_("Many people use this one, so it is guessed first. Think of another."))
    if folded in {name.casefold().strip() for name in names}:
        raise Refused(_("Do not use your own name or the garden's as the password."))


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
