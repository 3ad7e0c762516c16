"""What a cover would have to be is one sentence, in the reader's language."""

from __future__ import annotations

from dataclasses import replace

import pytest
from flask import Flask

from gardenapp.science.night.plan_records import PlantingStory, Reason
from gardenapp.services.kept_plans import stories_of
from gardenapp.web.formats import SPACE
from gardenapp.web.night.board_words import need_text
from gardenapp.words import speaking
from tests.factories import Factory
from tests.services.night.small_garden import DAHLIA, keep_sample, small_garden

HEIGHT, SPREAD = 60.0, 40.0
HIGH, WIDE = "at least 60 cm high inside", "40 cm wide inside"
ALTO, ANCHO = "de al menos 60 cm de alto", "40 cm de ancho"


@pytest.fixture
def story(app: Flask, make: Factory) -> PlantingStory:
    small_garden(make)
    stories = stories_of(keep_sample("plan_format_1.json", now=make.now))
    return next(story for story in stories if story.planting_id == DAHLIA)


@pytest.mark.parametrize(
    ("code", "units", "height", "spread", "english", "spanish"),
    [
        ("too_tall", 0, HEIGHT, None, f"a cover {HIGH}",
         f"Haría falta: una cubierta {ALTO} por dentro."),
        ("too_wide", 0, None, SPREAD, f"a cover {WIDE}",
         f"Haría falta: una cubierta de {ANCHO} por dentro."),
        ("too_big", 0, HEIGHT, SPREAD, f"a cover {HIGH} and {WIDE}",
         f"Haría falta: una cubierta {ALTO} y {ANCHO} por dentro."),
        ("too_big", 0, None, None, "a cover that fits",
         "Haría falta: una cubierta que quepa."),
        ("all_in_use", 1, HEIGHT, None, f"1 more cover {HIGH}",
         f"Haría falta 1 cubierta más, {ALTO} por dentro."),
        ("all_in_use", 2, None, SPREAD, f"2 more covers {WIDE}",
         f"Harían falta 2 cubiertas más, de {ANCHO} por dentro."),
        ("all_in_use", 1, None, None, "1 more cover", "Haría falta 1 cubierta más."),
        ("all_in_use", 2, None, None, "2 more covers", "Harían falta 2 cubiertas más."),
    ],
)  # fmt: skip
def test_what_is_wanted_is_one_sentence_in_either_language(
    story: PlantingStory,
    app: Flask,
    code: str,
    units: int,
    height: float | None,
    spread: float | None,
    english: str,
    spanish: str,
) -> None:
    short = replace(story, reason=Reason(code, {}, height, spread, units))

    with app.test_request_context("/"):
        assert _plain(need_text(short)) == f"Would need: {english}."
        with speaking("es"):
            assert _plain(need_text(short)) == spanish


def _plain(text: str) -> str:
    return text.replace(SPACE, " ")
