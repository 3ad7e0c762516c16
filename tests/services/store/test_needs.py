"""Asks and offers on the board of the store, and what tonight's plan is short of."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.people import LogEntry, Member
from gardenapp.models.store import Notice
from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.store import needs
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import Factory

EVENING = NOW.date()


def ask(member: Member, what: str = "Old windows", **changes: Any) -> int:
    values: dict[str, Any] = {"kind": "ask", "how_much": "two or three", "note": "", "now": NOW}
    return needs.add_notice(**values | changes, what=what, member=member)


def plan(low_c: float) -> None:
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=NOW)
    plan_night.plan_night(night_of=EVENING, member_id=None, now=NOW)


# --- asks and offers --------------------------------------------------------------------------


def test_the_newest_comes_first_and_is_taken_down_by_its_writer_or_a_coordinator(
    make: Factory,
) -> None:
    wes, tamsin = make.member("Wes"), make.member("Tamsin")
    ask(wes)
    ask(tamsin, "Salad boxes", kind="offer", now=NOW + timedelta(hours=1))

    lines = needs.list_notices(member=wes)

    assert [(line.what, line.kind, line.member, line.may_close) for line in lines] == [
        ("Salad boxes", "offer", "Tamsin", False),
        ("Old windows", "ask", "Wes", True),
    ]
    assert all(line.may_close for line in needs.list_notices(member=make.coordinator()))


def test_the_same_form_twice_asks_once(make: Factory) -> None:
    wes = make.member("Wes")

    ids = [ask(wes, form_key="form 1") for _press in range(2)]

    assert ids[0] == ids[1]
    assert db.session.scalar(select(func.count()).select_from(Notice)) == 1
    assert db.session.scalars(
        select(LogEntry.subject).where(LogEntry.action == "asked for")
    ).all() == ["Old windows"]


def test_neither_ask_nor_offer_is_refused_in_words(make: Factory) -> None:
    wes = make.member("Wes")

    with pytest.raises(FieldRefused, match="have it to spare") as refused:
        ask(wes, kind="sell")
    with speaking("es"), pytest.raises(FieldRefused, match="Elige si lo buscas"):
        ask(wes, kind="sell")

    assert refused.value.field == "kind"
    assert needs.list_notices(member=wes) == ()


def test_what_is_found_is_taken_down_once(make: Factory) -> None:
    wes, odile = make.member("Wes"), make.coordinator()
    notice_id = ask(wes)

    needs.close_notice(notice_id=notice_id, member=wes, now=NOW)
    needs.close_notice(notice_id=notice_id, member=odile, now=NOW + timedelta(hours=1))

    notice = db.session.get_one(Notice, notice_id)
    assert (notice.closed_at, notice.closed_by_id) == (NOW, wes.id)
    assert needs.list_notices(member=wes) == ()
    taken = select(func.count()).where(LogEntry.action == "note taken down")
    assert db.session.scalar(taken) == 1


def test_another_members_ask_stays_and_what_is_not_there_is_said(make: Factory) -> None:
    wes, tamsin = make.member("Wes"), make.member("Tamsin")
    notice_id = ask(tamsin)

    with pytest.raises(NotAllowed, match="Only whoever wrote it"):
        needs.close_notice(notice_id=notice_id, member=wes, now=NOW)
    with speaking("es"), pytest.raises(NotAllowed, match="Solo lo puede quitar quien lo escribió"):
        needs.close_notice(notice_id=notice_id, member=wes, now=NOW)
    with pytest.raises(NotFound, match="find that note"):
        needs.close_notice(notice_id=99, member=wes, now=NOW)

    assert len(needs.list_notices(member=wes)) == 1


def test_the_two_kinds_are_named_in_both_languages(make: Factory) -> None:
    assert [str(word) for word in needs.KIND_WORDS.values()] == ["looking for", "to spare"]
    with speaking("es"):
        assert str(needs.KIND_WORDS["ask"]) == "se busca"


# --- what tonight is short of -----------------------------------------------------------------


def test_without_a_plan_or_on_a_warm_night_nothing_is_short(make: Factory) -> None:
    make.planting()
    none_yet = needs.list_shortages(now=NOW)
    plan(12.0)

    assert none_yet == needs.list_shortages(now=NOW) == ()


def test_what_no_cover_fits_is_listed_with_the_size_that_would(make: Factory) -> None:
    plot = make.plot("A1")
    tender = make.stage(threshold_c=0.0)
    tall = make.planting(plot, tender, name="tall dahlia", height_cm=150.0, count=3)
    make.planting(plot, make.stage(threshold_c=-15.0), name="leeks")
    make.cover()
    plan(-3.0)

    (short,) = needs.list_shortages(now=NOW)

    assert (short.planting_id, short.name, short.plot) == (tall.id, "tall dahlia", "A1")
    assert short.plants == 3
    assert short.needs_height_cm is not None and short.needs_height_cm >= 150.0


def test_a_night_that_is_over_is_not_what_is_short_tonight(make: Factory) -> None:
    make.planting(stage=make.stage(threshold_c=0.0))
    plan(-3.0)

    assert len(needs.list_shortages(now=NOW)) == 1
    assert needs.list_shortages(now=NOW + timedelta(days=1)) == ()
