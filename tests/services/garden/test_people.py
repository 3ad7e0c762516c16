"""Members, links, sign-in and sessions."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import select

from gardenapp.errors import NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Invite, LogEntry, Member
from gardenapp.services.garden import passwords, people, throttle
from tests.conftest import NOW
from tests.factories import PASSWORD, Factory
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)
from tests.services.garden.sign_ins import HOME, fail, sign_in

pytestmark = pytest.mark.usefixtures("quick_hashes")

# --- members ----------------------------------------------------------------------------------


def test_a_new_member_has_the_gardens_units_and_the_plots_given(make: Factory) -> None:
    make.garden(temperature_unit="F", length_unit="inch")
    odile, plot = make.coordinator(), make.plot("A1")

    member_id = people.create_member(name="Tamsin", plot_ids=[plot.id], by_id=odile.id, now=NOW)

    row = db.session.get(Member, member_id)
    assert row is not None
    assert (row.temperature_unit, row.length_unit, row.role) == ("F", "inch", "member")
    assert people.get_member(member_id=member_id, now=NOW).plot_ids == (plot.id,)


@pytest.mark.parametrize("again", ["tamsin", " TAMSIN ", "Tam\N{FULLWIDTH LATIN SMALL LETTER S}in"])
def test_two_members_cannot_have_names_that_read_alike(make: Factory, again: str) -> None:
    odile = make.coordinator()
    people.create_member(name="Tamsin", by_id=odile.id, now=NOW)

    with pytest.raises(Refused, match="already somebody called Tamsin"):
        people.create_member(name=again, by_id=odile.id, now=NOW)


def test_a_plot_that_is_gone_is_refused_and_nobody_is_added(make: Factory) -> None:
    odile = make.coordinator()

    with pytest.raises(Refused, match="plots is gone"):
        people.create_member(name="Tamsin", plot_ids=[999], by_id=odile.id, now=NOW)

    assert db.session.scalar(select(Member).where(Member.name == "Tamsin")) is None


def test_the_last_coordinator_stays(make: Factory) -> None:
    odile = make.coordinator()

    with pytest.raises(people.LastCoordinator, match="only coordinator"):
        people.deactivate(member_id=odile.id, by_id=odile.id, now=NOW)
    with pytest.raises(people.LastCoordinator, match="only coordinator"):
        people.change_member(member_id=odile.id, role="member", by_id=odile.id, now=NOW)

    assert db.session.get(Member, odile.id, populate_existing=True).is_active  # type: ignore[union-attr]


def test_a_coordinator_who_was_let_go_does_not_count_as_the_other_one(make: Factory) -> None:
    odile, other = make.coordinator(), make.coordinator("Bram")
    people.deactivate(member_id=other.id, by_id=odile.id, now=NOW)

    with pytest.raises(people.LastCoordinator):
        people.deactivate(member_id=odile.id, by_id=odile.id, now=NOW)


def test_members_cannot_do_what_coordinators_do(make: Factory) -> None:
    make.coordinator()
    tamsin, other = make.member("Tamsin"), make.member("Wes")
    act: dict[str, Any] = {"by_id": tamsin.id, "now": NOW}

    for refused in (
        lambda: people.create_member(name="Sly", **act),
        lambda: people.change_member(member_id=tamsin.id, role="coordinator", **act),
        lambda: people.deactivate(member_id=other.id, **act),
        lambda: people.reactivate(member_id=other.id, **act),
        lambda: people.make_invite(member_id=other.id, **act),
        lambda: people.sign_out_everywhere(member_id=other.id, **act),
    ):
        with pytest.raises(NotAllowed):
            refused()


def test_every_change_stands_in_the_log_with_who_made_it(make: Factory) -> None:
    odile = make.coordinator()

    member_id = people.create_member(name="Tamsin", by_id=odile.id, now=NOW)
    people.change_member(member_id=member_id, name="Tamsin K.", by_id=odile.id, now=NOW)
    people.deactivate(member_id=member_id, by_id=odile.id, now=NOW)

    lines = db.session.execute(select(LogEntry.action, LogEntry.detail, LogEntry.member_id)).all()
    assert [tuple(line) for line in lines] == [
        ("added a member", "as member", odile.id),
        ("changed a member", "name was Tamsin", odile.id),
        ("let go", "", odile.id),
    ]


# --- links ------------------------------------------------------------------------------------


def test_a_link_lets_in_once_and_looking_does_not_use_it(make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    token = people.make_invite(member_id=tamsin.id, by_id=odile.id, now=NOW)

    for _ in range(3):
        assert people.look_at_invite(token=token, now=NOW).name == "Tamsin"
    assert people.redeem_invite(token=token, now=NOW).member_id == tamsin.id

    with pytest.raises(NotFound, match="no longer works"):
        people.redeem_invite(token=token, now=NOW)
    with pytest.raises(NotFound):
        people.look_at_invite(token=token, now=NOW)


def test_a_link_has_128_random_bits_or_more_and_only_its_hash_is_kept(make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")

    tokens = {people.make_invite(member_id=tamsin.id, by_id=odile.id, now=NOW) for _ in range(3)}

    assert people.INVITE_BYTES * 8 >= 128
    assert len(tokens) == 3
    kept = " ".join(db.session.scalars(select(Invite.token_hash)))
    assert not any(token in kept for token in tokens)


def test_a_link_ends_after_two_weeks(make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    token = people.make_invite(member_id=tamsin.id, by_id=odile.id, now=NOW)
    last = NOW + timedelta(days=14)

    assert people.look_at_invite(token=token, now=last - timedelta(seconds=1))
    with pytest.raises(NotFound):
        people.redeem_invite(token=token, now=last)


@pytest.mark.parametrize("ending", ["newer link", "signed out everywhere", "let go", "password"])
def test_an_unused_link_ends(make: Factory, ending: str) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    token = people.make_invite(member_id=tamsin.id, by_id=odile.id, now=NOW)

    if ending == "newer link":
        people.make_invite(member_id=tamsin.id, by_id=odile.id, now=NOW)
    elif ending == "signed out everywhere":
        people.sign_out_everywhere(member_id=tamsin.id, by_id=tamsin.id, now=NOW)
    elif ending == "let go":
        people.deactivate(member_id=tamsin.id, by_id=odile.id, now=NOW)
    else:
        people.change_password(
            member_id=tamsin.id, current=None, new=PASSWORD, came_by_link=False,
            address=HOME, now=NOW,
        )  # fmt: skip

    with pytest.raises(NotFound):
        people.redeem_invite(token=token, now=NOW)


def test_of_many_presses_at_once_one_uses_the_link(app: Flask, make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    token = people.make_invite(member_id=tamsin.id, by_id=odile.id, now=NOW)

    def press(_: int) -> bool:
        with app.app_context():
            try:
                return people.redeem_invite(token=token, now=NOW).member_id == tamsin.id
            except NotFound:
                return False

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(press, range(16))) == 1


def test_only_somebody_elses_link_allows_a_new_password_without_the_old(make: Factory) -> None:
    odile = make.coordinator(password=PASSWORD)
    by_other = people.make_invite(member_id=odile.id, by_id=None, now=NOW)
    let_in_by_other = people.redeem_invite(token=by_other, now=NOW)
    by_self = people.make_invite(member_id=odile.id, by_id=odile.id, now=NOW)

    assert let_in_by_other.may_set_password
    assert not people.redeem_invite(token=by_self, now=NOW).may_set_password


def test_somebody_who_was_let_go_gets_no_link(make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin", is_active=False)

    with pytest.raises(Refused, match="let go"):
        people.make_invite(member_id=tamsin.id, by_id=odile.id, now=NOW)


# --- passwords --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "bad",
    [
        pytest.param("short77", id="seven"),
        pytest.param("ab3 " * 51, id="over 200"),
        pytest.param("Password123", id="well known"),
        pytest.param("aaaabbbbaaaa", id="two letters"),
        pytest.param("qwertyuiop", id="keyboard"),
        pytest.param("Jennifer", id="a first name"),
        pytest.param("gardening", id="what a garden's guesser tries"),
        pytest.param("Odile Marchant", id="own name"),
        pytest.param("Lantern Lane Plots", id="the garden's name"),
        pytest.param("broken \ud800 words", id="lone surrogate"),
    ],
)
def test_a_weak_or_broken_password_is_refused(make: Factory, bad: str) -> None:
    odile = make.coordinator("Odile Marchant")

    with pytest.raises(Refused):
        people.change_password(
            member_id=odile.id, current=None, new=bad, came_by_link=False, address=HOME, now=NOW
        )

    assert db.session.get(Member, odile.id, populate_existing=True).password_hash is None  # type: ignore[union-attr]


def test_changing_a_password_needs_the_current_one(make: Factory) -> None:
    odile = make.coordinator(password=PASSWORD)
    change: dict[str, Any] = {
        "member_id": odile.id,
        "new": "four new warm words",
        "address": HOME,
        "now": NOW,
    }

    for wrong in (None, "", "not the one"):
        with pytest.raises(people.WrongPassword):
            people.change_password(current=wrong, came_by_link=False, **change)
    people.change_password(current=PASSWORD, came_by_link=False, **change)

    assert sign_in("Odile", "four new warm words").member_id == odile.id
    fail("Odile", 1, typed=PASSWORD)


def test_guessing_the_current_password_is_throttled(make: Factory) -> None:
    odile = make.coordinator(password=PASSWORD)
    change: dict[str, Any] = {
        "member_id": odile.id,
        "new": "four new warm words",
        "address": HOME,
        "now": NOW,
    }
    for _ in range(5):
        with pytest.raises(people.WrongPassword):
            people.change_password(current="guess", came_by_link=False, **change)

    with pytest.raises(throttle.TooManyTries):
        people.change_password(current=PASSWORD, came_by_link=False, **change)


def test_an_old_hash_is_renewed_at_the_next_sign_in(make: Factory) -> None:
    from argon2 import PasswordHasher

    odile = make.coordinator(password=PASSWORD)
    odile.password_hash = PasswordHasher(time_cost=2, memory_cost=64).hash(PASSWORD)
    db.session.commit()
    old = odile.password_hash

    sign_in("Odile", PASSWORD)

    new = db.session.scalar(select(Member.password_hash).where(Member.id == odile.id))
    assert new is not None
    assert new != old
    assert not passwords.needs_new_hash(new)
    assert passwords.is_password(PASSWORD, new)


# --- sign-in ----------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["Odile", "odile", "  ODILE "])
def test_a_name_is_recognised_however_it_is_typed(make: Factory, typed: str) -> None:
    odile = make.coordinator(password=PASSWORD)

    assert sign_in(typed, PASSWORD).member_id == odile.id


def test_unknown_passwordless_and_let_go_are_answered_alike(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    make.member("Wes", sign_in_name="wes")
    make.member("Gone", password=PASSWORD, is_active=False)
    said = set()

    for name, password in (
        ("Odile", "wrong one"), ("Nobody", PASSWORD), ("Wes", PASSWORD), ("Gone", PASSWORD)
    ):  # fmt: skip
        with pytest.raises(people.WrongPassword) as refused:
            sign_in(name, password)
        said.add(str(refused.value))

    assert len(said) == 1


def test_an_unknown_name_costs_a_hash_as_a_known_one_does(
    make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.coordinator(password=PASSWORD)
    passwords.is_password("warm up", None)
    checked: list[str] = []
    hasher = passwords._hasher
    real = type(hasher).verify

    def counting(self: object, kept: str, typed: str) -> bool:
        checked.append(kept.rpartition("$")[0].rpartition("$")[0])
        return real(self, kept, typed)  # type: ignore[arg-type]

    monkeypatch.setattr(type(hasher), "verify", counting)

    fail("Odile", 1)
    fail("Nobody", 1)

    assert len(checked) == 2
    assert checked[0] == checked[1]  # the same settings, so the same work


@pytest.mark.parametrize("name", ["", " ", "x" * 10_000, "🌱", "\ud800", "'; drop table member--"])
def test_a_hostile_name_is_an_unknown_name(make: Factory, name: str) -> None:
    make.coordinator(password=PASSWORD)

    fail(name, 1)
