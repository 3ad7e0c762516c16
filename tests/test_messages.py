"""Messages: said in English, kept and read back, rows from before they were kept."""

from __future__ import annotations

import json
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.messages import (
    Celsius,
    Day,
    Joined,
    Length,
    Message,
    Number,
    Sentence,
    english,
    from_json,
    from_text,
    listed,
    say,
    say_n,
    to_json,
    to_text,
)

FEVER = say("%(value)s °C is outside −60 to +60 °C", value=Number(61.0))


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (FEVER, "61 °C is outside −60 to +60 °C"),
        (Message("100 % is a number"), "100 % is a number"),
        (say("%(share)s %% of it", share=3), "3 % of it"),
        (say_n("%(num)s row.", "%(num)s rows.", 1), "1 row."),
        (say_n("%(num)s row.", "%(num)s rows.", 0), "0 rows."),
        (say_n("One of %(all)s.", "%(num)s of %(all)s.", 3, all=Number(1500, ",")), "3 of 1,500."),
        (Joined((say("it is wet"), say("it is cold")), "; "), "it is wet; it is cold"),
        (listed(["a", "b"]), "a, b"),
        (Sentence(say("it is wet")), "It is wet."),
        (Sentence(say("is it wet?")), "Is it wet?"),
        (say("Night of %(day)s", day=Day(date(2026, 5, 4))), "Night of 4 May 2026"),
        (say("%(low)s tonight", low=Celsius(-1.06)), "−1.1 °C tonight"),
        (
            say("%(a)s by %(b)s", a=Length(60.4, is_bare=True), b=Length(42.5, "g")),
            "60 by 42.5 mm",
        ),
    ],
    ids=str,
)
def test_a_message_is_english_until_it_is_told(words: object, sentence: str) -> None:
    assert str(words) == sentence


def test_an_error_carries_its_message_and_is_english() -> None:
    error = OutOfRange(FEVER, about="value")

    assert (error.message, error.about) == (FEVER, "value")
    assert str(error) == "61 °C is outside −60 to +60 °C"


VALUES = st.recursive(
    st.none()
    | st.integers(-(10**6), 10**6)
    | st.floats(-1e6, 1e6)
    | st.text(max_size=8)
    | st.builds(Number, st.floats(-1e6, 1e6), st.sampled_from(["g", ".1f", ","]))
    | st.builds(Celsius, st.floats(-60.0, 60.0))
    | st.builds(Length, st.floats(0.1, 3e4), st.sampled_from(["g", ".0f"]), st.booleans())
    | st.builds(Day, st.dates()),
    lambda inner: (
        st.builds(lambda value: say("with %(value)s", value=value), inner)
        | st.builds(
            lambda number, value: say_n("one %(value)s", "%(num)s %(value)s", number, value=value),
            st.integers(0, 5),
            inner,
        )
        | st.builds(Sentence, st.builds(lambda value: say("with %(value)s", value=value), inner))
        | st.builds(lambda text: listed([text, FEVER], "; "), st.text(max_size=5))
    ),
    max_leaves=5,
)


@given(VALUES)
def test_what_is_kept_comes_back_as_it_was(value: object) -> None:
    words = say("it says %(value)s", value=value)  # type: ignore[arg-type]
    kept = json.loads(json.dumps(to_json(words)))

    assert from_json(kept) == words
    assert english(kept) == str(words)
    assert from_text(to_text([words, words])) == (words, words)


def test_no_notes_are_an_empty_text() -> None:
    assert to_text([]) == ""
    assert from_text("") == ()


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        ("Of 2 messages the latest is read.", ("Of 2 messages the latest is read.",)),
        ("One thing.\nAnother thing.", ("One thing.", "Another thing.")),
        ("[sic] is what it said.", ("[sic] is what it said.",)),
        ('[{"nothing": 1}]', ('[{"nothing": 1}]',)),
    ],
)
def test_notes_kept_as_prose_before_messages_stay_as_they_are(
    text: str, notes: tuple[str, ...]
) -> None:
    assert from_text(text) == notes


def test_only_messages_of_a_json_are_said() -> None:
    plain = {"words": [to_json(FEVER), "kept as prose"], "amount": 3, "deep": {"n": [1.5, None]}}

    assert english(plain) == {
        "words": [str(FEVER), "kept as prose"],
        "amount": 3,
        "deep": {"n": [1.5, None]},
    }
