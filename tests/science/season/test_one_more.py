"""The allocation with one more cover is the one that giving everything out anew finds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest

from gardenapp.science.allocation.fit import Option, Prepared, prepare
from gardenapp.science.allocation.greedy import Tally, fill_greedily
from gardenapp.science.allocation.problem import Id, Problem, Treatment
from gardenapp.science.season import one_more
from gardenapp.science.season.one_more import RecallingTally, fill_with_one_more
from tests.bench.gardens import invented_garden
from tests.science.allocation.gardens_made import (
    make_frame,
    make_planting,
    make_plot,
    make_problem,
    tiny_garden,
)


def with_added(problem: Problem, *sides_cm: float) -> tuple[Prepared, list[Id]]:
    """The problem with one frame of each of these sizes, which saves most of every plant."""
    frames = tuple(
        make_frame(
            id=f"new {side_cm:g}",
            inner_length_cm=side_cm,
            inner_width_cm=side_cm * 0.6,
            outer_length_cm=side_cm + 5.0,
            outer_width_cm=side_cm * 0.6 + 5.0,
        )
        for side_cm in sides_cm
    )
    saved = {
        (planting.id, frame.id): planting.bare_damage * (0.3 + 0.1 * (number % 3))
        for number, planting in enumerate(problem.plantings)
        for frame in frames
    }
    added = replace(
        problem,
        pools=(*problem.pools, *frames),
        treatments=(*problem.treatments, *(Treatment(f.id, (f.id,)) for f in frames)),
        damage={**problem.damage, **saved},
    )
    return prepare(added), [frame.id for frame in frames]


def needs(option: Option, pool_ids: Iterable[Id]) -> bool:
    return any(pool_id in pool_ids for pool_id, _ in option.needs)


def given_out_anew(prepared: Prepared, added: list[Id]) -> tuple[Tally, dict[Id, Tally]]:
    own = [option for option in prepared.options if not needs(option, added)]
    with_each = {
        pool_id: fill_greedily(
            Tally(prepared), [*own, *(o for o in prepared.options if needs(o, [pool_id]))]
        )
        for pool_id in added
    }
    # Where none is placed, it is the allocation without.
    return fill_greedily(Tally(prepared), own), {
        pool_id: tally
        for pool_id, tally in with_each.items()
        if any(needs(prepared.options[unit.option_index], added) for unit in tally.units)
    }


def check(prepared: Prepared, added: list[Id]) -> int:
    """How many of the added covers part from the allocation without after its first unit."""
    found = fill_with_one_more(prepared, added)
    without, with_each = given_out_anew(prepared, added)

    assert found.without.units == without.units
    assert found.with_one.keys() == with_each.keys()
    for pool_id, tally in with_each.items():
        assert found.with_one[pool_id].units == tally.units
        assert found.with_one[pool_id].objective == pytest.approx(tally.objective, abs=1e-9)
    return sum(tally.units[:1] == without.units[:1] for tally in with_each.values())


@pytest.mark.parametrize("first", range(0, 400, 100))
def test_in_tiny_gardens_where_any_rule_may_bind(first: int) -> None:
    """Shelter, minutes, gusts, lent covers, stacks, what stands already, and many ties."""
    late = 0
    for seed in range(first, first + 100):
        late += check(*with_added(tiny_garden(seed), 20.0, 35.0, 50.0))

    assert late > 0


@pytest.mark.parametrize("changes", [{}, {"minutes_budget": 45.0}, {"least_gain": 0.3}])
@pytest.mark.parametrize("seed", range(3))
def test_in_gardens_of_many_plots(seed: int, changes: dict[str, Any]) -> None:
    problem = invented_garden(plots=12, plantings=50, classes=6, covers=24, seed=seed)

    assert check(*with_added(replace(problem, **changes), 45.0, 60.0, 90.0, 130.0)) > 0


@pytest.mark.parametrize("seed", range(3))
def test_where_plantings_are_not_shared_out_too_finely(seed: int) -> None:
    problem = invented_garden(plots=8, plantings=40, classes=5, covers=20, seed=seed)

    check(*with_added(replace(problem, least_share=0.4), 45.0, 90.0))


def test_a_cover_worth_no_more_than_what_is_there_is_placed_after_it() -> None:
    own, other = make_frame(id="own"), make_frame(id="new")
    plot = make_plot(length_cm=105.0, width_cm=55.0)  # room for one
    planting = make_planting(count=8)
    problem = make_problem(plots=(plot,), plantings=(planting,), pools=(own, other))

    found = fill_with_one_more(prepare(problem), ["new"])

    assert len(found.without.units) == 1
    assert found.with_one == {}


def test_one_more_goes_on_last_where_everything_else_is_better() -> None:
    own, other = make_frame(id="own"), make_frame(id="new")
    damage: dict[tuple[Id, Id], float] = {("lettuce", "own"): 0.1, ("lettuce", "new"): 0.2}
    problem = make_problem(plantings=(make_planting(count=16),), pools=(own, other), damage=damage)

    found = fill_with_one_more(prepare(problem), ["new"])

    [first, last] = found.with_one["new"].units
    assert [first] == found.without.units
    assert first.contents == last.contents == {"lettuce": 8}


def test_what_is_best_under_a_cover_is_found_once_while_the_same_plants_are_bare(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[tuple[object, ...]] = []
    plainly = Tally.best_contents

    def count(tally: Tally, option: Option) -> dict[Id, int]:
        asked.append((option.index, *(tally.bare[m.planting_id] for m in option.members)))
        return plainly(tally, option)

    monkeypatch.setattr(Tally, "best_contents", count)
    problem = invented_garden(plots=8, plantings=40, classes=5, covers=20, seed=1)
    prepared, added = with_added(problem, 45.0, 60.0, 90.0, 130.0)

    fill_with_one_more(prepared, added)

    several = {o.index for o in prepared.options if len(o.members) > 1 and not o.is_shelter}
    shared = [key for key in asked if key[0] in several]
    assert shared
    assert len(shared) == len(set(shared))
    once = len(asked)
    asked.clear()
    given_out_anew(prepared, added)
    assert once < len(asked) / 2


def test_what_was_remembered_is_not_changed_by_whoever_was_told() -> None:
    plantings = (make_planting(id="a", count=3), make_planting(id="b", count=3))
    problem = make_problem(plantings=plantings, pools=(make_frame(),))
    prepared = prepare(problem)
    tally = RecallingTally(prepared, {})
    [option] = prepared.options
    first = tally.best_contents(option)
    told = dict(first)
    first.clear()

    assert tally.best_contents(option) == told == {"a": 3, "b": 3}


def test_only_what_can_still_be_placed_is_offered_again() -> None:
    plantings = (make_planting(id="a"), make_planting(id="b", plot_id="far"))
    problem = make_problem(
        plots=(make_plot(), make_plot(id="far")),
        plantings=plantings,
        pools=(make_frame(count=1), make_frame(id="big", count=1)),
    )
    prepared = prepare(problem)
    tally = RecallingTally(prepared, {})
    option = prepared.options[0]
    tally.place(option, tally.best_contents(option))

    left = one_more._still_possible(tally, prepared.options)

    assert [(o.plot_id, o.treatment_id) for o in left] == [("far", "big")]


def test_nothing_is_remembered_where_it_counts_what_else_a_planting_is_under() -> None:
    """With the same plants bare, the last two go under the kind the others are under only."""
    plantings = (make_planting(id="a", count=10), make_planting(id="b", count=2))
    problem = make_problem(
        plantings=plantings,
        pools=(make_frame(count=2), make_frame(id="other", count=2)),
        least_share=0.4,
    )
    prepared = prepare(problem)
    known: dict[tuple[int, ...], dict[Id, int]] = {}
    best = []
    for treatment_id in ("frame", "other"):
        tally = RecallingTally(prepared, known)
        [option] = [o for o in prepared.options if o.treatment_id == treatment_id]
        tally.place(option, {"a": 8})
        best.append(tally.best_contents(prepared.options[0]))

    assert best == [{"a": 2, "b": 2}, {"b": 2}]
