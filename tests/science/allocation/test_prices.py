"""Planning plot by plot at prices keeps the rules, and its bound holds."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gardenapp.science.allocation import solve as allocation
from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally, fill_greedily
from gardenapp.science.allocation.prices import PlotPlans, plans_of
from gardenapp.science.allocation.solve import solve
from tests.science.allocation.gardens_made import (
    PATIENT,
    EverythingTried,
    check_rules,
    make_frame,
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
    for _ in range(3):
        plans.price_round()
        bounds.append(plans.bound)
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
