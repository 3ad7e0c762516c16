"""A night that is over: what was said, read and hurt."""

from __future__ import annotations

from datetime import timedelta

import pytest

from gardenapp.errors import NotFound
from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.services.night import learning
from gardenapp.services.night.past_night import nights_said, past_night
from tests.factories import Factory
from tests.services.night.mornings import MORNING, plan, save
from tests.services.night.planning import EVENING

OVER = MORNING + timedelta(hours=2)


def test_said_read_and_hurt_stand_side_by_side(
    make: Factory, member: Member, planting: Planting
) -> None:
    plan(make.now)
    save(planting, member, make.now + MORNING, damage="much", low_c=-3.5)
    learning.record_low(
        night_of=EVENING, plot_id=None, low_c=-2.4, member=make.coordinator(),
        now=make.now + MORNING,
    )  # fmt: skip

    night = past_night(night_of=EVENING, now=make.now + OVER)

    screen, plot = night.places
    assert (screen.plot, screen.read_c, screen.looked_at) == ("", -2.4, 0)
    assert screen.said.mean == pytest.approx(-2.0)
    assert (plot.read_c, plot.hurt, plot.looked_at, plot.place) == (-3.5, 1, 1, "screen")
    (plant,) = night.plants
    assert (plant.damage, plant.count) == ("much", planting.count)
    assert plant.expected_share is not None


def test_what_was_read_on_the_grass_is_held_against_what_was_to_be_there(
    make: Factory, member: Member, planting: Planting
) -> None:
    plan(make.now)
    at = make.now + MORNING

    def said(place: str) -> float:
        learning.record_low(
            night_of=EVENING, plot_id=planting.plot_id, low_c=-5.0, place=place,
            member=member, now=at,
        )  # fmt: skip
        return past_night(night_of=EVENING, now=make.now + OVER).places[1].said.mean

    assert said("ground_bare") < said("plant_shaded") < said("screen")


def test_a_night_that_is_not_over_or_was_not_planned_has_no_picture(
    make: Factory, member: Member, planting: Planting
) -> None:
    with pytest.raises(NotFound, match="no plan for that night"):
        past_night(night_of=EVENING, now=make.now + OVER)
    plan(make.now)
    with pytest.raises(NotFound, match="not over"):
        past_night(night_of=EVENING, now=make.now)

    assert nights_said(now=make.now) == ()
    assert nights_said(now=make.now + OVER) == (EVENING,)
