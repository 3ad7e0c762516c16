"""A walk through the store with the list: what differs is written, what agrees is not."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import func, select

from gardenapp.errors import FieldRefused, NotFound
from gardenapp.extensions import db
from gardenapp.models.people import LogEntry, Member
from gardenapp.models.plots import StorePlace
from gardenapp.models.store import LedgerEntry
from gardenapp.services.store import ledger, lots, stocktake
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.stocktake import Outcome
from gardenapp.services.store.subjects import material, thing
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.store.happenings import actions, borrow, fresh, fresh_lot, say


@pytest.fixture
def odile(make: Factory) -> Member:
    return make.coordinator()


@pytest.fixture
def shed(make: Factory) -> StorePlace:
    return make.place("shed")


def boxes(member: Member, place: StorePlace | None, **changes: Any) -> int:
    values: dict[str, Any] = {"name": "Salad boxes", "sort": "box"}
    return lots.add_lot(
        entry=LotEntry(**values | changes),
        quantity_milli=14_000,
        place_id=place.id if place else None,
        member=member,
        now=NOW,
    )


def walk(member: Member, place: StorePlace | None, **found: Any) -> Outcome:
    values: dict[str, Any] = {
        "listed_ids": frozenset(),
        "found_ids": frozenset(),
        "also_ids": (),
        "counts_milli": {},
    }
    return stocktake.keep_count(
        place_id=place.id if place else None, member=member, now=NOW, **values | found
    )


def entries() -> int:
    return db.session.scalar(select(func.count()).select_from(LedgerEntry)) or 0


def test_the_list_of_a_place_has_what_is_at_home_there(
    make: Factory, odile: Member, shed: StorePlace
) -> None:
    hers = make.member("Tamsin")
    for label in ("T 10", "T 2"):
        make.cover(label=label, place_id=shed.id)
    own = make.cover(label="Hers", place_id=shed.id, owner_id=hers.id)
    gone = make.cover(label="Gone", place_id=shed.id)
    make.cover(label="No place")
    boxes(odile, shed)
    boxes(odile, None, name="String", sort="string", unit="m")
    say(thing(gone.id), odile, "retired", went_to="lost")

    page = stocktake.expected_at(place_id=shed.id, member=make.member("Wes"))
    nowhere = stocktake.expected_at(place_id=None, member=odile)

    assert page.place == "shed"
    assert [(line.label, line.may_count) for line in page.things] == [
        (own.label, False),
        ("T 2", True),
        ("T 10", True),
    ]
    assert [(line.name, line.on_hand_milli) for line in page.lots] == [("Salad boxes", 14_000)]
    assert [line.label for line in nowhere.things] == ["No place"]
    assert [line.name for line in nowhere.lots] == ["String"]


def test_a_place_that_is_not_there_is_said_to_be_missing(odile: Member) -> None:
    with pytest.raises(NotFound, match="find that place"):
        stocktake.expected_at(place_id=99, member=odile)
    with speaking("es"), pytest.raises(NotFound, match="No encontramos ese lugar"):
        stocktake.expected_at(place_id=99, member=odile)


def test_what_agrees_is_counted_and_not_written(
    make: Factory, odile: Member, shed: StorePlace
) -> None:
    tote, lot_id = make.cover(place_id=shed.id), boxes(odile, shed)
    before = entries()

    found = walk(
        odile,
        shed,
        listed_ids=frozenset({tote.id}),
        found_ids=frozenset({tote.id}),
        counts_milli={lot_id: 14_000},
    )

    assert found == Outcome(2, (), (), (), ())
    assert entries() == before
    line = db.session.scalars(select(LogEntry).where(LogEntry.action == "stocktake")).one()
    assert line.subject == "2 as expected, 0 not found, 0 turned up"


def test_what_differs_is_written_and_named(make: Factory, odile: Member, shed: StorePlace) -> None:
    lost = make.cover(label="Lost", place_id=shed.id)
    moved = make.cover(label="Moved", place_id=make.place("tea hut").id)
    lot_id = boxes(odile, shed)

    found = walk(
        odile,
        shed,
        listed_ids=frozenset({lost.id}),
        also_ids=(moved.id,),
        counts_milli={lot_id: 12_000},
    )

    assert found == Outcome(0, ("Lost",), ("Moved",), ("Salad boxes",), ())
    assert fresh(lost.id).status == "missing"
    assert (fresh(moved.id).status, fresh(moved.id).place_id) == ("here", shed.id)
    assert fresh_lot(lot_id).on_hand_milli == 12_000
    assert ledger.differences() == []


def test_a_thing_that_was_missing_turns_up_and_is_not_missed_twice(
    make: Factory, odile: Member, shed: StorePlace
) -> None:
    tote = make.cover(label="Tote 1", place_id=shed.id)
    listed = frozenset({tote.id})
    walk(odile, shed, listed_ids=listed)

    again = walk(odile, shed, listed_ids=listed)
    back = walk(odile, shed, listed_ids=listed, found_ids=listed)

    assert (again.missing, back.turned_up) == ((), ("Tote 1",))
    assert actions(tote.id) == ["acquired", "counted", "counted"]
    assert fresh(tote.id).status == "here"


def test_what_came_to_the_place_since_the_page_was_made_is_not_called_missing(
    make: Factory, odile: Member, shed: StorePlace
) -> None:
    tote = make.cover(place_id=shed.id)

    found = walk(odile, shed, listed_ids=frozenset())

    assert found.missing == ()
    assert fresh(tote.id).status == "here"


def test_what_left_for_a_borrower_or_is_another_members_is_left_alone_and_named(
    make: Factory, shed: StorePlace
) -> None:
    wes, tamsin = make.member("Wes"), make.member("Tamsin")
    lent = make.cover(label="Lent", place_id=shed.id)
    hers = make.cover(label="Hers", place_id=shed.id, owner_id=tamsin.id)
    lot_id = boxes(tamsin, shed, name="Her boxes", owner_id=tamsin.id)
    borrow(thing(lent.id), tamsin)
    before = entries()

    listed = frozenset({lent.id, hers.id})
    found = walk(wes, shed, listed_ids=listed, found_ids=listed, counts_milli={lot_id: 0})
    unseen = walk(wes, shed, listed_ids=listed)

    assert found == Outcome(0, (), (), (), ("Lent", "Hers", "Her boxes"))
    assert unseen == Outcome(0, (), (), (), ())
    assert entries() == before


@pytest.mark.parametrize(
    ("milli", "english", "spanish"),
    [
        (-1, "A count is 0 or more", "Un recuento es 0 o más"),
        (1_500, "Salad boxes: pieces are counted whole", "Salad boxes: las piezas se cuentan"),
    ],
)
def test_one_count_that_cannot_be_stops_the_whole_walk(
    make: Factory, odile: Member, shed: StorePlace, milli: int, english: str, spanish: str
) -> None:
    tote, lot_id = make.cover(place_id=shed.id), boxes(odile, shed)
    before = entries()

    def count() -> None:
        walk(odile, shed, listed_ids=frozenset({tote.id}), counts_milli={lot_id: milli})

    with pytest.raises(FieldRefused, match=english) as refused:
        count()
    with speaking("es"), pytest.raises(FieldRefused, match=spanish):
        count()

    assert refused.value.field == "counts"
    assert (fresh(tote.id).status, entries()) == ("here", before)


def test_the_same_form_twice_is_written_once(
    make: Factory, odile: Member, shed: StorePlace
) -> None:
    lot_id = boxes(odile, shed)
    walk(odile, shed, counts_milli={lot_id: 12_000}, form_key="walk 1")
    say(material(lot_id), odile, "acquired", quantity_milli=3_000)

    again = walk(odile, shed, counts_milli={lot_id: 12_000}, form_key="walk 1")

    assert again == Outcome(0, (), (), (), ())
    assert fresh_lot(lot_id).on_hand_milli == 15_000


def test_things_are_found_by_label_or_code_one_a_line_or_behind_commas(
    make: Factory, odile: Member
) -> None:
    one, two, gone = make.cover(label="Tote 1"), make.cover(label="Tote 2"), make.cover(label="X")
    say(thing(gone.id), odile, "retired", went_to="lost")

    assert stocktake.find_things(f"Tote 2,\n {one.code.upper()} \nTote 2") == [two.id, one.id]
    assert stocktake.find_things(" ,\n") == []
    for word in ("Tote 3", "X"):
        with pytest.raises(FieldRefused, match=f"is called {word}") as refused:
            stocktake.find_things(f"Tote 1, {word}")
        assert refused.value.field == "also"
    with speaking("es"), pytest.raises(FieldRefused, match="Nada en el cobertizo se llama Tote 3"):
        stocktake.find_things("Tote 3")
