"""The question of one night, as the solver is asked it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.science.allocation.problem import FixedUse, Id, PlantingNeed, PlotSite, Problem
from gardenapp.science.allocation.weights import (
    FETCH_MINUTES,
    LEAST_GAIN,
    LEAST_SHARE,
    SAFE_BELOW,
    SHELTER_MINUTES_PER_POT,
    WALK_M_PER_MINUTE,
    WALK_WORTH,
    WORTH_PER_MINUTE,
)
from gardenapp.services.night.prospect import Prospect, worth_of
from gardenapp.services.night.season_shares import weights_of_plots

POTS, MIXED_BED = "pots", "mixed"


def problem_of(
    prospect: Prospect, *, shares: Mapping[int, tuple[float, float]] | None = None
) -> Problem:
    """Which covers go where tonight, given what stands and what is promised.

    shares : what each plot was spared this season and could have been; see `season_shares`.
    """
    gathered = prospect.gathered
    weights = weights_of_plots(gathered.holders, shares or {})
    return Problem(
        plots=tuple(site_of(plot) for plot in gathered.plots.values()),
        plantings=tuple(
            need_of(
                planting,
                bare_damage=_bare_damage(prospect, planting),
                weight=weights.get(planting.plot_id, 1.0),
                is_mixed=gathered.plots[planting.plot_id].is_mixed,
            )
            for planting in gathered.plantings
        ),
        pools=tuple(prospect.pools.pools.values()),
        treatments=tuple(way.treatment for way in prospect.ways.values()),
        damage={key: outlook.harm.share for key, outlook in prospect.covered.items()},
        shelter_spaces=gathered.garden.shelter_spaces,
        shelter_minutes_per_pot=SHELTER_MINUTES_PER_POT,
        minutes_budget=gathered.garden.minutes_budget,
        worth_per_minute=WALK_WORTH.get(gathered.garden.walk_worth, WORTH_PER_MINUTE),
        gust_mps=prospect.site.forecast.gust_mps,
        fixed=_fixed(prospect),
        least_gain=LEAST_GAIN,
        least_share=LEAST_SHARE,
    )


def site_of(plot: Plot) -> PlotSite:
    """A plot as the solver sees it."""
    return PlotSite(
        plot.id,
        plot.length_cm,
        plot.width_cm,
        plot.bed_width_cm,
        FETCH_MINUTES + walk_minutes(plot.distance_m),
    )


def walk_minutes(distance_m: float) -> float:
    """How long it takes to carry something so far. [min]"""
    return distance_m / WALK_M_PER_MINUTE


def need_of(
    planting: Planting, *, bare_damage: float, weight: float = 1.0, is_mixed: bool = False
) -> PlantingNeed:
    """A planting as the solver sees it.

    Pots that can be moved are put together; other plants stand where they stand, by themselves
    unless their plot is one mixed bed.
    """
    is_pot = planting.in_pot and planting.is_movable
    bed: Id = POTS if is_pot else MIXED_BED if is_mixed else f"planting {planting.id}"
    return PlantingNeed(
        id=planting.id,
        plot_id=planting.plot_id,
        count=planting.count,
        spread_cm=planting.spread_cm,
        height_cm=planting.height_cm,
        worth=weight * worth_of(planting),
        bare_damage=bare_damage,
        is_movable_pot=is_pot,
        bed=bed,
    )


def _bare_damage(prospect: Prospect, planting: Planting) -> float:
    """What is called safe asks for nothing, unless something stands over it anyway."""
    share = prospect.bare[planting.id].harm.share
    counts = share >= SAFE_BELOW or prospect.is_under_something(planting.id)
    return share if counts else 0.0


def _fixed(prospect: Prospect) -> tuple[FixedUse, ...]:
    found: dict[tuple[int, str], list[Mapping[Id, int]]] = defaultdict(list)
    for stand in prospect.standing:
        treatment_id = prospect.pools.treatment_of(stand)
        if treatment_id in prospect.ways:
            found[stand.plot_id, treatment_id].append(dict(stand.plants.items()))
    return tuple(
        FixedUse(plot_id, treatment_id, tuple(units))
        for (plot_id, treatment_id), units in found.items()
    )
