"""Like one there is, again; and the list of all that is in the shed."""

from __future__ import annotations

from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.services.store import lots, things
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.things import StoreChoice
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.store.happenings import TODAY


def test_like_this_one_again_numbers_on_and_keeps_the_facts(make: Factory) -> None:
    boss = make.coordinator()
    tote = make.cover(label="Tote 9", resin="5", cost_hundredths=250)

    labels = things.add_like(cover_id=tote.id, how_many=2, member=boss, now=NOW, form_key="k")
    again = things.add_like(cover_id=tote.id, how_many=2, member=boss, now=NOW, form_key="k")

    assert labels == again == ("Tote 10", "Tote 11")
    new = db.session.scalars(select(Cover).where(Cover.label == "Tote 11")).one()
    assert (new.resin, new.cost_hundredths, new.acquired_on) == ("5", 250, TODAY)
    assert new.code != tote.code


def test_the_list_is_searched_filtered_and_paged(make: Factory) -> None:
    boss = make.coordinator()
    shed = make.place("Shed")
    kind = make.cover_kind("Tote, 60 litres")
    for number in range(1, 61):
        make.cover(kind, label=f"Tote {number}", place_id=shed.id if number < 4 else None)
    lots.add_lot(
        entry=LotEntry("Salad boxes", "box"),
        quantity_milli=14_000,
        place_id=shed.id,
        member=boss,
        now=NOW,
    )

    def names(**choice: object) -> list[str]:
        page = things.list_store(choice=StoreChoice(**choice), member=boss)  # type: ignore[arg-type]
        return [line.name for line in page.lines]

    whole = things.list_store(choice=StoreChoice(), member=boss)
    assert (whole.total, whole.pages, len(whole.lines)) == (61, 2, 50)
    assert names()[:2] == ["Tote 1", "Tote 2"]
    assert names(page=2)[-1] == "Salad boxes"
    assert names(page=99) == names(page=2)
    assert names(place_id=shed.id) == ["Tote 1", "Tote 2", "Tote 3", "Salad boxes"]
    assert names(q="salad") == ["Salad boxes"]
    assert names(q="60 litres 17") == ["Tote 17"]
    assert names(q="%") == []
    assert names(what="box") == ["Salad boxes"]
    assert names(state="lent") == []
    assert names(owner="mine") == []
