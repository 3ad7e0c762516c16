"""What is stored about a member can be seen, taken away and erased; records stay without the "
"name."""

from __future__ import annotations

import json
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import select, text

from gardenapp.errors import NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.people import LogEntry, Member
from gardenapp.services.garden import people
from gardenapp.services.upkeep import privacy
from tests.claims import rows
from tests.conftest import NOW
from tests.factories import Factory

NAME = "Quendolin Vossberg"


@pytest.fixture
def world(app: Flask, make: Factory) -> Member:
    """Rows in every table, and member 1 with a name that stands nowhere else."""
    with db.engine.begin() as connection:
        rows.fill(connection)
        connection.execute(
            text(
                "UPDATE member SET name = :n, sign_in_name = :s, role = 'member',"
                " is_active = :yes WHERE id = 1"
            ),
            {"n": NAME, "s": NAME.casefold(), "yes": True},
        )
        connection.execute(
            text("UPDATE member SET role = 'coordinator', is_active = :yes WHERE id > 1"),
            {"yes": True},
        )
    member = db.session.get(Member, 1)
    assert member is not None
    return member


def everything() -> str:
    with db.engine.connect() as connection:
        return json.dumps(rows.dump(connection), ensure_ascii=False)


def test_every_table_that_points_at_members_is_counted(world: Member) -> None:
    held = privacy.held_about(member_id=1, by=world)

    pointing = {
        t.name
        for t in db.metadata.sorted_tables
        if any(k.column.table.name == "member" for c in t.columns for k in c.foreign_keys)
    }
    assert pointing - {line.table for line in held.lines} <= {"mail_server"}
    assert held.name == NAME


def test_the_file_holds_every_kind_of_row_and_no_secret(world: Member) -> None:
    whole = json.loads(privacy.hand_over(member_id=1, by=world, now=NOW))

    assert whole["member"]["name"] == NAME
    assert whole["member"]["password_hash"] == "kept, not shown"
    assert {"claim", "invite", "ledger_entry", "log_entry"} <= set(whole)
    with db.engine.connect() as connection:
        hashes = connection.execute(
            text("SELECT token_hash FROM invite UNION SELECT password_hash FROM member")
        ).scalars()
        assert not [h for h in hashes if h and h in json.dumps(whole, ensure_ascii=False)]


def test_after_erasing_the_name_stands_nowhere_and_no_record_is_gone(
    make: Factory, world: Member
) -> None:
    people.change_member(member_id=1, name="Quendolin Vossberg-Ames", by_id=2, now=NOW)
    people.make_invite(member_id=1, by_id=2, now=NOW)
    db.session.remove()
    with db.engine.connect() as connection:
        before = rows.counts(connection)

    privacy.erase(member_id=1, by_id=2, now=NOW)

    db.session.remove()
    left = everything()
    assert "Quendolin" not in left
    assert "quendolin" not in left
    with db.engine.connect() as connection:
        after = rows.counts(connection)
    for table in ("claim", "ledger_entry", "loan", "member", "deployment", "observed_low"):
        assert after[table] == before[table], table
    member = db.session.get(Member, 1)
    assert member is not None
    assert (member.name, member.password_hash, member.is_active) == (
        privacy.NAMELESS,
        None,
        False,
    )
    newest = db.session.scalars(select(LogEntry).order_by(LogEntry.id.desc())).first()
    assert newest is not None
    assert newest.action == "erased a member"


def test_somebody_elses_like_sounding_name_stays(make: Factory) -> None:
    wes, wesley = make.member("Wes"), make.member("Wesley")
    coordinator = make.coordinator()
    for member in (wes, wesley):
        people.sign_out_everywhere(member_id=member.id, by_id=coordinator.id, now=NOW)

    privacy.erase(member_id=wes.id, by_id=coordinator.id, now=NOW)

    subjects = set(db.session.scalars(select(LogEntry.subject)))
    assert "Wesley" in subjects
    assert "Wes" not in subjects


@pytest.mark.parametrize("call", ["held_about", "hand_over"])
def test_a_member_cannot_look_at_anothers(make: Factory, call: str) -> None:
    one, other = make.member("One"), make.member("Other")
    more: dict[str, Any] = {"now": NOW} if call == "hand_over" else {}

    with pytest.raises(NotFound):
        getattr(privacy, call)(member_id=other.id, by=one, **more)


def test_a_member_cannot_erase_another_and_the_last_coordinator_stays(make: Factory) -> None:
    one, other, only = make.member("One"), make.member("Other"), make.coordinator()

    with pytest.raises(NotAllowed):
        privacy.erase(member_id=other.id, by_id=one.id, now=NOW)
    with pytest.raises(people.LastCoordinator):
        privacy.erase(member_id=only.id, by_id=only.id, now=NOW)

    assert db.session.get(Member, other.id).name == "Other"  # type: ignore[union-attr]
