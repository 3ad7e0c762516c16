"""From chosen counts to whole plants under each cover, and better ones a few plots at a time."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence

from gardenapp.science.allocation.fit import Option, Prepared, options_by_plot
from gardenapp.science.allocation.greedy import SLACK, Tally, Unit, fill_greedily
from gardenapp.science.allocation.problem import Id
from gardenapp.science.allocation.program import (
    Counts,
    SolverFailed,
    counts_program,
    place_in_plot,
)

GROUP_SIZES = (6, 10, 14)
"""Plots solved again together; the next size once a whole round of one brought little."""


def tally_of(prepared: Prepared, units: Iterable[Unit]) -> Tally:
    """A tally with these units placed, in this order."""
    tally = Tally(prepared)
    for unit in units:
        tally.place(prepared.options[unit.option_index], unit.contents)
    return tally


def better_of(one: Tally, other: Tally) -> Tally:
    """The one with more worth; the first where they are equal to rounding."""
    return other if other.objective > one.objective + SLACK else one


def place_counts(
    prepared: Prepared, free: Tally, counts: Counts, seconds_left: Callable[[], float]
) -> Tally:
    """Place whole plants under the counted units, plot by plot; then use up what is left.

    Changes and returns `free`. Plots not reached in time keep no counted unit; the caller fills
    greedily. Raises SolverFailed.
    """
    chosen: dict[Id, list[Option]] = {}
    wanted = set(counts.units) | {index for index, _ in counts.pots}
    for index in sorted(wanted):
        option = prepared.options[index]
        chosen.setdefault(option.plot_id, []).append(option)
    placed: list[Unit] = []
    for options in chosen.values():
        seconds = seconds_left()
        if seconds <= 0:
            break
        placed.extend(
            place_in_plot(
                prepared,
                options,
                counts.units,
                counts.pots,
                free.bare,
                time_limit_s=min(2.0, seconds),
            )
        )
    reserved = dict(free.bare)
    for unit in placed:
        for planting_id, plants in unit.contents.items():
            free.bare[planting_id] -= plants
    roomier: list[Unit] = []
    for unit in placed:
        # A cover that goes on anyway takes what else stands under it; the program could not
        # see that where plants had to come out of another unit.
        option = prepared.options[unit.option_index]
        contents = dict(unit.contents)
        if not option.is_shelter:
            before = dict(contents)
            free.top_up(option, contents)
            for planting_id, plants in contents.items():
                free.bare[planting_id] -= plants - before.get(planting_id, 0)
        roomier.append(Unit(unit.option_index, contents))
    free.bare.update(reserved)
    for unit in roomier:
        option = prepared.options[unit.option_index]
        if free.has_room_for(option, unit.contents, is_known_to_stand=True):
            free.place(option, unit.contents)
    return free


def improve(
    prepared: Prepared,
    tally: Tally,
    *,
    bound: float,
    relative_gap: float,
    seconds_left: Callable[[], float],
    most_rounds: int = 40,
) -> tuple[Tally, int, int]:
    """Take up all covers of a few plots, solve those plots together, keep what is better.

    Goes through all plots in groups drawn with a fixed seed, until the gap is reached, the time
    is up or the largest groups brought nothing in a whole round. Returns the best tally, tries
    and successes.
    """
    rng = random.Random(1)  # noqa: S311 - the order of trying; must be the same each time
    by_plot = options_by_plot(prepared.options)
    plot_ids: list[Id] = list(by_plot)
    best = tally
    tries = gains = 0
    size_at = 0
    for _ in range(most_rounds):
        at_start = best.objective
        size = GROUP_SIZES[size_at]
        order: list[Id] = list(plot_ids)
        rng.shuffle(order)
        for first in range(0, len(order), size):
            if bound - best.objective <= relative_gap * abs(bound) or seconds_left() <= 0:
                return best, tries, gains
            group = order[first : first + size]
            tries += 1
            try:
                changed = _solve_again(prepared, best, group, by_plot, seconds_left)
            except SolverFailed:
                continue  # what is there already stays
            if changed.objective > best.objective + SLACK:
                best = changed
                gains += 1
        if best.objective - at_start <= 3e-4 * abs(bound):
            if size_at == len(GROUP_SIZES) - 1 or size >= len(plot_ids):
                if best.objective - at_start <= SLACK:
                    break
            else:
                size_at += 1
    return best, tries, gains


def _solve_again(
    prepared: Prepared,
    now: Tally,
    group: Sequence[Id],
    by_plot: dict[Id, list[Option]],
    seconds_left: Callable[[], float],
) -> Tally:
    inside = set(group)
    options = [option for plot_id in group for option in by_plot[plot_id]]
    kept: list[Unit] = []
    lifted: list[Unit] = []
    for unit in now.units:
        is_in = prepared.options[unit.option_index].plot_id in inside
        (lifted if is_in else kept).append(unit)
    free = tally_of(prepared, kept)
    counts = counts_program(
        prepared,
        options,
        free,
        time_limit_s=min(1.5, max(0.1, seconds_left())),
        relative_gap=1e-3,
        start=lifted,
        has_whole_plants=True,
    )
    placed = place_counts(prepared, free, counts, seconds_left)
    return fill_greedily(placed, options)
