"""Things and materials alike: who may do what with them, and what may be said of them."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.services.store import lots, subjects
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.subjects import MOST_MILLI, Row, Subject, material, subject_of, thing
from gardenapp.services.transaction import write_transaction
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.store.happenings import say


def string(make: Factory) -> Lot:
    lot_id = lots.add_lot(
        entry=LotEntry("String", "string", "m"),
        quantity_milli=20_000,
        place_id=None,
        member=make.coordinator("Ada"),
        now=NOW,
    )
    return db.session.get_one(Lot, lot_id)


@pytest.mark.parametrize(
    ("owner", "lending", "handle", "own", "borrow"),
    [
        # of Wes, Tamsin and the coordinator
        ("garden", "garden", "WTC", "C", "WTC"),
        ("Tamsin", "garden", "TC", "TC", "WTC"),
        ("Tamsin", "own plots", "TC", "TC", "TC"),
    ],
)
def test_who_may_do_what_depends_on_whose_it_is_and_whether_it_is_shared(
    make: Factory, owner: str, lending: str, handle: str, own: str, borrow: str
) -> None:
    people = {"W": make.member("Wes"), "T": make.member("Tamsin"), "C": make.coordinator()}
    owner_id = people["T"].id if owner == "Tamsin" else None
    row = make.cover(owner_id=owner_id, lending=lending)

    def who(may: Callable[[Row, Member], bool]) -> str:
        return "".join(letter for letter, member in people.items() if may(row, member))

    assert who(subjects.may_handle) == handle
    assert who(subjects.may_own) == own
    assert who(subjects.may_borrow) == borrow


def test_it_is_brought_back_by_who_has_it_its_owner_or_a_coordinator(make: Factory) -> None:
    wes, tamsin, ines = make.member("Wes"), make.member("Tamsin"), make.member("Ines")
    hers = make.cover(owner_id=tamsin.id)

    may = [
        subjects.may_return(hers, wes.id, member)
        for member in (wes, tamsin, make.coordinator(), ines)
    ]

    assert may == [True, True, True, False]


def test_a_refusal_says_why_in_the_readers_language(make: Factory) -> None:
    wes = make.member("Wes")
    hers, gardens = make.cover(owner_id=make.member("Tamsin").id), make.cover()

    with pytest.raises(NotAllowed, match="It belongs to somebody"):
        subjects.check_handle(hers, wes)
    with pytest.raises(NotAllowed, match="It belongs to somebody"):
        subjects.check_own(hers, wes)
    with pytest.raises(NotAllowed, match="what belongs to the garden"):
        subjects.check_own(gardens, wes)
    with speaking("es"):
        with pytest.raises(NotAllowed, match="Es de alguien"):
            subjects.check_handle(hers, wes)
        with pytest.raises(NotAllowed, match="Con lo que es del huerto"):
            subjects.check_own(gardens, wes)


@pytest.mark.parametrize(
    ("quantity", "unit", "english", "spanish"),
    [
        (0, "m", "more than 0", "más de 0"),
        (-1_000, "piece", "more than 0", "más de 0"),
        (MOST_MILLI + 1, "kg", "up to a million", "hasta un millón"),
        (1_500, "piece", "counted whole", "se cuentan enteras"),
    ],
)
def test_none_too_much_and_half_a_piece_are_refused_beside_the_field(
    make: Factory, quantity: int, unit: str, english: str, spanish: str
) -> None:
    with pytest.raises(FieldRefused, match=english) as refused:
        subjects.check_quantity(quantity, unit, field="how_much")
    with speaking("es"), pytest.raises(FieldRefused, match=spanish):
        subjects.check_quantity(quantity, unit)

    assert refused.value.field == "how_much"


def test_half_a_metre_and_a_million_are_taken() -> None:
    subjects.check_quantity(500, "m")
    subjects.check_quantity(1, "kg")
    subjects.check_quantity(MOST_MILLI, "piece")


def test_nowhere_is_a_place_and_a_place_that_is_gone_is_not(make: Factory) -> None:
    subjects.check_place(None)
    subjects.check_place(make.place().id)

    with pytest.raises(FieldRefused, match="Choose a place") as refused:
        subjects.check_place(99)

    assert refused.value.field == "place_id"


@pytest.mark.parametrize(
    ("subject", "english", "spanish"),
    [
        (thing(99), "We can’t find that item", "No encontramos ese objeto"),
        (material(99), "We can’t find that material", "No encontramos ese material"),
    ],
)
def test_what_is_not_there_cannot_be_held(
    make: Factory, subject: Subject, english: str, spanish: str
) -> None:
    make.garden()

    with pytest.raises(NotFound, match=english), write_transaction():
        subject.lock()
    with speaking("es"), pytest.raises(NotFound, match=spanish), write_transaction():
        subject.lock()


def test_rows_and_their_entries_are_known_by_what_they_are_about(make: Factory) -> None:
    tote, roll = make.cover(label="Tote 7"), string(make)
    say(thing(tote.id), make.member(), "damaged", condition="worn")

    entries = db.session.query(LedgerEntry).all()

    assert {subject_of(entry) for entry in entries} == {thing(tote.id), material(roll.id)}
    assert (subject_of(tote), subject_of(roll)) == (thing(tote.id), material(roll.id))
    assert (subjects.called(tote), subjects.called(roll)) == ("Tote 7", "String")
    assert subjects.in_the_log(tote) == "thing Tote 7"
    assert subjects.in_the_log(roll) == "material String"
    assert (thing(tote.id).is_measured, material(roll.id).is_measured) == (False, True)
