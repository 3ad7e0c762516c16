"""The replay gives the planner forecasts with real errors and judges it by what then came."""

from __future__ import annotations

import importlib.util
import math
import random
from dataclasses import replace
from pathlib import Path
from statistics import fmean
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.readers.climate import read_climate
from gardenapp.science.allocation.solve import solve
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import brier_score, reliability_table
from gardenapp.science.season.replay import (
    BARE,
    COOL_NIGHT_CLOUD,
    COOL_NIGHT_WIND_MPS,
    FORESIGHT,
    PLAN,
    POLICIES,
    ReplayResult,
    Truth,
    needed_factor,
    night_outlook,
    problem_of,
    replay,
    scaled,
)
from gardenapp.science.season.replay_forecasts import (
    ReplayNight,
)
from gardenapp.science.season.replay_garden import ReplayGarden
from gardenapp.science.season.replay_rules import Rule
from tests.science.season.replay_made import (
    FIRST,
    LOW_ERROR,
    SETTINGS,
    make_garden,
    make_nights,
    make_planting,
    make_pool,
)

# The hardy ones stand first and in other plots, so that order alone does not find the tender.
GARDEN = make_garden(
    make_planting(1, kill_c=-6.0, plot="A"),
    make_planting(2, kill_c=-2.0, plot="A"),
    make_planting(3, kill_c=-4.0, plot="B"),
    make_planting(4, kill_c=0.0, plot="C", worth=3.0),
    make_planting(5, kill_c=-1.0, plot="C"),
)


def run(garden: ReplayGarden, nights: tuple[ReplayNight, ...], **changes: object) -> ReplayResult:
    *_, last = replay(garden, nights, replace(SETTINGS, **changes))  # type: ignore[arg-type]
    assert last.result is not None
    return last.result


@pytest.fixture(scope="module")
def result() -> ReplayResult:
    return run(GARDEN, make_nights())


# --- the planner's numbers --------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    low_c=st.floats(-12, 8),
    colder_k=st.floats(0, 6),
    cloud=st.none() | st.floats(0, 1),
    wind=st.none() | st.floats(0, 12),
)
def test_a_colder_forecast_never_lowers_a_risk(
    low_c: float, colder_k: float, cloud: float | None, wind: float | None
) -> None:
    night = ReplayNight(FIRST, 0.0, FIRST, cloud_fraction=cloud, wind_mps=wind)
    bold = replace(SETTINGS, safe_below=0.0)

    warm = night_outlook(GARDEN, night, Estimate(low_c, LOW_ERROR), bold)
    cold = night_outlook(GARDEN, night, Estimate(low_c - colder_k, LOW_ERROR), bold)

    assert all(cold.bare[key] >= warm.bare[key] - 1e-12 for key in warm.bare)
    assert all(cold.covered[key] >= warm.covered[key] - 1e-12 for key in warm.covered)


def expected_loss(garden: ReplayGarden, low_c: float) -> float:
    night = ReplayNight(FIRST, low_c, FIRST, cloud_fraction=0.1, wind_mps=1.0)
    outlook = night_outlook(garden, night, Estimate(low_c, LOW_ERROR), SETTINGS)
    problem = problem_of(garden, outlook, gust_mps=None, safe_below=SETTINGS.safe_below)
    covered = solve(problem, time_limit_s=5.0, relative_gap=0.0).covered
    return sum(
        planting.need.worth
        * (
            planting.need.count * outlook.bare[planting.need.id]
            - sum(
                number
                * (outlook.bare[planting.need.id] - outlook.covered[planting.need.id, treatment])
                for treatment, number in covered.get(planting.need.id, {}).items()
            )
        )
        for planting in garden.plantings
    )


@settings(max_examples=15, deadline=None)
@given(low_c=st.floats(-6, 2), count=st.integers(0, 5))
def test_one_more_cover_never_raises_the_expected_loss(low_c: float, count: int) -> None:
    fewer = replace(GARDEN, pools=(make_pool(count=count),))
    more = replace(GARDEN, pools=(make_pool(count=count + 1),))

    assert expected_loss(more, low_c) <= expected_loss(fewer, low_c) + 1e-9


# --- the truth --------------------------------------------------------------------------------


def truth_of(garden: ReplayGarden, night: ReplayNight, seed: int) -> Truth:
    return Truth(garden, night, dict.fromkeys("ABC", 0.0), SETTINGS, random.Random(seed))


def test_what_comes_agrees_on_average_with_what_is_believed() -> None:
    night = ReplayNight(FIRST, -2.0, FIRST, cloud_fraction=0.3, wind_mps=2.0)
    planting = GARDEN.plantings[1]
    believed = night_outlook(GARDEN, night, Estimate(-2.0, 0.0), SETTINGS)

    bare, covered = [], []
    for seed in range(1500):
        rng = random.Random(seed)
        plots: dict[int | str, float] = {
            plot: rng.uniform(-math.sqrt(3), math.sqrt(3)) for plot in "ABC"
        }
        truth = Truth(GARDEN, night, plots, SETTINGS, rng)
        bare.append(truth.lost(planting, None))
        covered.append(truth.lost(planting, "box"))

    # The sky's errors are cut off at clear and at overcast, which the planner does not do.
    assert fmean(bare) == pytest.approx(believed.bare[2], abs=0.05)
    assert fmean(covered) == pytest.approx(believed.covered[2, "box"], abs=0.05)


def test_a_colder_night_never_hurts_less() -> None:
    for seed in range(20):
        warm = truth_of(GARDEN, ReplayNight(FIRST, -1.0, FIRST), seed)
        cold = truth_of(GARDEN, ReplayNight(FIRST, -3.0, FIRST), seed)
        for planting in GARDEN.plantings:
            for treatment in (None, "box"):
                assert cold.lost(planting, treatment) >= warm.lost(planting, treatment)


@pytest.mark.outside("TMY3 year of Greensboro, station 723170, in pvlib: nights with a low to 5 °C")
def test_the_skies_of_cool_nights_are_those_of_the_measured_year() -> None:
    found = importlib.util.find_spec("pvlib")
    if found is None or not found.submodule_search_locations:
        pytest.skip("pvlib, which carries the hourly TMY3 year, is not installed")
    path = Path(found.submodule_search_locations[0]) / "data" / "723170TYA.CSV"
    reading = read_climate(path.read_bytes(), time_zone=ZoneInfo("UTC"))
    cool = [night for night in reading.nights if night.low_c <= 5.0]

    clouds = [night.cloud_fraction or 0.0 for night in cool]
    winds = [night.wind_mps or 0.0 for night in cool]

    assert fmean(clouds) == pytest.approx(fmean(COOL_NIGHT_CLOUD), abs=0.03)
    assert fmean(winds) == pytest.approx(fmean(COOL_NIGHT_WIND_MPS), abs=0.15)


# --- covers in numbers ------------------------------------------------------------------------


def test_covers_are_multiplied_to_whole_covers() -> None:
    garden = replace(GARDEN, pools=(make_pool(count=3),))

    assert [scaled(garden, f).pools[0].count for f in (0.0, 0.5, 1.0, 2.5)] == [0, 2, 3, 8]
    with pytest.raises(OutOfRange):
        scaled(garden, -0.1)


@pytest.mark.parametrize(("mean_c", "in_danger"), [(-3.0, 5), (0.5, 4), (5.0, 3)])
def test_what_is_needed_covers_everything_in_danger_and_no_less_would(
    mean_c: float, in_danger: int
) -> None:
    nights = make_nights(60, mean_c=mean_c)
    garden = replace(GARDEN, pools=(make_pool(count=1),))

    factor = needed_factor(garden, nights, SETTINGS)

    # A box holds one planting, so there must be as many as are in danger on the middle night;
    # the factor is found to within 1/64 from above.
    assert scaled(garden, factor).pools[0].count == in_danger
    assert scaled(garden, factor - 1 / 64).pools[0].count == in_danger - 1


def test_nothing_in_danger_needs_no_more_covers_than_there_are() -> None:
    assert needed_factor(GARDEN, make_nights(mean_c=25.0), SETTINGS) == 1.0


# --- the whole replay -------------------------------------------------------------------------


def test_the_plan_stands_between_the_rules_and_foresight(result: ReplayResult) -> None:
    losses = {total.name: total.loss for total in result.totals}

    assert tuple(losses) == POLICIES
    assert losses[BARE] > max(losses[rule.value] for rule in Rule)
    assert losses[PLAN] < result.best_rule.loss
    # Foresight knows the low, not the sky and the plots, so one night's luck may favour the plan.
    assert losses[FORESIGHT] < losses[PLAN] * 1.05
    assert result.less_lost_than_best_rule == pytest.approx(
        1.0 - losses[PLAN] / result.best_rule.loss
    )


def test_a_replay_is_the_same_again_with_the_same_seed(result: ReplayResult) -> None:
    again = run(GARDEN, make_nights())
    other = run(GARDEN, make_nights(), seed=2)

    assert result.cut_nights == 0
    assert again == result
    assert other.totals != result.totals


def test_progress_is_told_after_every_night_and_can_be_broken_off() -> None:
    steps = replay(GARDEN, make_nights(), SETTINGS)

    first, second = next(steps), next(steps)

    assert (first.done, second.done, first.total) == (1, 2, 60)
    assert second.result is None
    steps.close()  # type: ignore[attr-defined]


def test_a_warm_record_hurts_nothing_and_is_not_planned(result: ReplayResult) -> None:
    warm = run(GARDEN, make_nights(mean_c=30.0))

    assert warm.risky_nights == 0
    assert sum(total.loss for total in warm.totals) == pytest.approx(0.0, abs=1e-9)
    assert warm.less_lost_than_best_rule is None or warm.best_rule.loss < 1e-9
    assert warm.share_of_foresight is None
    assert not warm.damage.said


def test_no_covers_save_nothing() -> None:
    bare = run(scaled(GARDEN, 0.0), make_nights())

    assert {round(total.loss, 9) for total in bare.totals} == {round(bare.total(BARE).loss, 9)}
    assert all(total.minutes == 0.0 for total in bare.totals)


def test_a_garden_with_nothing_in_it_is_refused() -> None:
    with pytest.raises(OutOfRange, match="no plantings"):
        next(replay(replace(GARDEN, plantings=()), make_nights(), SETTINGS))


def test_a_policy_that_is_not_there_is_refused(result: ReplayResult) -> None:
    with pytest.raises(OutOfRange, match="must be one of"):
        result.total("luck")


def test_odds_of_a_long_record_come_about_as_often_as_was_said() -> None:
    nights = make_nights(400, mean_c=-1.0)
    damage_said: list[float] = []
    damage_came: list[bool] = []
    for seed in range(3):
        outcome = run(scaled(GARDEN, 0.0), nights, seed=seed)
        damage_said += outcome.damage.said
        damage_came += outcome.damage.came

    rows = [r for r in reliability_table(damage_said, damage_came, bands=10) if r.count >= 200]
    usual = fmean(damage_came)

    assert len(rows) >= 5
    # Three draws of forecasts leave chance in each band: looser than the bench's five points.
    assert all(abs(r.observed_fraction - r.mean_probability) < 0.10 for r in rows)
    assert brier_score(damage_said, damage_came) < 0.8 * usual * (1 - usual)
