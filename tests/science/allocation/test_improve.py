"""A few plots solved again never make an allocation worse, break a rule or go on for nothing."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gardenapp.science.allocation import improve as improving
from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally, Unit, fill_greedily, uses_of
from gardenapp.science.allocation.improve import better_of, improve, place_counts, tally_of
from gardenapp.science.allocation.problem import Problem
from gardenapp.science.allocation.program import Counts, Solved, SolverFailed, counts_program
from tests.science.allocation.gardens_made import (
    PATIENT,
    EverythingTried,
    make_frame,
    make_planting,
    make_plot,
    make_problem,
    objective_of,
    tiny_garden,
)


def worth_counted_afresh(problem: Problem, tally: Tally) -> float:
    answer = cast(Any, SimpleNamespace(uses=uses_of(tally)))
    return objective_of(problem, answer)[0]


def plenty_s() -> float:
    return 60.0


@settings(PATIENT, max_examples=60)
@given(seed=st.integers(0, 1_000_000))
def test_plots_solved_again_are_worth_what_they_say_and_no_less_than_before(seed: int) -> None:
    problem = tiny_garden(seed)
    prepared = prepare(problem)
    best = EverythingTried(problem).best()
    start = fill_greedily(Tally(prepared))
    before = start.objective

    # A bound above the best is never met, so the search goes on to its own end.
    after, tries, gains = improve(
        prepared, start, bound=best + 1.0, relative_gap=0.0, seconds_left=plenty_s
    )

    assert before - 1e-9 <= after.objective <= best + 1e-6
    assert after.objective == pytest.approx(worth_counted_afresh(problem, after), abs=1e-6)
    assert gains <= tries
    assert (gains > 0) == (after.objective > before + 1e-7)


def test_a_cover_that_went_to_the_wrong_plot_is_moved() -> None:
    # One frame, placed over the lesser plot by hand; both plots are solved together.
    problem = make_problem(
        plots=(make_plot(id="lesser"), make_plot(id="dear")),
        plantings=(
            make_planting(id="cress", plot_id="lesser", worth=0.1),
            make_planting(id="melon", plot_id="dear", worth=9.0),
        ),
        pools=(make_frame(),),
    )
    prepared = prepare(problem)
    start = Tally(prepared)
    lesser = next(option for option in prepared.options if option.plot_id == "lesser")
    start.place(lesser, {"cress": 4})

    after, _, gains = improve(prepared, start, bound=100.0, relative_gap=0.0, seconds_left=plenty_s)

    assert gains == 1
    assert [prepared.options[unit.option_index].plot_id for unit in after.units] == ["dear"]
    assert after.objective == pytest.approx(4 * 9.0 * 0.7)


@pytest.mark.parametrize("reason", ["the gap is met", "the time is up"])
def test_nothing_is_tried_once_there_is_no_need_or_no_time(reason: str) -> None:
    problem = make_problem(pools=(make_frame(),))
    prepared = prepare(problem)
    is_met = reason == "the gap is met"
    start = fill_greedily(Tally(prepared)) if is_met else Tally(prepared)

    after, tries, gains = improve(
        prepared,
        start,
        bound=start.objective if is_met else math.inf,
        relative_gap=0.0,
        seconds_left=plenty_s if is_met else lambda: 0.0,
    )

    assert (after, tries, gains) == (start, 0, 0)


def test_of_two_the_one_with_more_worth_is_taken_and_of_equals_the_first() -> None:
    prepared = prepare(make_problem(pools=(make_frame(),)))
    nothing, full = Tally(prepared), fill_greedily(Tally(prepared))
    again = tally_of(prepared, full.units)

    assert better_of(nothing, full) is full and better_of(full, nothing) is full
    assert again.objective == pytest.approx(full.objective)
    assert better_of(full, again) is full


def test_a_group_that_the_solver_gives_up_on_is_left_as_it_is(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    problem = make_problem(
        plots=tuple(make_plot(id=number) for number in range(8)),
        plantings=tuple(make_planting(id=f"p{n}", plot_id=n) for n in range(8)),
        pools=(make_frame(count=8),),
    )
    prepared = prepare(problem)
    groups: list[int] = []
    ask = counts_program

    def once_refused(*arguments: Any, **named: Any) -> Any:
        groups.append(len(arguments[1]))
        if len(groups) == 1:
            raise SolverFailed("not this time")
        return ask(*arguments, **named)

    monkeypatch.setattr(improving, "counts_program", once_refused)

    after, tries, gains = improve(
        prepared, Tally(prepared), bound=8 * 2.8, relative_gap=0.0, seconds_left=plenty_s
    )

    # Six plots refused, two bettered; then the next round betters the six as well.
    assert groups[:2] == [6, 2]
    assert after.objective == pytest.approx(8 * 2.8)
    assert (tries, gains) == (len(groups), len(groups) - 1)


def test_a_garden_that_cannot_be_bettered_is_gone_through_once() -> None:
    prepared = prepare(make_problem(pools=(make_frame(),)))
    best = fill_greedily(Tally(prepared))

    after, tries, gains = improve(
        prepared, best, bound=best.objective + 1.0, relative_gap=0.0, seconds_left=plenty_s
    )

    assert (after, tries, gains) == (best, 1, 0)


def test_larger_groups_are_tried_before_a_large_garden_is_given_up() -> None:
    plots = 15
    problem = make_problem(
        plots=tuple(make_plot(id=number) for number in range(plots)),
        plantings=tuple(make_planting(id=f"p{n}", plot_id=n) for n in range(plots)),
        pools=(make_frame(count=plots),),
    )
    prepared = prepare(problem)
    best = fill_greedily(Tally(prepared))

    after, tries, gains = improve(
        prepared, best, bound=best.objective + 1.0, relative_gap=0.0, seconds_left=plenty_s
    )

    # Groups of six, ten and fourteen: three, two and two of them.
    assert (after, tries, gains) == (best, 3 + 2 + 2, 0)


@pytest.mark.parametrize(("left_s", "limit_s"), [(60.0, 1.5), (0.5, 0.5), (0.01, 0.1)])
def test_a_group_gets_a_second_and_a_half_or_what_is_left(
    monkeypatch: pytest.MonkeyPatch, left_s: float, limit_s: float
) -> None:
    prepared = prepare(make_problem(pools=(make_frame(),)))
    limits: list[float] = []

    def refused(*_arguments: Any, time_limit_s: float, **_named: Any) -> Any:
        limits.append(time_limit_s)
        raise SolverFailed("not today")

    monkeypatch.setattr(improving, "counts_program", refused)

    improve(
        prepared, Tally(prepared), bound=9.0, relative_gap=0.0, seconds_left=lambda: left_s,
        most_rounds=1,
    )  # fmt: skip

    assert limits == [limit_s]


def test_a_gap_that_is_met_is_a_share_of_the_bound() -> None:
    prepared = prepare(make_problem(pools=(make_frame(),)))
    best = fill_greedily(Tally(prepared))  # 2.8

    def tries(relative_gap: float) -> int:
        return improve(prepared, best, bound=4.0, relative_gap=relative_gap, seconds_left=plenty_s)[
            1
        ]

    assert tries(0.3001) == 0
    assert tries(0.2999) == 1


def test_room_left_under_covers_that_go_on_anyway_is_filled_with_each_plant_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Two frames with four melons each, for which the program had no more to say; five cress are
    # left, of which the first frame takes four and the second one.
    problem = make_problem(
        plantings=(
            make_planting(id="melon", count=8, worth=9.0),
            make_planting(id="cress", count=5, worth=0.1),
        ),
        pools=(make_frame(count=2),),
    )
    prepared = prepare(problem)
    placed = [Unit(0, {"melon": 4}), Unit(0, {"melon": 4})]
    monkeypatch.setattr(improving, "place_in_plot", lambda *_given, **_named: placed)
    counts = Counts({0: 2}, {}, Solved(None, 0.0, 0.0, True, 0.0))

    tally = place_counts(prepared, Tally(prepared), counts, plenty_s)

    assert [unit.contents for unit in tally.units] == [
        {"melon": 4, "cress": 4}, {"melon": 4, "cress": 1},
    ]  # fmt: skip
    assert tally.bare == {"melon": 0, "cress": 0}


def test_plots_not_reached_in_time_keep_no_counted_unit() -> None:
    prepared = prepare(make_problem(pools=(make_frame(),)))
    counts = Counts({0: 1}, {}, Solved(None, 0.0, 0.0, True, 0.0))

    assert place_counts(prepared, Tally(prepared), counts, lambda: 0.0).units == []
    assert len(place_counts(prepared, Tally(prepared), counts, lambda: 0.1).units) == 1
