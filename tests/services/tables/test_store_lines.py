"""Covers and materials in people's words, read by the store's own rules."""

from __future__ import annotations

import pytest

from gardenapp.services.store.covers import list_places
from gardenapp.services.tables import store_lines
from tests.factories import Factory
from tests.services.tables.conftest import Paste, problems


def test_so_many_of_a_kind_are_numbered_and_kept_in_a_place(look: Paste, make: Factory) -> None:
    found = look(
        "Kind\tHow many\tKept in\tOwner\tCondition\tCost\n"
        "thin fleece\t3\tLong shed\t\tgood\t£4.50\n"
        "Totes\t2\tlong  SHED\tAmal Whitby\tworn\t\n"
    )
    assert not found.problems, problems(found)
    assert [c.name for c in found.acts.covers] == [
        "Fleece 1", "Fleece 2", "Fleece 3",
        "Clear storage tote upturned 1", "Clear storage tote upturned 2",
    ]  # fmt: skip
    assert list(found.acts.places.values()) == ["Long shed"]
    fleece, tote = found.acts.covers[0].values, found.acts.covers[-1].values
    assert (fleece["cost"], fleece["condition"], fleece["owner"]) == (450, "sound", None)
    assert (tote["condition"], tote["owner"]) == ("worn", -1)
    assert found.acts.owners[-1].name == "Amal Whitby"


def test_a_kind_with_several_meanings_is_asked(look: Paste) -> None:
    (question,) = look("Kind\tHow many\nfleece\t6").questions
    assert question.is_open
    assert len(question.choices) == 4


def test_a_labelled_cover_is_changed_and_not_made_again(look: Paste, make: Factory) -> None:
    kind = make.cover_kind("Sturdy box")
    cover = make.cover(kind, label="box 1", place_id=make.place("Shed").id)
    same = look("Label\tKind\tKept in\nbox 1\tSturdy box\tshed")
    assert same.counts["cover", "left"] == 1
    moved = look("Label\tKind\tKept in\nbox 1\tSturdy box\tLoft")
    (change,) = moved.acts.covers
    assert change.id == cover.id
    assert len(list_places()) == 1  # nothing is written by looking


@pytest.mark.parametrize(
    ("row", "name", "wanted"),
    [
        ("Clear film\t18 m\t", "film", {"unit": "m", "quantity": 18_000, "sort": "film"}),
        ("Palets\t4 ×\t", "Palets", {"unit": "piece", "quantity": 4_000, "mark": "none"}),
        ("String\t25\tm", "String", {"unit": "m", "quantity": 25_000, "sort": "string"}),
    ],
)
def test_quantities_carry_their_units(
    look: Paste, row: str, name: str, wanted: dict[str, object]
) -> None:
    found = look(f"Material\tQuantity\tUnit\n{row}")
    assert not found.problems, problems(found)
    (lot,) = found.acts.lots
    assert {key: lot.values[key] for key in wanted} == wanted


def test_a_pallet_without_a_stamp_is_not_for_beds(look: Paste) -> None:
    (lot,) = look("Material\tQuantity\nPallets\t4").acts.lots
    assert lot.values["for_beds"] is False


@pytest.mark.parametrize(
    ("text", "address", "says"),
    [
        ("Kind\tHow many\ntote\tlots", "B2", "no count"),
        (f"Kind\tHow many\ntote\t{store_lines.MOST_AT_ONCE + 1}", "B2", "no count"),
        ("Kind\tCost\ntote\tcheap", "B2", "Enter a number"),
        ("Label\tHow many\tKind\nbox\t\t", "C2", "what kind"),
        ("Material\tQuantity\nfilm\ta roll", "B2", "Enter how much"),
        ("Material\tQuantity\tWidth\nfilm\t3 m\t-2 m", "C2", "minus"),
        ("Kind\tCondition\ntote\tsparkling", "B2", "one of"),
        ("Kind\tAcquired\ntote\tlast year", "B2", "date"),
    ],
)
def test_what_is_wrong_is_told_at_its_cell(look: Paste, text: str, address: str, says: str) -> None:
    assert says in problems(look(text)).get(address, ""), problems(look(text))


@pytest.mark.parametrize("word", sorted(store_lines.WORDS["condition"]))
def test_conditions_are_read_in_both_languages(look: Paste, word: str) -> None:
    (cover,) = look(f"Kind\tCondition\ntote\t{word}").acts.covers
    assert cover.values["condition"] == store_lines.WORDS["condition"][word]
