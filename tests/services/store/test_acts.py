"""Who may say what happened, and who may take it back."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from gardenapp.errors import GardenError, NotAllowed
from gardenapp.extensions import db
from gardenapp.models.store import LedgerEntry
from gardenapp.science.store.ledger import Impossible
from gardenapp.services.store import acts, ledger, lots, things
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.subjects import material, thing
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.store.happenings import actions, fresh, fresh_lot, say


def test_the_same_request_twice_is_done_once(make: Factory) -> None:
    wes = make.coordinator("Wes")
    lot_id = lots.add_lot(
        entry=LotEntry("Salad boxes", "box"),
        quantity_milli=14_000,
        place_id=None,
        member=wes,
        now=NOW,
        form_key="form 1",
    )
    again = lots.add_lot(
        entry=LotEntry("Salad boxes", "box"),
        quantity_milli=14_000,
        place_id=None,
        member=wes,
        now=NOW,
        form_key="form 1",
    )

    for _press in range(2):
        acts.do(
            subject=material(lot_id),
            happening=Happening("acquired", quantity_milli=5_000),
            member=wes,
            now=NOW,
            form_key="press 1",
        )

    assert again == lot_id
    assert fresh_lot(lot_id).on_hand_milli == 19_000


def test_undoing_is_for_the_newest_entry_and_for_whoever_wrote_it(make: Factory) -> None:
    boss, wes, tamsin = make.coordinator(), make.member("Wes"), make.member("Tamsin")
    tote = make.cover()
    say(thing(tote.id), wes, "damaged", condition="broken")
    say(thing(tote.id), wes, "mended", condition="sound")
    entries = list(db.session.scalars(select(LedgerEntry).order_by(LedgerEntry.number)))

    with pytest.raises(NotAllowed):
        acts.undo_entry(entry_id=entries[2].id, member=tamsin, now=NOW)
    with pytest.raises(Impossible, match="only the latest"):
        acts.undo_entry(entry_id=entries[1].id, member=wes, now=NOW)
    with pytest.raises(GardenError, match="Say that it left"):
        acts.undo_entry(entry_id=entries[0].id, member=boss, now=NOW)
    acts.undo_entry(entry_id=entries[2].id, member=wes, now=NOW)
    acts.undo_entry(entry_id=entries[2].id, member=wes, now=NOW)  # pressed twice
    assert (fresh(tote.id).condition, fresh(tote.id).is_usable) == ("broken", False)
    acts.undo_entry(entry_id=entries[1].id, member=wes, now=NOW)

    assert (fresh(tote.id).condition, fresh(tote.id).is_usable) == ("sound", True)
    assert ledger.differences() == []


def test_a_frame_taken_apart_gives_back_its_timber_and_not_its_torn_film(make: Factory) -> None:
    boss = make.coordinator()
    frame = make.cover()
    timber = lots.add_lot(
        entry=LotEntry("Timber", "timber", length_mm=1_200),
        quantity_milli=8_000,
        place_id=None,
        member=boss,
        now=NOW,
    )
    film = lots.add_lot(
        entry=LotEntry("Film", "film", "m"),
        quantity_milli=10_000,
        place_id=None,
        member=boss,
        now=NOW,
    )
    lots.put_in(cover_id=frame.id, lot_id=timber, quantity_milli=4_000, member=boss, now=NOW)
    lots.put_in(cover_id=frame.id, lot_id=film, quantity_milli=2_500, member=boss, now=NOW)
    wood, _torn = things.parts_of(frame.id)

    acts.retire_thing(
        cover_id=frame.id,
        happening=Happening("retired", went_to="parts", note="film torn"),
        keep_part_ids=(wood.id,),
        member=boss,
        now=NOW,
    )

    assert fresh_lot(timber).on_hand_milli == 8_000
    assert fresh_lot(film).on_hand_milli == 7_500
    assert (fresh(frame.id).status, fresh(frame.id).is_usable) == ("retired", False)
    assert ledger.differences() == []
    gone = db.session.scalars(select(LedgerEntry).where(LedgerEntry.action == "retired")).one()
    acts.undo_entry(entry_id=gone.id, member=boss, now=NOW)
    assert fresh_lot(timber).on_hand_milli == 4_000
    assert fresh(frame.id).status == "here"


def test_a_member_changes_nothing_of_what_belongs_to_another(make: Factory) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    hers = make.cover(owner_id=tamsin.id)
    shed = make.place()

    with pytest.raises(NotAllowed):
        say(thing(hers.id), wes, "moved", place_id=shed.id)
    with pytest.raises(NotAllowed):
        say(thing(hers.id), wes, "retired", went_to="lost")
    with pytest.raises(NotAllowed):
        say(thing(make.cover().id), wes, "retired", went_to="lost")
    say(thing(hers.id), wes, "damaged", condition="worn")

    assert actions(hers.id) == ["acquired", "damaged"]
