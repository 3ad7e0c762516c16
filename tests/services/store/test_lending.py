"""Lending: who may, what is late, and two people who ask at one moment."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from gardenapp.errors import AlreadyClaimed, NotAllowed
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Garden
from gardenapp.models.store import LedgerEntry, Loan
from gardenapp.services.store import ledger
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lending import lend, list_loans
from gardenapp.services.store.subjects import thing
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.store.happenings import DUE, TODAY, actions, borrow, fresh, say


@pytest.fixture
def ask(make: Factory) -> Callable[..., int]:
    """Tamsin borrows a tote; gives the tote's number."""
    tamsin = make.member("Tamsin")

    def borrow(tote: Cover, key: str = "") -> int:
        lend(
            subject=thing(tote.id),
            happening=Happening("lent", other_member_id=tamsin.id, due_on=DUE),
            today=TODAY,
            member=tamsin,
            now=NOW,
            form_key=key,
        )
        return tote.id

    return borrow


def written(cover_id: int) -> list[str]:
    """What the tables hold of a thing, read afresh: another session would see the same."""
    db.session.rollback()
    db.session.expire_all()
    query = select(LedgerEntry.action).where(LedgerEntry.cover_id == cover_id)
    return list(db.session.scalars(query.order_by(LedgerEntry.number)))


def test_who_loses_a_race_leaves_nothing_behind_and_can_go_on(
    make: Factory, ask: Callable[..., int], monkeypatch: pytest.MonkeyPatch
) -> None:
    tote, other = make.cover(), make.cover()
    version = make.garden().version
    write = ledger.write

    def raced(*args: Any, **more: Any) -> LedgerEntry:
        write(*args, **more)
        raise IntegrityError("INSERT INTO loan", {}, Exception("somebody was first"))

    with monkeypatch.context() as patched:
        patched.setattr(ledger, "write", raced)
        with pytest.raises(AlreadyClaimed, match="Somebody was first: it is lent out now"):
            ask(tote)
    # The very session that lost is clean: nothing waits in it, and it may write again.
    assert not (db.session.new or db.session.dirty)
    with write_transaction():
        pass

    assert written(tote.id) == []
    assert db.session.scalars(select(Loan)).all() == []
    assert db.session.get_one(Cover, tote.id).status == "here"
    assert db.session.get_one(Garden, 1).version == version + 1  # the empty transaction's
    assert written(ask(other)) == ["acquired", "lent"]
    assert ledger.differences() == []


def test_the_same_request_twice_at_once_lends_once_without_a_complaint(
    make: Factory, ask: Callable[..., int], monkeypatch: pytest.MonkeyPatch
) -> None:
    tote, other = make.cover(), make.cover()
    ask(tote, "one press")
    known = ledger.is_done
    answers = iter([False])  # the second arrives before the first has committed

    monkeypatch.setattr(ledger, "is_done", lambda key: next(answers, None) or known(key))
    ask(other, "one press")

    assert written(tote.id) == ["acquired", "lent"]
    assert written(other.id) == []
    assert ledger.differences() == []


def test_a_member_borrows_what_is_shared_and_the_second_is_told_who_has_it(make: Factory) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    tote = make.cover()

    borrow(thing(tote.id), tamsin)
    with pytest.raises(AlreadyClaimed, match="Tamsin has it until 8 December"):
        borrow(thing(tote.id), wes)

    assert fresh(tote.id).status == "lent"
    assert actions(tote.id) == ["acquired", "lent"]
    assert ledger.differences() == []


def test_only_the_owner_lends_to_somebody_else_or_lends_what_is_for_own_plots(
    make: Factory,
) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    hers = make.cover(owner_id=tamsin.id, lending="own plots")

    for member, to in ((wes, wes), (wes, tamsin)):
        with pytest.raises(NotAllowed):
            borrow(thing(hers.id), to, by=member)
    borrow(thing(hers.id), wes, by=tamsin)
    say(thing(hers.id), wes, "returned", condition="worn")

    assert (fresh(hers.id).status, fresh(hers.id).condition) == ("here", "worn")
    assert list_loans(member=wes, today=TODAY) == ()


def test_what_is_overdue_comes_first(make: Factory) -> None:
    wes = make.member("Wes")
    for days in (10, 3):
        borrow(thing(make.cover().id), wes, due_on=TODAY + timedelta(days=days))

    lines = list_loans(member=wes, today=TODAY + timedelta(days=5))

    assert [line.is_overdue for line in lines] == [True, False]
