"""A replayed garden hardens and softens with the record's own weather."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from gardenapp.science.allocation.problem import PlantingNeed, PlotSite
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing import Bearing, Hardiness
from gardenapp.science.night.damage import DamageCurve
from gardenapp.science.season.hardened import HardenedGarden, days_of
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.science.season.replay_garden import ReplayGarden, ReplayPlanting

START = date(2025, 11, 1)
KALE = Hardiness(Bearing(DamageCurve(-3.0, 1.0)), Bearing(DamageCurve(-15.0, 1.0)), "leafy")
BEAN = Hardiness(Bearing(DamageCurve(0.0, 1.0)))


def garden() -> ReplayGarden:
    def planting(name: str, hardiness: Hardiness, offset_k: float = 0.0) -> ReplayPlanting:
        need = PlantingNeed(name, "A1", 4, 45.0, 50.0, 1.0, 0.0)
        return ReplayPlanting(need, hardiness, hardiness.at(0.0), Estimate(offset_k, 0.5))

    return ReplayGarden(
        plots=(PlotSite("A1", 500.0, 300.0, 120.0, 0.5),),
        plantings=(planting("kale", KALE), planting("bean", BEAN), planting("low", KALE, -3.0)),
        pools=(),
        treatments=(),
    )


def nights(*lows_c: float, mean_c: float | None = 4.0) -> list[ReplayNight]:
    return [
        ReplayNight(on, low_c, on, day_mean_c=mean_c)
        for n, low_c in enumerate(lows_c)
        for on in [START + timedelta(days=n)]
    ]


def test_a_nights_low_is_the_next_mornings() -> None:
    days = days_of(nights(3.0, 1.0, -2.0), latitude=52.0)

    assert days.first == START
    assert list(days.min_c[1:]) == [3.0, 1.0, -2.0]
    assert list(days.mean_c[:3]) == [4.0, 4.0, 4.0]
    assert days.mean_c[3] == -2.0 + 3.0  # no mean on record: half of a usual November day's range


def test_plants_harden_through_a_cold_autumn_and_a_hollow_more() -> None:
    hardened = HardenedGarden(garden(), nights(*[2.0] * 40), latitude=52.0)
    first, last = (hardened.on(START + timedelta(days=n)).plantings for n in (0, 39))

    assert last[0].bearing.bears_c < first[0].bearing.bears_c - 2.0
    assert last[1].bearing == first[1].bearing == BEAN.soft
    assert last[2].bearing.bears_c < last[0].bearing.bears_c
    assert last[0].threshold_c == last[0].bearing.bears_c


def test_warm_days_take_it_back() -> None:
    record = [*nights(*[0.0] * 40, mean_c=3.0)]
    record += [
        ReplayNight(on, 11.0, on, day_mean_c=14.0)
        for n in range(40, 44)
        for on in [START + timedelta(days=n)]
    ]
    hardened = HardenedGarden(garden(), record, latitude=52.0)
    before, after = (hardened.on(START + timedelta(days=n)).plantings[0] for n in (39, 43))

    assert after.threshold_c > before.threshold_c + 3.0


def test_states_are_told_apart_as_finely_as_asked() -> None:
    hardened = HardenedGarden(garden(), nights(*[1.0] * 30), latitude=52.0)
    days = [START + timedelta(days=n) for n in range(30)]

    fine = {hardened.on(on).plantings[0].bearing for on in days}
    coarse = {hardened.on(on, steps=5).plantings[0].bearing for on in days}

    assert len(coarse) < len(fine)
    assert not np.isnan([bearing.bears_c for bearing in fine]).any()


def test_the_softer_half_of_the_earth_has_its_winter_in_july() -> None:
    july = [ReplayNight(on, 2.0, on) for on in [date(2026, 7, 1)]]

    (south,) = (HardenedGarden(garden(), july, latitude=-40.0).on(date(2026, 7, 1)).plantings[0],)
    (north,) = (HardenedGarden(garden(), july, latitude=50.0).on(date(2026, 7, 1)).plantings[0],)

    assert south.threshold_c < north.threshold_c
    assert north.threshold_c == pytest.approx(KALE.soft.bears_c)


def test_evenings_of_the_same_states_are_of_the_same_garden() -> None:
    found = nights(*[9.0, 7.0, 2.0, 0.0, 1.0] * 10)
    hardened = HardenedGarden(garden(), found, latitude=52.0)
    by_states: dict[tuple[int, ...], set[tuple[Bearing, ...]]] = {}
    for night in found:
        bearings = tuple(p.bearing for p in hardened.on(night.night_of, steps=5).plantings)
        states = hardened.states(night.night_of, steps=5)
        assert bearings[0] == KALE.at(states[0] / 5)
        assert bearings[2] == KALE.at(states[1] / 5)
        by_states.setdefault(states, set()).add(bearings)

    assert 1 < len(by_states) < len(found)
    assert all(len(gardens) == 1 for gardens in by_states.values())
