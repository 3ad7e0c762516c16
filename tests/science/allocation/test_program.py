"""The solver is not believed where it contradicts itself or was stopped."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from gardenapp.science.allocation import program
from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally, fill_greedily
from gardenapp.science.allocation.solve import (
    solve,
)
from tests.bench.gardens import invented_garden
from tests.science.allocation.gardens_made import (
    EverythingTried,
    make_frame,
    make_planting,
    make_problem,
    tiny_garden,
)


def test_a_solver_answer_that_cannot_be_is_asked_for_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # HiGHS 1.16.0 called a program infeasible that allows placing nothing.
    asked: list[str] = []
    ask = program._run_once

    def wrong_with_presolve(*arguments: Any) -> program.Solved | None:
        asked.append(arguments[-1])
        return None if arguments[-1] == "on" else ask(*arguments)

    monkeypatch.setattr(program, "_run_once", wrong_with_presolve)

    answer = solve(make_problem(pools=(make_frame(),)))

    assert asked == ["on", "off"]
    assert answer.method == "optimal"


def test_a_garden_on_which_the_solver_miscounted_gets_its_best() -> None:
    # With this start HiGHS 1.16.0 called 3.575 optimal and reported it as 4.575.
    problem = tiny_garden(22271)

    answer = solve(problem, relative_gap=1e-9)

    assert answer.objective == pytest.approx(EverythingTried(problem).best(), abs=1e-6)


@pytest.mark.parametrize("is_relaxed", [True, False], ids=["relaxed", "whole"])
def test_a_program_that_the_clock_stops_gives_no_bound_that_does_not_hold(
    is_relaxed: bool,
) -> None:
    # A relaxation stopped half-way once passed its objective so far on as a bound.
    prepared = prepare(invented_garden(plots=60, plantings=420, classes=20, covers=300))
    greedy = fill_greedily(Tally(prepared)).objective

    stopped = program.counts_program(
        prepared,
        prepared.options,
        Tally(prepared),
        time_limit_s=0.05,
        relative_gap=0.0,
        is_relaxed=is_relaxed,
    )

    assert not stopped.solved.is_proven
    assert prepared.fixed_objective + stopped.solved.bound >= greedy


def test_a_bound_below_what_was_placed_is_not_passed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    ask = program.run

    def too_low(*arguments: Any, **named: Any) -> program.Solved:
        return replace(ask(*arguments, **named), bound=0.5)

    monkeypatch.setattr(program, "run", too_low)

    answer = solve(make_problem(pools=(make_frame(),), plantings=(make_planting(count=16),)))

    assert answer.objective == pytest.approx(8 * 0.7)
    assert answer.bound >= answer.objective
    assert "bound refused" in [stage.name for stage in answer.stages]
