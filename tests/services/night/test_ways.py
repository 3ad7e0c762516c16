"""The ways there are to look after a plant."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from gardenapp.models.covers import CoverKind
from gardenapp.science.night.morning import gain_in_full_sun, warm_end_k
from gardenapp.services.night.outlook import SHELTER
from gardenapp.services.night.ways import Way
from tests.factories import Factory
from tests.services.night.planning import enter, prospect
from tests.services.night.small_garden import small_garden


def test_each_cover_a_stack_and_the_shelter_are_ways(make: Factory) -> None:
    small_garden(make)
    enter(make.now, -3.0)

    ways: Mapping[str, Way] = prospect().ways

    assert {key: way.name.label for key, way in ways.items()} == {
        "101": "Film frame",
        "102": "Loose fleece",
        "101+102": "Film frame with Loose fleece under it",
        SHELTER: "carry to the porch",
    }
    assert ways["101+102"].lift.mean > ways["101"].lift.mean
    assert ways["101+102"].is_draped
    assert not ways["101"].is_draped
    assert ways["101+102"].minutes == ways["101"].minutes + ways["102"].minutes


def test_a_garden_without_shelter_has_no_such_way_and_one_without_a_name_says_the_shelter(
    make: Factory,
) -> None:
    make.planting()
    enter(make.now, -3.0)
    assert SHELTER not in prospect().ways
    make.garden(shelter_spaces=3)

    assert prospect().ways[SHELTER].name.label == "carry to the shelter"


@pytest.mark.parametrize("published", [11.0, None])
def test_a_stack_gains_by_day_what_the_hotter_of_its_kinds_does(
    make: Factory, published: float | None
) -> None:
    make.planting()
    outer: CoverKind = make.cover_kind(day_gain_k=published)
    inner = make.cover_kind(goes_under=True, day_gain_k=2.0)
    make.cover(outer)
    make.cover(inner)
    enter(make.now, -3.0)

    ways = prospect().ways

    assert ways[f"{outer.id}+{inner.id}"].day_gain_k == warm_end_k(gain_in_full_sun(published))
    assert ways[f"{inner.id}"].day_gain_k == warm_end_k(gain_in_full_sun(2.0))
