"""Tonight's plan, from a forecast to what it says of each planting."""

from __future__ import annotations

import pytest

from gardenapp.errors import NotFound
from gardenapp.science.allocation.reasons import words_of
from gardenapp.services.night import plan_night
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter, plan


def test_a_night_without_a_forecast_cannot_be_planned(make: Factory) -> None:
    make.garden()

    with pytest.raises(NotFound, match="no forecast"):
        plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)


@pytest.mark.parametrize(("lift_k", "status"), [(6.0, "protect"), (2.0, "short")])
def test_a_cold_night_puts_the_cover_over_the_tender_planting(
    make: Factory, lift_k: float, status: str
) -> None:
    # Clear and calm, a low of −1 °C leaves bare plants near −3 °C. They die at −1 °C: with 6 K
    # more they are safe, with 2 K more the cover helps and is not enough.
    make.planting(stage=make.stage(threshold_c=-1.0), name="beans")
    kind = make.cover_kind(clear_mean_k=lift_k, cloudy_mean_k=lift_k)
    make.cover(kind, label="T7", place_id=make.place("north shed").id)
    enter(make.now, -1.0, cloud_fraction=0.1, wind_mps=1.0)

    page = plan(make.now)

    (row,) = page.rows
    assert row.status == status
    assert page.jobs_for(row)[0].places == (("north shed", ("T7",)),)
    assert row.given[0].temp.mean > row.temp.mean
    assert row.given[0].share < row.share


def test_a_warm_night_leaves_everything_bare_and_safe(make: Factory) -> None:
    make.planting()
    make.cover()
    enter(make.now, 8.0, cloud_fraction=0.9, wind_mps=4.0)

    page = plan(make.now)

    assert [row.status for row in page.rows] == ["safe"]
    assert page.jobs == ()


def test_a_gale_takes_light_covers_out_and_says_why(make: Factory) -> None:
    make.planting()
    make.cover(make.cover_kind(gust_limit_mps=10.0))
    enter(make.now, -2.0, gust_mps=20.0)

    page = plan(make.now)

    (row,) = page.rows
    assert page.jobs == ()
    assert row.status == "short"
    assert row.reason is not None
    assert row.reason.code == "too_windy"
    assert "gust 20 m/s" in words_of(row.reason.code, row.reason.values)


def test_a_planting_taller_than_every_cover_is_short_with_the_height_it_needs(
    make: Factory,
) -> None:
    make.planting(height_cm=150.0)
    make.cover()
    enter(make.now, -3.0)

    page = plan(make.now)

    (row,) = page.rows
    assert row.status == "short"
    assert row.reason is not None
    assert row.reason.code == "too_tall"
    assert "150 cm" in words_of(row.reason.code, row.reason.values)
