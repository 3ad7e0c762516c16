"""A replayed garden whose plants harden and soften with the record's own weather."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from gardenapp.science.night.bearing import Bearing
from gardenapp.science.night.exposure import radiative_share
from gardenapp.science.night.hardening import (
    Kinds,
    course,
    filled,
    seasonal_share,
    usual_half_range_k,
)
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.science.season.replay_garden import ReplayGarden, ReplayPlanting

_DAY = timedelta(days=1)
STEPS = 50
"""States are told apart to a fiftieth, so that alike plants stay alike."""


@dataclass(frozen=True)
class Days:
    """Days on record from `first` on, NaN where none is known; shape (d,). [°C]"""

    first: date
    min_c: np.ndarray
    mean_c: np.ndarray


def days_of(nights: Sequence[ReplayNight], *, latitude: float) -> Days:
    """The days of a record of nights: a night's low is its morning's minimum.

    A day's mean is the record's, or its minimum and the usual half of its range.
    """
    first = min(night.night_of for night in nights)
    last = max(night.night_of for night in nights)
    count = (last - first).days + 2
    min_c, mean_c = np.full(count, np.nan), np.full(count, np.nan)
    for night in nights:
        min_c[(night.night_of - first).days + 1] = night.low_c
    for night in nights:
        if night.day_mean_c is not None:
            mean_c[(night.night_of - first).days] = night.day_mean_c
    for index in np.flatnonzero(np.isnan(mean_c) & ~np.isnan(min_c)):
        half_k = usual_half_range_k(first + int(index) * _DAY, latitude)
        mean_c[index] = min_c[index] + half_k
    min_c[0] = mean_c[0] if np.isnan(min_c[0]) else min_c[0]
    return Days(first, min_c, mean_c)


class HardenedGarden:
    """The garden on each night of a record. Plants whose limit the weather moves are moved."""

    def __init__(
        self, garden: ReplayGarden, nights: Sequence[ReplayNight], *, latitude: float
    ) -> None:
        self._garden = garden
        self._moving = [p for p in garden.plantings if p.hardiness.is_moved]
        self._places = {p.need.id: index for index, p in enumerate(self._moving)}
        self._days = days_of(nights, latitude=latitude)
        days = self._days
        whole = filled(days.min_c, days.mean_c)
        usual = np.array(
            [seasonal_share(days.first + n * _DAY, latitude) for n in range(len(days.min_c))]
        )
        shift = np.array([p.offset.mean for p in self._moving])
        share = radiative_share(cloud_fraction=None, wind_mps=None).mean
        count = len(self._moving)
        self._shares = course(
            min_c=whole.min_c[:, None] + share * shift,
            mean_c=whole.mean_c[:, None] + share * shift / 2.0,
            # Over years of a record nothing is always in bud: it hardens like the leaves.
            kinds=Kinds.of(
                [
                    "leafy" if p.hardiness.hardens == "moved" else p.hardiness.hardens
                    for p in self._moving
                ]
            ),
            start=np.full(count, usual[0]),
            begins=np.zeros(count, dtype=np.int64),
            usual=usual,
            is_said=np.zeros(count, dtype=np.bool_),
        )

    def states(self, night_of: date, *, steps: int = STEPS) -> tuple[int, ...]:
        """How hardened the plants that weather moves are on an evening, in steps of 1/steps.

        On evenings of the same states the garden is the same.
        """
        shares = self._shares[(night_of - self._days.first).days]
        return tuple(np.rint(shares * steps).astype(np.int64).tolist())

    def bearing(self, planting: ReplayPlanting, night_of: date, *, steps: int = STEPS) -> Bearing:
        """What a planting bears on the evening of a night, its state told apart to 1/steps."""
        place = self._places.get(planting.need.id)
        if place is None:
            return planting.bearing
        share = self._shares[(night_of - self._days.first).days, place]
        return planting.hardiness.at(round(float(share) * steps) / steps)

    def on(self, night_of: date, *, steps: int = STEPS) -> ReplayGarden:
        """The garden on the evening of a night."""
        return replace(
            self._garden,
            plantings=tuple(
                replace(p, bearing=self.bearing(p, night_of, steps=steps))
                for p in self._garden.plantings
            ),
        )
