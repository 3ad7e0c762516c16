"""Who is told in these tests."""

from __future__ import annotations

import pytest

from gardenapp.models.people import Member
from tests.factories import Factory


@pytest.fixture
def tamsin(make: Factory) -> Member:
    """A member with a tender planting and a cover for it; another plot is somebody else's."""
    member, other = make.member("Tamsin"), make.member("Wes Okafor")
    make.planting(make.plot("A1", holders=(member,)), name="beans")
    make.planting(make.plot("B2", holders=(other,)), name="squash")
    kind = make.cover_kind(clear_mean_k=5.0, cloudy_mean_k=5.0)
    shed = make.place("north shed")
    make.cover(kind, label="T1", place_id=shed.id)
    make.cover(kind, label="T2", place_id=shed.id)
    return member
