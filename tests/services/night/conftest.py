"""Who writes a morning down, and what grows there."""

from __future__ import annotations

import pytest

from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from tests.factories import Factory


@pytest.fixture
def member(make: Factory) -> Member:
    return make.member("Ines")


@pytest.fixture
def planting(make: Factory, member: Member) -> Planting:
    row: Planting = make.planting(make.plot("N3", holders=(member,)), name="beans", count=4)
    return row
