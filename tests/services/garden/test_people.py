"""Members, links, sign-in and sessions."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from flask import Flask
from sqlalchemy import func, select
from zxcvbn.frequency_lists import FREQUENCY_LISTS

from gardenapp.errors import NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Invite, LogEntry, Member, SignInTry
from gardenapp.services.garden import passwords, people, throttle
from tests.conftest import NOW
from tests.factories import PASSWORD, Factory
from tests.quick_hashes import SHIPPED, quick_hashes  # noqa: F401  (a fixture, found by name)

pytestmark = pytest.mark.usefixtures("quick_hashes")

HOME, ELSEWHERE = "192.0.2.10", "198.51.100.7"


def sign_in(name: str, password: str, *, address: str = HOME, later_s: float = 0) -> people.LetIn:
    return people.sign_in(
        name=name, password=password, address=address, now=NOW + timedelta(seconds=later_s)
    )


def fail(name: str, times: int, *, address: str = HOME, typed: str = "not the one") -> None:
    for _ in range(times):
        with pytest.raises(people.WrongPassword):
            sign_in(name, typed, address=address)


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

    with pytest.raises(Refused, match="plots is not there"):
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
    act = {"by_id": tamsin.id, "now": NOW}

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

    with pytest.raises(NotFound, match="works no more"):
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


@pytest.mark.outside("OWASP ASVS 5.0.0, 6.2.4, on the list of leaked passwords in zxcvbn 4.5")
def test_the_three_thousand_commonest_passwords_are_refused_however_they_are_written() -> None:
    commonest = [
        word for word in FREQUENCY_LISTS["passwords"] if len(word) >= passwords.SHORTEST
    ][:3000]

    for word in (*commonest, *(word.upper() for word in commonest)):
        with pytest.raises(Refused):
            passwords.check_new_password(word)

    assert len(set(commonest)) == 3000
    passwords.check_new_password("four plain words here")


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


@pytest.mark.parametrize(
    "good",
    ["eight-ok", "z9 Qk" * 40, " lead and trail ", "naïve ✿ lantern"],
    ids=["eight", "200", "spaces at the ends", "other letters"],
)
def test_a_password_is_checked_exactly_as_typed(good: str) -> None:
    passwords.check_new_password(good)
    kept = passwords.hash_password(good)

    assert kept.startswith("$argon2id$")
    assert passwords.is_password(good, kept)
    for other in (good + " ", good[:-1], good.upper(), good.strip() + "x"):
        assert not passwords.is_password(other, kept)


@pytest.mark.outside("RFC 9106, section 4: argon2id with t=3, m=64 MiB, p=4; from memory")
def test_the_settings_of_the_hash_are_the_recommended_ones() -> None:
    assert SHIPPED.type.name == "ID"
    assert (SHIPPED.time_cost, SHIPPED.memory_cost, SHIPPED.parallelism) == (3, 65_536, 4)


def test_where_no_password_is_kept_none_fits() -> None:
    assert not passwords.is_password("nobody's password, there to take the same time", None)
    assert not passwords.is_password("", None)
    assert not passwords.is_password("\ud800", None)
    assert not passwords.is_password("anything", "not a hash at all")


def test_changing_a_password_needs_the_current_one(make: Factory) -> None:
    odile = make.coordinator(password=PASSWORD)
    change = {"member_id": odile.id, "new": "four new warm words", "address": HOME, "now": NOW}

    for wrong in (None, "", "not the one"):
        with pytest.raises(people.WrongPassword):
            people.change_password(current=wrong, came_by_link=False, **change)
    people.change_password(current=PASSWORD, came_by_link=False, **change)

    assert sign_in("Odile", "four new warm words").member_id == odile.id
    fail("Odile", 1, typed=PASSWORD)


def test_guessing_the_current_password_is_throttled(make: Factory) -> None:
    odile = make.coordinator(password=PASSWORD)
    change = {"member_id": odile.id, "new": "four new warm words", "address": HOME, "now": NOW}
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


# --- sign-in and its throttle -----------------------------------------------------------------


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


def test_after_five_failures_even_the_right_password_waits(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    fail("Odile", 5)

    with pytest.raises(throttle.TooManyTries, match="Wait 5 seconds") as refused:
        sign_in("Odile", PASSWORD)

    assert refused.value.seconds == 5
    assert sign_in("Odile", PASSWORD, later_s=5).name == "Odile"


def test_waits_double_up_to_a_quarter_of_an_hour(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    fail("Odile", 5)
    waits, later_s = [], 0.0

    for _ in range(10):
        with pytest.raises(throttle.TooManyTries) as refused:
            sign_in("Odile", PASSWORD, later_s=later_s)
        waits.append(refused.value.seconds)
        later_s += refused.value.seconds
        with pytest.raises(people.WrongPassword):
            sign_in("Odile", "guess", later_s=later_s)

    assert waits == [5, 10, 20, 40, 80, 160, 320, 640, 900, 900]


def test_a_stranger_elsewhere_cannot_keep_a_coordinator_out(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    fail("Odile", 5, address=ELSEWHERE)
    with pytest.raises(throttle.TooManyTries):
        sign_in("Odile", "guess", address=ELSEWHERE)

    assert sign_in("Odile", PASSWORD, address=HOME).name == "Odile"


def test_other_names_from_the_same_address_are_not_held_up_by_one(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    make.member("Wes", password=PASSWORD)
    fail("Wes", 5)

    assert sign_in("Odile", PASSWORD).name == "Odile"


def test_trying_many_names_from_one_address_slows_down(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    for number in range(30):
        name = throttle.for_name(f"name {number}", HOME)
        throttle.begin_try(name, throttle.for_address(HOME), now=NOW)

    with pytest.raises(throttle.TooManyTries):
        sign_in("Odile", PASSWORD)
    assert sign_in("Odile", PASSWORD, address=ELSEWHERE).name == "Odile"


def test_signing_in_clears_ones_own_failures_only(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    make.member("Wes", password=PASSWORD)
    fail("Odile", 3)
    fail("Wes", 2)

    sign_in("Odile", PASSWORD)

    left = db.session.scalars(select(SignInTry.subject)).all()
    assert sum(s.startswith("name ") for s in left) == 2  # those for Wes
    assert sum(s.startswith("sign-in ") for s in left) == 5  # the address keeps its count


def test_waiting_writes_nothing_so_it_cannot_go_on_for_ever(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    fail("Odile", 5)
    before = db.session.scalar(select(func.count()).select_from(SignInTry))

    for _ in range(20):
        with pytest.raises(throttle.TooManyTries):
            sign_in("Odile", "guess")

    assert db.session.scalar(select(func.count()).select_from(SignInTry)) == before


def test_failures_survive_a_rollback_and_a_restart(app: Flask, make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    fail("Odile", 5)

    db.session.rollback()
    db.session.remove()
    db.engine.dispose()

    with pytest.raises(throttle.TooManyTries):
        sign_in("Odile", PASSWORD)


def test_tries_sent_at_once_do_not_slip_past_the_limit(app: Flask, make: Factory) -> None:
    make.coordinator(password=PASSWORD)

    def guess(number: int) -> str:
        with app.app_context():
            try:
                people.sign_in(name="Odile", password=f"guess {number}", address=HOME, now=NOW)
            except (people.WrongPassword, throttle.TooManyTries) as error:
                return type(error).__name__
        return "in"

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(guess, range(16)))

    assert answers.count("WrongPassword") == 5
    assert answers.count("TooManyTries") == 11


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("2001:db8:1:2::5", "2001:db8:1:2:ffff::9", True),
        ("2001:db8:1:2::5", "2001:db8:1:3::5", False),
        ("::ffff:192.0.2.10", "192.0.2.10", True),
        ("192.0.2.10", "192.0.2.11", False),
        ("::1", "::2", True),
        ("", "rubbish", True),
    ],
)
@pytest.mark.outside(
    "RFC 6177 / RFC 4291, section 2.5: a site's smallest network is a /64; from memory"
)
def test_one_phones_many_ipv6_addresses_count_as_one(one: str, other: str, same: bool) -> None:
    assert (throttle.for_address(one) == throttle.for_address(other)) is same


def test_a_password_typed_as_the_name_is_not_kept_anywhere(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    fail(PASSWORD, 1)

    kept = " ".join(db.session.scalars(select(SignInTry.subject)))
    assert PASSWORD not in kept


@pytest.mark.parametrize("name", ["", " ", "x" * 10_000, "🌱", "\ud800", "'; drop table member--"])
def test_a_hostile_name_is_an_unknown_name(make: Factory, name: str) -> None:
    make.coordinator(password=PASSWORD)

    fail(name, 1)
