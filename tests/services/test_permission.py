"""What only a coordinator does."""

from __future__ import annotations

import pytest

from gardenapp.errors import NotAllowed
from gardenapp.services.permission import coordinator_only
from gardenapp.words import speaking
from tests.factories import Factory


def test_a_coordinator_goes_on_and_anybody_else_is_told_in_their_language(make: Factory) -> None:
    coordinator_only(make.coordinator())

    with pytest.raises(NotAllowed, match=r"^Only a coordinator can do this\.$"):
        coordinator_only(make.member())
    with (
        speaking("es"),
        pytest.raises(NotAllowed, match="solo lo puede hacer una persona coordinadora"),
    ):
        coordinator_only(make.member())
