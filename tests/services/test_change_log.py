"""A line in the log of changes stands or falls with the change that it tells of."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.people import LogEntry
from gardenapp.services import change_log
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory


def lines() -> list[LogEntry]:
    db.session.expire_all()
    return list(db.session.scalars(select(LogEntry).order_by(LogEntry.id)))


def test_a_line_says_who_did_what_to_what_and_when(make: Factory) -> None:
    odile = make.coordinator()

    with write_transaction():
        change_log.record(
            action="mended", subject="thing T1", at=NOW, member_id=odile.id, detail="new film"
        )
        change_log.record(action="fetched", subject="forecast", at=NOW, member_id=None)

    first, second = lines()
    assert (first.action, first.subject, first.detail) == ("mended", "thing T1", "new film")
    assert (first.at, first.member_id) == (NOW, odile.id)
    assert (second.member_id, second.detail) == (None, "")  # done by the server itself


def test_what_was_not_done_is_not_told(make: Factory) -> None:
    make.garden()

    with pytest.raises(RuntimeError, match="too late"), write_transaction() as session:
        change_log.record(action="mended", subject="thing T1", at=NOW, member_id=None)
        session.flush()
        raise RuntimeError("too late")

    assert lines() == []


def test_a_name_of_any_length_keeps_no_change_from_being_told(make: Factory) -> None:
    make.garden()

    with write_transaction():
        change_log.record(
            action="a" * 81, subject="ü" * 5_000, at=NOW, member_id=None, detail="d" * 5_000
        )

    (line,) = lines()
    assert (line.action, line.subject) == ("a" * 80, "ü" * 200)
    assert line.detail == "d" * 5_000  # nothing of what was done is cut off
