"""What to build next, ranked the straightforward way: the measure of the quick one.

The covers are given out anew for every extra, and every planting's loss is summed with and without
it. Only evenings that are alike in everything share how the covers are given out.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally, covered_by, fill_greedily, uses_of
from gardenapp.science.allocation.problem import Id
from gardenapp.science.allocation.weights import SAFE_BELOW
from gardenapp.science.covers.lift import TOUCHING_UNDER_SHEET
from gardenapp.science.estimate import Estimate
from gardenapp.science.season.hardened import HardenedGarden
from gardenapp.science.season.outlook import season_of, season_outlook
from gardenapp.science.season.replay import ReplaySettings, Truth, night_outlook, problem_of
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.science.season.replay_garden import ReplayGarden
from gardenapp.services.season.build_next import Extra, _as_dict, _ranked

Covered = Mapping[Id, Mapping[Id, int]]


def rank_plainly(
    garden: ReplayGarden,
    nights: Sequence[ReplayNight],
    extras: Sequence[Extra],
    *,
    latitude: float,
    seed: int,
) -> dict[str, Any]:
    """The rows and the number of risky nights that `build_next.rank` ends with."""
    settings = ReplaySettings(
        seed=seed, safe_below=SAFE_BELOW, touching_fraction=TOUCHING_UNDER_SHEET
    )
    whole = replace(
        garden,
        pools=(*garden.pools, *(replace(extra.pool, count=0) for extra in extras)),
        treatments=(*garden.treatments, *(extra.treatment for extra in extras)),
    )
    half_width = 3.0**0.5
    rng = random.Random(f"{seed} plots")
    plot_draws: dict[Id, float] = {
        plot.id: rng.uniform(-half_width, half_width) for plot in garden.plots
    }
    is_northern = latitude >= 0.0
    lows = [(night.night_of, night.low_c) for night in nights]
    seasons = set(season_outlook(lows, [0.0], is_northern=is_northern).seasons) or {
        season_of(night.night_of, is_northern=is_northern) for night in nights
    }
    avoided: dict[str, dict[int, float]] = {extra.key: {} for extra in extras}
    useful = {extra.key: 0 for extra in extras}
    risky = 0
    hardened = HardenedGarden(whole, nights, latitude=latitude)
    given_out: dict[object, tuple[Covered | None, dict[str, Covered]]] = {}
    for night in nights:
        season = season_of(night.night_of, is_northern=is_northern)
        if season not in seasons:
            continue
        tonight = hardened.on(night.night_of, steps=5)
        said = replace(night, low_c=round(night.low_c * 2.0) / 2.0)
        bearings = tuple(planting.bearing for planting in tonight.plantings)
        key = (said.low_c, night.cloud_fraction, night.wind_mps, night.gust_mps, bearings)
        if key not in given_out:
            given_out[key] = _given_out(tonight, said, extras, settings)
        without, with_one = given_out[key]
        if without is None:
            continue
        risky += 1
        truth = Truth(
            tonight, night, plot_draws, settings, random.Random(f"{seed} {night.night_of}")
        )
        lost_without = _loss(tonight, without, truth)
        for extra_key, covered in with_one.items():
            less = lost_without - _loss(tonight, covered, truth)
            avoided[extra_key][season] = avoided[extra_key].get(season, 0.0) + less
            useful[extra_key] += 1
    rows = [_ranked(e, avoided[e.key], sorted(seasons), useful[e.key]) for e in extras]
    rows.sort(key=lambda row: (-row.avoided, row.hours, row.key))
    return {"risky_nights": risky, "rows": [_as_dict(row) for row in rows]}


def _given_out(
    garden: ReplayGarden, night: ReplayNight, extras: Sequence[Extra], settings: ReplaySettings
) -> tuple[Covered | None, dict[str, Covered]]:
    outlook = night_outlook(garden, night, Estimate(night.low_c, 0.0), settings)
    if not outlook.covered:
        return None, {}
    problem = problem_of(garden, outlook, gust_mps=night.gust_mps, safe_below=settings.safe_below)
    added = {extra.pool.id for extra in extras}
    pools = tuple(replace(p, count=1) if p.id in added else p for p in problem.pools)
    prepared = prepare(replace(problem, pools=pools))
    own = [o for o in prepared.options if not any(pool_id in added for pool_id, _ in o.needs)]
    without = fill_greedily(Tally(prepared), own)
    found: dict[str, Covered] = {}
    for extra in extras:
        more = [o for o in prepared.options if any(p == extra.pool.id for p, _ in o.needs)]
        tally = fill_greedily(Tally(prepared), [*own, *more])
        if tally.objective > without.objective + 1e-9:
            found[extra.key] = covered_by(uses_of(tally))
    return covered_by(uses_of(without)), found


def _loss(garden: ReplayGarden, covered: Covered, truth: Truth) -> float:
    loss = 0.0
    for planting in garden.plantings:
        under = covered.get(planting.need.id, {})
        left = planting.need.count - sum(under.values())
        gone = left * truth.lost(planting, None)
        gone += sum(number * truth.lost(planting, tid) for tid, number in under.items())
        loss += gone * planting.need.worth
    return loss
