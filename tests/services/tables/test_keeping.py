"""All of it or nothing, in one short act, and all of it back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from sqlalchemy import func, select, update

from gardenapp.errors import NotAllowed, NotFound, Refused
from gardenapp.extensions import Base, db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Plan
from gardenapp.models.people import Garden, LogEntry, Member, PlotHolder
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.readers.cells import read_pasted
from gardenapp.services.garden import people
from gardenapp.services.store import ledger
from gardenapp.services.store.ledger import Happening
from gardenapp.services.tables import importing, keeping
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.tables.conftest import Paste

TABLE = """Plot\tLength\tHolder\tCrop\tHow many
A1\t6 m\tAmal Whitby\tkale\t12
A2\t\tBruno Castell\tlettuce\t8

Kind\tHow many\tKept in\tOwner
tote\t3\tLong shed\tAmal Whitby

Material\tQuantity\tKept in
Clear film\t18 m\tLong shed

Name\tPlots\tLanguage
Luz Ferrer\tA2\tSpanish
"""
TABLES: tuple[type[Base], ...] = (
    Plot, PlotHolder, Planting, Cover, Lot, LedgerEntry, StorePlace, Member,
)  # fmt: skip
Save = Callable[[str], str]


def counts() -> list[int]:
    return [db.session.scalar(select(func.count()).select_from(table)) or 0 for table in TABLES]


def test_everything_is_written_and_the_ledger_agrees(save: Save, odile: Member) -> None:
    before = db.session.scalar(select(Garden.version)) or 0
    save(TABLE)
    assert counts() == [2, 3, 2, 3, 1, 4, 1, 4]
    assert ledger.differences() == []
    assert (db.session.scalar(select(Garden.version)) or 0) > before
    luz = db.session.scalar(select(Member).where(Member.name == "Luz Ferrer"))
    assert luz is not None
    assert (luz.language, luz.role, luz.sign_in_name) == ("es", "member", "luz ferrer")
    tote = db.session.scalar(select(Cover).where(Cover.label.endswith("1")))
    assert tote is not None
    assert tote.owner is not None
    assert (tote.owner.name, tote.place.label if tote.place else "") == ("Amal Whitby", "Long shed")
    assert db.session.scalar(select(LogEntry.subject).where(LogEntry.action == "table brought in"))


def test_nothing_is_written_where_the_garden_changes_at_the_last_moment(
    look: Paste, odile: Member
) -> None:
    token = importing.send(sheets=read_pasted(TABLE), member=odile, now=NOW)
    found = importing.preview(token=token, member=odile, now=NOW)
    row = importing._waiting(token, odile)
    before = counts()
    with write_transaction() as session:
        session.execute(update(Garden).values(name="Another"))
    with pytest.raises(keeping.ChangedMeanwhile):
        keeping.keep(import_id=row.id, findings=found, member=odile, on=NOW.date(), now=NOW)
    assert counts() == before
    importing.keep(token=token, member=odile, now=NOW)  # looked at anew, it goes in


def test_a_failure_in_the_middle_leaves_nothing_half_done(
    odile: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = importing.send(sheets=read_pasted(TABLE), member=odile, now=NOW)
    before = counts()

    def fail(*_args: object) -> list[int]:
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(keeping, "_new_lots", fail)
    with pytest.raises(RuntimeError):
        importing.keep(token=token, member=odile, now=NOW)
    assert counts() == before


def test_all_of_it_goes_back_as_one_act(save: Save, odile: Member, make: Factory) -> None:
    kept = make.plot("Z1", length_cm=500.0)
    before = counts()
    token = save(TABLE + "\nPlot\tLength\nZ1\t7 m\n")
    db.session.expire_all()
    assert db.session.get(Plot, kept.id).length_cm == 700.0  # type: ignore[union-attr]

    assert importing.take_back(token=token, member=odile, now=NOW) == ()

    assert counts() == before
    assert db.session.get(Plot, kept.id).length_cm == 500.0  # type: ignore[union-attr]
    assert ledger.differences() == []
    with pytest.raises(Refused, match="already"):
        importing.take_back(token=token, member=odile, now=NOW)


def test_what_was_used_since_stands_in_the_way_by_name(save: Save, odile: Member) -> None:
    token = save(TABLE)
    tote = db.session.scalar(select(Cover).order_by(Cover.id))
    assert tote is not None
    with write_transaction():
        ledger.write(
            ledger.lock_cover(tote.id),
            Happening("damaged", condition="worn"),
            at=NOW,
            member_id=odile.id,
        )
    before = counts()
    with pytest.raises(Refused, match=tote.label):
        importing.take_back(token=token, member=odile, now=NOW)
    assert counts() == before


def test_a_member_who_came_in_or_a_planting_added_by_hand_stands_in_the_way(
    save: Save, odile: Member, make: Factory
) -> None:
    token = save(TABLE)
    luz = db.session.scalar(select(Member).where(Member.name == "Luz Ferrer"))
    assert luz is not None
    link = people.make_invite(member_id=luz.id, by_id=odile.id, now=NOW)
    people.redeem_invite(token=link, now=NOW + timedelta(minutes=1))
    make.planting(db.session.scalar(select(Plot).where(Plot.label == "A1")))
    with pytest.raises(Refused) as refused:
        importing.take_back(token=token, member=odile, now=NOW)
    assert "Luz Ferrer" in str(refused.value)
    assert "A1" in str(refused.value)


def test_what_somebody_changed_since_stays_as_they_left_it(
    save: Save, odile: Member, make: Factory
) -> None:
    plot = make.plot("Z1", length_cm=500.0)
    token = save("Plot\tLength\nZ1\t7 m")
    with write_transaction() as session:
        session.execute(update(Plot).where(Plot.id == plot.id).values(length_cm=800.0))
    (left,) = importing.take_back(token=token, member=odile, now=NOW)
    assert "Z1" in str(left)
    db.session.expire_all()
    assert db.session.get(Plot, plot.id).length_cm == 800.0  # type: ignore[union-attr]


def test_only_coordinators_and_only_what_they_sent(
    save: Save, odile: Member, make: Factory
) -> None:
    token = importing.send(sheets=read_pasted(TABLE), member=odile, now=NOW)
    rafiq, ines = make.coordinator("Rafiq"), make.member("Ines")
    with pytest.raises(NotFound):
        importing.keep(token=token, member=rafiq, now=NOW)
    with pytest.raises(NotAllowed):
        importing.send(sheets=read_pasted(TABLE), member=ines, now=NOW)
    assert db.session.scalar(select(func.count()).select_from(Plan)) == 0
