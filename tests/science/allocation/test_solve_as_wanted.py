"""What a coordinator wants of a plan: beds kept apart, no strays, no walk for next to nothing."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from gardenapp.science.allocation import solve as allocation
from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally, fill_greedily
from gardenapp.science.allocation.problem import Allocation, Problem
from gardenapp.science.allocation.program import SolverFailed
from gardenapp.science.allocation.solve import first_answer, solve
from tests.bench.gardens import invented_garden
from tests.science.allocation.gardens_made import (
    PATIENT,
    check_rules,
    make_frame,
    make_planting,
    make_plot,
    make_problem,
    tiny_garden,
)


def three_beds(**changes: object) -> Problem:
    """Two parsley, one corn salad and 39 garlic, which one wide frame could stand over."""
    beds = changes.pop("beds", ("parsley", "corn salad", "garlic"))
    counts = (2, 1, 39)
    plantings = tuple(
        make_planting(id=name, count=count, spread_cm=10.0, bed=bed)
        for name, count, bed in zip(
            ("parsley", "corn salad", "garlic"),
            counts,
            beds,
            strict=True,  # type: ignore[call-overload]
        )
    )
    return replace(
        make_problem(plots=(make_plot(),), plantings=plantings, pools=(make_frame(count=1),)),
        **changes,  # type: ignore[arg-type]
    )


def together_under(answer: Allocation) -> list[set[object]]:
    return [set(unit) for use in answer.uses for unit in use.units]


@pytest.mark.parametrize("way", [solve, first_answer])
def test_one_cover_stands_over_one_bed(way: object) -> None:
    mixed = way(three_beds(beds=(None, None, None)))  # type: ignore[operator]
    apart = way(three_beds())  # type: ignore[operator]

    assert together_under(mixed) == [{"parsley", "corn salad", "garlic"}]
    assert together_under(apart) == [{"garlic"}]


@settings(PATIENT, max_examples=40)
@given(seed=st.integers(0, 1_000_000))
def test_no_garden_mixes_beds(seed: int) -> None:
    problem = tiny_garden(seed)
    apart = replace(
        problem,
        plantings=tuple(replace(planting, bed=planting.id) for planting in problem.plantings),
        fixed=(),
    )
    answer = solve(apart)
    check_rules(apart, answer)
    shelters = {t.id for t in apart.treatments if t.is_shelter}
    for use in answer.uses:
        if use.treatment_id not in shelters:
            assert all(len(unit) == 1 for unit in use.units)


def wanted(seed: int) -> Problem:
    garden = invented_garden(plots=12, plantings=84, classes=8, covers=60, seed=seed)
    beds = tuple(replace(planting, bed=planting.id) for planting in garden.plantings)
    return replace(garden, plantings=beds, least_gain=0.5, least_share=0.25)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("way", [solve, first_answer])
def test_nobody_is_sent_for_little_or_for_a_stray(seed: int, way: object) -> None:
    problem = wanted(seed)
    answer: Allocation = way(problem)  # type: ignore[operator]
    check_rules(problem, answer)
    worth = {planting.id: planting for planting in problem.plantings}
    jobs: Counter[tuple[object, object, object]] = Counter()
    parts: dict[object, Counter[object]] = {}
    for use in answer.uses:
        for unit in use.units:
            for planting_id, plants in unit.items():
                planting = worth[planting_id]
                saved = planting.bare_damage - problem.damage[planting_id, use.treatment_id]
                in_bed: object = None if use.treatment_id == "shelter" else planting.bed
                jobs[use.plot_id, use.treatment_id, in_bed] += plants * saved * planting.worth  # type: ignore[assignment]
                parts.setdefault(planting_id, Counter())[use.treatment_id] += plants
    assert jobs and min(jobs.values()) >= 0.5 - 1e-6
    for planted, here in parts.items():
        if len(here) > 1:
            assert min(here.values()) >= 0.25 * worth[planted].count  # type: ignore[index]


def test_a_planting_is_not_split_thirty_and_one() -> None:
    problem = make_problem(
        plots=(make_plot(),),
        plantings=(make_planting(id="kale", count=31, spread_cm=20.0),),
        pools=(
            make_frame(id="long", inner_length_cm=120.0, inner_width_cm=100.0),
            make_frame(id="bell", inner_length_cm=25.0, inner_width_cm=25.0, count=3),
        ),
    )

    assert solve(problem).covered["kale"] == {"long": 30, "bell": 1}
    assert solve(replace(problem, least_share=0.25)).covered["kale"] == {"long": 30}


def test_minutes_that_are_scarce_go_where_they_save_most() -> None:
    garden = invented_garden(
        plots=40, plantings=280, classes=12, covers=200, seed=3, minutes_budget=120.0
    )

    prepared = prepare(garden)
    by_worth = fill_greedily(Tally(prepared))
    first, best = first_answer(garden), solve(garden, time_limit_s=60.0, relative_gap=0.02)

    assert first.minutes_used <= 120.0 + 1e-6
    assert best.gap <= 0.02
    behind, was_behind = (
        1 - each / best.objective for each in (first.objective, by_worth.objective)
    )
    assert behind < 0.2 < 0.9 * was_behind


@pytest.mark.outside("scipy.optimize.linear_sum_assignment (modified Jonker-Volgenant)")
@pytest.mark.parametrize("seed", range(6))
def test_where_each_cover_holds_one_planting_it_is_an_assignment(seed: int) -> None:
    rng = np.random.default_rng(seed)
    plants, covers = 14, 9
    gains = rng.uniform(0.05, 0.75, size=(plants, covers))
    problem = make_problem(
        plots=tuple(make_plot(id=f"plot {n}") for n in range(plants)),
        plantings=tuple(
            make_planting(id=f"p{n}", plot_id=f"plot {n}", count=1) for n in range(plants)
        ),
        pools=tuple(
            make_frame(id=f"c{n}", inner_length_cm=30.0, inner_width_cm=30.0, minutes=0.0)
            for n in range(covers)
        ),
        damage={
            (f"p{i}", f"c{j}"): 0.8 - gains[i, j] for i in range(plants) for j in range(covers)
        },
    )
    rows, columns = linear_sum_assignment(gains, maximize=True)

    answer = solve(problem, relative_gap=1e-6)

    assert answer.objective == pytest.approx(gains[rows, columns].sum(), rel=1e-5)
    assert first_answer(problem).objective <= answer.objective + 1e-9


# Begun from a plan that was


def test_what_of_a_start_can_still_be_done_stays() -> None:
    problem = invented_garden(plots=12, plantings=84, classes=8, covers=60, seed=5)
    before = solve(problem, relative_gap=0.02)
    gone = problem.plantings[10].id
    fewer = replace(
        problem,
        plantings=tuple(p for p in problem.plantings if p.id != gone),
        damage={key: share for key, share in problem.damage.items() if key[0] != gone},
    )

    after = first_answer(fewer, start=before.uses)

    check_rules(fewer, after)
    kept = [(use.plot_id, use.treatment_id) for use in after.uses]
    lost = [
        use
        for use in before.uses
        if (use.plot_id, use.treatment_id) not in kept and not any(gone in u for u in use.units)
    ]
    assert lost == []
    assert after.objective >= first_answer(fewer).objective - 1e-9


def test_a_start_that_is_better_than_greedy_is_where_the_search_begins() -> None:
    problem = invented_garden(plots=12, plantings=84, classes=8, covers=60, seed=5)
    best = solve(problem, relative_gap=0.01)

    again = solve(problem, time_limit_s=1e-3, start=best.uses)

    assert again.objective >= best.objective - 1e-6
    assert first_answer(problem).objective < best.objective


def test_without_a_solver_there_is_a_plan_and_how_far_off_it_may_be(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def missing(*_given: object, **_named: object) -> None:
        raise SolverFailed("highspy cannot be imported")

    problem = invented_garden(plots=12, plantings=84, classes=8, covers=60, seed=5)
    best = solve(problem, relative_gap=0.01)
    monkeypatch.setattr("gardenapp.science.allocation.program.new_solver", missing)
    monkeypatch.setattr(allocation, "improve", missing)

    answer = solve(problem)

    check_rules(problem, answer)
    assert answer.method == "greedy"
    assert answer.objective > 0.7 * best.objective
    assert answer.bound >= best.objective
    assert answer.gap == pytest.approx((answer.bound - answer.objective) / answer.bound)
