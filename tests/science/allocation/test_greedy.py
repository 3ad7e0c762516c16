"""Without a solver there is still an answer, called what it is, with a bound that holds."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science.allocation import program
from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import (
    SLACK,
    Tally,
    fill_greedily,
    simple_bound,
    uses_of,
)
from gardenapp.science.allocation.solve import solve
from tests.science.allocation.gardens_made import (
    PATIENT,
    EverythingTried,
    check_rules,
    make_frame,
    make_planting,
    make_problem,
    objective_of,
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


@PATIENT
@given(seed=st.integers(0, 1_000_000))
def test_greedy_keeps_its_own_count_right_and_stops_when_nothing_more_does_good(
    seed: int,
) -> None:
    problem = tiny_garden(seed)
    prepared = prepare(problem)

    tally = fill_greedily(Tally(prepared))

    placed = cast(Any, SimpleNamespace(uses=uses_of(tally)))
    worth, minutes = objective_of(problem, placed)
    assert tally.objective == pytest.approx(worth, abs=1e-6)
    assert tally.minutes == pytest.approx(minutes, abs=1e-6)
    assert prepared.fixed_objective - 1e-9 <= tally.objective <= simple_bound(prepared) + 1e-9
    for option in prepared.options:
        more = tally.best_contents(option)
        assert (
            not more or not tally.has_room_for(option, more) or tally.net_of(option, more) <= SLACK
        )


@PATIENT
@given(seed=st.integers(0, 1_000_000))
def test_no_garden_is_worth_more_than_the_simple_bound(seed: int) -> None:
    problem = tiny_garden(seed)

    assert simple_bound(prepare(problem)) >= EverythingTried(problem).best() - 1e-6


def test_the_unit_that_saves_most_goes_first() -> None:
    problem = make_problem(
        plantings=(
            make_planting(id="cress", worth=0.1),
            make_planting(id="melon", worth=9.0),
        ),
        pools=(make_frame(),),
    )

    tally = fill_greedily(Tally(prepare(problem)))

    # Four melons, and the room that is left takes the cress.
    assert [unit.contents for unit in tally.units] == [{"melon": 4, "cress": 4}]
