"""The garden that replays are tried on."""

from __future__ import annotations

import pytest

from tests.factories import Factory


@pytest.fixture
def planted(make: Factory) -> Factory:
    """Two plots, three plantings and a few boxes."""
    make.garden(shelter_spaces=2, shelter_label="the shed")
    holder = make.coordinator()
    near, far = make.plot("A1", holders=(holder,)), make.plot("A2", offset_k=-1.0)
    tender, hardy = make.stage("bean", threshold_c=0.0), make.stage("leek", threshold_c=-6.0)
    make.planting(near, tender, mind="dearly")
    make.planting(far, hardy)
    make.planting(far, tender, in_pot=True, is_movable=True, count=2)
    kind = make.cover_kind("box")
    make.cover(kind)
    make.cover(kind, condition="broken")
    make.cover(kind, owner_id=holder.id, lending="own plots")
    return make
