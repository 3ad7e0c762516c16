"""Each way of solving is taken where it is meant to be, and says what it did."""

from __future__ import annotations

import pytest

from gardenapp.science.allocation import solve as allocation
from gardenapp.science.allocation.problem import Problem
from gardenapp.science.allocation.solve import Progress, solve
from tests.science.allocation.gardens_made import (
    check_rules,
    make_frame,
    make_planting,
    make_plot,
    make_problem,
)


def greedy_is_wrong() -> Problem:
    """Six minutes: one slow frame saves 7.0 in all of them, two quick ones 5.6 each in three."""
    return make_problem(
        plots=(make_plot(id="far"), make_plot(id="near")),
        plantings=(
            make_planting(id="melon", plot_id="far", count=10, spread_cm=20.0),
            make_planting(id="kale", plot_id="near", count=16),
        ),
        pools=(make_frame(id="slow", minutes=6.0), make_frame(id="quick", count=2, minutes=3.0)),
        damage={("melon", "slow"): 0.1, ("kale", "quick"): 0.1},
        minutes_budget=6.0,
    )


def stages_of(problem: Problem, *, relative_gap: float = 0.005) -> tuple[list[str], float]:
    answer = solve(problem, relative_gap=relative_gap)
    check_rules(problem, answer)
    assert answer.method == "optimal"
    return [stage.name for stage in answer.stages], answer.objective


def test_a_small_garden_goes_to_one_exact_program() -> None:
    names, objective = stages_of(greedy_is_wrong())

    assert names == ["greedy", "exact contents"]
    assert objective == pytest.approx(16 * 0.7)


def test_a_larger_one_is_planned_plot_by_plot(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(allocation, "MOST_LISTED", 0)

    names, objective = stages_of(greedy_is_wrong())

    assert names[:2] == ["greedy", "relaxed"]
    assert "exact contents" not in names
    assert objective == pytest.approx(16 * 0.7)


def test_as_many_contents_as_are_allowed_go_to_the_exact_program(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    problem = greedy_is_wrong()
    listed = int(solve(problem).stages[-1].note.split()[0])

    monkeypatch.setattr(allocation, "MOST_LISTED", listed)
    assert stages_of(problem)[0][1] == "exact contents"
    monkeypatch.setattr(allocation, "MOST_LISTED", listed - 1)
    assert stages_of(problem)[0][1] == "relaxed"


def test_what_each_stage_found_is_told() -> None:
    told: list[Progress] = []
    greedy, exact = solve(greedy_is_wrong(), tell=told.append).stages

    # What saves most a minute: the two quick frames, not the slow one that saves most.
    assert greedy.objective == pytest.approx(16 * 0.7)
    assert greedy.bound is not None and greedy.bound >= 16 * 0.7
    assert (exact.objective, exact.bound) == (
        pytest.approx(16 * 0.7), pytest.approx(16 * 0.7),
    )  # fmt: skip
    assert 0.0 <= greedy.seconds <= exact.seconds
    assert [step.objective for step in told] == [greedy.objective, exact.objective]
    assert told[-1].gap == pytest.approx(0.0, abs=0.005)


def test_a_gap_that_was_asked_for_is_enough() -> None:
    problem = greedy_is_wrong()

    assert solve(problem, relative_gap=0.005).gap == pytest.approx(0.0, abs=0.005)
    assert solve(problem, relative_gap=0.5).method == "optimal"


def test_without_anything_to_do_the_answer_is_proven_at_once() -> None:
    answer = solve(make_problem(pools=(make_frame(count=0),)))

    assert (answer.objective, answer.bound, answer.gap) == (0.0, 0.0, 0.0)
    assert answer.method == "optimal"
    assert [stage.name for stage in answer.stages] == ["greedy"]
