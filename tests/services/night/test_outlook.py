"""One planting on one night: what it is made of, bare and under a cover."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from gardenapp.models.forecasts import Forecast, ForecastImport
from gardenapp.models.plants import CropStage, Planting
from gardenapp.readers.records import HourForecast
from gardenapp.science.covers.lift import TOUCHING_UNDER_SHEET, LiftPrior
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing import HARM_COSTS
from gardenapp.science.night.damage import combined_share
from gardenapp.science.night.forecast_error import ForecastRecord
from gardenapp.science.night.root_ball import NOTHING_BEFORE, Before, Pot, Roots
from gardenapp.science.night.sun import Night
from gardenapp.services.garden.hardiness import hardiness_of
from gardenapp.services.night import outlook
from gardenapp.services.night.outlook import BareOutlook, Over, SiteNight
from tests.conftest import NOW
from tests.services.night.planning import EVENING

NIGHT = Night(EVENING, NOW + timedelta(hours=1), NOW + timedelta(hours=16, minutes=30), False)
RECORD = ForecastRecord(sd_k=1.2, bias=Estimate(-0.5, 0.3), count=0, weight_of_prior=1.0)
NO_OFFSET = Estimate(0.0, 0.0)


def forecast(low_c: float = -2.0, *, issued_h: float | None = None, **changes: Any) -> Forecast:
    issued_at = None if issued_h is None else NIGHT.sunrise_at - timedelta(hours=issued_h)
    source = ForecastImport(came_by="hand", kind="by hand", entered_at=NOW, issued_at=issued_at)
    return Forecast(night_of=EVENING, low_c=low_c, hours=[], source=source, **changes)


def site(
    low_c: float = -2.0,
    hours: tuple[HourForecast, ...] = (),
    evening_at: datetime | None = None,
    **changes: Any,
) -> SiteNight:
    values: dict[str, Any] = {"cloud_fraction": 0.0, "wind_mps": 0.5}
    return outlook.site_night(
        night=NIGHT,
        forecast=forecast(low_c, **values | changes),
        hours=hours,
        record=RECORD,
        evening_at=evening_at,
    )


def stage(**changes: Any) -> CropStage:
    values: dict[str, Any] = {
        "kind": "kill",
        "threshold_c": -3.0,
        "refers_to": "plant",
        "harm": "plant",
        "hardens": "no",
    }
    return CropStage(name="plant", **values | changes)


def bare_outlook(
    night: SiteNight,
    of: Planting,
    offset: Estimate,
    grown: CropStage,
    *,
    state: float = 0.0,
    before: Before = NOTHING_BEFORE,
) -> BareOutlook:
    bearing = hardiness_of(grown).at(state)
    return outlook.bare_outlook(night, of, offset, grown, bearing, before)


def planting(**changes: Any) -> Planting:
    values: dict[str, Any] = {"height_cm": 10.0, "in_pot": False}
    return Planting(count=4, spread_cm=20.0, **values | changes)


# --- the night at the screen ------------------------------------------------------------------


def test_the_standing_error_is_taken_out_of_the_low_and_of_the_whole_curve() -> None:
    found = site(-2.0)

    assert found.screen_low.mean == pytest.approx(-2.5)
    assert found.screen_low.sd == pytest.approx(math.hypot(1.2, 0.3))
    assert found.curve.low[1] == pytest.approx(-2.5)


@pytest.mark.parametrize("issued_h", [1.0, 12.0, 24.0])
def test_the_first_night_ahead_is_as_sure_as_it_is_published_to_be(issued_h: float) -> None:
    assert site(issued_h=issued_h).screen_low == site().screen_low


def test_a_forecast_of_days_ago_is_less_sure_and_one_of_weeks_ago_no_less_than_ten_days() -> None:
    days = [site(issued_h=24.0 * n).screen_low.sd for n in (1, 3, 6, 10, 14, 40)]

    assert days[0] < days[1] < days[2] < days[3]
    assert days[3] == days[4] == days[5]


def test_hours_of_the_whole_night_shape_the_curve_and_half_a_night_does_not() -> None:
    def hourly(until: int) -> tuple[HourForecast, ...]:
        return tuple(
            HourForecast(at=NIGHT.sunset_at + timedelta(hours=n), temp_c=9.0 - 0.5 * n)
            for n in range(until)
        )

    whole, half, none = site(hours=hourly(20)), site(hours=hourly(8)), site()

    assert half.curve == site(evening_c=8.0).curve != none.curve  # it tells the evening, no more
    assert whole.curve != none.curve
    assert whole.curve.low[1] == pytest.approx(-2.5)


@pytest.mark.parametrize(
    "changes",
    [
        {"low_at": NIGHT.sunset_at},
        {"low_at": NIGHT.sunrise_at + timedelta(hours=5)},
        {"evening_c": -2.0},
        {"evening_c": -8.0},
    ],
    ids=["low at dusk", "low by day", "evening as cold as the low", "evening colder"],
)
def test_what_no_night_can_have_is_left_out_of_the_curve(changes: dict[str, Any]) -> None:
    assert site(**changes).curve == site().curve


@pytest.mark.parametrize(
    ("hours_after", "is_taken"), [(2.0, True), (2.9, True), (-1.0, False), (4.5, False)]
)
def test_an_evening_at_eight_is_that_of_the_curve_only_near_two_hours_after_sunset(
    hours_after: float, is_taken: bool
) -> None:
    at = NIGHT.sunset_at + timedelta(hours=hours_after)

    found = site(evening_c=9.0, evening_at=at).curve

    assert (found == site(evening_c=9.0).curve) is is_taken
    assert (found == site().curve) is not is_taken


# --- bare -------------------------------------------------------------------------------------


def test_a_bare_plant_is_as_cold_as_the_sum_of_its_parts() -> None:
    offset = Estimate(-1.0, 0.5)

    found = bare_outlook(site(), planting(), offset, stage())

    parts = found.parts
    summed = (parts.screen_low, parts.offset, parts.air, parts.leaf)
    assert found.temp.mean == pytest.approx(sum(part.mean for part in summed))
    assert found.temp.sd == pytest.approx(math.hypot(*(part.sd for part in summed)))
    # The plot's offset is that of a clear calm night; tonight has this much of one.
    assert parts.offset.mean == pytest.approx(site().share.mean * offset.mean)
    assert found.harm.share == found.harm.frost == found.bearing.harm.expected_share(found.temp)
    assert (found.harm.chilling, found.harm.root) == (None, None)
    assert found.plant_curve.low[1] == pytest.approx(found.temp.mean)


def test_how_long_it_is_too_cold_is_told_from_the_plants_own_curve() -> None:
    cold = bare_outlook(site(), planting(), NO_OFFSET, stage(threshold_c=-3.0))
    never = bare_outlook(site(), planting(), NO_OFFSET, stage(threshold_c=-20.0))

    assert cold.crosses_at is not None and cold.back_at is not None
    assert NIGHT.sunset_at < cold.crosses_at < cold.back_at
    below_h = (cold.back_at - cold.crosses_at).total_seconds() / 3600
    assert cold.hours_below == pytest.approx(below_h, abs=0.6)
    assert (never.hours_below, never.crosses_at, never.back_at) == (0.0, None, None)


def test_hardened_plants_are_judged_by_what_they_stand_hardened() -> None:
    tough = stage(hardened_threshold_c=-8.0, hardens="leafy")

    soft, half, hard = (
        bare_outlook(site(), planting(), NO_OFFSET, tough, state=state) for state in (0.0, 0.5, 1.0)
    )

    assert soft.threshold_c - hard.threshold_c == pytest.approx(5.0)
    assert half.threshold_c == pytest.approx((soft.threshold_c + hard.threshold_c) / 2)
    assert hard.harm.share < half.harm.share < soft.harm.share


def test_harm_begins_where_a_tenth_is_hurt_and_not_where_half_is_dead() -> None:
    killed = stage(kind="kill", threshold_c=-3.0, spread_k=1.0)

    found = bare_outlook(site(), planting(), NO_OFFSET, killed)

    assert found.threshold_c == pytest.approx(-3.0 + 1.2816, abs=1e-3)


def test_a_burnt_leaf_costs_little_and_a_dead_plant_all() -> None:
    leek = stage(harm="looks", death_c=-9.0, death_spread_k=1.0, death_refers_to="plant")

    found = bare_outlook(site(), planting(), NO_OFFSET, leek)
    as_plant = bare_outlook(site(), planting(), NO_OFFSET, stage())

    assert found.harm.frost == as_plant.harm.frost
    assert found.harm.death is not None and found.harm.death < found.harm.frost
    costs = HARM_COSTS["looks"]
    assert found.harm.share == pytest.approx(
        costs * found.harm.frost + (1 - costs) * found.harm.death
    )
    assert found.harm.share < 0.2 * as_plant.harm.share


def test_a_night_of_chill_counts_the_more_after_others() -> None:
    basil = stage(threshold_c=-9.0, chilling_c=6.0)
    first = bare_outlook(site(5.0), planting(), NO_OFFSET, basil).harm.chilling
    third = bare_outlook(
        site(5.0), planting(), NO_OFFSET, basil, before=Before(chilled_h=28.0)
    ).harm.chilling

    assert first is not None and third is not None
    assert 0.0 < first < third < 1.0


def test_chill_and_frozen_roots_add_to_the_frost_and_do_not_count_twice() -> None:
    plain = bare_outlook(site(), planting(), NO_OFFSET, stage())
    small = Pot(0.7)
    sick = bare_outlook(
        site(),
        planting(in_pot=True),
        NO_OFFSET,
        stage(chilling_c=6.0, root_kill_c=-2.0),
        before=Before(Roots(small, small.heat_at(-1.0))),
    )

    harm = sick.harm
    assert harm.frost == plain.harm.frost
    assert harm.chilling is not None and harm.root is not None
    assert harm.share == pytest.approx(
        combined_share(combined_share(harm.frost, harm.chilling), harm.root)
    )
    assert plain.harm.share < harm.share <= 1.0


def test_roots_in_the_ground_do_not_freeze_with_the_pot() -> None:
    found = bare_outlook(site(), planting(), NO_OFFSET, stage(root_kill_c=-2.0))

    assert found.harm.root is None


def test_a_pot_that_is_not_frozen_yet_keeps_its_roots_through_one_night() -> None:
    pot = Pot(10.0)
    shrub = stage(root_kill_c=-5.0)
    thawed, frozen = (
        bare_outlook(
            site(-6.0), planting(), NO_OFFSET, shrub, before=Before(Roots(pot, pot.heat_at(c)))
        ).harm.root
        for c in (2.0, -4.0)
    )

    assert thawed is not None and frozen is not None
    assert thawed < 0.001
    assert frozen > 0.3


# --- covered ----------------------------------------------------------------------------------


def covered(lift_k: float, **changes: Any) -> outlook.CoveredOutlook:
    bare = bare_outlook(site(), planting(), NO_OFFSET, stage())
    values: dict[str, Any] = {"leaf_shield": 0.0, "is_draped": False}
    lift = Estimate(lift_k, 0.5)
    return outlook.covered_outlook(site(), planting(), stage(), bare, lift=lift, **values | changes)


def test_a_cover_warms_by_its_lift_and_hides_the_leaf_from_the_sky() -> None:
    bare = bare_outlook(site(), planting(), NO_OFFSET, stage())

    clear, hidden = covered(2.0), covered(2.0, leaf_shield=1.0)

    assert clear.temp.mean == pytest.approx(bare.temp.mean + 2.0)
    assert hidden.temp.mean == pytest.approx(clear.temp.mean - bare.parts.leaf.mean)
    assert hidden.harm.share < clear.harm.share < bare.harm.share


def test_leaves_that_touch_the_sheet_are_hurt_as_bare_ones() -> None:
    bare = bare_outlook(site(), planting(), NO_OFFSET, stage())

    held_off, draped = covered(3.0), covered(3.0, is_draped=True)

    touching = TOUCHING_UNDER_SHEET
    assert draped.harm.share == pytest.approx(
        touching * bare.harm.share + (1 - touching) * held_off.harm.share
    )
    assert replace(draped.harm, share=0.0) == replace(held_off.harm, share=0.0)


def test_a_second_layer_adds_to_the_first_and_less_than_it_gives_alone() -> None:
    def prior(mean: float) -> LiftPrior:
        return LiftPrior(Estimate(mean, 0.5), Estimate(mean / 2, 0.5), 0.5)

    class Kind:
        def __init__(self, number: int) -> None:
            self.id = number

    priors: dict[int, LiftPrior] = {1: prior(3.0), 2: prior(2.0)}
    outer, inner = Kind(1), Kind(2)

    alone = outlook.stack_prior([outer], priors)  # type: ignore[list-item]
    both = outlook.stack_prior([outer, inner], priors)  # type: ignore[list-item]

    assert alone == priors[1]
    assert 3.0 < both.clear.mean < 5.0


def test_leaves_touching_a_fleece_under_a_frame_are_no_colder_than_under_the_frame_alone() -> None:
    frame = Over(Estimate(3.0, 0.5), 0.5)
    alone = covered(3.0, leaf_shield=0.5)

    both = covered(4.0, leaf_shield=0.7, is_draped=True, over=frame)

    assert both.harm.share < alone.harm.share
    assert both.harm.share < covered(4.0, leaf_shield=0.7, is_draped=True).harm.share
    inside = covered(4.0, leaf_shield=0.7)
    assert both.harm.share == pytest.approx(
        TOUCHING_UNDER_SHEET * alone.harm.share + (1 - TOUCHING_UNDER_SHEET) * inside.harm.share
    )


def bare_touching(inside: outlook.CoveredOutlook) -> float:
    """What it was reckoned as before: as if the leaves that touch stood in the open."""
    bare = bare_outlook(site(), planting(), NO_OFFSET, stage())
    return TOUCHING_UNDER_SHEET * bare.harm.share + (1 - TOUCHING_UNDER_SHEET) * inside.harm.share


def test_what_is_put_on_late_keeps_what_is_left_of_the_night() -> None:
    found = site(-2.0)
    night_h = (found.curve.low[0] - NIGHT.sunset_at) / timedelta(hours=1)

    assert found.late_share(None) == found.late_share(NIGHT.sunset_at - timedelta(days=2)) == 1.0
    assert found.late_share(NIGHT.sunset_at + timedelta(hours=6)) == pytest.approx(
        math.sqrt(1 - 6 / night_h)
    )
    assert found.late_share(found.curve.low[0] + timedelta(hours=1)) == 0.0
    assert Over(Estimate(2.0, 0.5), 0.4).kept(0.5) == Over(Estimate(1.0, 0.5), 0.4)


def day_hours(cloud: float | None, warmest_c: float) -> tuple[HourForecast, ...]:
    return tuple(
        HourForecast(NIGHT.sunset_at - timedelta(hours=n), warmest_c - n / 4, cloud_fraction=cloud)
        for n in range(7)
    )


def test_a_dull_cold_day_leaves_covers_less_to_keep() -> None:
    prior = LiftPrior(Estimate(2.0, 0.5), Estimate(2.0, 0.5), 0.5)
    dull, bright = site(hours=day_hours(1.0, 2.0)), site(hours=day_hours(0.1, 2.0))

    assert outlook.tonight_lift(bright, prior).mean == pytest.approx(2.0)
    assert outlook.tonight_lift(dull, prior).mean == pytest.approx(1.2)
    assert outlook.tonight_lift(dull, prior).sd == outlook.tonight_lift(bright, prior).sd
    assert site(hours=day_hours(None, 2.0)).stored_share == 1.0
    assert site().stored_share == 1.0
