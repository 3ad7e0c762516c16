"""What a night's truth is made of, who comes first by each rule, and what a result is worth."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.allocation.problem import Treatment
from gardenapp.science.covers.lift import LiftPrior, lift_tonight
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import leaf_k, plant_air_k, radiative_share, share_of
from gardenapp.science.season import replay as replaying
from gardenapp.science.season.replay import (
    BARE,
    FORESIGHT,
    PLAN,
    Odds,
    PolicyTotal,
    ReplayResult,
    ReplaySettings,
    Truth,
    night_outlook,
    problem_of,
    scaled,
    warmth_of,
)
from gardenapp.science.season.replay_forecasts import ReplayNight, SimulatedForecasts
from gardenapp.science.season.replay_garden import ReplayTreatment
from gardenapp.science.season.replay_rules import Rule
from tests.science.season.replay_made import (
    FIRST,
    make_garden,
    make_nights,
    make_planting,
    make_pool,
)

CERTAIN = ReplayTreatment(
    Treatment("roof", ("box",)),
    LiftPrior(Estimate(4.0, 0.0), Estimate(2.0, 0.0), 0.75),
)


class Middle(random.Random):
    """Draws the middle of every range, so that a truth is what is believed on average."""

    def uniform(self, a: float, b: float) -> float:
        return (a + b) / 2.0


class Upper(random.Random):
    """Draws the upper end of every range."""

    def uniform(self, a: float, b: float) -> float:
        return b


def night(**changes: float) -> ReplayNight:
    return ReplayNight(FIRST, -2.0, FIRST, **({"cloud_fraction": 0.5, "wind_mps": 1.0} | changes))


def truth(rng: random.Random, *, is_draped: bool = False, draw: float = 0.0) -> Truth:
    garden = make_garden(make_planting(1, kill_c=-3.0))
    garden = replace(garden, treatments=(replace(CERTAIN, is_draped=is_draped),))
    return Truth(garden, night(), {"A": draw}, ReplaySettings(), rng)


def test_on_average_what_comes_is_what_is_believed() -> None:
    planting = make_planting(1, kill_c=-3.0)
    came = truth(Middle())
    share = radiative_share(cloud_fraction=0.5, wind_mps=1.0).mean
    whole = Estimate(1.0, 0.0)
    air_c = -2.0 + share * plant_air_k(whole, 0.2).mean
    leaf = share * leaf_k(whole).mean
    lift = lift_tonight(CERTAIN.lift, Estimate(share, 0.0)).mean

    assert came.share == pytest.approx(share)
    bare, under = came.lost(planting, None), came.lost(planting, "roof")
    assert bare == pytest.approx(planting.bearing.harm.share_at(air_c + leaf))
    assert under == pytest.approx(planting.bearing.harm.share_at(air_c + lift + leaf * 0.25))
    assert 0.0 < under < bare < 1.0
    draped = truth(Middle(), is_draped=True).lost(planting, "roof")
    assert draped == pytest.approx(0.15 * bare + 0.85 * under)


def test_a_warmer_plot_than_believed_loses_less_by_its_own_spread() -> None:
    planting = make_planting(1, kill_c=-3.0)  # offset 0 ± 0.5 K

    usual, warm = truth(Middle()), truth(Middle(), draw=1.5)

    moved = replace(planting, offset=Estimate(0.75, 0.0))
    assert warm.lost(planting, None) == pytest.approx(usual.lost(moved, None))
    assert warm.lost(planting, None) < usual.lost(planting, None)


def test_the_sky_errs_both_ways_so_that_on_average_it_is_what_was_said() -> None:
    garden = make_garden(make_planting(1, kill_c=-3.0))
    clear, closed = night(cloud_fraction=0.0, wind_mps=0.0), night(cloud_fraction=1.0)

    def share(of: ReplayNight, rng: random.Random) -> float:
        return Truth(garden, of, {"A": 0.0}, ReplaySettings(), rng).share

    # Open 1 ± 0.2, still 1 ± 0.14, and what a closed sky leaves.
    assert share(clear, Upper()) == pytest.approx(share_of(1.2 * 1.14, 1.0))
    assert share(clear, Middle()) == pytest.approx(1.0)
    assert share(closed, Middle()) == pytest.approx(share_of(0.0, 1.0))


def test_lifts_spread_flat_about_what_is_believed() -> None:
    planting = make_planting(1, kill_c=-3.0)
    loose = replace(CERTAIN, lift=LiftPrior(Estimate(4.0, 1.0), Estimate(2.0, 1.0), 0.75))
    garden = replace(make_garden(planting), treatments=(loose,))
    clear = night(cloud_fraction=0.0, wind_mps=0.0)

    came = Truth(garden, clear, {"A": 0.0}, ReplaySettings(), Upper())

    # Half the width of a flat spread with deviation 1 is the root of three.
    far = 3.0**0.5
    share = share_of(1.2 * 1.14, 1.0)
    air, leaf = plant_air_k(Estimate(share, 0.0), 0.2), leaf_k(Estimate(1.0, 0.0))
    air_c = -2.0 + air.mean + far * air.sd
    leaf_c = share * (leaf.mean + far * leaf.sd)
    lift = share * (4.0 + far) + (1.0 - share) * (2.0 + far)
    expected = planting.bearing.harm.share_at(air_c + lift + 0.25 * leaf_c)
    assert came.lost(planting, "roof") == pytest.approx(expected)


def test_treatments_are_worked_out_for_plantings_in_danger_alone() -> None:
    garden = make_garden(make_planting(1, kill_c=-1.0), make_planting(2, kill_c=-30.0))

    seen = night_outlook(garden, night(), Estimate(-2.0, 0.0), ReplaySettings())

    assert set(seen.bare) == {1, 2}
    assert set(seen.covered) == {(1, "box")}
    assert seen.covered[1, "box"] < seen.bare[1]
    assert seen.bare[2] < 0.05


def test_a_planting_that_is_safe_asks_for_nothing() -> None:
    garden = make_garden(make_planting(1, kill_c=-1.0), make_planting(2, kill_c=-1.0))
    seen = replaying.Outlook({1: 0.05, 2: 0.049}, {(1, "box"): 0.0})

    problem = problem_of(garden, seen, gust_mps=7.0, safe_below=0.05)

    assert [need.bare_damage for need in problem.plantings] == [0.05, 0.0]
    assert (problem.gust_mps, problem.damage) == (7.0, {(1, "box"): 0.0})
    assert problem.pools == garden.pools


@pytest.mark.parametrize(
    ("count", "factor", "expected"), [(3, 0.5, 2), (3, 0.4, 1), (1, 0.49, 0), (2, 1000.0, 2000)]
)
def test_covers_are_multiplied_to_the_nearest_whole_cover(
    count: int, factor: float, expected: int
) -> None:
    garden = make_garden(make_planting(1, kill_c=-1.0), pools=(make_pool("box", count),))

    assert scaled(garden, factor).pools[0].count == expected
    for bad in (-0.1, 1000.1):
        with pytest.raises(OutOfRange, match=f"factor must be 0 to 1000, not {bad}"):
            scaled(garden, bad)


def test_shelter_is_thought_warmest_and_a_shade_is_worth_what_leaves_fall() -> None:
    garden = make_garden(make_planting(1, kill_c=-1.0))
    shelter = ReplayTreatment(Treatment("in", ()), CERTAIN.lift)
    garden = replace(garden, treatments=(CERTAIN, shelter))
    fall_k = -leaf_k(Estimate(1.0, 0.0)).mean

    assert fall_k > 0.0
    assert warmth_of(garden) == {
        "roof": pytest.approx(4.0 + 0.75 * fall_k), "in": float("inf"),
    }  # fmt: skip


def result(**losses: float) -> ReplayResult:
    names = {"bare": BARE, "plan": PLAN, "foresight": FORESIGHT} | {
        rule.name.lower(): rule.value for rule in Rule
    }
    usual = {"bare": 10.0, "plan": 4.0, "foresight": 2.0, "all_below": 7.0, "tender_first": 5.0,
             "first_come": 6.0}  # fmt: skip
    nothing = Odds((), ())
    return ReplayResult(
        nights=1, frosts=1, risky_nights=1, missed_nights=0, cut_nights=0,
        totals=tuple(
            PolicyTotal(names[name], loss, loss, 0.0, 1) for name, loss in (usual | losses).items()
        ),
        lines=(), damage=nothing, lows=nothing, low_marks_c=(),
        forecasts=SimulatedForecasts((), 1.0, 1.0, 1.0), errors_from="persistence",
    )  # fmt: skip


def test_the_plan_is_set_against_the_best_rule_and_against_foresight() -> None:
    usual = result()

    assert usual.best_rule.name == "most tender first"
    assert usual.less_lost_than_best_rule == pytest.approx(0.2)
    assert usual.share_of_foresight == pytest.approx(0.75)
    assert usual.total(BARE).loss == 10.0


def test_where_nothing_can_be_lost_or_saved_no_share_is_told() -> None:
    assert result(tender_first=0.0).less_lost_than_best_rule is None
    assert result(foresight=10.0).share_of_foresight is None
    assert result(foresight=10.0 - 0.9e-9).share_of_foresight is None
    with pytest.raises(OutOfRange, match="name must be one of nothing covered, everything below"):
        usual = result()
        usual.total("luck")


def test_odds_that_nobody_is_told_are_not_scored() -> None:
    scores = replaying._Scores()
    for probability in (0.0099, 0.01, 0.5, 0.99, 0.9901):
        scores.add(probability, True)

    assert scores.odds() == Odds((0.01, 0.5, 0.99), (True, True, True))


def test_the_skies_of_records_without_any_are_tenths_of_a_measured_year() -> None:
    for tenths in (replaying.COOL_NIGHT_CLOUD, replaying.COOL_NIGHT_WIND_MPS):
        assert len(tenths) == 10
        assert list(tenths) == sorted(tenths)
    assert replaying.MARKS_C == (2.0, 0.0, -2.0, -4.0)
    assert date(2026, 1, 1) == FIRST


def test_a_rule_s_nights_minutes_and_losses_are_added_up_over_the_record() -> None:
    # One planting of four under one box, which is put on in a minute.
    planting = make_planting(1, kill_c=-2.5, worth=2.5)
    garden = make_garden(planting, pools=(make_pool("box", 1),))
    nights = make_nights(30, mean_c=1.0)

    *before, last = replaying.replay(garden, nights, ReplaySettings(time_limit_s=1.0))

    assert [progress.done for progress in before] == list(range(1, 30))
    assert {progress.result for progress in before} == {None}
    assert last.result is not None
    found = last.result
    below = sum(line.forecast_c < 2.0 for line in found.lines)
    # Two kelvins above where its first harm begins.
    near = sum(line.forecast_c <= planting.threshold_c + 2.0 for line in found.lines)
    assert 0 < near < below < 30
    for rule, count in ((Rule.ALL_BELOW, below), (Rule.TENDER_FIRST, near),
                        (Rule.FIRST_COME, near)):  # fmt: skip
        total = found.total(rule.value)
        assert (total.nights, total.minutes) == (count, float(count))
    for total in found.totals:
        assert total.loss == pytest.approx(sum(line.losses[total.name] for line in found.lines))
        assert total.loss == pytest.approx(2.5 * total.plants)
    bare = found.total(BARE)
    assert (bare.nights, bare.minutes) == (0, 0.0)
    assert bare.loss >= max(total.loss for total in found.totals)
    assert found.frosts == sum(night.low_c < 0.0 for night in nights)
    assert (found.nights, len(found.lines)) == (30, 30)
