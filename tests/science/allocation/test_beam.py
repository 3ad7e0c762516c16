"""The narrow search of one plot finds plans that keep the rules, and good ones."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gardenapp.science.allocation.beam import PlotBeam
from gardenapp.science.allocation.fit import options_by_plot, prepare
from gardenapp.science.allocation.greedy import Tally
from gardenapp.science.allocation.program import Prices, Values
from tests.science.allocation.gardens_made import (
    PATIENT,
    EverythingTried,
    make_frame,
    make_problem,
    tiny_garden,
)


@settings(PATIENT, max_examples=80)
@given(seed=st.integers(0, 1_000_000), width=st.integers(1, 12))
def test_every_plan_can_be_placed_and_is_worth_what_it_says(seed: int, width: int) -> None:
    prepared = prepare(tiny_garden(seed))
    for plot_id, options in options_by_plot(prepared.options).items():
        beam = PlotBeam(prepared, plot_id, options)
        found = beam.plans(Prices(), Values(), width=width, most=5)
        assert [worth for worth, _ in found] == sorted((w for w, _ in found), reverse=True)
        for worth, units in found:
            tally = Tally(prepared)
            for unit in units:
                option = prepared.options[unit.option_index]
                assert tally.has_room_for(option, unit.contents)
                tally.place(option, unit.contents)
            assert tally.objective - prepared.fixed_objective == pytest.approx(worth)


def test_a_search_of_one_plot_mostly_finds_the_best() -> None:
    """Against everything tried, on 200 tiny gardens brought down to their first plot.

    What it misses are covers best left half empty; the exact search of a plot finds those.
    """
    found_best = tried = 0
    for seed in range(200):
        problem = tiny_garden(seed)
        first = problem.plots[0].id
        alone = replace(
            problem,
            plots=problem.plots[:1],
            plantings=tuple(p for p in problem.plantings if p.plot_id == first),
            fixed=(),
        )
        prepared = prepare(alone)
        best = EverythingTried(alone).best()
        options = options_by_plot(prepared.options).get(first)
        if not options:
            continue
        plans = PlotBeam(prepared, first, options).plans(Prices(), Values(), width=4)
        worth = plans[0][0] if plans else 0.0
        assert worth <= best + 1e-9
        tried += 1
        found_best += worth >= best - 1e-6
    assert tried > 100
    assert found_best >= 0.9 * tried


def test_a_dear_cover_is_not_used_where_its_price_is_not_earned() -> None:
    prepared = prepare(make_problem(pools=(make_frame(),)))
    beam = PlotBeam(prepared, "plot", prepared.options)
    saved = beam.plans(Prices(), Values())[0][0]

    (kept,) = beam.plans(Prices(covers={"frame": 0.9 * saved}), Values())

    assert kept[0] == pytest.approx(0.1 * saved)
    assert beam.plans(Prices(covers={"frame": 1.1 * saved}), Values()) == []
