"""Password hashes that cost little, for tests that make many; what they weigh is tested once."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from argon2 import PasswordHasher

from gardenapp.services.garden import passwords

SHIPPED = passwords._hasher


@pytest.fixture
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Argon2id with the least it can be given, instead of the shipped settings."""
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(time_cost=1, memory_cost=64))
    passwords._stand_in.cache_clear()
    yield
    passwords._stand_in.cache_clear()
