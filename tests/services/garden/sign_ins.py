"""Somebody at the door: signing in and failing to, for tests of members, sessions and waits."""

from __future__ import annotations

from datetime import timedelta

import pytest

from gardenapp.services.garden import people
from tests.conftest import NOW

HOME, ELSEWHERE = "192.0.2.10", "198.51.100.7"


def sign_in(name: str, password: str, *, address: str = HOME, later_s: float = 0) -> people.LetIn:
    return people.sign_in(
        name=name, password=password, address=address, now=NOW + timedelta(seconds=later_s)
    )


def fail(name: str, times: int, *, address: str = HOME, typed: str = "not the one") -> None:
    for _ in range(times):
        with pytest.raises(people.WrongPassword):
            sign_in(name, typed, address=address)
