"""Who builds in these tests."""

from __future__ import annotations

import pytest

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.services.garden.seeding import seed_catalogue
from tests.factories import Factory


@pytest.fixture
def member(make: Factory) -> Member:
    """A coordinator of a garden that knows the published kinds."""
    found = make.coordinator()
    seed_catalogue(db.session)
    db.session.commit()
    return found
