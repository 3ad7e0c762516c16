"""What a form answers to input that nobody means well, field by field and not "one of several"."""

from __future__ import annotations

# Kinds of field. "Some" means that it may stay empty.
WORDS, SOME_WORDS = "words", "some words"
FIGURE, SOME_FIGURE = "figure or choice", "some figure or choice"
UNREAD = "not read by this form"

LONG = "x" * 5_000
HOSTILE = {
    "long": LONG,
    "control": "a\x00b\x07",
    "digits": "99999999999999999999",
    "nan": "nan",
    "infinity": "1e999",
    "emoji": "🥶🥶",
    "markup": "<script>alert(1)</script>",
    "surrogate": b"\xed\xa0\x80".decode("utf-8", "surrogatepass"),
    "wide digits": "１２",
    "empty": "",
}


def answer_to(kind: str, value: str) -> int:
    """303 where it is taken, 422 where the form comes back with advice.

    A field for words takes any that are printable and not endless; what is a figure or a choice
    takes none of these.
    """
    if kind == UNREAD:
        return 303
    if value == "":
        return 303 if kind in {SOME_WORDS, SOME_FIGURE} else 422
    if kind in {FIGURE, SOME_FIGURE} or value == LONG or "\x00" in value:
        return 422
    return 303
