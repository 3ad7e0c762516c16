"""Which passwords are taken, and how one is kept and checked."""

from __future__ import annotations

import pytest
from zxcvbn.frequency_lists import FREQUENCY_LISTS

from gardenapp.errors import Refused
from gardenapp.services.garden import passwords
from tests.quick_hashes import SHIPPED, quick_hashes  # noqa: F401  (a fixture, found by name)

pytestmark = pytest.mark.usefixtures("quick_hashes")


@pytest.mark.outside("OWASP ASVS 5.0.0, 6.2.4, on the list of leaked passwords in zxcvbn 4.5")
def test_the_three_thousand_commonest_passwords_are_refused_however_they_are_written() -> None:
    long_enough = [w for w in FREQUENCY_LISTS["passwords"] if len(w) >= passwords.SHORTEST]
    commonest = long_enough[:3000]

    for word in (*commonest, *(word.upper() for word in commonest)):
        with pytest.raises(Refused):
            passwords.check_new_password(word)

    assert len(set(commonest)) == 3000
    passwords.check_new_password("four plain words here")


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
