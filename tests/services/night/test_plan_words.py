"""Names of ways to look after plants, said in the reader's language."""

from __future__ import annotations

import pytest
from flask import Flask

from gardenapp.science.night.plan_records import TreatmentName
from gardenapp.services.night.plan_words import treatment_words
from gardenapp.words import speaking

NAMES = [
    (TreatmentName(("Loose straw, about 10 cm",)), "Paja suelta, unos 10 cm"),
    (
        TreatmentName(("Ada’s own box", "Loose straw, about 10 cm")),
        "Ada’s own box con Paja suelta, unos 10 cm debajo",
    ),
    (TreatmentName(place="Ada’s porch"), "llevar a Ada’s porch"),
    (TreatmentName(place="the shelter"), "llevar al refugio"),
]


@pytest.mark.parametrize(("name", "spanish"), NAMES)
def test_a_name_is_said_part_by_part(app: Flask, name: TreatmentName, spanish: str) -> None:
    with app.test_request_context():
        with speaking("es"):
            assert treatment_words(name) == spanish
        with speaking("en"):
            assert treatment_words(name) == name.label


def test_outside_an_app_names_are_said_in_english() -> None:
    assert treatment_words(TreatmentName(("Box", "Straw"))) == "Box with Straw under it"
