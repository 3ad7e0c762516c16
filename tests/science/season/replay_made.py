"""Nights and gardens to replay."""

from __future__ import annotations

import random
from datetime import date, timedelta

from gardenapp.science.allocation.problem import CoverPool, PlantingNeed, PlotSite, Treatment
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing import Bearing, Hardiness
from gardenapp.science.night.damage import curve_from_threshold
from gardenapp.science.night.forecast_error import forecast_sd_k
from gardenapp.science.season.replay import ReplaySettings
from gardenapp.science.season.replay_forecasts import (
    ReplayNight,
)
from gardenapp.science.season.replay_garden import ReplayGarden, ReplayPlanting, ReplayTreatment

FIRST = date(2026, 1, 1)


SETTINGS = ReplaySettings(time_limit_s=1.0)


LOW_ERROR = forecast_sd_k(12.0)


def make_nights(count: int = 60, *, mean_c: float = 1.0, seed: int = 3) -> tuple[ReplayNight, ...]:
    """An invented record whose lows hang on the night before, as real ones do."""
    rng = random.Random(seed)
    low_c, nights = mean_c, []
    for number in range(count):
        low_c = mean_c + 0.6 * (low_c - mean_c) + rng.gauss(0.0, 2.5)
        day = FIRST + timedelta(days=number)
        nights.append(ReplayNight(day, low_c, day, cloud_fraction=0.2, wind_mps=1.0))
    return tuple(nights)


def make_planting(
    number: int, *, kill_c: float, plot: str = "A", **changes: object
) -> ReplayPlanting:
    values: dict[str, object] = {
        "id": number,
        "plot_id": plot,
        "count": 4,
        "spread_cm": 20.0,
        "height_cm": 20.0,
        "worth": 1.0,
        "bare_damage": 0.0,
    }
    return ReplayPlanting(
        PlantingNeed(**values | changes),  # type: ignore[arg-type]
        Hardiness(Bearing(curve_from_threshold(kill_c, kind="kill"))),
        Bearing(curve_from_threshold(kill_c, kind="kill")),
        Estimate(0.0, 0.5),
    )


def make_pool(id_: str = "box", count: int = 2, **changes: object) -> CoverPool:
    values: dict[str, object] = {
        "id": id_,
        "label": id_,
        "count": count,
        "inner_length_cm": 40.0,
        "inner_width_cm": 40.0,
        "inner_height_cm": 40.0,
        "outer_length_cm": 44.0,
        "outer_width_cm": 44.0,
        "is_rigid": True,
        "minutes": 1.0,
    }
    return CoverPool(**values | changes)  # type: ignore[arg-type]


def make_garden(*plantings: ReplayPlanting, pools: tuple[CoverPool, ...] = ()) -> ReplayGarden:
    pools = pools or (make_pool(),)
    plots = dict.fromkeys(p.need.plot_id for p in plantings)
    return ReplayGarden(
        plots=tuple(PlotSite(plot, 600.0, 300.0, 120.0) for plot in plots),
        plantings=plantings,
        pools=pools,
        treatments=tuple(
            ReplayTreatment(
                Treatment(pool.id, (pool.id,), pool.label),
                LiftPrior(Estimate(3.0, 0.8), Estimate(2.0, 0.8), 0.8),
                pool.is_draped,
            )
            for pool in pools
        ),
    )
