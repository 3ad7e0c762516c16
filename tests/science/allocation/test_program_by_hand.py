"""Small programs whose answers are known, and what of the solver's word is believed."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from gardenapp.science.allocation import program
from gardenapp.science.allocation.fit import Prepared, prepare
from gardenapp.science.allocation.greedy import Tally, Unit, fill_greedily
from gardenapp.science.allocation.problem import Id, Treatment
from gardenapp.science.allocation.program import Model, Prices, Solved, SolverFailed, run
from tests.science.allocation.gardens_made import (
    make_frame,
    make_planting,
    make_plot,
    make_problem,
)


def knapsack() -> Model:
    """Gains 5, 4 and 3 for weights 3, 2 and 2 in a sack of 4: the last two, worth 7."""
    model = Model()
    columns = [model.column(gain, 1.0, is_whole=True) for gain in (5.0, 4.0, 3.0)]
    model.row(list(zip(columns, (3.0, 2.0, 2.0), strict=True)), 4.0)
    return model


def test_a_knapsack_is_solved() -> None:
    solved = run(knapsack(), time_limit_s=20.0, relative_gap=0.0)

    assert solved.values is not None
    assert np.round(solved.values).tolist() == [0.0, 1.0, 1.0]
    assert (solved.objective, solved.bound) == (pytest.approx(7.0), pytest.approx(7.0))
    assert solved.is_proven
    assert solved.row_prices is None


def test_its_relaxation_has_a_price_for_the_sack() -> None:
    relaxed = replace(knapsack(), is_whole=[False] * 3)

    solved = run(relaxed, time_limit_s=20.0, relative_gap=0.0, is_small=True)

    # The second whole and two thirds of the first: one more of room is worth 5/3.
    assert solved.objective == pytest.approx(4.0 + 10.0 / 3.0)
    assert solved.bound == pytest.approx(solved.objective)
    assert solved.row_prices is not None
    assert solved.row_prices.tolist() == pytest.approx([5.0 / 3.0])


def test_a_program_of_nothing_is_worth_nothing() -> None:
    solved = run(Model(), time_limit_s=1.0, relative_gap=0.0)

    assert (solved.objective, solved.bound, solved.is_proven) == (0.0, 0.0, True)


def test_no_more_is_taken_of_anything_than_there_is() -> None:
    model = Model()
    model.column(1.0, 2.5, is_whole=True)
    model.column(1.0, 2.5, is_whole=False)

    solved = run(model, time_limit_s=20.0, relative_gap=0.0)

    assert solved.values is not None
    assert solved.values.tolist() == pytest.approx([2.0, 2.5])


def answers(monkeypatch: pytest.MonkeyPatch, *given: Solved | None) -> list[str]:
    """Let the solver answer so, once after another; how it was asked is noted."""
    asked: list[str] = []
    left = list(given)

    def once(*arguments: Any) -> Solved | None:
        asked.append(arguments[-1])
        return left.pop(0)

    monkeypatch.setattr(program, "_run_once", once)
    return asked


def said(objective: float, bound: float, *, is_proven: bool = True) -> Solved:
    return Solved(np.array([0.0, 1.0, 1.0]), objective, bound, is_proven, 0.0)


@pytest.mark.parametrize(
    "wrong",
    [None, said(7.0, 6.9), said(6.9, 8.0)],
    ids=["infeasible", "a bound below the start", "an answer below the start"],
)
def test_what_cannot_be_is_asked_again_and_then_not_believed(
    monkeypatch: pytest.MonkeyPatch, wrong: Solved | None
) -> None:
    right = said(7.0, 7.0)
    start = [0.0, 1.0, 1.0]

    asked = answers(monkeypatch, wrong, right)
    assert run(knapsack(), time_limit_s=9.0, relative_gap=0.0, start=start) is right
    assert asked == ["on", "off"]

    answers(monkeypatch, wrong, wrong)
    with pytest.raises(SolverFailed, match="contradicts an answer that is known to be allowed"):
        run(knapsack(), time_limit_s=9.0, relative_gap=0.0, start=start)


@pytest.mark.parametrize(
    ("answer", "relative_gap"),
    [
        (said(7.0 - 6e-6, 7.0 - 6e-6), 0.0),  # rounding: a millionth of what is known
        (said(6.3, 7.0), 0.1),  # within the gap that was asked for
        (said(1.0, 7.5, is_proven=False), 0.0),  # the clock ended it
        (replace(said(7.0, 7.5), values=None), 0.0),
    ],
    ids=["rounding", "gap", "clock", "no answer in time"],
)
def test_what_may_well_be_is_believed_at_once(
    monkeypatch: pytest.MonkeyPatch, answer: Solved, relative_gap: float
) -> None:
    asked = answers(monkeypatch, answer)

    got = run(knapsack(), time_limit_s=9.0, relative_gap=relative_gap, start=[0.0, 1.0, 1.0])

    assert got is answer
    assert asked == ["on"]


def test_without_a_start_nothing_placed_is_what_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = answers(monkeypatch, said(-0.1, -0.1), said(0.0, 0.0))

    assert run(knapsack(), time_limit_s=9.0, relative_gap=0.0).objective == 0.0
    assert asked == ["on", "off"]


@pytest.mark.parametrize(
    ("values", "keeps"),
    [
        ([0.0, 1.0, 1.0], True),
        ([1.0, 1.0, 0.0], False),
        ([0.0, 1.00001, 1.0], True),
        ([0.0, 0.5, 1.0], False),
        ([0.00009, 0.0, 0.0], True),
        ([0.0002, 0.0, 0.0], False),
    ],
)
def test_an_answer_keeps_its_rows_and_is_whole(values: list[float], keeps: bool) -> None:
    assert program._keeps_rows(knapsack(), np.array(values)) is keeps


def test_a_row_is_kept_to_a_hundred_thousandth_of_it() -> None:
    model = Model()
    model.row([(model.column(1.0, 9e9, is_whole=False), 1.0)], 1000.0)

    assert program._keeps_rows(model, np.array([1000.0 + 0.009]))
    assert not program._keeps_rows(model, np.array([1000.0 + 0.011]))


# Whole plants under chosen covers


def garden(**changes: Any) -> Prepared:
    return prepare(make_problem(**{"pools": (make_frame(count=3),), **changes}))


def test_plants_worth_most_go_under_the_covers_that_were_chosen() -> None:
    prepared = garden(
        plantings=(
            make_planting(id="melon", count=6, worth=9.0),
            make_planting(id="cress", count=9, worth=0.1),
        )
    )

    one = program.place_in_plot(prepared, prepared.options, {0: 1}, {}, Tally(prepared).bare)
    none = program.place_in_plot(prepared, prepared.options, {}, {}, Tally(prepared).bare)

    assert one == [Unit(0, {"melon": 6, "cress": 2})]  # eight places under a frame
    assert none == []


def test_a_cover_that_is_not_worth_its_minutes_stays_empty() -> None:
    prepared = garden(plantings=(make_planting(count=9),), worth_per_minute=0.4)

    # The ninth plant saves 0.7, and a second frame costs two minutes, 0.8.
    units = program.place_in_plot(prepared, prepared.options, {0: 2}, {}, Tally(prepared).bare)

    assert units == [Unit(0, {"lettuce": 8})]


def test_pots_are_carried_up_to_the_number_chosen() -> None:
    prepared = prepare(
        make_problem(
            plantings=(make_planting(count=5, is_movable_pot=True),),
            pools=(),
            treatments=(Treatment("in", ()),),
            damage={("lettuce", "in"): 0.0},
            shelter_spaces=9,
            shelter_minutes_per_pot=1.0,
            worth_per_minute=0.1,
        )
    )
    bare = Tally(prepared).bare

    assert program.place_in_plot(prepared, prepared.options, {}, {(0, "lettuce"): 3}, bare) == [
        Unit(0, {"lettuce": 3})
    ]
    assert program.place_in_plot(prepared, prepared.options, {}, {}, bare) == []


def test_prices_are_paid_beside_the_effort() -> None:
    prepared = garden(plantings=(make_planting(count=20),), worth_per_minute=0.1)
    (option,) = prepared.options
    prices = Prices(covers={"frame": 3.0}, space=7.0, minute=0.4)

    assert prices.of_minutes(prepared, 3.0) == pytest.approx((0.1 + 0.4) * 3.0)
    assert prices.of_unit(prepared, option) == pytest.approx(3.0 + 0.5 * 2.0)
    # Eight plants save 5.6 and are worth the 4 of a frame; the last four, 2.8, are not.
    counts = program.counts_program(
        prepared, prepared.options, Tally(prepared), time_limit_s=20.0, relative_gap=0.0,
        has_whole_plants=True, prices=prices,
    )  # fmt: skip
    assert counts.units == {option.index: 2}
    assert counts.solved.objective == pytest.approx(2 * (5.6 - 4.0))


def test_a_start_helps_and_takes_nothing_away() -> None:
    prepared = garden(
        plots=(make_plot(minutes_away=2.0),),
        plantings=(make_planting(count=20),),
        worth_per_minute=0.1,
    )
    start = fill_greedily(Tally(prepared)).units
    lists = program.list_contents(prepared)
    assert lists is not None
    usual = {"time_limit_s": 20.0, "relative_gap": 0.0, "start": start}

    exact = program.contents_program(prepared, prepared.options, lists, Tally(prepared), **usual)  # type: ignore[arg-type]
    counted = program.counts_program(
        prepared,
        prepared.options,
        Tally(prepared),
        has_whole_plants=True,
        **usual,  # type: ignore[arg-type]
    )

    expected = 20 * 0.7 - 0.1 * (3 * 2.0 + 2.0)
    assert exact.solved.objective == pytest.approx(expected)
    assert counted.solved.objective == pytest.approx(expected)
    assert counted.units == {0: 3}


def test_the_start_given_to_the_solver_is_the_allocation_it_stands_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    prepared = garden(plantings=(make_planting(count=20),), worth_per_minute=0.1)
    lists = program.list_contents(prepared)
    assert lists is not None
    started: list[float] = []

    def noted(model: Model, *, start: Any, **named: Any) -> Solved:
        started.append(math.fsum(g * v for g, v in zip(model.gain, start, strict=True)))
        assert program._keeps_rows(model, np.array(start))
        return Solved(None, -math.inf, math.inf, False, 0.0)

    monkeypatch.setattr(program, "run", noted)
    start = fill_greedily(Tally(prepared))
    usual = {"time_limit_s": 20.0, "relative_gap": 0.0, "start": start.units}

    program.contents_program(prepared, prepared.options, lists, Tally(prepared), **usual)  # type: ignore[arg-type]
    program.counts_program(
        prepared,
        prepared.options,
        Tally(prepared),
        has_whole_plants=True,
        **usual,  # type: ignore[arg-type]
    )

    assert started == pytest.approx([start.objective] * 2)


# Counting out whole covers


def counted(prepared: Prepared, **named: Any) -> program.Counts:
    usual: dict[str, Any] = {"time_limit_s": 20.0, "relative_gap": 0.0}
    return program.counts_program(prepared, prepared.options, Tally(prepared), **(usual | named))


@pytest.mark.parametrize("has_whole_plants", [True, False])
def test_as_many_covers_are_counted_as_hold_the_plants(has_whole_plants: bool) -> None:
    prepared = garden(
        plantings=(make_planting(count=40),), pools=(make_frame(count=9),), worth_per_minute=0.1
    )

    counts = counted(prepared, has_whole_plants=has_whole_plants)

    assert (counts.units, counts.pots) == ({0: 5}, {})
    assert counts.solved.objective == pytest.approx(40 * 0.7 - 5 * 0.2)


def test_one_more_cover_is_worth_what_it_would_save() -> None:
    # Two plots could each use both covers that there are.
    prepared = garden(
        plots=(make_plot(id="a"), make_plot(id="b")),
        plantings=tuple(make_planting(id=f"in {p}", plot_id=p, count=40) for p in "ab"),
        pools=(make_frame(count=2),),
        worth_per_minute=0.1,
    )

    counts = counted(prepared, is_relaxed=True)

    assert counts.units == {}
    assert counts.prices is not None
    assert counts.prices.covers == {"frame": pytest.approx(8 * 0.7 - 0.2)}
    assert (counts.prices.space, counts.prices.minute) == (0.0, 0.0)
    assert counts.solved.bound == pytest.approx(2 * (8 * 0.7 - 0.2))


def test_one_more_minute_is_worth_what_could_be_done_in_it() -> None:
    prepared = garden(
        plantings=(make_planting(count=40),), pools=(make_frame(count=9),), minutes_budget=5.0
    )

    whole, relaxed = counted(prepared), counted(prepared, is_relaxed=True)

    assert whole.units == {0: 2}  # two minutes each
    assert relaxed.prices is not None
    assert relaxed.prices.minute == pytest.approx(8 * 0.7 / 2.0)
    assert relaxed.prices.covers == {"frame": 0.0}


def pots(**changes: Any) -> Prepared:
    usual: dict[str, Any] = {
        "plantings": (make_planting(count=5, is_movable_pot=True),),
        "pools": (),
        "treatments": (Treatment("in", ()),),
        "damage": {("lettuce", "in"): 0.0},
        "shelter_spaces": 3,
        "shelter_minutes_per_pot": 2.0,
        "worth_per_minute": 0.1,
    }
    return prepare(make_problem(**(usual | changes)))


def test_pots_are_counted_up_to_the_spaces_and_one_more_space_is_worth_a_pot() -> None:
    whole, relaxed = counted(pots()), counted(pots(), is_relaxed=True)

    assert (whole.units, whole.pots) == ({}, {(0, "lettuce"): 3})
    assert whole.solved.objective == pytest.approx(3 * (0.8 - 0.2))
    assert relaxed.prices is not None
    assert relaxed.prices.space == pytest.approx(0.8 - 0.2)


def test_pots_too_dear_for_their_price_stay_out() -> None:
    for space, count in ((0.59, 3), (0.61, 0)):
        counts = counted(pots(), prices=Prices(space=space))

        assert sum(counts.pots.values()) == count


def test_the_minutes_of_pots_and_of_the_way_there_are_counted() -> None:
    prepared = pots(plots=(make_plot(minutes_away=1.5),), minutes_budget=5.6, worth_per_minute=0.0)

    assert counted(prepared).pots == {(0, "lettuce"): 2}  # 1.5 and two times two minutes


def test_the_way_to_a_plot_is_paid_once_and_only_where_something_is_done() -> None:
    def garden_of(away: float) -> Prepared:
        return garden(
            plots=(make_plot(minutes_away=away),),
            plantings=(make_planting(count=16),),
            worth_per_minute=0.1,
        )

    near, far = counted(garden_of(20.0)), counted(garden_of(120.0))

    assert near.units == {0: 2}
    assert near.solved.objective == pytest.approx(16 * 0.7 - 0.1 * (2 * 2.0 + 20.0))
    assert (far.units, far.solved.objective) == ({}, pytest.approx(0.0, abs=1e-9))


def test_a_way_that_was_gone_already_is_free() -> None:
    prepared = garden(
        plots=(make_plot(minutes_away=20.0),),
        plantings=(make_planting(count=16),),
        worth_per_minute=0.1,
    )
    free = Tally(prepared)
    free.visited.add("plot")

    counts = program.counts_program(
        prepared, prepared.options, free, time_limit_s=20.0, relative_gap=0.0
    )

    assert counts.solved.objective == pytest.approx(16 * 0.7 - 0.1 * 2 * 2.0)


@pytest.mark.parametrize(("length_cm", "units"), [(105.0, 1), (209.0, 1), (210.0, 2)])
def test_no_more_covers_stand_on_a_plot_than_it_has_ground_for(
    length_cm: float, units: int
) -> None:
    prepared = garden(
        plots=(make_plot(length_cm=length_cm, width_cm=55.0, bed_width_cm=None),),
        plantings=(make_planting(count=40),),
    )

    assert counted(prepared).units == {0: units}


def test_the_last_cover_of_a_kind_is_counted_for_what_it_adds() -> None:
    model = Model()
    plants, units = (model.column(1.0, 99.0, is_whole=False) for _ in range(2))

    program._link(model, [(plants, 1.0)], units, 9, 4)

    # Nine plants, four to a cover: two hold eight, and the third adds one.
    for count, most in ((3.0, 9.0), (2.0, 8.0), (2.5, 8.5)):
        assert program._keeps_rows(model, np.array([most, count]))
        assert not program._keeps_rows(model, np.array([most + 0.01, count]))
    exact = Model()
    columns = [exact.column(1.0, 99.0, is_whole=False) for _ in range(2)]
    program._link(exact, [(columns[0], 1.0)], columns[1], 8, 4)
    assert exact.row_most == [0.0]
    assert exact.entry_value == [1.0, -4.0]


# Contents and standing


def mixed() -> Prepared:
    """Kale of 25 cm and a melon of 50 cm: eight or two go under a frame of 100 by 50."""
    return garden(
        plantings=(
            make_planting(id="kale", count=9, worth=1.0),
            make_planting(id="melon", count=1, spread_cm=50.0, worth=3.0),
        )
    )


def test_contents_are_listed_to_which_nothing_can_be_added() -> None:
    prepared = mixed()
    (option,) = prepared.options

    listed, looked_at = program.fullest_contents(option, prepared.bare_plants, 100)

    assert listed == [{"kale": 8}, {"kale": 4, "melon": 1}]
    # Nought to eight kale without the melon, and nought to four with it.
    assert looked_at == 9 + 5
    assert program.fullest_contents(option, prepared.bare_plants, 15)[0] is not None
    assert program.fullest_contents(option, prepared.bare_plants, 13) == (None, 13)


def test_a_garden_of_too_many_contents_is_not_listed() -> None:
    prepared = mixed()

    assert program.list_contents(prepared) == {0: [{"kale": 8}, {"kale": 4, "melon": 1}]}
    assert program.list_contents(prepared, most_looks=13) is None


@pytest.mark.parametrize(
    ("contents", "standing"),
    [
        ({"kale": 8}, {"kale": 8}),
        ({"kale": 10}, {"kale": 8}),
        ({"kale": 5, "melon": 1}, {"kale": 4, "melon": 1}),
        ({"kale": 1, "melon": 2}, {"melon": 2}),
    ],
)
def test_plants_that_do_not_stand_come_out_those_worth_least_first(
    contents: dict[Id, int], standing: dict[Id, int]
) -> None:
    prepared = garden(
        plantings=(
            make_planting(id="kale", count=10, worth=1.0),
            make_planting(id="melon", count=2, spread_cm=50.0, worth=9.0),
        )
    )
    (option,) = prepared.options

    assert program._made_to_stand(option, dict(contents)) == standing
