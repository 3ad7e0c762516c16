"""Names as people write them, among the names there are."""

from __future__ import annotations

import pytest

from gardenapp.reference.crop_finding import names_of_crops
from gardenapp.services.matching import Names


@pytest.fixture(scope="module")
def crops() -> Names[str]:
    return Names((name, crop) for crop, names in names_of_crops().items() for name in names)


@pytest.mark.parametrize(
    ("written", "crop"),
    [
        ("courgete", "squash and courgette"), ("Courgettes", "squash and courgette"),
        ("zucchini", "squash and courgette"), ("tomatoes", "tomato"), ("Tomates", "tomato"),
        ("jitomate", "tomato"), ("letuce", "lettuce"), ("broad beans", "broad bean"),
        ("judías verdes", "French bean"), ("Brocoli", "broccoli"), ("swiss chard", "chard"),
        ("Acelgas", "chard"), ("strawberries", "strawberry"), ("potatos", "potato"),
    ],
)  # fmt: skip
def test_a_crop_is_found_by_any_name_and_with_slips(
    crops: Names[str], written: str, crop: str
) -> None:
    assert crops.find(written).key == crop


def test_what_stands_beside_a_name_is_kept(crops: Names[str]) -> None:
    assert (crops.find("kale (curly)").key, crops.find("kale (curly)").rest) == ("kale", "curly")
    assert (crops.find("plum tomato").key, crops.find("plum tomato").rest) == (
        "tomato",
        "plum tomato",
    )


def test_what_may_be_two_things_is_asked(crops: Names[str]) -> None:
    unsure = crops.find("cabage lettice")
    assert unsure.key is None or not unsure.is_exact
    nobody = crops.find("gravel")
    assert nobody.key is None
    twins = Names([("rose", 1), ("Rosé", 2)])
    assert (twins.find("rose").key, twins.find("rose").choices) == (None, (1, 2))


def test_short_names_are_never_guessed() -> None:
    assert Names([("A1", 1), ("A2", 2)]).find("A3").choices == ()
    assert Names([("ivy", 1)]).find("icy").key is None


def test_people_are_compared_without_case_accents_and_doubled_spaces() -> None:
    people = Names([("Inés  Kettlewell", 7), ("Hugo Pell", 8)])
    assert people.find("ines kettlewell").key == 7
    near = people.find("Ines Ketlewell")
    assert (near.is_exact, near.choices) == (False, (7,))
    assert people.find("Bruno Castell").choices == ()
