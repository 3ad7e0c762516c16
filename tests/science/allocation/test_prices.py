"""Planning plot by plot at prices keeps the rules, and its bound holds."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gardenapp.science.allocation import prices
from gardenapp.science.allocation import solve as allocation
from gardenapp.science.allocation.fit import Prepared, prepare
from gardenapp.science.allocation.greedy import Tally, fill_greedily
from gardenapp.science.allocation.prices import PlotPlans, plans_of
from gardenapp.science.allocation.program import Prices, SolverFailed
from gardenapp.science.allocation.solve import solve
from tests.science.allocation.gardens_made import (
    PATIENT,
    EverythingTried,
    check_rules,
    make_frame,
    make_planting,
    make_plot,
    make_problem,
    tiny_garden,
)


@PATIENT
@given(seed=st.integers(0, 1_000_000))
def test_the_way_for_large_gardens_keeps_rules_and_bound_on_small_ones(seed: int) -> None:
    problem = tiny_garden(seed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(allocation, "list_contents", lambda prepared: None)

        answer = solve(problem, relative_gap=1e-9)

    check_rules(problem, answer)
    best = EverythingTried(problem).best()
    assert answer.objective <= best + 1e-6
    assert answer.bound >= best - 1e-6


@settings(PATIENT, max_examples=60)
@given(seed=st.integers(0, 1_000_000))
def test_no_garden_is_worth_more_than_the_bound_at_any_prices(seed: int) -> None:
    problem = tiny_garden(seed)
    prepared = prepare(problem)
    best = EverythingTried(problem).best()
    now = fill_greedily(Tally(prepared))

    plans = PlotPlans(prepared, now, lambda: 60.0)

    bounds = [plans.bound]
    plans.beam_round()
    for _ in range(3):
        plans.exact_round(now.objective, 0.0)
        bounds.append(plans.bound)
        plans.shaken_round()
        plans.new_prices()
    chosen = plans.choose(now, seconds=10.0, relative_gap=0.0)

    assert min(bounds) >= best - 1e-6
    assert bounds == sorted(bounds, reverse=True)
    assert now.objective - 1e-9 <= chosen.objective <= best + 1e-6


@settings(PATIENT, max_examples=60)
@given(seed=st.integers(0, 1_000_000))
def test_an_allocation_taken_apart_by_plots_adds_up_to_itself(seed: int) -> None:
    prepared = prepare(tiny_garden(seed))
    whole = fill_greedily(Tally(prepared))

    plans = plans_of(prepared, whole)

    assert len({plan.plot_id for plan in plans}) == len(plans)
    assert prepared.fixed_objective + sum(plan.worth for plan in plans) == pytest.approx(
        whole.objective, abs=1e-9
    )
    assert sum(plan.minutes for plan in plans) == pytest.approx(whole.minutes)
    assert sum(plan.spaces for plan in plans) == prepared.free_spaces - whole.spaces
    for pool_id, free in prepared.free_covers.items():
        used = sum(number for plan in plans for pool, number in plan.covers if pool == pool_id)
        assert used == free - whole.covers[pool_id]


def test_the_same_plan_is_kept_once_and_one_worth_nothing_never() -> None:
    prepared = prepare(make_problem(pools=(make_frame(),)))
    plans = PlotPlans(prepared, Tally(prepared), lambda: 60.0)
    (plan,) = plans_of(prepared, fill_greedily(Tally(prepared)))

    assert plans.add(plan)
    assert not plans.add(plan)
    assert not plans.add(replace(plan, worth=0.0, covers=()))
    assert plans.plans == [plan]


def test_a_plan_says_what_it_takes_and_what_it_is_worth() -> None:
    problem = make_problem(
        plots=(make_plot(minutes_away=3.0),),
        plantings=(make_planting(count=12),),
        pools=(make_frame(count=5),),
        worth_per_minute=0.1,
    )
    prepared = prepare(problem)

    (plan,) = plans_of(prepared, fill_greedily(Tally(prepared)))

    assert plan.plot_id == "plot"
    assert (plan.covers, plan.spaces, plan.minutes) == ((("frame", 2),), 0, 7.0)
    assert plan.worth == pytest.approx(12 * 0.7 - 0.1 * 7.0)


def two_plots() -> Prepared:
    """One frame for two plots: over the melon it saves 0.7 · 9 · 4 = 25.2, over the cress 2.8."""
    return prepare(
        make_problem(
            plots=(make_plot(id="lesser"), make_plot(id="dear")),
            plantings=(
                make_planting(id="cress", plot_id="lesser"),
                make_planting(id="melon", plot_id="dear", worth=9.0),
            ),
            pools=(make_frame(),),
        )
    )


def test_what_everything_costs_at_its_prices_bounds_the_whole() -> None:
    prepared = two_plots()
    plans = PlotPlans(prepared, Tally(prepared), lambda: 60.0)

    plans.prices = Prices(covers={"frame": 10.0})
    fresh = plans.exact_round(0.0, 0.0)

    # At that price only the melon pays: its plan is worth 15.2 more than the frame's 10.
    assert fresh == 1
    assert [plan.plot_id for plan in plans.plans] == ["dear"]
    assert plans.bound <= 25.2 + 1e-6
    chosen = plans.choose(Tally(prepared), seconds=10.0, relative_gap=0.0)
    assert chosen.objective == pytest.approx(25.2)


def test_a_plot_without_an_answer_is_worth_all_that_it_could_be(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    prepared = two_plots()
    plans = PlotPlans(prepared, Tally(prepared), lambda: 60.0)
    plans.bound = plans._bound_at_prices = 99.0
    plans.prices = Prices()

    def refused(*_arguments: object, **_named: object) -> None:
        raise SolverFailed("not today")

    monkeypatch.setattr(prices, "counts_program", refused)

    plans.exact_round(0.0, 0.0)

    assert plans.bound == pytest.approx(25.2 + 2.8)


def test_without_time_no_bound_is_claimed() -> None:
    prepared = two_plots()
    left = [60.0]
    plans = PlotPlans(prepared, Tally(prepared), lambda: left[0])
    plans.bound = plans._bound_at_prices = 99.0
    left[0] = 0.0

    assert plans.exact_round(0.0, 0.0) == 0
    assert plans.beam_round() == 0
    assert plans.bound == 99.0


def test_the_next_prices_go_a_quarter_of_the_way_from_the_best() -> None:
    prepared = two_plots()
    (melon,) = plans_of(prepared, fill_greedily(Tally(prepared)))
    plans = PlotPlans(prepared, Tally(prepared), lambda: 60.0)
    plans.add(melon)
    plans.add(replace(melon, plot_id="lesser", worth=2.8))
    plans._best_prices = Prices(covers={"frame": 4.0}, space=8.0, minute=2.0)

    plans.new_prices()

    # One more frame would go to the lesser plot, for 2.8; more space or time would do nothing.
    assert plans.prices.covers["frame"] == pytest.approx(0.25 * 2.8 + 0.75 * 4.0)
    assert (plans.prices.space, plans.prices.minute) == (6.0, 1.5)
