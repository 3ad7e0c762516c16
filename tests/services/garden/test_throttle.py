"""Guessing slows down, and keeps nobody else out."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.people import SignInTry
from gardenapp.services.garden import people, throttle
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import PASSWORD, Factory
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)
from tests.services.garden.sign_ins import ELSEWHERE, HOME, fail, sign_in

pytestmark = pytest.mark.usefixtures("quick_hashes")


def test_after_five_failures_even_the_right_password_waits(make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    fail("Odile", 5)

    with pytest.raises(throttle.TooManyTries, match="Wait 5 seconds") as refused:
        sign_in("Odile", PASSWORD)

    assert refused.value.seconds == 5
    assert sign_in("Odile", PASSWORD, later_s=5).name == "Odile"


@pytest.mark.parametrize(
    ("seconds", "english", "spanish"),
    [
        (
            1,
            "Too many tries. Wait 1 second, then try again.",
            "Demasiados intentos. Espera 1 segundo y vuelve a probar.",
        ),
        (
            40,
            "Too many tries. Wait 40 seconds, then try again.",
            "Demasiados intentos. Espera 40 segundos y vuelve a probar.",
        ),
    ],
)
def test_the_wait_is_said_in_the_readers_language(
    app: Flask, seconds: int, english: str, spanish: str
) -> None:
    with app.app_context():
        assert str(throttle.TooManyTries(seconds)) == english
        with speaking("es"):
            assert str(throttle.TooManyTries(seconds)) == spanish


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
