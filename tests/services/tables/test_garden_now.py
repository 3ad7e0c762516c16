"""The garden read once, for a table to be held against."""

from __future__ import annotations

from datetime import date

from gardenapp.extensions import db
from gardenapp.models.people import Garden, Member
from gardenapp.services.tables.garden_now import KIND_WORDS, load_garden, plain_label
from tests.factories import Factory


def test_everything_is_found_by_its_plain_name(make: Factory, odile: Member) -> None:
    plot = make.plot("A 1", holders=(odile,))
    planting = make.planting(plot)
    garden = db.session.get(Garden, 1)
    assert garden is not None

    now = load_garden(garden, date(2026, 11, 26))

    assert now.plots[plain_label("a1")].id == plot.id
    assert now.members["odile"].values["role"] == "coordinator"
    assert now.holders == {(plot.id, odile.id)}
    assert [row.id for row in now.plantings[plot.id, planting.stage.crop_id]] == [planting.id]
    assert now.crops.find("jitomates").key is not None
    assert now.kinds.find("Velo antihelada").choices or now.kinds.find("velo").choices


def test_the_words_for_kinds_belong_to_published_kinds(odile: Member) -> None:
    garden = db.session.get(Garden, 1)
    assert garden is not None
    now = load_garden(garden, date(2026, 11, 26))
    unknown = [w for words in KIND_WORDS.values() for w in words if not now.kinds.find(w).choices]
    assert unknown == []
