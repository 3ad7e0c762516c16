"""What was found, counted and asked once."""

from __future__ import annotations

from gardenapp.messages import say
from gardenapp.services.tables.findings import MOST_PROBLEMS, Findings


def test_a_question_is_asked_once_and_keeps_only_an_answer_it_offers() -> None:
    found = Findings({})
    assert found.ask("crop", "xyz", "B2", (("1", "kale"),)) == ""
    assert found.ask("crop", "xyz", "B9", (("1", "kale"),)) == ""
    (question,) = found.questions
    assert (question.times, question.address, question.is_open) == (2, "B2", True)
    assert Findings({question.key: "1"}).ask("crop", "xyz", "B2", (("1", "kale"),)) == "1"
    assert Findings({question.key: "7"}).ask("crop", "xyz", "B2", (("1", "kale"),)) == ""


def test_problems_are_counted_past_what_is_shown() -> None:
    found = Findings({})
    for row in range(MOST_PROBLEMS + 7):
        found.wrong(1, row, 2, say("no"))
    assert (len(found.problems), found.more_problems) == (MOST_PROBLEMS, 7)
    assert not found.may_be_kept
