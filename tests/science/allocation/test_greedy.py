"""Without a solver there is still an answer, called what it is, with a bound that holds."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science.allocation import program
from gardenapp.science.allocation.solve import (
    solve,
)
from tests.science.allocation.gardens_made import (
    PATIENT,
    EverythingTried,
    check_rules,
    make_frame,
    make_problem,
    tiny_garden,
)


def test_without_the_solver_the_greedy_answer_is_given_and_called_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse(*_args: object, **_kwargs: object) -> None:
        raise program.SolverFailed("not today")

    monkeypatch.setattr(program, "run", refuse)
    problem = make_problem(pools=(make_frame(),))

    answer = solve(problem)

    check_rules(problem, answer)
    assert answer.method == "greedy"
    assert answer.objective == pytest.approx(4 * 0.7)


@PATIENT
@given(seed=st.integers(0, 1_000_000))
def test_the_simple_bound_of_the_greedy_answer_holds(seed: int) -> None:
    problem = tiny_garden(seed)
    with pytest.MonkeyPatch.context() as patch:

        def refuse(*_args: object, **_kwargs: object) -> None:
            raise program.SolverFailed("not today")

        patch.setattr(program, "run", refuse)

        answer = solve(problem)

    check_rules(problem, answer)
    assert answer.bound >= EverythingTried(problem).best() - 1e-6
