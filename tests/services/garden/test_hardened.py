"""How hardened each planting is, and what it bears today."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from gardenapp.extensions import db
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.weather import DailyWeather
from gardenapp.services.garden import hardened
from gardenapp.services.garden.hardened import FIXED, State
from tests.conftest import NOW
from tests.factories import Factory

TODAY = date(2026, 11, 24)


def days(*spells: tuple[float, float, int], until: date = TODAY) -> None:
    """Days that end today: lowest, mean, and how many. [°C]"""
    rows = [(low, mean) for low, mean, count in spells for _ in range(count)]
    for back, (low, mean) in enumerate(reversed(rows)):
        db.session.add(
            DailyWeather(
                on_date=until - timedelta(days=back), source="record", min_c=low, mean_c=mean
            )
        )
    db.session.commit()


def kale(make: Factory, **changes: object) -> CropStage:
    values: dict[str, object] = {
        "threshold_c": -3.0, "hardened_threshold_c": -15.0, "hardens": "leafy", "spread_k": 1.0,
        "hardened_spread_k": 1.0, "hardened_refers_to": "tissue",
    }  # fmt: skip
    return make.stage("kale", **values | changes)


def state(planting: Planting, offset_k: float = 0.0, on: date = TODAY) -> State:
    stages = hardened.stages_of([planting], on=on)
    return hardened.states_of([planting], stages, {planting.plot_id: offset_k}, on=on)[planting.id]


def test_three_ordinary_weeks_of_november_harden_a_third_of_the_way(make: Factory) -> None:
    planting = make.planting(stage=kale(make))
    days((3.5, 6.0, 60))

    found = state(planting)

    assert found.share == pytest.approx(0.28, abs=0.01)
    assert not found.is_uncertain
    assert found.before == pytest.approx(found.share, abs=0.001)


def test_a_mild_fortnight_takes_it_all_back(make: Factory) -> None:
    planting = make.planting(stage=kale(make))
    days((0.0, 4.0, 60), (9.0, 13.0, 14))

    assert state(planting).share < 0.06


def test_two_warm_days_are_told(make: Factory) -> None:
    planting = make.planting(stage=kale(make))
    days((-2.0, 2.0, 60), (8.0, 13.0, 2))

    today = hardened.today_in(plot_id=planting.plot_id, now=NOW)[planting.id]

    assert 2.5 < today.moved_k < 5.0
    assert today.is_moved and not today.is_uncertain


def test_a_hollow_is_colder_and_hardens_its_plants_more(make: Factory) -> None:
    planting = make.planting(stage=kale(make))
    days((4.0, 7.0, 60))

    assert state(planting, -4.0).share > state(planting).share > state(planting, 2.0).share


def test_without_any_weather_the_season_says_something_cautious_and_it_is_told(
    make: Factory,
) -> None:
    planting = make.planting(stage=kale(make))

    found = state(planting)

    assert found.share == pytest.approx(0.147, abs=0.01)
    assert found.is_uncertain
    assert state(planting, on=date(2026, 7, 1)).share == 0.0


def test_a_hole_of_a_week_is_told_and_a_missing_today_is_not(make: Factory) -> None:
    planting = make.planting(stage=kale(make))
    days((3.5, 6.0, 60), until=TODAY - timedelta(days=1))
    assert not state(planting).is_uncertain
    for back in range(5, 12):
        db.session.delete(db.session.get(DailyWeather, TODAY - timedelta(days=back)))
    db.session.commit()

    found = state(planting)

    assert found.is_uncertain
    assert found.share == pytest.approx(0.28, abs=0.03)


def test_what_somebody_said_holds_from_its_day_and_the_weather_moves_it_on(make: Factory) -> None:
    days((3.5, 6.0, 60))
    said_on = TODAY - timedelta(days=3)
    soft = make.planting(stage=kale(make), state_share=0.0, state_on=said_on)
    same_day = make.planting(stage=db.session.get(CropStage, soft.stage_id), state_share=1.0,
                             state_on=TODAY)  # fmt: skip

    found, today = state(soft), state(same_day)

    assert 0.1 < found.share < 0.25  # three cool days on
    assert found.by_weather == pytest.approx(0.28, abs=0.01)
    assert (today.share, today.by_weather) == (1.0, found.by_weather)


def test_what_the_weather_does_not_move_has_no_state(make: Factory) -> None:
    bean = make.planting(stage=make.stage("bean"))
    days((-5.0, 0.0, 60))

    assert state(bean) == FIXED
    today = hardened.today_in(plot_id=bean.plot_id, now=NOW)[bean.id]
    assert (today.is_moved, today.moved_k, today.is_uncertain) == (False, 0.0, False)
    assert hardened.today_in(plot_id=make.plot().id, now=NOW) == {}


def test_bearings_are_those_of_the_day(make: Factory) -> None:
    planting = make.planting(stage=kale(make))
    days((3.5, 6.0, 60))

    bearings = hardened.bearings_now([planting], on=TODAY)
    today = hardened.today_in(plot_id=planting.plot_id, now=NOW)[planting.id]

    assert bearings[planting.id].bears_c == pytest.approx(today.bears_c)
    assert today.bears_c == pytest.approx(-3.0 - 0.285 * 12.0 + 1.28, abs=0.1)
    assert hardened.bearings_now([], on=TODAY) == {}


def test_pots_remember_nights_of_frost_and_beds_do_not(make: Factory) -> None:
    shrub = make.stage("bay", root_kill_c=-5.0)
    small = make.planting(stage=shrub, in_pot=True, pot_l=0.7)
    big = make.planting(stage=shrub, in_pot=True, pot_l=40.0)
    bed = make.planting(stage=shrub)
    days((4.0, 7.0, 30), (-6.0, -4.0, 2))
    plantings = [small, big, bed]

    found = hardened.before_of(plantings, hardened.stages_of(plantings, on=TODAY), {}, on=TODAY)

    assert set(found) == {small.id, big.id}

    def ball_c(planting: Planting) -> float:
        roots = found[planting.id].roots
        assert roots is not None
        return roots.pot.temperature_c(roots.heat_j_l)

    assert ball_c(small) < -1.0
    assert ball_c(big) == 0.0


def test_cool_nights_are_counted_for_crops_that_chill(make: Factory) -> None:
    basil = make.planting(stage=make.stage("basil", chilling_c=6.0))
    days((12.0, 16.0, 30), (3.0, 8.0, 2))
    stages = hardened.stages_of([basil], on=TODAY)

    (before,) = hardened.before_of([basil], stages, {}, on=TODAY).values()

    assert before.roots is None
    assert 14.0 < before.chilled_h < 20.0


def test_shoots_in_bud_keep_what_they_had_and_only_soften(make: Factory) -> None:
    shoots = kale(make, hardens="moved")
    seen = make.planting(stage=shoots, stage_on=TODAY - timedelta(days=10))
    unsaid = make.planting(stage=shoots)
    days((3.5, 6.0, 60), (-3.0, 0.0, 10))

    kept, weeks = state(seen), state(unsaid)

    assert kept.share == pytest.approx(0.28, abs=0.01)  # the frost since then hardens no shoots
    assert weeks.share == pytest.approx(0.28, abs=0.01)  # nor what began some weeks ago
    days((9.0, 14.0, 9), until=TODAY + timedelta(days=9))
    assert state(seen, on=TODAY + timedelta(days=9)).share < kept.share
