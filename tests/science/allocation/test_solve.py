"""The allocation keeps every rule, finds the best of small gardens and says why not."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally, fill_greedily
from gardenapp.science.allocation.reasons import words_of
from gardenapp.science.allocation.solve import (
    FixedUse,
    Id,
    Problem,
    Treatment,
    solve,
)
from gardenapp.science.allocation.stopwatch import Stopwatch
from tests.bench.gardens import invented_garden
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

# --- the best of small gardens ------------------------------------------------------------


@PATIENT
@given(seed=st.integers(0, 1_000_000))
def test_small_gardens_get_the_best_there_is(seed: int) -> None:
    problem = tiny_garden(seed)

    answer = solve(problem, relative_gap=1e-9)

    check_rules(problem, answer)
    assert answer.objective == pytest.approx(EverythingTried(problem).best(), abs=1e-6)
    assert answer.method == "optimal"


@pytest.mark.outside("scipy.optimize.linear_sum_assignment")
@pytest.mark.parametrize("seed", range(12), ids=lambda seed: f"garden {seed}")
def test_one_plant_a_cover_agrees_with_an_assignment(seed: int) -> None:
    rng = np.random.default_rng(seed)
    number = int(rng.integers(3, 12))
    plantings = tuple(
        make_planting(id=i, count=1, worth=float(rng.uniform(0.5, 4)), bare_damage=0.9)
        for i in range(number)
    )
    pools = tuple(
        make_frame(id=f"bell {j}", inner_length_cm=30.0, inner_width_cm=30.0, is_rigid=False)
        for j in range(int(rng.integers(2, 12)))
    )
    damage: dict[tuple[Id, Id], float] = {
        (p.id, c.id): float(rng.uniform(0, 0.9)) for p in plantings for c in pools
    }
    gains = np.array([[p.worth * (0.9 - damage[p.id, c.id]) for c in pools] for p in plantings])
    rows, columns = linear_sum_assignment(gains, maximize=True)

    answer = solve(make_problem(plantings=plantings, pools=pools, damage=damage), relative_gap=1e-9)

    assert answer.objective == pytest.approx(float(gains[rows, columns].sum()), abs=1e-6)


# --- larger gardens -----------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2], ids=["first", "second"])
def test_middling_gardens_keep_the_rules_and_beat_greedy(seed: int) -> None:
    problem = invented_garden(
        plots=6, plantings=36, classes=6, covers=24, seed=seed, minutes_budget=60.0
    )
    greedy = fill_greedily(Tally(prepare(problem))).objective

    answer = solve(problem, time_limit_s=15.0, relative_gap=0.01)

    check_rules(problem, answer)
    assert answer.objective >= greedy - 1e-9
    assert answer.objective > 0
    assert answer.gap <= 0.05


def test_the_same_problem_gives_the_same_answer() -> None:
    problem = invented_garden(plots=4, plantings=16, classes=4, covers=12, seed=3)

    first, second = (solve(problem, time_limit_s=60.0, relative_gap=0.02) for _ in range(2))

    assert first.method == "optimal"
    assert first.uses == second.uses
    assert first.objective == second.objective


@PATIENT
@given(seed=st.integers(0, 1_000_000), more=st.integers(0, 1))
def test_another_cover_never_raises_the_expected_loss(seed: int, more: int) -> None:
    problem = replace(tiny_garden(seed), worth_per_minute=0.0)
    at = more % len(problem.pools)
    pools = list(problem.pools)
    pools[at] = replace(pools[at], count=pools[at].count + 1)

    before = solve(problem, relative_gap=1e-9)
    after = solve(replace(problem, pools=tuple(pools)), relative_gap=1e-9)

    assert after.objective >= before.objective - 1e-6


@PATIENT
@given(seed=st.integers(0, 1_000_000))
def test_it_is_never_worse_than_leaving_things_as_they_are_or_than_greedy(seed: int) -> None:
    problem = tiny_garden(seed)
    prepared = prepare(problem)

    answer = solve(problem)

    assert answer.objective >= prepared.fixed_objective - 1e-9
    assert answer.objective >= fill_greedily(Tally(prepared)).objective - 1e-6


# --- without a solver ---------------------------------------------------------------------


def test_tiny_gardens_are_not_empty_ones() -> None:
    used = Counter(
        use.treatment_id
        for seed in range(300)
        for use in solve(tiny_garden(seed)).uses
        if not use.is_fixed
    )

    assert min(used["c0"], used["c1"], used["stack"], used["shelter"]) >= 10


# --- single rules -------------------------------------------------------------------------


def test_fixed_uses_stay_as_they_are() -> None:
    kept = FixedUse("plot", "frame", ({"lettuce": 1},))
    problem = make_problem(
        plantings=(make_planting(count=2), make_planting(id="chilli", worth=50.0)),
        pools=(make_frame(),),
        fixed=(kept,),
    )

    answer = solve(problem)

    assert [(use.units, use.is_fixed) for use in answer.uses] == [(({"lettuce": 1},), True)]
    assert answer.minutes_used == 0
    assert answer.reasons["chilli"].code == "all_in_use"


def test_lent_covers_stay_on_their_owners_plots() -> None:
    plots = (make_plot(id="mine"), make_plot(id="other"))
    plantings = (
        make_planting(id="a", plot_id="mine", worth=0.5),
        make_planting(id="b", plot_id="other", worth=9.0),
    )
    lent = make_frame(allowed_plot_ids=frozenset(["mine"]))

    answer = solve(make_problem(plots=plots, plantings=plantings, pools=(lent,)))

    assert {use.plot_id for use in answer.uses} == {"mine"}
    assert words_of(answer.reasons["b"].code, answer.reasons["b"].params) == (
        "covers that would fit may only be used on their owner's plots"
    )


def test_a_stack_uses_a_cover_of_each_kind() -> None:
    sheet = make_frame(id="sheet", is_rigid=False, inner_height_cm=None)
    problem = make_problem(
        plantings=(make_planting(), make_planting(id="chilli", worth=0.1)),
        pools=(make_frame(), sheet),
        treatments=(Treatment("both", ("frame", "sheet")), Treatment("sheet", ("sheet",))),
        damage={("lettuce", "both"): 0.0, ("lettuce", "sheet"): 0.6, ("chilli", "sheet"): 0.1},
    )

    answer = solve(problem)

    assert answer.covered == {"lettuce": {"both": 4}}


def test_pots_go_to_shelter_up_to_its_spaces() -> None:
    problem = make_problem(
        plantings=(make_planting(is_movable_pot=True, count=5),),
        treatments=(Treatment("shed", ()),),
        shelter_spaces=3,
        shelter_minutes_per_pot=2.0,
    )

    answer = solve(problem)

    assert answer.covered == {"lettuce": {"shed": 3}}
    assert answer.minutes_used == 6.0
    assert (
        words_of(answer.reasons["lettuce"].code, answer.reasons["lettuce"].params)
        == "the shelter is full"
    )


def test_the_way_to_a_plot_is_counted_once() -> None:
    problem = make_problem(
        plots=(make_plot(minutes_away=5.0),),
        plantings=(make_planting(count=16),),
        pools=(make_frame(count=2),),
    )

    answer = solve(problem)

    assert answer.covered == {"lettuce": {"frame": 16}}
    assert answer.minutes_used == 5.0 + 2 * 2.0


def test_a_cover_that_does_harm_is_never_used() -> None:
    problem = make_problem(pools=(make_frame(),), damage={("lettuce", "frame"): 0.85})

    answer = solve(problem)

    assert answer.uses == ()
    assert (
        words_of(answer.reasons["lettuce"].code, answer.reasons["lettuce"].params)
        == "a cover would leave it no better than bare"
    )


def test_an_empty_garden_needs_nothing() -> None:
    answer = solve(Problem(plots=(), plantings=(), pools=(), treatments=(), damage={}))

    assert (answer.uses, answer.objective, answer.gap) == ((), 0.0, 0.0)
    assert answer.method == "optimal"


@pytest.mark.parametrize("plots", [20, 160], ids=["counted at once", "planned by plot"])
def test_the_time_limit_holds_in_large_gardens_too(plots: int) -> None:
    problem = invented_garden(plots=plots, plantings=3 * plots, classes=12, covers=3 * plots)
    greedy = fill_greedily(Tally(prepare(problem))).objective
    watch = Stopwatch(3.0)

    answer = solve(problem, time_limit_s=3.0, relative_gap=0.0)

    # Twice the limit: greedy and the reasons are not cut short, and the machine may be busy.
    assert watch.seconds() < 2 * 3.0 + 1.0
    check_rules(problem, answer)
    assert answer.objective >= greedy - 1e-6
    assert answer.method == "time limit"
